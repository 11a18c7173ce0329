"""Which doubts about a photograph what a sheet says of it answers."""

from __future__ import annotations

from collections.abc import Collection
from typing import Protocol

from archiver.dentition import Direction, Turn
from archiver.photo import DoubtKind

#: Of its way round in pictures of the same teeth.
_OF_PRIORS = (DoubtKind.REFLECTED, DoubtKind.TURNED)
#: Of what is in the picture: what a person has to have checked it against.
CHECKS = {DoubtKind.OTHER_TOOTH: "teeth", DoubtKind.OTHER_MOUTH: "patient"}


class Doubted(Protocol):
    """What asks, such as `archiver.photo.PictureDoubt`."""

    @property
    def kind(self) -> DoubtKind:
        """What it rests on."""

    @property
    def turn(self) -> int | None:
        """How the picture seems to have been turned, where that is told."""


class Answering(Protocol):
    """What may answer, such as `archiver.objects.Photograph`."""

    @property
    def flipped(self) -> Turn | None:
        """How the picture was flipped before it came; None where nobody says."""

    @property
    def exif_orientation(self) -> str:
        """Whether the camera's own orientation counts; empty where nobody says."""

    @property
    def top(self) -> Direction | None:
        """What is at the top, where somebody says it."""

    @property
    def checked(self) -> Collection[str]:
        """What somebody has checked the picture against: ``teeth``, ``patient``."""


def answered_by(kind: DoubtKind) -> str:
    """Return the key of a sheet that answers a kind of doubt."""
    if kind is DoubtKind.ORIENTATION:
        return "exif_orientation"
    return "checked" if kind in CHECKS else "flipped"


def is_answered(doubt: Doubted, entry: Answering) -> bool:
    """Return whether a person has said what a doubt asks about.

    A flip that the evidence contradicts is no answer. What earlier pictures show is compared with
    the flip allowed for, so that only "no" answers it.
    """
    said = entry.flipped
    if doubt.kind in CHECKS:
        return CHECKS[doubt.kind] in entry.checked
    if doubt.kind is DoubtKind.ORIENTATION:
        return bool(entry.exif_orientation) or entry.top is not None
    if doubt.kind in _OF_PRIORS:
        return said is Turn.IDENTITY
    return said is not None and (doubt.turn is None or said in (Turn.IDENTITY, doubt.turn))
