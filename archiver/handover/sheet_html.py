"""The sheet as one HTML file: no script, nothing from outside, pictures within."""

from __future__ import annotations

import base64

from archiver.handover.case_facts import arch_places
from archiver.handover.facts import in_both_numberings, language, numbering_words, sheet_text
from archiver.handover.page_templates import page_template
from archiver.handover.sheet import Sheet, SheetPicture


def html_of(sheet: Sheet) -> bytes:
    """Write a sheet as HTML."""
    made = page_template("sheet.html").render(
        sheet=sheet,
        sheet_text=sheet_text,
        numbering=numbering_words(),
        numbered=in_both_numberings,
        language=language(),
        places=arch_places(),
        source=picture_source,
        alternative=picture_alternative,
        cautions=sheet.cautions,
    )
    return made.encode("utf-8")


def picture_source(one: SheetPicture) -> str:
    """Return a picture of the sheet as what an ``img`` shows."""
    return f"data:image/jpeg;base64,{base64.b64encode(one.jpeg).decode('ascii')}"


def picture_alternative(one: SheetPicture) -> str:
    """Return what is read to who does not see a picture."""
    given = {"number": one.number, "title": one.title}
    return sheet_text("alternative", **given, mirror=one.facts.mirror, status=one.status)
