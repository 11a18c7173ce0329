"""Decoding the pixels of kept objects, frame by frame and within bounds."""

from __future__ import annotations

import warnings
from pathlib import Path

import pydicom
from pydicom import Dataset
from pydicom.encaps import generate_frames
from pydicom.uid import UID

from archiver.errors import ObjectError, PhotoError, Problem
from archiver.objects import StoredFrames, frame_bytes
from archiver.standard import StreamError, kind_of, read_stream
from archiver.workers import allowance, narrow

JPEG_BASELINE = "1.2.840.10008.1.2.4.50"
_RLE, _RLE_HEADER = "1.2.840.10008.1.2.5", 64
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


#: What a decoder needs beside the pixels (bytes), and for each byte of a decoded frame.
_DECODER, _COPIES = 192 << 20, 12


def decoded_frame(path: Path, number: int) -> pydicom.FileDataset:
    """Return a frame as an object of its own, as `StoredFrames.alone` does, but not compressed.

    For a worker: a frame is decoded here and now.

    Raises
    ------
    ObjectError
        If there is no such frame, it takes more than is allowed, or cannot be decoded.
    """
    with StoredFrames(path) as frames:
        return decoded_alone(frames.alone(number))


def decoded_alone(frame: pydicom.FileDataset) -> pydicom.FileDataset:
    """Decode a frame that is an object of its own, for a worker.

    Raises
    ------
    ObjectError
        If it takes more than is allowed, or cannot be decoded.
    """
    encapsulated = frame.file_meta.TransferSyntaxUID.is_encapsulated
    _check(frame, _stream_of(frame) if encapsulated else b"")
    narrow(_DECODER + _COPIES * frame_bytes(frame))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if frame.file_meta.TransferSyntaxUID.is_compressed:
                decode_pixels(frame)
    except ObjectError:
        raise
    except Exception as error:  # whatever the bytes lead pydicom and its decoders to
        reason = type(error).__name__
        raise ObjectError(Problem("network.recoding.no_copy", reason=reason)) from error
    return frame


def _stream_of(frame: pydicom.FileDataset) -> bytes:
    return next(generate_frames(frame.PixelData, number_of_frames=1))


def check_frames(path: Path) -> None:
    """Refuse frames that are not what the object says before any of them is decoded."""
    with StoredFrames(path) as frames:
        if frames.count * frames.frame_bytes > allowance().memory // 4:
            raise ObjectError("network.recoding.too_large")
        for stream in frames.frames():
            _check(frames.header, stream)


def _check(header: pydicom.FileDataset, stream: bytes) -> None:
    """Refuse a frame whose decoding would take more than its object says, or than is allowed."""
    rows, columns = int(header.Rows), int(header.Columns)
    if rows * columns > allowance().pixels:
        most = f"{allowance().pixels / 1e6:g}"
        raise ObjectError(
            Problem("network.recoding.too_many_pixels", columns=columns, rows=rows, most=most)
        )
    if not stream:
        return
    if header.file_meta.TransferSyntaxUID == _RLE:
        # A run of one byte is the worst that an encoder can make of a frame (PS3.5 G.3.1).
        if len(stream) > 2 * frame_bytes(header) + _RLE_HEADER:
            raise ObjectError("network.recoding.other_frame")
        return
    try:
        told = read_stream(kind_of(stream), stream)
    except StreamError as error:
        raise ObjectError(Problem("network.recoding.no_copy", reason=str(error))) from None
    if (told.rows or rows, told.columns or columns) != (rows, columns):
        raise ObjectError("network.recoding.other_frame")
    if told.jpeg is not None and len(told.jpeg.scans) > allowance().scans:
        raise ObjectError(
            Problem(
                "network.recoding.too_many_scans",
                scans=len(told.jpeg.scans),
                most=allowance().scans,
            )
        )


def decode_pixels(dataset: pydicom.FileDataset) -> None:
    """Decode the pixels of an object in place, and say so; its lossy past stays told."""
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
