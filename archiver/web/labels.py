"""What stands beside every picture, everywhere the same: letters, tooth, date, confirmed or not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from archiver.dentition import Numbering, Orientation, Tooth, edge_words, in_arch_order, shortened
from archiver.objects import BOUND, COUNTERSIGNED, LAPSED, SAID, concepts, name_key, signers

if TYPE_CHECKING:
    from archiver.objects import Description
    from archiver.wording import Words

CONFIRMED, UNCONFIRMED, NO_PHOTOGRAPH = "confirmed", "unconfirmed", "none"
DOUBTED = "doubted"
#: What is told of a side where it is neither confirmed as shown by one person nor unconfirmed.
SIDE_WORDS = {SAID: SAID, COUNTERSIGNED: COUNTERSIGNED, LAPSED: LAPSED}
_BRIEF = 4


@dataclass(frozen=True)
class Label:
    """What is told of a picture.

    Parameters
    ----------
    uid, study
        SOP and Study Instance UID.
    top, right, bottom, left
        The patient's direction at each edge as displayed, as a letter; empty where unknown.
    tooth
        The teeth in the numbering shown first and in the other one; empty where none is named.
    view
        In words.
    date
        ISO 8601.
    side
        ``confirmed``, ``unconfirmed``, ``doubted`` where it was confirmed and a comparison
        contradicts, or ``none`` for what is no photograph.
    side_words
        The same in words.
    mirror
        In words; empty for a direct photograph.
    rejected
        Why the picture was rejected; empty for a valid one.
    columns, rows
        As displayed.
    alt
        All of it as one sentence, for whoever does not see the picture.
    certainty
        How the side is confirmed, as `archiver.objects.Description` tells it.
    signers
        Who confirmed the side as it was shown to them.
    code
        By which a confirmation names the picture as it is shown; empty where none is known.
    words
        What lies at each edge in the words of the trade, by its name, where it can be said.
    """

    uid: str
    study: str
    top: str
    right: str
    bottom: str
    left: str
    tooth: str
    view: str
    date: str
    side: str
    side_words: str
    mirror: str
    rejected: str
    columns: int
    rows: int
    alt: str
    certainty: str = ""
    code: str = ""
    signers: tuple[str, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_withheld(self) -> bool:
        """Whether it was rejected for a reason for which nobody is shown it."""
        return self.rejected in concepts.WITHHELD

    @property
    def is_to_confirm(self) -> bool:
        """True where nobody has confirmed the side of the picture as it is shown."""
        return self.side != NO_PHOTOGRAPH and self.certainty in ("", SAID, LAPSED)

    def is_to_countersign(self, who: str) -> bool:
        """Return whether one other person has confirmed the side as it is shown."""
        return self.certainty == BOUND and name_key(who) not in map(name_key, self.signers)

    @property
    def source(self) -> str:
        """Path of the picture."""
        return f"/picture/{self.uid}"

    def to_json(self) -> dict[str, Any]:
        """Return the label as values that JSON has."""
        return {**self.__dict__, "source": self.source}


def letters(edges: Orientation | None) -> tuple[str, str, str, str]:
    """Return the letters at the top, right, bottom and left edge; empty where unknown."""
    if edges is None:
        return ("", "", "", "")
    return (
        edges.columns.opposite.value,
        edges.rows.value,
        edges.columns.value,
        edges.rows.opposite.value,
    )


def both_numberings(teeth: tuple[Tooth, ...], t: Words, first: Numbering) -> str:
    """Name teeth in two numberings; more than a few in ISO 3950 only, runs drawn together."""
    if not teeth:
        return ""
    if len(teeth) > _BRIEF:
        return t("picture.iso", teeth=shortened(teeth))
    ordered = in_arch_order(teeth)
    iso = t("picture.iso", teeth=" ".join(tooth.iso for tooth in ordered))
    universal = t("picture.universal", teeth=" ".join(tooth.universal for tooth in ordered))
    palmer = t("picture.palmer", teeth=" ".join(tooth.palmer_symbol for tooth in ordered))
    named = {Numbering.ISO: iso, Numbering.UNIVERSAL: universal, Numbering.PALMER: palmer}
    other = universal if first is Numbering.ISO else iso
    return f"{named[first]} · {other}"


def label_of(
    description: Description,
    edges: Orientation | None,
    size: tuple[int, int],
    t: Words,
    first: Numbering,
    rejected: str = "",
) -> Label:
    """Make the label of a picture from what it says of itself.

    Parameters
    ----------
    edges
        Orientation as displayed.
    size
        Columns and rows as displayed.
    """
    top, right, bottom, left = letters(edges)
    tooth = both_numberings(description.teeth, t, first)
    date = iso_day(description.study_date)
    if description.confirmed is None:
        side, side_words = NO_PHOTOGRAPH, ""
        kind = f"modalities.{description.modality}"
        named = t(kind) if t.has(kind) else description.modality
        view = ", ".join(x for x in (named, description.series_description) if x)
    else:
        side = CONFIRMED if description.confirmed else UNCONFIRMED
        side_words = t(f"picture.{SIDE_WORDS.get(description.certainty or '', side)}")
        view = t(f"views.{_key(description.view.value)}") if description.view else ""
    mirrored = description.mirror in ("corrected", "uncorrected")
    mirror = t(f"picture.mirror_{description.mirror}") if mirrored else ""
    words = edge_words(description.teeth, edges) if edges is not None else {}
    said = {edge: t(word.code) for edge, word in words.items()}
    return Label(
        description.sop_instance_uid,
        description.study_uid,
        top,
        right,
        bottom,
        left,
        tooth,
        view,
        date,
        side,
        side_words,
        mirror,
        rejected,
        size[0],
        size[1],
        _sentence([view, tooth, date, mirror, side_words], (top, left), said, rejected, t),
        description.certainty or "",
        signers=signers(description.confirmations),
        words=said,
    )


def doubted(label: Label, t: Words) -> Label:
    """Return the label of a picture that a comparison found the wrong way round."""
    if label.side == NO_PHOTOGRAPH:
        return label
    words = t(f"picture.doubted_{label.side}")
    side = DOUBTED if label.side == CONFIRMED else label.side
    alt = label.alt.replace(label.side_words, words)
    return replace(label, side=side, side_words=words, alt=alt)


def _sentence(
    parts: list[str], edges: tuple[str, str], words: Mapping[str, str], rejected: str, t: Words
) -> str:
    """Tell a label to who does not see the picture."""
    told = [part for part in parts if part]
    if edges[0]:
        for edge, letter in zip(("top", "left"), edges, strict=True):
            direction = t(f"directions.{letter}")
            if edge in words and words[edge] != direction:
                direction = t("picture.edge_named", direction=direction, word=words[edge])
            told.append(t(f"picture.{edge}_is", direction=direction))
    if rejected:
        told.append(t("picture.rejected", why=rejected))
    return ", ".join(told)


def iso_day(text: str) -> str:
    """Write a date of DICOM as ISO 8601; other text stays as it is."""
    if len(text) == 8 and text.isdigit():
        return f"{text[:4]}-{text[4:6]}-{text[6:]}"
    return text


def _key(words: str) -> str:
    return words.replace(" ", "_").replace("-", "_")
