"""Objects that are to be sent, and how a peer answered."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from pydicom.errors import InvalidDicomError
from pynetdicom.dsutils import split_dataset

from archiver.errors import ArchiverError, ObjectError, Problem
from archiver.network.statuses import DimseStatus


@dataclass(frozen=True)
class OutgoingObject:
    """An object that is to be sent.

    Parameters
    ----------
    path
        Its file.
    offset
        Where its data set begins.
    sop_class, sop_instance, transfer_syntax
        As its file meta information says.
    """

    path: Path
    offset: int
    sop_class: str
    sop_instance: str
    transfer_syntax: str

    @property
    def need(self) -> tuple[str, str]:
        """The presentation context that it needs."""
        return self.sop_class, self.transfer_syntax


@dataclass(frozen=True)
class Sent:
    """How the peer answered.

    Parameters
    ----------
    status
        Of its answer.
    transfer_syntax
        In which the object travelled.
    recoded
        True where it was a decoded copy.
    """

    status: DimseStatus
    transfer_syntax: str
    recoded: bool


Result = tuple[OutgoingObject, Sent | ArchiverError]


def read_parcel(path: Path) -> OutgoingObject:
    """Look at a file that is to be sent.

    Raises
    ------
    ObjectError
        If it is no DICOM file, or does not say what it is.
    """
    try:
        meta, offset = split_dataset(path)
        return OutgoingObject(
            path,
            offset,
            str(meta.MediaStorageSOPClassUID),
            str(meta.MediaStorageSOPInstanceUID),
            str(meta.TransferSyntaxUID),
        )
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        problem = Problem("network.outgoing.unreadable", reason=said)
        raise ObjectError(problem.at(file=str(path))) from None
    except (InvalidDicomError, AttributeError, ValueError, EOFError, struct.error):
        raise ObjectError(Problem("network.outgoing.no_dicom").at(file=str(path))) from None
