"""A draft of a visit: the card's pictures, and what was said of them so far."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

#: What a person says of a picture, by the keys of a session sheet; only what was said is there.
Said = Mapping[str, Any]

OPEN, ARCHIVED = "open", "archived"


@dataclass(frozen=True)
class Photo:
    """A camera file of a draft.

    Parameters
    ----------
    digest
        SHA-256 of the file, which is its key and its name on the disk.
    name
        What the browser called it; shown, and never part of a path.
    ending
        Of the file on the disk, by its content.
    kind
        Such as ``JPEG``.
    exif
        EXIF orientation, 1 to 8.
    captured
        When the camera says it was taken, ISO 8601; empty where it does not.
    block
        Width and height of the blocks on whose corners a crop without loss must lie; 1 and 1
        where any pixel will do.
    notes
        What should be looked at.
    arrived
        Its number in the order of arrival.
    """

    digest: str
    name: str
    ending: str
    kind: str
    size: int
    columns: int
    rows: int
    exif: int
    captured: str
    block: tuple[int, int]
    notes: tuple[str, ...] = ()
    arrived: int = 0

    @property
    def file(self) -> str:
        """Name of the file on the disk."""
        return self.digest + self.ending

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Photo:
        """Make one from what `to_json` returned."""
        given = dict(table)
        given["block"] = tuple(given["block"])
        given["notes"] = tuple(given["notes"])
        return cls(**given)

    def to_json(self) -> dict[str, Any]:
        """Return it as values that JSON has."""
        return asdict(self)


@dataclass(frozen=True)
class Draft:
    """A visit that is being taken in.

    Parameters
    ----------
    owner
        The user who began it. It belongs to the visit: whoever may take in goes on with it.
    revision
        Counts the changes.
    patient, visit
        Keys as in a session sheet, and texts as a sheet would hold them (dates in ISO 8601).
    same_person
        ``same_person_checked_by`` and ``same_person_reason``, where the identifier is known as
        somebody else's and a person has looked; empty where nothing is said.
    study
        What a worklist or an existing study adds to the visit: ``study_uid``, ``study_id``,
        ``referring_physician``.
    consent
        ``purposes``, ``noted_by`` and, if it ends, ``until``; empty where nothing is said.
    rules
        Key of the rule set that says which views are wanted; empty for none.
    teeth
        Teeth of the visit for those rules, by ISO 3950.
    stage
        Stage of the treatment for those rules.
    said
        By digest.
    results
        By digest: what became of a picture when it was last archived.
    """

    id: str
    owner: str
    created: str
    changed: str
    revision: int = 0
    state: str = OPEN
    patient: Mapping[str, str] = field(default_factory=dict)
    visit: Mapping[str, str] = field(default_factory=dict)
    study: Mapping[str, str] = field(default_factory=dict)
    same_person: Mapping[str, str] = field(default_factory=dict)
    consent: Mapping[str, Any] = field(default_factory=dict)
    rules: str = ""
    teeth: tuple[str, ...] = ()
    stage: str = ""
    said: Mapping[str, Said] = field(default_factory=dict)
    results: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @classmethod
    def of(cls, table: Mapping[str, Any]) -> Draft:
        """Make one from what `to_json` returned."""
        given = dict(table)
        given["teeth"] = tuple(given["teeth"])
        return cls(**given)

    def to_json(self) -> dict[str, Any]:
        """Return it as values that JSON has."""
        table = asdict(self)
        if not self.same_person:
            # A key younger than the first drafts: where nobody said it, they stay as they are.
            del table["same_person"]
        return table

    def of_photo(self, digest: str) -> Said:
        """Return what was said of a picture."""
        return self.said.get(digest, {})

    def with_said(self, changed: Mapping[str, Said]) -> Draft:
        """Return the draft with what is said of some pictures put in place of what was.

        What became of a picture when it was archived holds for what was said of it then.
        """
        new = replace(self, said={**self.said, **changed})
        return replace(new, results=new.results_since(self))

    def results_since(self, before: Draft) -> Mapping[str, Mapping[str, Any]]:
        """Return the results of an earlier state that still hold for what is said now."""
        return {
            digest: result
            for digest, result in before.results.items()
            if self.of_photo(digest) == before.of_photo(digest)
        }


def in_order(photos: Mapping[str, Photo]) -> list[Photo]:
    """Return pictures as they were taken; those that do not say when come last, by name."""
    return sorted(
        photos.values(), key=lambda p: (not p.captured, p.captured, p.name.casefold(), p.digest)
    )


def taken_in(draft: Draft, photos: Mapping[str, Photo]) -> list[Photo]:
    """Return, in order, the pictures that are to be archived: those that are not left out."""
    return [p for p in in_order(photos) if not draft.of_photo(p.digest).get("left_out")]
