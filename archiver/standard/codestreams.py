"""What the compressed stream of a frame says of itself: never decoded, only its headers read."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

from archiver.errors import PhotoError
from archiver.photo import ColourModel, JpegStructure, Process, parse_jpeg
from archiver.wording import Text

Bytes = bytes | memoryview

# Frame header marker of each process (ITU-T T.81 table B.1).
_MARKERS = {
    Process.BASELINE: 0xC0,
    Process.EXTENDED: 0xC1,
    Process.PROGRESSIVE: 0xC2,
    Process.LOSSLESS: 0xC3,
    Process.HIERARCHICAL: 0xC5,
    Process.ARITHMETIC: 0xC9,
    Process.ARITHMETIC_PROGRESSIVE: 0xCA,
}


class StreamError(Exception):
    """The stream cannot be read; the message says why."""


@dataclass(frozen=True)
class Stream:
    """A stream's own account of the frame.

    Parameters
    ----------
    rows, columns, samples, precision
        ``None`` where the headers that were read do not tell.
    process
        Marker of the frame header, 0 where the codec has none.
    lossless
        Whether coding lost nothing; ``None`` where the headers do not tell.
    photometric
        Photometric interpretations that the stream can be labelled with; empty for any.
    end
        Bytes up to the end of the stream; the rest is padding or does not belong there.
    metadata
        What else is in it: names of metadata segments.
    jpeg
        The structure, for JPEG.
    """

    rows: int | None = None
    columns: int | None = None
    samples: int | None = None
    precision: int | None = None
    process: int = 0
    lossless: bool | None = None
    photometric: tuple[str, ...] = ()
    end: int | None = None
    metadata: tuple[str, ...] = ()
    jpeg: JpegStructure | None = None


def read_stream(codec: str, stream: Bytes) -> Stream:
    """Read the headers of a frame.

    Parameters
    ----------
    codec
        As in ``encodings.toml``.
    stream
        The frame, all fragments joined.

    Raises
    ------
    StreamError
        The stream is of another kind, or broken.
    """
    reader = _READERS.get(codec)
    if reader is None:
        return Stream()
    try:
        return reader(stream)
    except (struct.error, IndexError, ValueError, KeyError) as error:
        raise StreamError(Text("standard.codestreams.bad_headers", error=error)) from error


def kind_of(stream: Bytes) -> str:
    """Name the kind of a stream by its first bytes, empty where they are of no known kind."""
    start = bytes(stream[:12])
    for magic, name in _MAGIC:
        if start.startswith(magic):
            return name
    return ""


_MAGIC = (
    (b"\xff\xd8\xff\xf7", "jpeg-ls"),
    (b"\xff\xd8\xff", "jpeg"),
    (b"\xff\x4f\xff\x51", "jpeg-2000"),
    (b"\x00\x00\x00\x0cjP  \r\n\x87\n", "JP2 file"),
    (b"\xff\x0a", "jpeg-xl"),
    (b"\x00\x00\x00\x0cJXL \r\n\x87\n", "jpeg-xl"),
    (b"\x89PNG", "PNG file"),
)


def _read_jpeg(stream: Bytes) -> Stream:
    if kind_of(stream) not in ("jpeg", "jpeg-ls"):
        raise StreamError(
            Text(
                "standard.codestreams.no_jpeg",
                kind=kind_of(stream) or Text("standard.codestreams.unknown"),
            )
        )
    try:
        jpeg = parse_jpeg(stream)  # type: ignore[arg-type]
    except PhotoError as error:
        raise StreamError(Text("standard.codestreams.photo", problems=error.problems)) from error
    lossless = jpeg.process is Process.LOSSLESS and not any(
        scan.approximation_low for scan in jpeg.scans
    )
    return Stream(
        jpeg.rows,
        jpeg.columns,
        len(jpeg.components),
        jpeg.precision,
        _MARKERS[jpeg.process],
        lossless,
        _labels(jpeg),
        jpeg.end,
        _metadata(jpeg, stream),
        jpeg,
    )


def _labels(jpeg: JpegStructure) -> tuple[str, ...]:
    if jpeg.colour is ColourModel.GREY:
        return ("MONOCHROME2", "MONOCHROME1", "PALETTE COLOR")
    if jpeg.process is Process.LOSSLESS:
        # Lossless JPEG has no colour transform of its own; what DICOM says holds.
        return ("RGB", "YBR_FULL")
    if jpeg.colour is ColourModel.RGB:
        return ("RGB",)
    if jpeg.colour is ColourModel.YCBCR:
        return ("YBR_FULL_422", "YBR_FULL")
    return ()


def _metadata(jpeg: JpegStructure, stream: Bytes) -> tuple[str, ...]:
    """Name the segments that carry more than decoding needs (JFIF and Adobe are needed)."""
    found = []
    for segment in jpeg.segments:
        content = bytes(stream[segment.payload : min(segment.end, segment.payload + 32)])
        if segment.marker == 0xFE:
            found.append("comment (COM)")
        elif 0xE0 <= segment.marker <= 0xEF:
            kind = _segment_kind(segment.marker, content)
            if kind:
                found.append(kind)
    return tuple(found)


def _segment_kind(marker: int, content: bytes) -> str:
    if marker == 0xE0 and content.startswith((b"JFIF\0", b"JFXX\0")):
        # Bytes 12 and 13 of JFIF are the size of a thumbnail.
        thumbnail = content.startswith(b"JFXX") or content[12:14] not in (b"", b"\0\0")
        return "JFIF thumbnail (APP0)" if thumbnail else ""
    if marker == 0xEE and content.startswith(b"Adobe"):
        return ""
    known = {
        b"Exif\0": "EXIF",
        b"http://ns.adobe.com/": "XMP",
        b"ICC_PROFILE\0": "ICC profile",
        b"MPF\0": "multi-picture index",
        b"Photoshop 3.0": "IPTC",
    }
    name = next((n for magic, n in known.items() if content.startswith(magic)), "application data")
    return f"{name} (APP{marker - 0xE0})"


def _read_jpeg_ls(stream: Bytes) -> Stream:
    if bytes(stream[:2]) != b"\xff\xd8":
        raise StreamError(Text("standard.codestreams.no_jpeg_ls"))
    position, frame, near = 2, None, None
    while near is None:
        marker, length = struct.unpack_from(">HH", stream, position)
        if marker == 0xFFF7:
            frame = struct.unpack_from(">BHHB", stream, position + 4)
        elif marker == 0xFFDA:
            near = stream[position + 5 + 2 * stream[position + 4]]
        elif marker >> 8 != 0xFF:
            raise StreamError(Text("standard.codestreams.no_marker"))
        position += 2 + length
    if frame is None:
        raise StreamError(Text("standard.codestreams.no_frame_header"))
    precision, rows, columns, samples = frame
    return Stream(rows, columns, samples, precision, 0xF7, near == 0)


def _read_jpeg_2000(stream: Bytes) -> Stream:
    if bytes(stream[:4]) != b"\xff\x4f\xff\x51":
        kind = kind_of(stream)
        raise StreamError(
            Text("standard.codestreams.but_a", kind=kind)
            if kind
            else Text("standard.codestreams.no_jpeg_2000")
        )
    x1, y1, x0, y0 = struct.unpack_from(">4I", stream, 8)
    (samples,) = struct.unpack_from(">H", stream, 40)
    precision = (stream[42] & 0x7F) + 1
    position = 4 + struct.unpack_from(">H", stream, 4)[0]
    while True:
        marker, length = struct.unpack_from(">HH", stream, position)
        if marker == 0xFF52:
            break
        if marker in (0xFF90, 0xFFD9) or marker >> 8 != 0xFF:
            raise StreamError(Text("standard.codestreams.no_coding_style"))
        position += 2 + length
    transformed, reversible = stream[position + 8], stream[position + 13] == 1
    labels: tuple[str, ...] = ()
    if samples == 3:
        if transformed:
            labels = ("YBR_RCT",) if reversible else ("YBR_ICT",)
        else:
            labels = ("RGB", "YBR_FULL")
    # A reversible transform may still be truncated, so only the irreversible one is certain.
    lossless = None if reversible else False
    return Stream(y1 - y0, x1 - x0, samples, precision, 0, lossless, labels)


def _read_rle(stream: Bytes) -> Stream:
    segments, *offsets = struct.unpack_from("<16I", stream)
    used = offsets[:segments]
    if not 1 <= segments <= 15 or used[0] != 64 or used != sorted(used) or used[-1] > len(stream):
        raise StreamError(Text("standard.codestreams.bad_segments"))
    return Stream(samples=segments if segments in (1, 3) else None, lossless=True)


def _read_jpeg_xl(stream: Bytes) -> Stream:
    if kind_of(stream) != "jpeg-xl":
        raise StreamError(
            Text(
                "standard.codestreams.no_jpeg_xl",
                kind=kind_of(stream) or Text("standard.codestreams.unknown"),
            )
        )
    return Stream()


_READERS: dict[str, Callable[[Bytes], Stream]] = {
    "jpeg": _read_jpeg,
    "jpeg-ls": _read_jpeg_ls,
    "jpeg-2000": _read_jpeg_2000,
    "rle": _read_rle,
    "jpeg-xl": _read_jpeg_xl,
}
