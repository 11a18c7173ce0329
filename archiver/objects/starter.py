"""A starter sheet for a folder of photographs: one entry a file, in order of capture."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, timedelta

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
# crop = {{ left = 0, top = 0, width = {width}, height = {height} }}
# confirmed_by = "<family^given>" # who compared the side with the patient or the chart
"""

_VIEWS = """
# Views: {views}
"""


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
