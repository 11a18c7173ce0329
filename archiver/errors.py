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

This module imports nothing of the package, so that every room can raise from it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong, told so that a reader can mend it.

    Parameters
    ----------
    found
        What was found, as a clause that can stand alone.
    where
        File, line, photograph or attribute; empty where the caller knows it.
    expected
        What would have been right.
    hint
        What to do about it.
    """

    found: str
    where: str = ""
    expected: str = ""
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: {self.found}" if self.where else self.found
        if self.expected:
            text += f"; expected {self.expected}"
        if self.hint:
            text += f" ({self.hint})"
        return " ".join(text.split())

    def at(self, where: str) -> Problem:
        """Return the same problem with its place put in front of what place it has."""
        return Problem(
            self.found,
            f"{where}: {self.where}" if self.where else where,
            self.expected,
            self.hint,
        )


class ArchiverError(Exception):
    """Root of the tree."""

    def __init__(self, *problems: Problem | str) -> None:
        self.problems: tuple[Problem, ...] = tuple(
            p if isinstance(p, Problem) else Problem(p) for p in problems
        )
        super().__init__("\n".join(str(p) for p in self.problems))

    @classmethod
    def of(cls, problems: Iterable[Problem]) -> ArchiverError:
        """Make one error from a collection of problems."""
        return cls(*problems)


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
