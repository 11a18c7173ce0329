"""The rules of an import: what parts of paths and words in names mean in this clinic's folders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from archiver.dentition import Numbering, Turn, View
from archiver.legacy.path_templates import PathTemplate

#: Where the day of a visit may come from.
FROM_PATH, FROM_CAMERA = "path", "camera"


@dataclass(frozen=True)
class WordTables:
    """Words of names, folded by whoever looks them up, and what they mean."""

    view: Mapping[str, View] = field(default_factory=dict)
    state: Mapping[str, str] = field(default_factory=dict)
    mirror: Mapping[str, bool] = field(default_factory=dict)
    flipped: Mapping[str, Turn] = field(default_factory=dict)
    #: Those before the number of a tooth; a bare number in a name is none.
    tooth: tuple[str, ...] = ("tooth",)


@dataclass(frozen=True)
class MirrorHabits:
    """What was always done alike.

    Parameters
    ----------
    through, direct
        Views that were always taken through a mirror, or never.
    flipped
        How pictures taken through a mirror were flipped on a computer; None where that is not
        known, so that their side is not known either.
    """

    through: frozenset[View] = frozenset()
    direct: frozenset[View] = frozenset()
    flipped: Turn | None = None


@dataclass(frozen=True)
class ImportRules:
    """What the rules of an import say.

    Parameters
    ----------
    templates
        Tried in order; the first that fits a path counts.
    dates
        Forms of days.
    days_from
        Where a visit's day comes from: the first that says one.
    apart
        Days by which the camera may say otherwise than the path.
    smallest
        Pixels of the longer side below which a picture is a thumbnail.
    """

    templates: tuple[PathTemplate, ...]
    dates: tuple[str, ...] = ("YYYY-MM-DD",)
    copy_marks: tuple[str, ...] = ()
    numbering: Numbering | None = None
    days_from: tuple[str, ...] = (FROM_PATH, FROM_CAMERA)
    apart: int = 1
    smallest: int = 320
    words: WordTables = field(default_factory=WordTables)
    mirror: MirrorHabits = field(default_factory=MirrorHabits)
    digest: str = ""
