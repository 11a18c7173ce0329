"""A chain of custody on paper: what it is of, what lies in the archive, and each step."""

from __future__ import annotations

import io
from functools import cache

from reportlab import rl_config
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from archiver.sheets import BOLD, REGULAR, font_file
from archiver.wording import words_of
from archiver.workflow.picture_custody import Custody

#: ISO 216, A4, in points.
_WIDTH, _HEIGHT = 595.28, 841.89
_MARGIN, _LEADING = 40.0, 12.5
_PLAIN, _BOLD = "CustodyPlain", "CustodyBold"


@cache
def _fonts() -> None:
    pdfmetrics.registerFont(TTFont(_PLAIN, font_file(REGULAR)))
    pdfmetrics.registerFont(TTFont(_BOLD, font_file(BOLD)))


def custody_pdf(one: Custody) -> bytes:
    """Return the document; the same custody makes the same bytes."""
    _fonts()
    rl_config.useA85 = 0
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(_WIDTH, _HEIGHT), invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(words_of()("workflow.custody_page.title"))
    page = _Page(canvas)
    for text, bold in _lines(one):
        page.write(text, bold=bold)
    canvas.save()
    return out.getvalue()


class _Page:
    """Writes lines down a page, and goes on on the next."""

    def __init__(self, canvas: Canvas) -> None:
        self._canvas = canvas
        self._y = _HEIGHT - _MARGIN

    def write(self, text: str, *, bold: bool) -> None:
        font, size = (_BOLD, 10.5) if bold else (_PLAIN, 8.5)
        for line in simpleSplit(text, font, size, _WIDTH - 2 * _MARGIN) or [""]:
            if self._y < _MARGIN + _LEADING:
                self._canvas.showPage()
                self._y = _HEIGHT - _MARGIN
            self._canvas.setFont(font, size)
            self._canvas.drawString(_MARGIN, self._y - size, line)
            self._y -= _LEADING


def _lines(one: Custody) -> list[tuple[str, bool]]:
    words = words_of()
    of = {"patient": one.patient, "visited": one.visited, "picture": one.picture}
    lines = [(words("workflow.custody_page.title"), True)]
    lines += [(words("workflow.custody_page.of", **of), False)]
    if one.camera_file:
        lines.append((words("workflow.custody_page.camera_file", digest=one.camera_file), False))
    lines += [("", False), (words("workflow.custody_page.held"), True)]
    for held in one.held:
        state = words(f"workflow.custody_page.{'whole' if held.is_whole else 'not_whole'}")
        lines.append((f"{held.role or '-'}  {held.instance}  {held.promised}: {state}", False))
    lines += [("", False), (words("workflow.custody_page.steps"), True)]
    for step in one.steps:
        note = f" ({step.note})" if step.note else ""
        lines.append((f"{step.line}  {step.time}  {step.who}: {step.what}{note}", False))
        lines.append((f"      {step.hash}", False))
    chain = "chain" if one.chain_is_whole else "no_chain"
    ends = {"line": one.journal_line, "hash": one.journal_hash, "archive": one.archive}
    return [*lines, ("", False), (words(f"workflow.custody_page.{chain}", **ends), False)]
