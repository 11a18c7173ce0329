"""The errors that this package raises.

::

    ArchiverError                 root; carries one or more Problems
    ├── UsageError                the command line was used wrongly (exit status 2)
    ├── InputError                something that was handed in cannot be taken
    │   ├── MeaningError          tooth, view, mirror and orientation contradict each other
    │   ├── SheetError            a session sheet is wrong; nothing was written
    │   ├── PhotoError            a camera file cannot be read or may not be wrapped
    │   └── ObjectError           a file is no DICOM object, or one that cannot be kept
    ├── ArchiveError              the archive cannot be opened, read or written
    │   └── IntegrityError        what is kept is not what was kept
    └── NetworkError              a peer cannot be reached, refuses, or answers what it may not
        └── RefusedForGood        asking again would be answered alike

This module imports nothing but the words, so that every room can raise from it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from archiver.wording import Text, Words, frozen_values, words_of


@dataclass(frozen=True)
class Place:
    """Where something is wrong, as data; what is empty is not known or does not apply.

    Parameters
    ----------
    option
        Option of the command line, such as ``--tooth``.
    file
        Name or path of a file or folder; a text where it is none but has to be called something.
    line
        Line of the file, from 1.
    table
        Table of a settings file, without brackets.
    key
        Keys and indices from 0 that lead to a value: ``("photo", 2, "crop")``. Not shown, since
        the line or the problem itself names it.
    peer
        A peer's name and address, or how its table of the settings is called.
    part
        A part of what stands before, such as ``tls``.
    column
        Column of a table.
    picture
        Number of a picture, from 1.
    attribute
        Attribute of an object.
    subject
        Whatever else a reader knows it by, such as an identifier.
    """

    option: str = ""
    file: str | Text = ""
    line: int | None = None
    table: str = ""
    key: tuple[str | int, ...] = ()
    peer: str | Text = ""
    part: str = ""
    column: str = ""
    picture: int | None = None
    attribute: str = ""
    subject: str | Text = ""

    @property
    def photo(self) -> int | None:
        """Index from 0 of the sheet's photograph that the key belongs to."""
        table, *rest = self.key or ("",)
        return rest[0] if table == "photo" and rest and isinstance(rest[0], int) else None

    def in_words(self, words: Words) -> str:
        """Return the place in a language."""
        given = {f.name: v for f in fields(self) if (v := getattr(self, f.name)) != f.default}
        given.pop("key", None)
        if self.file and self.line is not None:
            file, line = given.pop("file"), given.pop("line")
            told = [words("place.file_line", file=file, line=line)]
        else:
            told = []
        told += [words(f"place.{name}", **{name: value}) for name, value in given.items()]
        return ", ".join(told)


@dataclass(frozen=True, init=False)
class Problem:
    """One thing that is wrong, as data; the catalogue has the words for it.

    Parameters
    ----------
    code
        Key of the catalogue, such as ``"sheet.unknown_key"``. Its texts say what was found, what
        was expected and what to do about it.
    **values
        What these texts are filled with.

    Attributes
    ----------
    places
        Where it was found, the outermost first.
    """

    code: str
    given: tuple[tuple[str, object], ...]
    places: tuple[Place, ...]

    def __init__(self, code: str, /, **values: Any) -> None:
        self._set(code, frozen_values(values.items()), ())

    def _set(
        self, code: str, given: tuple[tuple[str, object], ...], places: tuple[Place, ...]
    ) -> None:
        for name, value in (("code", code), ("given", given), ("places", places)):
            object.__setattr__(self, name, value)

    @property
    def values(self) -> Mapping[str, Any]:
        """What the texts are filled with."""
        return dict(self.given)

    @property
    def place(self) -> Place:
        """All that is known of where it was found; of two files, say, the inner one."""
        known: dict[str, Any] = {}
        for place in self.places:
            known |= {
                f.name: v for f in fields(place) if (v := getattr(place, f.name)) != f.default
            }
        return Place(**known)

    def at(self, subject: str = "", /, **place: Any) -> Problem:
        """Return the same problem with a `Place` put in front of what places it has."""
        return self.with_places(Place(**place) if place else Place(subject=subject), *self.places)

    def with_places(self, *places: Place) -> Problem:
        """Return the same problem with other places, or none."""
        made = Problem.__new__(Problem)
        made._set(self.code, self.given, places)
        return made

    def clause(self, part: str, words: Words | None = None) -> str:
        """Return ``found``, ``expected`` or ``hint`` in a language; English where none is given.

        Raises
        ------
        KeyError
            If the catalogue does not know the code.
        """
        return (words or words_of()).clause(self.code, part, dict(self.given))

    @property
    def found(self) -> str:
        """What was found, as a clause that can stand alone, in English."""
        return self.clause("found")

    @property
    def expected(self) -> str:
        """What would have been right, in English."""
        return self.clause("expected")

    @property
    def hint(self) -> str:
        """What to do about it, in English."""
        return self.clause("hint")

    @property
    def where(self) -> str:
        """File, line, photograph or attribute, in English."""
        return self._where(words_of())

    def _where(self, words: Words) -> str:
        return ": ".join(place.in_words(words) for place in self.places)

    def in_words(self, words: Words) -> str:
        """Return the whole problem in a language, on one line."""
        parts = {part: self.clause(part, words) for part in ("found", "expected", "hint")}
        shape = "_".join(part for part, text in parts.items() if text)
        text = words(f"problem.{shape}", **parts)
        where = self._where(words)
        return " ".join((f"{where}: {text}" if where else text).split())

    def __str__(self) -> str:
        return self.in_words(words_of())


def packed(said: Text | Problem | str) -> str:
    """Return a text or a problem as JSON of its code and its values, to be kept."""
    return json.dumps(said if isinstance(said, str) else asdict(said), ensure_ascii=False)


def unpacked(text: str) -> Any:
    """Return a text or a problem from its JSON."""
    return restored(json.loads(text))


def restored(value: Any) -> Any:
    """Return what `dataclasses.asdict` and JSON made of texts and problems as they were before."""
    if isinstance(value, list):
        return tuple(map(restored, value))
    if not isinstance(value, dict):
        return value
    code, given = value["code"], {name: restored(one) for name, one in value["given"]}
    if "places" not in value:
        return Text(code, **given)
    places = ({name: restored(one) for name, one in place.items()} for place in value["places"])
    return Problem(code, **given).with_places(*(Place(**place) for place in places))


class ArchiverError(Exception):
    """Root of the tree.

    Parameters
    ----------
    *problems
        What is wrong; a code alone stands for the problem that needs no values.
    """

    def __init__(self, *problems: Problem | str) -> None:
        self.problems: tuple[Problem, ...] = tuple(
            code if isinstance(code, Problem) else Problem(code) for code in problems
        )
        super().__init__(*self.problems)

    def __str__(self) -> str:
        return "\n".join(map(str, self.problems))


class UsageError(ArchiverError):
    """The command line was used wrongly."""


class InputError(ArchiverError):
    """Something that was handed in cannot be taken."""


class MeaningError(InputError):
    """Tooth, view, mirror and orientation contradict each other."""


class SheetError(InputError):
    """A session sheet is wrong; nothing was written."""


class PhotoError(InputError):
    """A camera file cannot be read or may not be wrapped."""


class ObjectError(InputError):
    """A file is no DICOM object, or one that cannot be kept."""


class ArchiveError(ArchiverError):
    """The archive cannot be opened, read or written."""


class IntegrityError(ArchiveError):
    """What is kept is not what was kept."""


class NetworkError(ArchiverError):
    """A peer cannot be reached, refuses, or answers what it may not."""


class RefusedForGood(NetworkError):
    """A peer refused in a way that asking again would not change."""
