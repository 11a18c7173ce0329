"""An uncompressed copy of an object, for a peer that takes nothing else.

It keeps its SOP Instance UID, for no information is lost by decoding, and what it says of its
lossy past: a picture once compressed with loss stays one (PS3.3 C.7.6.1.1.5).
"""

from __future__ import annotations

import warnings
from pathlib import Path

import pydicom
from pydicom import Dataset
from pydicom.encaps import generate_frames
from pydicom.uid import UID
from pynetdicom.dsutils import encode

from archiver.errors import ObjectError, PhotoError, Problem
from archiver.objects import open_dataset

JPEG_BASELINE = "1.2.840.10008.1.2.4.50"
#: Lossy transfer syntaxes and their Lossy Image Compression Method (PS3.3 C.7.6.1.1.5.1).
LOSSY_METHODS = {
    JPEG_BASELINE: "ISO_10918_1",
    "1.2.840.10008.1.2.4.51": "ISO_10918_1",
    "1.2.840.10008.1.2.4.81": "ISO_14495_1",
}
#: What libjpeg-turbo decodes, by the photometric interpretations that it cannot mistake.
_TURBO = {
    JPEG_BASELINE: ("YBR_FULL_422", "YBR_FULL", "MONOCHROME1", "MONOCHROME2"),
    "1.2.840.10008.1.2.4.57": ("RGB", "MONOCHROME1", "MONOCHROME2"),
    "1.2.840.10008.1.2.4.70": ("RGB", "MONOCHROME1", "MONOCHROME2"),
}


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
            if dataset.file_meta.TransferSyntaxUID.is_compressed:
                _decode(dataset)
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


def _decode(dataset: pydicom.FileDataset) -> None:
    syntax = dataset.file_meta.TransferSyntaxUID
    if syntax.is_encapsulated and "PixelData" in dataset:
        _declare_loss(dataset, str(syntax))
        frames = _turbo_frames(dataset, str(syntax))
        if frames is None:
            dataset.decompress(as_rgb=True, generate_instance_uid=False)
        else:
            _set_native(dataset, frames)
    for keyword in ("ExtendedOffsetTable", "ExtendedOffsetTableLengths"):
        if keyword in dataset:
            delattr(dataset, keyword)


def _declare_loss(dataset: Dataset, syntax: str) -> None:
    """Put down a loss that the transfer syntax told of and the attributes did not."""
    method = LOSSY_METHODS.get(syntax)
    if method is None or dataset.get("LossyImageCompression") == "01":
        return
    native = dataset.Rows * dataset.Columns * dataset.SamplesPerPixel * dataset.BitsAllocated // 8
    native *= int(dataset.get("NumberOfFrames") or 1)
    dataset.LossyImageCompression = "01"
    dataset.LossyImageCompressionMethod = method
    dataset.LossyImageCompressionRatio = f"{native / max(1, len(dataset.PixelData)):.2f}"


def _turbo_frames(dataset: Dataset, syntax: str) -> list[bytes] | None:
    """Decode by the library that also wrote our lossless frames; None where it is not for that."""
    if dataset.BitsAllocated != 8 or dataset.PhotometricInterpretation not in _TURBO.get(
        syntax, ()
    ):
        return None
    from archiver.photo import load_turbo

    turbo = load_turbo()
    if turbo is None:
        return None
    count = int(dataset.get("NumberOfFrames") or 1)
    shape = (dataset.Rows, dataset.Columns)
    frames = []
    for stream in generate_frames(dataset.PixelData, number_of_frames=count):
        try:
            pixels = turbo.decode(stream)
        except PhotoError as error:
            raise ObjectError(*error.problems) from None
        samples = 1 if pixels.ndim == 2 else pixels.shape[2]
        if pixels.shape[:2] != shape or samples != dataset.SamplesPerPixel:
            raise ObjectError("network.recoding.other_frame")
        frames.append(pixels.tobytes())
    return frames


def _set_native(dataset: pydicom.FileDataset, frames: list[bytes]) -> None:
    native = b"".join(frames)
    dataset.PixelData = native + b"\0" * (len(native) % 2)
    dataset["PixelData"].VR = "OB"
    dataset["PixelData"].is_undefined_length = False
    if dataset.SamplesPerPixel == 3:
        dataset.PhotometricInterpretation = "RGB"
        dataset.PlanarConfiguration = 0
    dataset.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.1")
