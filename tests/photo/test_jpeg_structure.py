"""The parser of JPEG structure and the removal of metadata."""

from __future__ import annotations

import io
import struct

import numpy as np
import piexif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jpeg_pictures import CODINGS, FACTORS, MCU, jpeg
from PIL import Image

from archiver.errors import PhotoError
from archiver.photo.jpeg import ColourModel, Process, colour_model, frame_of, parse_jpeg, refusal
from archiver.photo.jpeg_stripping import without_metadata

PROCESSES = {
    "baseline": Process.BASELINE,
    "optimised": Process.BASELINE,
    "progressive": Process.PROGRESSIVE,
    "arithmetic": Process.ARITHMETIC,
    "arithmetic progressive": Process.ARITHMETIC_PROGRESSIVE,
    "restart": Process.BASELINE,
}


def segment(marker: int, content: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def with_segments(stream: bytes, *segments: bytes) -> bytes:
    """Put segments behind SOI."""
    return stream[:2] + b"".join(segments) + stream[2:]


def without_app0(stream: bytes) -> bytes:
    return stream[:2] + stream[4 + int.from_bytes(stream[4:6], "big") :]


def renamed(stream: bytes, names: bytes) -> bytes:
    """Give the three components other identifiers, in frame and scan headers."""
    structure = parse_jpeg(stream)
    changed = bytearray(stream)
    for part in structure.segments:
        if part.marker in (0xC0, 0xC2):
            for k in range(3):
                changed[part.payload + 6 + 3 * k] = names[k]
        if part.marker == 0xDA:
            for k in range(changed[part.payload]):
                place = part.payload + 1 + 2 * k
                changed[place] = names[changed[place] - 1]
    return bytes(changed)


def decoded(stream: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(stream)) as picture:
        return np.asarray(picture)


@pytest.mark.parametrize("sampling", FACTORS)
@pytest.mark.parametrize("coding", CODINGS)
def test_the_headers_are_read(coding, sampling):
    structure = parse_jpeg(jpeg(75, 53, sampling, coding))
    assert structure.process is PROCESSES[coding]
    assert (structure.columns, structure.rows, structure.precision) == (75, 53, 8)
    assert structure.sampling == sampling
    assert structure.mcu == MCU[sampling]
    assert structure.colour is (ColourModel.GREY if sampling == "grey" else ColourModel.YCBCR)
    assert structure.is_baseline is (PROCESSES[coding] is Process.BASELINE)
    assert structure.fits_baseline
    assert structure.trailing == 0
    assert structure.notes == ()
    assert refusal(structure) is None
    assert (structure.restart_interval > 0) is (coding == "restart")
    assert (len(structure.scans) > 1) is ("progressive" in coding)


@pytest.mark.parametrize("coding", CODINGS)
def test_without_metadata_keeps_scan_bytes_and_drops_everything_else(coding):
    plain = jpeg(75, 53, "4:2:2", coding)
    exif = piexif.dump({"0th": {piexif.ImageIFD.Artist: b"SECRETARTIST"}})
    dirty = with_segments(
        plain,
        segment(0xE1, exif),
        segment(0xE1, b"http://ns.adobe.com/xap/1.0/\x00<SECRETXMP/>"),
        segment(0xE2, b"ICC_PROFILE\x00\x01\x01SECRETICC"),
        segment(0xED, b"Photoshop 3.0\x00SECRETIPTC"),
        segment(0xFE, b"SECRETCOMMENT"),
    )
    dirty += plain + b"SECRETTRAILER"
    structure = parse_jpeg(dirty)
    assert structure.trailing == len(plain) + len(b"SECRETTRAILER")
    clean = without_metadata(dirty, structure)
    assert b"SECRET" not in clean
    bare = parse_jpeg(clean)
    assert not {s.marker for s in bare.segments} & {*range(0xE0, 0xF0), 0xFE}
    assert clean == without_metadata(plain)
    assert len(bare.scans) == len(structure.scans)
    for one, other in zip(bare.scans, structure.scans, strict=True):
        assert clean[one.start : one.end] == dirty[other.start : other.end]
    assert np.array_equal(decoded(clean), decoded(plain))


def test_the_colour_model_is_that_of_the_decoder():
    # The rule of libjpeg, which Pillow decodes with, over what can contradict each other.
    plain = without_app0(jpeg(24, 16, "4:4:4"))
    jfif = segment(0xE0, b"JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00")
    for names in (b"\x01\x02\x03", b"RGB", b"\x00\x01\x02", b"rgb"):
        for start in (b"", jfif):
            for transform in (None, 0, 1):
                app14 = b"Adobe\x00\x64\x00\x00\x00\x00"
                extra = b"" if transform is None else segment(0xEE, app14 + bytes((transform,)))
                stream = with_segments(renamed(plain, names), start + extra)
                # Raw components, to be compared with what the decoder makes of them.
                raw = decoded(with_segments(plain, segment(0xEE, app14 + b"\x00")))
                is_rgb = np.array_equal(decoded(stream), raw)
                colour = parse_jpeg(stream).colour
                assert colour is (ColourModel.RGB if is_rgb else ColourModel.YCBCR)
                clean = without_metadata(stream)
                assert np.array_equal(decoded(clean), decoded(stream))
                assert parse_jpeg(clean).colour is colour


def test_colour_models_of_other_numbers_of_components():
    # ITU-T T.872 6.5.3: with four components 0 is CMYK and 2 is YCCK.
    four = (1, 2, 3, 4)
    assert colour_model(four, jfif=False, adobe_transform=0) is ColourModel.CMYK
    assert colour_model(four, jfif=False, adobe_transform=2) is ColourModel.YCCK
    assert colour_model((1, 2), jfif=False, adobe_transform=None) is ColourModel.UNKNOWN
    assert colour_model((1,), jfif=False, adobe_transform=None) is ColourModel.GREY


def test_print_colours_high_precision_and_other_processes_are_refused():
    buffer = io.BytesIO()
    Image.new("CMYK", (16, 16)).save(buffer, "JPEG")
    problem = refusal(parse_jpeg(buffer.getvalue()))
    assert problem is not None and "CMYK" in str(problem)
    for marker, precision, word in (
        (0xC1, 12, "12 bits"),
        (0xC3, 8, "lossless"),
        (0xC5, 8, "hier"),
    ):
        stream = bytearray(jpeg(24, 16, "4:4:4"))
        frame = next(s for s in parse_jpeg(bytes(stream)).segments if s.marker == 0xC0)
        stream[frame.start + 1], stream[frame.payload] = marker, precision
        problem = refusal(parse_jpeg(bytes(stream)))
        assert problem is not None and word in str(problem)


def test_a_wide_quantisation_table_does_not_fit_baseline():
    # T.81 B.2.4.1: 16-bit elements shall not be used with 8-bit baseline.
    structure = parse_jpeg(jpeg(24, 16, "4:4:4", quality=5))
    assert structure.wide_quantisation
    assert not structure.is_baseline and not structure.fits_baseline


def test_profile_pieces_are_joined_in_their_order():
    plain = jpeg(24, 16)
    tag = b"ICC_PROFILE\x00"
    first, second = segment(0xE2, tag + b"\x01\x02abc"), segment(0xE2, tag + b"\x02\x02def")
    assert parse_jpeg(with_segments(plain, second, first)).icc == b"abcdef"
    missing = parse_jpeg(with_segments(plain, second))
    assert missing.icc is None and "1 of 2 pieces" in str(missing.notes[0])
    other = segment(0xE2, tag + b"\x01\x02xyz")
    twice = parse_jpeg(with_segments(plain, first, other, second))
    assert twice.icc is None and "twice" in str(twice.notes[0])
    assert parse_jpeg(plain).icc is None


def test_fill_bytes_and_stray_bytes_between_segments_are_passed_over():
    plain = jpeg(24, 16)
    filled = parse_jpeg(with_segments(plain, b"\xff\xff\xff"))
    assert filled.notes == ()
    stray = with_segments(plain, segment(0xFE, b"x") + b"\x00\x17\x00")
    assert "3 stray bytes" in str(parse_jpeg(stray).notes[0])
    assert without_metadata(stray) == without_metadata(plain)


@pytest.mark.parametrize("coding", CODINGS)
def test_a_stream_cut_anywhere_is_told_to_be_cut_short(coding):
    stream = jpeg(75, 53, "4:2:0", coding)
    for length in (*range(2, 700, 13), len(stream) // 2, len(stream) - 2, len(stream) - 1):
        with pytest.raises(PhotoError, match=r"cut short|ends before"):
            parse_jpeg(stream[:length])


def test_a_picture_that_stops_where_the_next_one_starts_is_cut_short():
    stream = jpeg(75, 53)
    with pytest.raises(PhotoError, match="another one starts"):
        parse_jpeg(stream[:-300] + stream)


def test_a_progressive_stream_without_its_last_scans_is_noted():
    stream = jpeg(75, 53, "4:2:0", "progressive")
    structure = parse_jpeg(stream)
    shorter = stream[: structure.scans[-3].end] + b"\xff\xd9"
    assert "finest detail" in str(parse_jpeg(shorter).notes[0])


def test_the_frame_header_is_read_alone():
    frame = frame_of(jpeg(75, 53, "grey", "progressive")[:400])
    assert (frame.process, frame.columns, frame.rows, frame.samples) == (
        Process.PROGRESSIVE,
        75,
        53,
        1,
    )


def test_what_is_no_jpeg_is_refused():
    for stream in (b"", b"\xff", b"\x89PNG\r\n\x1a\n", b"\xff\xd8", b"\xff\xd8\xff\xd9"):
        with pytest.raises(PhotoError):
            parse_jpeg(stream)


@settings(max_examples=400, deadline=None)
@given(
    coding=st.sampled_from(sorted(CODINGS)),
    changes=st.lists(
        st.tuples(st.integers(0, 10_000), st.integers(0, 255)), min_size=1, max_size=12
    ),
    header_only=st.booleans(),
    cut=st.none() | st.integers(0, 2_000),
)
def test_mutated_bytes_raise_nothing_but_photo_errors(coding, changes, header_only, cut):
    stream = bytearray(jpeg(40, 24, "4:2:0", coding))
    span = min(640, len(stream)) if header_only else len(stream)
    for place, value in changes:
        stream[place % span] = value
    if cut is not None:
        del stream[cut:]
    mutated = bytes(stream)
    try:
        structure = parse_jpeg(mutated)
    except PhotoError as error:
        assert len(error.problems) == 1 and "\n" not in str(error)
        return
    refusal(structure)
    clean = without_metadata(mutated, structure)
    again = parse_jpeg(clean)
    assert (again.rows, again.columns, again.colour) == (
        structure.rows,
        structure.columns,
        structure.colour,
    )
    assert without_metadata(clean, again) == clean


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_behind_a_start_of_image_raise_nothing_but_photo_errors(tail):
    with pytest.raises(PhotoError):
        parse_jpeg(b"\xff\xd8" + tail)
