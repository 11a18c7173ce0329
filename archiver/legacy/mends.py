"""What a person said on the page of a dry run, as the file that the page makes.

A file of mends is JSON: who mended, and per file what is said of it. A later mend of the same file
adds to an earlier one.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

from archiver.dentition import Turn, View, parse_teeth, view_of
from archiver.errors import InputError, MeaningError, Problem
from archiver.objects import FLIPS

FORMAT = "archiver import mends 1"


@dataclass(frozen=True)
class Mend:
    """What a person said of a file; what is empty they did not say.

    Parameters
    ----------
    patient, issuer
        Identifier of a known patient.
    teeth
        With their numbering, such as ``iso:25``.
    leave_out
        The file is not to be taken.
    is_photograph
        It is a photograph although it is grey.
    by
        Who said it.
    """

    patient: str = ""
    issuer: str = ""
    day: date | None = None
    view: View | None = None
    teeth: str = ""
    state: str = ""
    mirror: bool | None = None
    flipped: Turn | None = None
    leave_out: bool = False
    is_photograph: bool = False
    by: str = ""

    @property
    def says_what_is_shown(self) -> bool:
        """Whether it says view, teeth or state."""
        return self.view is not None or bool(self.teeth or self.state)

    def with_later(self, later: Mend) -> Mend:
        """Return this mend with what was said after it."""
        said = {f.name: v for f in fields(later) if (v := getattr(later, f.name)) != f.default}
        return replace(self, **said)


def read_mends(paths: Iterable[Path]) -> dict[str, Mend]:
    """Read files of mends in order; the keys are paths below the imported folder.

    Raises
    ------
    InputError
        With everything that is wrong with them.
    """
    found: dict[str, Mend] = {}
    problems: list[Problem] = []
    for path in paths:
        try:
            given = json.loads(path.read_text("utf-8"))
            if not isinstance(given, dict) or given.get("format") != FORMAT:
                raise ValueError
            by = _text(given.get("by"))
            rows = given["mends"]
            if not by or not isinstance(rows, list):
                raise ValueError
        except OSError as error:
            reason = error.strerror or str(error)
            problem = Problem("legacy.mends.unreadable", reason=reason)
            raise InputError(problem.at(file=str(path))) from error
        except (ValueError, KeyError, RecursionError) as error:
            raise InputError(Problem("legacy.mends.no_mends").at(file=path.name)) from error
        for number, row in enumerate(rows, start=1):
            try:
                mend = replace(_mend(row), by=by)
                for file in row["files"]:
                    before = found.get(_text(file), Mend())
                    found[_text(file)] = before.with_later(mend)
            except (ValueError, KeyError, TypeError):
                problems.append(Problem("legacy.mends.row", number=number).at(file=path.name))
            except MeaningError as error:
                problems += [one.at(file=path.name) for one in error.problems]
    if problems:
        raise InputError(*problems)
    return found


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError
    return value.strip()


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError
    return value


def _mend(row: Mapping[str, Any]) -> Mend:
    said = dict(row["set"])
    read: dict[str, Any] = {}
    for name, value in said.items():
        read[name] = _CONVERT[name](value)
    return Mend(**read)


def _teeth(value: object) -> str:
    text = _text(value)
    parse_teeth(text)
    return text


_CONVERT = {
    "patient": _text,
    "issuer": _text,
    "day": lambda value: date.fromisoformat(_text(value)),
    "view": lambda value: view_of(_text(value)),
    "teeth": _teeth,
    "state": _text,
    "mirror": _flag,
    "flipped": lambda value: FLIPS[_text(value)],
    "leave_out": _flag,
    "is_photograph": _flag,
}
