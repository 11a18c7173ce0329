"""What undoing or redoing would change, in words and by place."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from archiver.web.pages.take_in.draft_store import Open
from archiver.web.pages.take_in.undo import Step, StepContents
from archiver.wording import Words

#: Where the name of what is said stands in the catalogue; the first that is there counts.
_NAMES = ("take_in.step_{}", "take_in.drawn_{}", "take_in.more_{}", "take_in.{}")


def describe_step(t: Words, opened: Open, steps: Sequence[Step]) -> dict[str, Any] | None:
    """Return what the last of some steps changes, as values that JSON has; None for no step.

    Returns
    -------
    dict
        ``words``; ``pictures``: digests in order; ``keys``: what of them or of the visit.
    """
    if not steps:
        return None
    told = StepContents.of(opened.draft, steps[-1])
    what = ", ".join(key_word(t, key) for key in told.keys)
    names = [opened.photos[digest].name for digest in told.pictures if digest in opened.photos]
    where = names[0] if len(names) == 1 else t("take_in.count", n=len(names))
    words = t("take_in.step_of", what=what, where=where) if names else what
    return {"words": words, "pictures": told.pictures, "keys": told.keys}


def key_word(t: Words, key: str) -> str:
    """Return the name of a key of a picture or a visit."""
    return t(next(name for one in _NAMES if t.has(name := one.format(key))))
