"""A starter sheet for a folder of photographs: one entry a file, in order of capture."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from archiver.dentition import View
from archiver.errors import PhotoError, Problem, SheetError, UsageError
from archiver.photo import read_camera_file

_HEAD = """\
# Session sheet. Fill in what stands between < and >, then: archiver wrap {name}
numbering = "ISO 3950"            # or "Universal", "Palmer"

[patient]
id = "<patient identifier>"
name = "<family^given>"
# birth_date = 1988-02-17
# sex = "F"                       # M, F or O

[visit]
date = {day}
# time = 14:20:00
# accession = ""
# description = ""
# clock_offset = "-00:03:10"      # what to add to the camera's clock

# [consent]                       # to hand photographs over
# purposes = ["laboratory"]       # referral, patient-copy, teaching, publication
# noted_by = "<family^given>"
# until = {later}              # last day on which it holds

[defaults]                        # any key of a photo
operator = "front"                # or "behind": where the camera was
"""

_PHOTO = """
[[photo]]                         # {told}
file = {file}
teeth = []                        # such as [25] or ["14-16"]; none for an arch or a face
view = "<view>"
mirror = <true or false>
# top = "head"                    # what is at the top as the camera shows it
# flipped = "left-right"          # on a computer before: also "top-bottom", "turned", "no"
# exif_orientation = "ignore"     # where the camera was wrong about which way was up
# lingual_fronts = "turned"       # front teeth seen from inside: turned by half, else "upright"
# functional_state = "in occlusion"   # also "teeth apart", "lips relaxed", "lips closed"
# checked = ["teeth", "patient"]  # against the chart, where wrap doubts that they are these
# crop = {{ left = 0, top = 0, width = {width}, height = {height} }}
# confirmed_by = "<family^given>" # who compared the side with the patient or the chart
# shown = "<code>"                # the code under the picture that they saw: wrap --review
"""

_VIEWS = """
# Views: {views}
"""


@dataclass(frozen=True)
class StarterSheet:
    """A starter sheet that was written.

    Parameters
    ----------
    path
        The sheet.
    photographs
        How many it names.
    left_out
        What in the folder is no photograph, and why.
    """

    path: Path
    photographs: int
    left_out: tuple[PhotoError, ...]


def write_starter_sheet(folder: Path, now: datetime) -> StarterSheet:
    """Write a sheet for the photographs of a folder, in order of capture.

    Parameters
    ----------
    folder
        Where they are, and where ``sheet.toml`` is written.
    now
        Its day is the visit's where no photograph tells its time.

    Raises
    ------
    UsageError
        If there is no such folder.
    SheetError
        If there is a sheet already, or no photograph.
    """
    if not folder.is_dir():
        raise UsageError(Problem("objects.starter.no_such_folder").at(file=str(folder)))
    target = folder / "sheet.toml"
    if target.exists():
        raise SheetError(Problem("objects.starter.already_there").at(file=str(target)))
    found: list[tuple[datetime | None, str, int, int]] = []
    left_out: list[PhotoError] = []
    for path in sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith(".")):
        try:
            photo = read_camera_file(path)
        except PhotoError as error:
            left_out.append(error)
            continue
        taken = photo.claims.captured
        when = taken.when.replace(tzinfo=None) if taken is not None and taken.when else None
        found.append((when, path.name, photo.columns, photo.rows))
    if not found:
        raise SheetError(Problem("objects.starter.no_photographs").at(file=str(folder)))
    found.sort(key=lambda row: (row[0] is None, row[0] or datetime.min, row[1]))
    rows = [
        (name, f"taken {when:%Y-%m-%d %H:%M:%S}" if when else "time not told", width, height)
        for when, name, width, height in found
    ]
    day = next((when for when, *_ in found if when is not None), now).date()
    text = starter_sheet(target.name, rows, day, [view.value for view in View])
    target.write_text(text, encoding="utf-8")
    return StarterSheet(target, len(rows), tuple(left_out))


def starter_sheet(
    name: str,
    photos: Sequence[tuple[str, str, int, int]],
    day: date,
    views: Sequence[str],
) -> str:
    """Write a starter sheet.

    Parameters
    ----------
    name
        Name of the sheet's file.
    photos
        (file name, what is told of its capture, width, height) in order.
    day
        The day of the visit.
    views
        The words for views, for the reader.

    Returns
    -------
    str
        A TOML text that becomes a valid sheet once its gaps are filled in.
    """
    parts = [
        _HEAD.format(name=name, day=day, later=_year_after(day)),
        _VIEWS.format(views=", ".join(views)),
    ]
    parts += [
        _PHOTO.format(told=told, file=_quoted(file), width=w, height=h)
        for file, told, w, h in photos
    ]
    return "".join(parts)


def _year_after(day: date) -> date:
    """Return a day on which a consent that is noted now could end; an example, no advice."""
    return day + timedelta(days=365) if day < date.max - timedelta(days=365) else day


def _quoted(file: str) -> str:
    """Return a name as a TOML string; JSON's form fits but for one control character."""
    try:
        file.encode("utf-8")
    except UnicodeEncodeError:
        # A name in another encoding than the system's has no spelling in a sheet.
        return '"<rename the file>"'
    return json.dumps(file, ensure_ascii=False).replace("\x7f", "\\u007f")
