"""What another window changed of the same things that somebody is about to change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from archiver.web.pages.take_in.drafts import Draft, Photo

#: Keys of a change that are no picture's.
_OF_VISIT = ("patient", "visit", "study", "consent", "rules", "teeth", "stage")


def conflicts(
    before: Draft, now: Draft, photos: Mapping[str, Photo], change: Mapping[str, Any]
) -> Iterator[dict[str, Any]]:
    """Yield what a change would put something else over.

    Parameters
    ----------
    before, now
        The draft as the change knows it, and as it is.

    Yields
    ------
    dict
        ``picture``: digest, and ``name`` of its file, empty for what is of the visit; ``key``;
        ``before`` and ``now``: its values.
    """
    pictures = change.get("pictures", {})
    touched = dict(pictures) if isinstance(pictures, dict) else {}
    confirm = change.get("confirm", {})
    looked_at = confirm.get("picture") if isinstance(confirm, dict) else None
    for digest, photo in photos.items():
        old, new = before.of_photo(digest), now.of_photo(digest)
        given = touched.get(digest)
        keys = {*old, *new} if digest == looked_at else set(given or ())
        for key in sorted(keys):
            mine = given.get(key, old.get(key)) if isinstance(given, dict) else old.get(key)
            if old.get(key) != new.get(key) and new.get(key) != mine:
                yield _describe_conflict(digest, photo.name, key, old.get(key), new.get(key))
    for key in _OF_VISIT:
        was, is_ = getattr(before, key), getattr(now, key)
        if key in change and was != is_ and is_ != change[key]:
            yield _describe_conflict("", "", key, was, is_)


def _describe_conflict(
    picture: str, name: str, key: str, before: object, now: object
) -> dict[str, Any]:
    return {"picture": picture, "name": name, "key": key, "before": before, "now": now}
