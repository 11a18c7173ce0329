"""An uncompressed copy of an object, for a peer that takes nothing else.

It keeps its SOP Instance UID, for no information is lost by decoding, and what it says of its
lossy past: a picture once compressed with loss stays one (PS3.3 C.7.6.1.1.5).
"""

from __future__ import annotations

import warnings
from pathlib import Path

from pydicom.uid import UID
from pynetdicom.dsutils import encode

from archiver.archive import check_frames, decode_pixels
from archiver.errors import ObjectError, Problem
from archiver.objects import open_dataset
from archiver.workers import confined


@confined(ObjectError)
def recoded(path: Path, transfer_syntax: str) -> bytes:
    """Return an object's data set in an uncompressed transfer syntax.

    Parameters
    ----------
    path
        Of the object's file.
    transfer_syntax
        Explicit or Implicit VR Little Endian.

    Raises
    ------
    ObjectError
        If the object cannot be read, or there is no decoder for it.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the validator's business
            dataset = open_dataset(path, pixels=True)
            if dataset.file_meta.TransferSyntaxUID.is_encapsulated:
                check_frames(path)
            if dataset.file_meta.TransferSyntaxUID.is_compressed:
                decode_pixels(dataset)
            wanted = UID(transfer_syntax)
            encoded = encode(dataset, wanted.is_implicit_VR, wanted.is_little_endian)
    except ObjectError as error:
        raise ObjectError(*(p.at(file=str(path)) for p in error.problems)) from None
    except Exception as error:  # whatever the bytes lead pydicom and its decoders to
        problem = Problem("network.recoding.no_copy", reason=str(error))
        raise ObjectError(problem.at(file=str(path))) from error
    if encoded is None:
        raise ObjectError(Problem("network.recoding.not_encoded").at(file=str(path)))
    return encoded
