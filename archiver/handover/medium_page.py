"""The page of a medium: what is on it, for a browser, without script and without the net."""

from __future__ import annotations

from dataclasses import dataclass

from archiver.handover.facts import language, numbering_words, sheet_text
from archiver.handover.page_templates import page_template
from archiver.handover.sheet import SheetPicture
from archiver.handover.sheet_html import picture_alternative, picture_source
from archiver.wording import words_of


@dataclass(frozen=True)
class OtherObject:
    """An object that the page only lists.

    Parameters
    ----------
    day
        ISO 8601.
    words
        Of its series.
    place
        Its file ID.
    """

    day: str
    modality: str
    words: str
    place: str


@dataclass(frozen=True)
class MediumPage:
    """What the page says.

    Parameters
    ----------
    title
        Of the purpose.
    to
        For whom it is.
    whose
        The patient's name and identifier; empty where the medium does not say.
    """

    case: str
    title: str
    to: str
    whose: str
    pictures: tuple[SheetPicture, ...]
    others: tuple[OtherObject, ...]


def medium_text(key: str, **values: object) -> str:
    """Return a text for the page and the files of a medium."""
    return words_of()(f"handover.medium.{key}", **values)


def page_of(page: MediumPage) -> bytes:
    """Write the page as HTML."""
    cautions = ["no_side", "no_scale", "names" if page.whose else "not_anonymous"]
    made = page_template("medium.html").render(
        page=page,
        medium_text=medium_text,
        sheet_text=sheet_text,
        numbering=numbering_words(),
        cautions=[sheet_text(f"caution.{one}") for one in cautions],
        language=language(),
        source=picture_source,
        alternative=picture_alternative,
    )
    return made.encode("utf-8")
