"""Whether a picture looks like the view that is said of it."""

from __future__ import annotations

from archiver.dentition import View
from archiver.vision import ViewKind

_KINDS = {
    View.FRONTAL: ViewKind.FRONT,
    View.RIGHT_BUCCAL: ViewKind.SIDE,
    View.LEFT_BUCCAL: ViewKind.SIDE,
    View.UPPER_OCCLUSAL_ARCH: ViewKind.ARCH,
    View.LOWER_OCCLUSAL_ARCH: ViewKind.ARCH,
}


def looks_otherwise(kind: ViewKind, view: View) -> bool:
    """Whether a view is none of the kind that a picture looks like."""
    return _KINDS.get(view, kind) is not kind
