"""Several patients on one card: a picture of a visit's QR code stands before that visit's pictures.

The code holds a token that is meaningless to whoever may not take in, and no name.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.web.pages.take_in.draft_retakes import DraftRetakes
from archiver.web.pages.take_in.draft_store import Drafts, NoDraft, Open
from archiver.web.pages.take_in.drafts import OPEN, in_order

_PREFIX = "ARCHIVER-VISIT-"


@dataclass(frozen=True)
class Separated:
    """A separator picture and what was taken after it, up to the next one.

    Parameters
    ----------
    separator, digests
        Of the picture of the code, and of the pictures after it.
    visit
        The draft that the code is of; None where there is none that is open.
    """

    separator: str
    digests: tuple[str, ...]
    visit: Open | None


def code_of(opened: Open) -> str:
    """Return what the QR code of a visit says."""
    return (_PREFIX + opened.draft.id).upper()


def separated(opened: Open, drafts: Drafts, retakes: DraftRetakes) -> list[Separated]:
    """Return the separator pictures of a draft that are not left out, each with what follows it."""
    groups: list[tuple[str, str, list[str]]] = []
    for photo in in_order(opened.photos):
        found = retakes.known(opened, photo)
        code = found.code if found is not None else ""
        if code.startswith(_PREFIX):
            groups.append((photo.digest, code.removeprefix(_PREFIX).lower(), []))
        elif groups:
            groups[-1][2].append(photo.digest)
    return [
        Separated(digest, tuple(after), _open(drafts, visit))
        for digest, visit, after in groups
        if not opened.draft.of_photo(digest).get("left_out")
    ]


def _open(drafts: Drafts, identity: str) -> Open | None:
    try:
        found = drafts.get(identity)
    except NoDraft:
        return None
    return found if found.draft.state == OPEN else None
