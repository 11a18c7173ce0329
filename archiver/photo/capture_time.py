"""When the camera says that the picture was taken, and what to believe of it.

Sources: EXIF 2.32 (CIPA DC-008), tags 36867, 36868, 306 (``YYYY:MM:DD HH:MM:SS``, blanks where
unknown), 37520-37522 (fractions of the second), 36880-36882 (``+HH:MM``, blanks where unknown).
The time of a file in its folder is no claim of the camera and is never used.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone

from archiver.errors import Problem
from archiver.photo.camera_file import CaptureTime, Claims
from archiver.photo.exif_rows import words
from archiver.photo.ifd import Directory

_MOMENT = re.compile(r"(\d{4})[:\-/.](\d\d)[:\-/.](\d\d)[ T](\d\d):(\d\d):(\d\d)")
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)|(Z)")
_BLANK = re.compile(r"[ :\-/.]*")
_ZERO = re.compile(r"[0 :\-/.T]*")

# Camera clocks that were never set, or whose battery ran out, begin in the 1980s, and no
# consumer made digital photographs before 1990 (common practice).
_EARLIEST_YEAR = 1990

_AT_SHOT = (36867, "DateTimeOriginal", 37521, "SubSecTimeOriginal")
_AT_DIGITISING = (36868, "DateTimeDigitized", 37522, "SubSecTimeDigitized")
_AT_CHANGE = (306, "DateTime", 37520, "SubSecTime")
_OFFSETS = (
    (36881, "OffsetTimeOriginal"),
    (36882, "OffsetTimeDigitized"),
    (36880, "OffsetTime"),
)


@dataclass(frozen=True)
class _Words:
    """Text of a tag, kept as written beside what can be read of it."""

    raw: str
    text: str | None


def read_time(main: Directory, exif: Directory) -> tuple[CaptureTime | None, tuple[Problem, ...]]:
    """Take the time of capture from the directories of an EXIF block.

    DateTimeOriginal is the time of the shot. DateTimeDigitized stands in for it with a note.
    DateTime, which any program that saves the file sets anew, is not taken for it.

    Returns
    -------
    tuple
        The time, or None where the file tells none; and what is doubtful of it.
    """
    notes: list[Problem] = []
    chosen = None
    for tag, name, fraction_tag, fraction_name in (_AT_SHOT, _AT_DIGITISING):
        found = _text_of(exif, tag) or _text_of(main, tag)
        if found is None:
            continue
        if _BLANK.fullmatch(found.text or ""):
            notes.append(Problem("photo.capture_time.blank", name=name))
            continue
        chosen = found, name, _text_of(exif, fraction_tag), fraction_name
        break
    if chosen is None:
        if (changed := _text_of(main, _AT_CHANGE[0])) is not None and changed.text:
            notes.append(Problem("photo.capture_time.only_changed"))
        return None, tuple(notes)
    moment_text, name, fraction, fraction_name = chosen
    if name != _AT_SHOT[1]:
        notes.append(Problem("photo.capture_time.taken_from", name=name))
    offset, offset_name, offset_raw, offset_notes = _offset(main, exif)
    notes += offset_notes
    text, source = moment_text.raw, name
    if fraction is not None and fraction.text:
        text, source = f"{text}.{fraction.raw}", f"{source} {fraction_name}"
    if offset_name:
        text, source = f"{text} {offset_raw}", f"{source} {offset_name}"
    moment, problem = parse_moment(moment_text.text or "", fraction.text if fraction else None)
    if problem is not None:
        notes.append(problem)
    if moment is not None and offset is not None:
        moment = moment.replace(tzinfo=timezone(offset))
    captured = CaptureTime(text, moment, source)
    return captured, (*notes, *time_problems(captured))


def parse_moment(text: str, fraction: str | None = None) -> tuple[datetime | None, Problem | None]:
    """Read a date and time of EXIF, with the digits of its fraction of a second.

    Returns
    -------
    tuple
        The naive time and None, or None and why the text can be no time.
    """
    if _ZERO.fullmatch(text):
        return None, Problem("photo.capture_time.all_zeros")
    match = _MOMENT.fullmatch(text)
    if match is None:
        return None, Problem("photo.capture_time.malformed", text=repr(text[:40]))
    digits = "".join(c for c in (fraction or "") if c in "0123456789")[:6]
    micro = int(digits.ljust(6, "0")) if digits else 0
    try:
        year, month, day, hour, minute, second = (int(group) for group in match.groups())
        return datetime(year, month, day, hour, minute, second, micro), None
    except ValueError:
        return None, Problem("photo.capture_time.no_such_time", text=repr(text))


def time_problems(captured: CaptureTime | None, now: datetime | None = None) -> tuple[Problem, ...]:
    """Tell what is impossible about a time of capture that could be read.

    Parameters
    ----------
    captured
        As read, or as corrected by the session's clock offset.
    now
        Aware present time; without it nothing is said of the future. A time without an
        offset from UTC counts as future only where it is so in every zone of the world.
    """
    if captured is None or captured.when is None:
        return ()
    when, shown = captured.when, f"{captured.when:%Y-%m-%d %H:%M:%S}"
    if when.year < _EARLIEST_YEAR:
        return (Problem("photo.capture_time.too_early", shown=shown, earliest=_EARLIEST_YEAR),)
    if now is None:
        return ()
    if when.tzinfo is None:
        # The clocks farthest ahead run 14 hours before UTC.
        when = when.replace(tzinfo=timezone(timedelta(hours=14)))
    if when > now:
        return (Problem("photo.capture_time.in_future", shown=shown),)
    return ()


def corrected_time(claims: Claims, offset: timedelta) -> CaptureTime | None:
    """Apply the session's clock offset: what has to be added to the camera's clock.

    The text stays that of the file.

    Returns
    -------
    CaptureTime or None
        None where the file tells no time. `when` is None where it could not be read or
        the sum leaves the calendar.
    """
    captured = claims.captured
    if captured is None or captured.when is None:
        return captured
    try:
        return replace(captured, when=captured.when + offset)
    except OverflowError:
        return replace(captured, when=None)


def _text_of(directory: Directory, tag: int) -> _Words | None:
    raw = directory.octets(tag)
    if raw is None:
        return None
    stem = raw.split(b"\0", 1)[0].decode("latin-1")
    return _Words("".join(c if c.isprintable() else "?" for c in stem), words(raw))


def _offset(
    main: Directory, exif: Directory
) -> tuple[timedelta | None, str, str, tuple[Problem, ...]]:
    """Choose the offset from UTC: that of the shot first, others only with a note."""
    notes: list[Problem] = []
    for tag, name in _OFFSETS:
        found = _text_of(exif, tag) or _text_of(main, tag)
        if found is None or _BLANK.fullmatch(found.text or ""):
            continue
        offset = parse_offset(found.text or "")
        if offset is None:
            notes.append(
                Problem(
                    "photo.capture_time.bad_offset", name=name, value=repr((found.text or "")[:20])
                )
            )
            continue
        if name != _OFFSETS[0][1]:
            notes.append(Problem("photo.capture_time.offset_taken_from", name=name))
        return offset, name, found.raw, tuple(notes)
    return None, "", "", tuple(notes)


def parse_offset(text: str) -> timedelta | None:
    """Read an offset from UTC such as ``+01:00``; None where it is none on Earth.

    Zones lie between -12:00 and +14:00 (PS3.3 C.12.1.1.8 has the same range).
    """
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    if match[4]:
        return timedelta()
    minutes = int(match[2]) * 60 + int(match[3])
    if int(match[3]) > 59:
        return None
    minutes = -minutes if match[1] == "-" else minutes
    return timedelta(minutes=minutes) if -12 * 60 <= minutes <= 14 * 60 else None
