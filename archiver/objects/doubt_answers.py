"""Which doubts about a photograph what a sheet says of it answers."""

from __future__ import annotations

from archiver.dentition import Turn
from archiver.objects.session import Photograph
from archiver.photo import DoubtKind, PictureDoubt

#: Of the file itself, and of its way round in pictures of the same teeth.
_OF_FILE = (DoubtKind.EMBEDDED, DoubtKind.EDITOR, DoubtKind.SELFIE)
_OF_PRIORS = (DoubtKind.REFLECTED, DoubtKind.TURNED)


def is_answered(doubt: PictureDoubt, entry: Photograph) -> bool:
    """Return whether a person has said what a doubt asks about.

    A flip that the evidence contradicts is no answer. What earlier pictures show is compared with
    the flip allowed for, so that only "no" answers it. Which tooth and whose mouth a picture
    shows is answered by no key.
    """
    said = entry.flipped
    if doubt.kind is DoubtKind.ORIENTATION:
        return bool(entry.exif_orientation) or entry.top is not None
    if doubt.kind in _OF_PRIORS:
        return said is Turn.IDENTITY
    if doubt.kind not in _OF_FILE or said is None:
        return False
    return doubt.turn is None or said in (Turn.IDENTITY, doubt.turn)
