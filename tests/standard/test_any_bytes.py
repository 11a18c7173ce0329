"""Any bytes give findings: never an exception, never a warning, never a word on stderr."""

from __future__ import annotations

import struct

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom._uid_dict import UID_dictionary
from standard_photograph import JPEG_BASELINE, jpeg_frame, native, photograph, raw_element, written

from archiver.standard.finding import Finding
from archiver.standard.validator import validate_bytes

EXPLICIT = "1.2.840.10008.1.2.1"
IMPLICIT = "1.2.840.10008.1.2"
DEFLATED = "1.2.840.10008.1.2.1.99"

GOOD = (
    written(photograph()),
    written(native(photograph()), EXPLICIT)[:-18000],
    written(native(photograph()), IMPLICIT)[:-18000],
    written(native(photograph()), DEFLATED),
)
MORE = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def findings_of(data: bytes) -> list[Finding]:
    findings = validate_bytes(data, "any")
    for finding in findings:
        assert finding.found and finding.clause
        assert "\n" not in str(finding)
    return findings


@MORE
@given(st.binary(max_size=400))
def test_random_bytes(data: bytes) -> None:
    assert findings_of(data)


@MORE
@given(st.binary(max_size=600))
def test_random_elements_behind_a_preamble(data: bytes) -> None:
    meta = raw_element(0x00020010, "UI", EXPLICIT.encode() + b"\0")
    assert findings_of(bytes(128) + b"DICM" + meta + data)


@MORE
@given(st.sampled_from(GOOD), st.integers(0, 1 << 16), st.data())
def test_a_file_cut_off_anywhere(good: bytes, seed: int, draw: st.DataObject) -> None:
    cut = draw.draw(st.integers(0, len(good) - 1))
    assert findings_of(good[:cut])


@MORE
@given(
    st.sampled_from(GOOD),
    st.lists(st.tuples(st.floats(0, 0.999), st.binary(min_size=1, max_size=6)), max_size=6),
)
def test_bytes_overwritten_anywhere(good: bytes, changes: list[tuple[float, bytes]]) -> None:
    spoilt = bytearray(good)
    for place, value in changes:
        at = int(place * len(good))
        spoilt[at : at + len(value)] = value
    findings_of(bytes(spoilt))


@MORE
@given(
    st.sampled_from(GOOD),
    st.floats(0, 0.999),
    st.binary(max_size=40),
    st.integers(0, 40),
)
def test_bytes_put_in_and_taken_out(good: bytes, place: float, extra: bytes, gone: int) -> None:
    at = int(place * len(good))
    findings_of(good[:at] + extra + good[at + gone :])


@MORE
@given(st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=8))
def test_a_spoilt_stream(changes: list[tuple[float, int]]) -> None:
    frame = bytearray(jpeg_frame())
    for place, value in changes:
        frame[int(place * min(700, len(frame)))] = value
    good = written(photograph())
    at = good.index(jpeg_frame())
    findings_of(good[:at] + bytes(frame) + good[at + len(frame) :])


@pytest.mark.parametrize(
    "syntax",
    [
        "1.2.840.10008.1.2.5",
        "1.2.840.10008.1.2.4.80",
        "1.2.840.10008.1.2.4.81",
        "1.2.840.10008.1.2.4.90",
        "1.2.840.10008.1.2.4.91",
        "1.2.840.10008.1.2.4.110",
        "1.2.840.10008.1.2.4.202",
        "1.2.840.10008.1.2.4.70",
        "1.2.840.10008.1.2.4.102",
    ],
)
@settings(max_examples=40, deadline=None, derandomize=True)
@given(data=st.data())
def test_random_streams_of_every_codec(syntax: str, data: st.DataObject) -> None:
    starts = [b"", b"\xff\xd8", b"\xff\x4f\xff\x51", b"\xff\x0a", b"\x03\0\0\0\x40\0\0\0"]
    stream = data.draw(st.sampled_from(starts)) + data.draw(st.binary(min_size=2, max_size=120))
    stream += b"\0" * (len(stream) % 2)
    ds = photograph()
    del ds.PixelData
    item = b"\xfe\xff\x00\xe0" + struct.pack("<I", 0)
    item += b"\xfe\xff\x00\xe0" + struct.pack("<I", len(stream)) + stream
    tail = b"\xe0\x7f\x10\x00OB\0\0\xff\xff\xff\xff" + item + b"\xfe\xff\xdd\xe0\0\0\0\0"
    # pydicom 3.0.2 writes no syntax that it does not know, and JPEG XL is one.
    if syntax in UID_dictionary:
        head = written(ds, syntax)
    else:
        padded = syntax.encode() + b"\0" * (len(syntax) % 2)
        field = b"UI" + struct.pack("<H", len(padded)) + padded
        head = written(ds).replace(b"UI\x16\0" + JPEG_BASELINE.encode(), field)
    assert findings_of(head + tail)


def test_sequences_nested_without_end_are_given_up() -> None:
    opened = b"\x08\0\x40\x11SQ\0\0\xff\xff\xff\xff\xfe\xff\x00\xe0\xff\xff\xff\xff"
    meta = raw_element(0x00020010, "UI", EXPLICIT.encode() + b"\0")
    findings = findings_of(bytes(128) + b"DICM" + meta + opened * 5000)
    assert "element-unreadable" in {f.rule for f in findings}


def test_a_deflate_bomb_is_not_inflated_without_limit() -> None:
    import zlib

    engine = zlib.compressobj(9, wbits=-zlib.MAX_WBITS)
    bomb = b"".join(engine.compress(bytes(1 << 20)) for _ in range(300)) + engine.flush()
    meta = raw_element(0x00020010, "UI", DEFLATED.encode())
    rules = {f.rule for f in findings_of(bytes(128) + b"DICM" + meta + bomb)}
    assert "deflate-broken" in rules


def test_bytes_that_were_never_deflated_are_told_as_such() -> None:
    meta = raw_element(0x00020010, "UI", DEFLATED.encode())
    found = findings_of(bytes(128) + b"DICM" + meta + b"\xff" * 64)
    (broken,) = [f for f in found if f.rule == "deflate-broken"]
    assert "does not inflate" in str(broken.found)


def test_good_files_stay_good() -> None:
    assert findings_of(written(photograph(), JPEG_BASELINE)) == []
