"""The camera's time is read with its own offset, corrected by the session's, and doubted."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo_pictures import exif_block, noise, notes, read, saved

from archiver.photo.camera_file import CaptureTime, Claims
from archiver.photo.camera_reader import read_camera_bytes
from archiver.photo.capture_time import corrected_time, parse_moment, parse_offset, time_problems
from archiver.photo.exif import ExifBlock, read_exif

SHOT = b"2026:03:04 14:20:00"
NOON = datetime(2026, 3, 4, 12, 0, tzinfo=timezone.utc)


def block(main: dict[int, object] | None = None, **exif: object) -> ExifBlock:
    return read_exif(exif_block(main, {int(tag[1:]): value for tag, value in exif.items()}))


def told(found: ExifBlock) -> str:
    return "\n".join(str(note) for note in found.notes)


def test_time_fraction_and_offset_of_the_shot_come_together() -> None:
    found = block(t36867=SHOT, t37521=b"25", t36881=b"+01:00")
    captured = found.claims.captured
    assert captured is not None
    zone = timezone(timedelta(hours=1))
    assert captured.when == datetime(2026, 3, 4, 14, 20, 0, 250_000, zone)
    assert captured.offset == timedelta(hours=1)
    assert captured.text == "2026:03:04 14:20:00.25 +01:00"
    assert captured.source == "DateTimeOriginal SubSecTimeOriginal OffsetTimeOriginal"
    assert found.notes == ()


def test_the_offset_of_the_shot_wins_over_the_others() -> None:
    found = block(t36867=SHOT, t36880=b"+05:00", t36881=b"-03:00", t36882=b"+09:00")
    assert found.claims.captured is not None
    assert found.claims.captured.offset == timedelta(hours=-3)
    assert found.notes == ()


@pytest.mark.parametrize("blank", [b"   :  ", b"      ", b"", b"\0\0\0\0\0\0\0"])
def test_a_blank_offset_counts_as_none_and_another_is_taken_with_a_note(blank: bytes) -> None:
    alone = block(t36867=SHOT, t36881=blank)
    assert alone.claims.captured is not None
    assert alone.claims.captured.when == datetime(2026, 3, 4, 14, 20)
    assert alone.claims.captured.offset is None
    assert alone.notes == ()
    other = block(t36867=SHOT, t36881=blank, t36880=b"+02:00")
    assert other.claims.captured is not None
    assert other.claims.captured.offset == timedelta(hours=2)
    assert "offset from UTC is taken from EXIF OffsetTime" in told(other)


def test_an_offset_that_is_none_is_noted() -> None:
    found = block(t36867=SHOT, t36881=b"+25:00")
    assert found.claims.captured is not None and found.claims.captured.offset is None
    assert "'+25:00'" in told(found)


@given(st.integers(-12 * 60, 14 * 60))
def test_every_offset_on_earth_is_read(minutes: int) -> None:
    sign, size = "-" if minutes < 0 else "+", abs(minutes)
    text = f"{sign}{size // 60:02}:{size % 60:02}"
    assert parse_offset(text) == timedelta(minutes=minutes)


@given(st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2100, 1, 1)))
def test_every_time_is_read_as_written(moment: datetime) -> None:
    text = moment.strftime("%Y:%m:%d %H:%M:%S")
    assert parse_moment(text, f"{moment.microsecond:06}") == (moment, None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"0000:00:00 00:00:00", "all zeros"),
        (b"2026:02:30 10:00:00", "does not exist"),
        (b"2026:13:01 10:00:00", "does not exist"),
        (b"2026:03:04 14:20:60", "does not exist"),
        (b"2026:03:04 24:00:00", "does not exist"),
        (b"yesterday at noon..", "expected a time such as"),
        (b"2026:03:04", "expected a time such as"),
    ],
)
def test_an_impossible_time_is_flagged_and_its_text_kept(text: bytes, words: str) -> None:
    found = block(t36867=text)
    assert found.claims.captured is not None
    assert found.claims.captured.when is None
    assert found.claims.captured.text == text.decode()
    assert words in told(found)


def test_a_blank_time_is_no_claim() -> None:
    found = block(t36867=b"    :  :     :  :  ")
    assert found.claims.captured is None
    assert "blank" in told(found)


def test_a_clock_that_was_never_set_is_flagged() -> None:
    found = block(t36867=b"1980:01:01 00:00:12")
    assert found.claims.captured is not None and found.claims.captured.when is not None
    assert "is before 1990" in told(found)


def test_the_time_of_digitising_stands_in_with_a_note_and_that_of_change_never() -> None:
    found = block(t36868=SHOT)
    assert found.claims.captured is not None
    assert found.claims.captured.source == "DateTimeDigitized"
    assert "taken from EXIF DateTimeDigitized" in told(found)
    changed = block({306: SHOT})
    assert changed.claims.captured is None
    assert "only when the file was changed" in told(changed)


def test_a_file_without_metadata_has_no_time() -> None:
    photo = read(saved(noise(), "PNG"))
    assert photo.claims.captured is None
    assert "time" not in notes(photo)


@given(
    st.datetimes(min_value=datetime(1995, 1, 1), max_value=datetime(2100, 1, 1)),
    st.timedeltas(min_value=timedelta(days=-30), max_value=timedelta(days=30)),
    st.none() | st.integers(-12 * 60, 14 * 60),
)
def test_the_clock_offset_is_added_and_the_text_stays(
    when: datetime, offset: timedelta, zone: int | None
) -> None:
    if zone is not None:
        when = when.replace(tzinfo=timezone(timedelta(minutes=zone)))
    claims = Claims(captured=CaptureTime("as written", when, "DateTimeOriginal"))
    moved = corrected_time(claims, offset)
    assert moved is not None and moved.when is not None
    assert moved.when - when == offset
    assert moved.when.utcoffset() == when.utcoffset()
    assert moved.text == "as written"
    back = corrected_time(Claims(captured=moved), -offset)
    assert back == claims.captured


def test_without_a_time_there_is_nothing_to_correct() -> None:
    assert corrected_time(Claims(), timedelta(hours=1)) is None
    unread = CaptureTime("nonsense", None, "DateTimeOriginal")
    assert corrected_time(Claims(captured=unread), timedelta(hours=1)) == unread
    last = CaptureTime("9999", datetime(9999, 12, 31), "DateTimeOriginal")
    moved = corrected_time(Claims(captured=last), timedelta(days=2))
    assert moved is not None and moved.when is None


def test_the_future_is_flagged_against_the_time_passed_in() -> None:
    def problems(when: datetime) -> tuple[object, ...]:
        return time_problems(CaptureTime("", when, ""), NOON)

    zone = timezone(timedelta(hours=1))
    assert problems(datetime(2026, 3, 4, 13, 0, 1, tzinfo=zone))
    assert not problems(datetime(2026, 3, 4, 13, 0, 0, tzinfo=zone))
    # Without an offset it may be any zone: at noon UTC it is 02:00 of the next day at most.
    assert not problems(datetime(2026, 3, 5, 2, 0))
    assert problems(datetime(2026, 3, 5, 2, 0, 1))


def test_reading_notes_a_future_time_only_against_a_time_passed_in() -> None:
    data = saved(noise(), "PNG", exif=exif_block(exif={36867: b"2031:03:04 14:20:00"}))
    assert "future" not in notes(read(data))
    assert "lies in the future" in notes(read_camera_bytes(data, "a", now=NOON))
