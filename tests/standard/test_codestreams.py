"""What the headers of a frame say, from streams of known make."""

from __future__ import annotations

import io
import struct
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from standard_photograph import jpeg_frame

from archiver.photo.jpeg import Process
from archiver.standard.codestreams import Stream, StreamError, read_stream

COLOUR = Image.fromarray(np.random.default_rng(5).integers(0, 255, (40, 60, 3), dtype=np.uint8))


def jpeg_2000(image: Image.Image, **options: object) -> bytes:
    buffer = io.BytesIO()
    image.save(buffer, "JPEG2000", no_jp2=True, **{"mct": 1, **options})
    return buffer.getvalue()


def shifted(stream: bytes) -> bytes:
    """The same, its picture not at the origin of the reference grid."""
    return stream[:8] + struct.pack(">4I", 68, 44, 8, 4) + stream[24:]


@pytest.mark.parametrize(
    ("stream", "said"),
    [
        (
            jpeg_2000(COLOUR, irreversible=False),
            Stream(40, 60, 3, 8, lossless=None, photometric=("YBR_RCT",)),
        ),
        (
            jpeg_2000(COLOUR, irreversible=True),
            Stream(40, 60, 3, 8, lossless=False, photometric=("YBR_ICT",)),
        ),
        (
            jpeg_2000(COLOUR, irreversible=True, mct=0),
            Stream(40, 60, 3, 8, lossless=False, photometric=("RGB", "YBR_FULL")),
        ),
        (jpeg_2000(COLOUR.convert("L")), Stream(40, 60, 1, 8)),
        (shifted(jpeg_2000(COLOUR)), Stream(40, 60, 3, 8, photometric=("YBR_RCT",))),
    ],
)
def test_a_jpeg_2000_says_its_size_its_samples_and_its_transform(
    stream: bytes, said: Stream
) -> None:
    assert read_stream("jpeg-2000", stream) == said


def test_a_jpeg_2000_whose_tile_begins_before_its_coding_style_is_refused() -> None:
    stream = jpeg_2000(COLOUR)
    style = stream.index(b"\xff\x52")
    for marker in (b"\xff\x90", b"\xff\xd9", b"\x01\x52"):
        with pytest.raises(StreamError, match="coding style"):
            read_stream("jpeg-2000", stream[:style] + marker + stream[style + 2 :])


def test_the_coding_style_of_a_jpeg_2000_may_stand_behind_a_comment_but_not_behind_rubbish() -> (
    None
):
    stream = jpeg_2000(COLOUR)
    style = stream.index(b"\xff\x52")
    told = stream[:style] + b"\xff\x64\x00\x04\x00\x01" + stream[style:]
    assert read_stream("jpeg-2000", told) == read_stream("jpeg-2000", stream)
    with pytest.raises(StreamError, match="coding style"):
        read_stream("jpeg-2000", stream[:style] + b"\x01\x64\x00\x02" + stream[style:])


def jpeg_ls(near: int, samples: int) -> bytes:
    frame = struct.pack(">HHBHHB", 0xFFF7, 8 + 3 * samples, 12, 40, 60, samples)
    frame += b"".join(bytes((n, 0x11, 0)) for n in range(samples))
    scan = struct.pack(">HHB", 0xFFDA, 6 + 2 * samples, samples)
    scan += b"".join(bytes((n, 0)) for n in range(samples)) + bytes((near, 0, 0))
    return b"\xff\xd8" + frame + scan + b"pixels\xff\xd9"


@pytest.mark.parametrize("samples", [1, 3])
@pytest.mark.parametrize("near", [0, 1, 3])
def test_a_jpeg_ls_says_its_size_and_whether_anything_was_lost(near: int, samples: int) -> None:
    assert read_stream("jpeg-ls", jpeg_ls(near, samples)) == Stream(
        40, 60, samples, 12, 0xF7, near == 0
    )


def test_a_jpeg_ls_without_a_frame_header_is_refused() -> None:
    stream = jpeg_ls(0, 1)
    with pytest.raises(StreamError, match="frame header"):
        read_stream("jpeg-ls", stream[:2] + stream[15:])
    with pytest.raises(StreamError, match="marker"):
        read_stream("jpeg-ls", stream[:2] + b"\xfe" + stream[3:])


def rle(segments: int, *offsets: int) -> bytes:
    return struct.pack("<16I", segments, *offsets, *(0,) * (15 - len(offsets))) + bytes(100)


@pytest.mark.parametrize("segments", [1, 2, 3, 15])
def test_an_rle_frame_has_one_to_fifteen_segments_in_order(segments: int) -> None:
    offsets = [64 + 6 * n for n in range(segments)]
    samples = segments if segments in (1, 3) else None
    assert read_stream("rle", rle(segments, *offsets)) == Stream(samples=samples, lossless=True)
    if segments > 1:
        offsets[-1] = 164
        assert read_stream("rle", rle(segments, *offsets)).lossless


@pytest.mark.parametrize(
    "stream",
    [rle(0), rle(16, *range(64, 79)), rle(1, 65), rle(3, 64, 90, 80), rle(2, 64, 165), bytes(63)],
)
def test_an_rle_header_that_cannot_be_is_refused(stream: bytes) -> None:
    with pytest.raises(StreamError):
        read_stream("rle", stream)


@pytest.mark.parametrize(
    ("marker", "process"),
    [
        (0xC0, Process.BASELINE),
        (0xC1, Process.EXTENDED),
        (0xC2, Process.PROGRESSIVE),
        (0xC3, Process.LOSSLESS),
        (0xC5, Process.HIERARCHICAL),
        (0xC9, Process.ARITHMETIC),
        (0xCA, Process.ARITHMETIC_PROGRESSIVE),
    ],
)
def test_a_jpeg_says_its_process_by_the_marker_of_its_frame(marker: int, process: Process) -> None:
    stream = jpeg_frame().replace(b"\xff\xc0", bytes((0xFF, marker)), 1)
    said = read_stream("jpeg", stream)
    assert said.jpeg is not None and said.jpeg.process is process
    assert said.process == marker
    plain = read_stream("jpeg", jpeg_frame())
    assert replace(said, process=0, lossless=None, photometric=(), jpeg=None) == replace(
        plain, process=0, lossless=None, photometric=(), jpeg=None
    )
