"""Pieces of the report's page: tables, bars, months. Every text is escaped here."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape

from archiver.records.audit import RequirementCount
from archiver.records.statistics import PictureCount
from archiver.wording import words_of

#: Months drawn at most; the tables have all.
_MONTHS = 24
_WIDTH, _HEIGHT, _LEFT, _FOOT = 640, 220, 40, 40


def page_words(key: str, **values: object) -> str:
    """Return a text of the page."""
    return words_of()(f"records.page.{key}", **values)


def slug(text: str) -> str:
    """Return a text fit for an identifier of the page."""
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "x"


def grouped(count: int) -> str:
    """Return a number with a thin space between its thousands."""
    return f"{count:,}".replace(",", "\u202f")


def tag(severity: str) -> str:
    """Return a severity as a mark."""
    return (
        f'<span class="tag {severity}">{escape(words_of()(f"records.severity.{severity}"))}</span>'
    )


def table(
    name: str,
    caption: str,
    headings: Sequence[tuple[str, str]],
    rows: Iterable[Sequence[str]],
    *,
    raw: Sequence[int] = (),
    sift: bool = False,
) -> str:
    """Return a table that sorts, and with `sift` filters.

    Parameters
    ----------
    headings
        Key of the words and class of each column.
    raw
        Columns whose cells are HTML already.
    """
    headings = [(words_of()(f"records.heading.{key}"), kind) for key, kind in headings]
    head = "".join(
        f'<th scope="col"{_class(kind)}>{escape(words)}</th>' for words, kind in headings
    )
    body = []
    for row in rows:
        cells = []
        for place, ((words, kind), cell) in enumerate(zip(headings, row, strict=True)):
            shown = cell if place in raw else escape(cell)
            label = escape(words, quote=True)
            cells.append(f'<td{_class(kind)} data-label="{label}">{shown}</td>')
        body.append(f"<tr>{''.join(cells)}</tr>")
    filtering = ""
    if sift and len(body) > 5:
        filtering = (
            f'<div class="sift" hidden><label for="{name}-sift">'
            f"{escape(page_words('show_rows'))}</label>"
            f'<input id="{name}-sift" type="search" aria-controls="{name}" autocomplete="off">'
            f'<output for="{name}-sift"></output></div>'
        )
    return (
        f'{filtering}<table class="sheet" id="{name}"><caption>{escape(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>"
    )


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


def bar(one: RequirementCount) -> str:
    """Return a bar of what is present and what stands in, on the colour of what is missing."""
    if not one.required:
        return ""
    present, other = (100 * n / one.required for n in (one.present, one.substituted))
    label = escape(page_words("complete", percent=one.percent))
    return (
        f'<div class="bar" role="img" aria-label="{label}">'
        f'<span style="width:{present:.2f}%"></span><span style="width:{other:.2f}%"></span></div>'
    )


def tally_table(name: str, rows: Sequence[tuple[str, RequirementCount]]) -> str:
    """Return tallies as a table with bars."""
    headings = (
        (name, ""),
        ("complete", "num"),
        ("required", "num"),
        ("present", "num"),
        ("stands_in", "num"),
        ("missing", "num"),
        ("share", ""),
    )
    cells = [
        (
            key or page_words("nobody"),
            one.percent,
            str(one.required),
            str(one.present),
            str(one.substituted),
            str(one.missing),
            bar(one),
        )
        for key, one in rows
    ]
    what = words_of()(f"records.heading.{name}").casefold()
    return table(name, page_words("views_by", what=what), headings, cells, raw=(6,))


def picture_table(name: str, rows: Sequence[tuple[str, PictureCount]]) -> str:
    """Return counts of photographs as a table, each with a bar of what is confirmed."""
    figures = ("photographs", "unconfirmed", "retaken", "corrected", "days")
    headings = ((name, ""), *((figure, "num") for figure in figures), ("confirmed", ""))
    cells = []
    for key, one in rows:
        days = "" if one.median_days is None else f"{one.median_days:g}"
        counts = (one.photographs, one.unconfirmed, one.retaken, one.corrected)
        confirmed = RequirementCount(
            one.photographs, one.photographs - one.unconfirmed, 0, one.unconfirmed
        )
        cells.append((key or page_words("nobody"), *map(str, counts), days, bar(confirmed)))
    what = words_of()(f"records.heading.{name}").casefold()
    return table(name, page_words("pictures_by", what=what), headings, cells, raw=(6,))


def months(rows: Sequence[tuple[str, RequirementCount]]) -> str:
    """Return required views by month as an inline drawing."""
    shown = rows[-_MONTHS:]
    if not shown:
        return ""
    top = max(one.required for _, one in shown)
    step = (_WIDTH - _LEFT) / max(len(shown), 6)
    room = _HEIGHT - _FOOT - 14
    pieces = []
    for tenth in sorted({0, top // 2, top}):
        y = _HEIGHT - _FOOT - room * tenth / top
        pieces.append(
            f'<line class="axis" x1="{_LEFT}" x2="{_WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{tenth}</text>'
        )
    every = -(-len(shown) // 8)
    for place, (month, one) in enumerate(shown):
        x, y = _LEFT + place * step + step * 0.15, float(_HEIGHT - _FOOT)
        for name, count in (
            ("present", one.present),
            ("substituted", one.substituted),
            ("missing", one.missing),
        ):
            height = room * count / top
            y -= height
            if height:
                pieces.append(
                    f'<rect class="{name}" x="{x:.1f}" y="{y:.1f}" width="{step * 0.7:.1f}" '
                    f'height="{height:.1f}"/>'
                )
        if place % every == 0:
            middle = x + step * 0.35
            pieces.append(
                f'<text x="{middle:.1f}" y="{_HEIGHT - _FOOT + 18}" text-anchor="middle">'
                f"{escape(month)}</text>"
            )
    told = page_words("months", first=shown[0][0], last=shown[-1][0])
    keys = "".join(
        f'<li><span class="{name}"></span>{escape(words_of()(f"records.months.{name}"))}</li>'
        for name in ("present", "substituted", "missing")
    )
    return (
        f'<svg class="months" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-label="{escape(told)}">{"".join(pieces)}</svg>'
        f'<ul class="key">{keys}</ul>'
    )
