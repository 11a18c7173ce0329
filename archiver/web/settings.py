"""What a practice says about its pages, in the table ``[pages]`` of its settings::

    [pages]
    idle_minutes = 30                       # a session ends after that time without use
    session_hours = 10                      # and after that time in any case
    numbering = "ISO 3950"                  # which numbering of teeth is shown first
    requests_at_once = 6000                 # of one address, ...
    requests_a_second = 100                 # ... and in the long run

    [pages.folders]                         # into which a card or program puts pictures, by name
    "Chair 1" = "/srv/camera/chair-1"       # relative paths start at the folder of the settings

    [pages.camera]                          # what the camera is set to, for the shot card
    tooth = "1:1, f/22, 1/125, flash"       # and face, front, side, arch

Who may log in is no setting: ``archiver serve --add-user`` keeps that with the archive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from archiver.dentition import Numbering, numbering_of
from archiver.errors import InputError, Problem, UsageError


@dataclass(frozen=True)
class PagesSettings:
    """How the pages are served. See the module for the meaning of each."""

    idle: timedelta = timedelta(minutes=30)
    longest: timedelta = timedelta(hours=10)
    numbering: Numbering = Numbering.ISO
    at_once: float = 6000
    a_second: float = 100
    folders: Mapping[str, Path] = field(default_factory=dict)
    camera: Mapping[str, str] = field(default_factory=dict)


_KEYS: tuple[str, ...] = ("idle_minutes", "session_hours", "numbering")
_KEYS += ("requests_at_once", "requests_a_second", "folders", "camera")
#: Kinds of pictures that a camera is set differently for.
_CAMERA = ("face", "front", "side", "arch", "tooth")


def pages_settings_of(table: Mapping[str, Any], base: Path = Path()) -> PagesSettings:
    """Read the table ``[pages]``; relative paths start at `base`.

    Raises
    ------
    UsageError
        With a problem for every key that cannot be understood.
    """
    problems = [
        Problem("web.settings.unknown_key", key=key, known=_KEYS).at(table="pages")
        for key in table
        if key not in _KEYS
    ]
    idle = _span(table.get("idle_minutes", 30), "idle_minutes", 24 * 60, problems)
    longest = _span(table.get("session_hours", 10), "session_hours", 24, problems)
    at_once = _span(table.get("requests_at_once", 6000), "requests_at_once", 1e6, problems)
    a_second = _span(table.get("requests_a_second", 100), "requests_a_second", 1e5, problems)
    numbering = Numbering.ISO
    try:
        numbering = numbering_of(str(table.get("numbering", numbering.value)))
    except InputError as error:
        problems += [one.at(table="pages", key=("numbering",)) for one in error.problems]
    folders = _folders(table.get("folders", {}), base, problems)
    camera = _camera(table.get("camera", {}), problems)
    if problems:
        raise UsageError(*problems)
    return PagesSettings(
        timedelta(minutes=idle),
        timedelta(hours=longest),
        numbering,
        at_once,
        a_second,
        folders,
        camera,
    )


def _camera(given: object, problems: list[Problem]) -> dict[str, str]:
    """Read what the camera is set to, by the kind of picture."""
    table = given if isinstance(given, dict) else {"camera": ""}
    wrong = [key for key, words in table.items() if key not in _CAMERA or not str(words).strip()]
    problems += [
        Problem("web.settings.unknown_key", key=key, known=_CAMERA).at(table="pages.camera")
        for key in wrong
    ]
    return {} if wrong else {key: str(words)[:80] for key, words in table.items()}


def _folders(given: object, base: Path, problems: list[Problem]) -> dict[str, Path]:
    """Read the folders that are watched; one that is not there yet may come."""
    table: dict[str, Any] = given if isinstance(given, dict) else {"": given}
    wrong = [name for name, path in table.items() if not (name and path and isinstance(path, str))]
    problems += [
        Problem("web.settings.folder", name=name).at(table="pages", key=("folders",))
        for name in wrong
    ]
    return {} if wrong else {name: base / Path(path).expanduser() for name, path in table.items()}


def _span(value: object, key: str, most: float, problems: list[Problem]) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= most:
        return float(value)
    problem = Problem("web.settings.number", key=key, value=repr(value), most=f"{most:g}")
    problems.append(problem.at(table="pages", key=(key,)))
    return 1.0
