"""The page that shows a newest picture and a prior: as they are, laid over each other, apart."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageDraw

from archiver.colour import as_srgb
from archiver.dentition import Tooth
from archiver.errors import ArchiveError, Problem
from archiver.priors import Compared, Comparison, Shown, wording
from archiver.sheets import plates
from archiver.sheets.lettering import Face, fitted, sheet_words, shortened, width, wrapped, write
from archiver.sheets.sheet_cells import Edges

# Pixels.
PAGE_WIDTH = 2400
_MARGIN = 80
_GAP = 40
_WIDE = (PAGE_WIDTH - 2 * _MARGIN - _GAP) // 2
_THIRD = (PAGE_WIDTH - 2 * _MARGIN - 2 * _GAP) // 3
_HEAD = 262
_CAPTION = 128
_SMALL_CAPTION = 62
_LEGEND = 92
_LINE = 44
_FOOT = 250
#: Where the seam of the split picture stands, as a fraction of its width.
_SEAM = 0.5

_NAME = Face(58, bold=True)
_NUMBER = Face(78, bold=True)
_HEADING = Face(46, bold=True)
_TEXT = Face(34)
_STRONG = Face(34, bold=True)
_SMALL = Face(29)
_TAG = Face(26, bold=True)


@dataclass(frozen=True)
class Title:
    """What stands at the top of every page.

    Parameters
    ----------
    teeth
        That the comparison is about.
    view
        In words.
    made
        When and with what the page was made.
    """

    teeth: tuple[Tooth, ...]
    view: str
    made: str


def draw(comparison: Comparison, title: Title) -> Iterator[Image.Image]:
    """Draw a page for each prior, one at a time.

    Yields
    ------
    PIL.Image.Image
        RGB, `PAGE_WIDTH` pixels wide and as high as it needs to be.
    """
    count = len(comparison.priors)
    for number, one in enumerate(comparison.priors, start=1):
        yield _page(comparison.newest, one, title, (number, count))


def save_png(comparison: Comparison, title: Title, path: Path) -> None:
    """Save the pages as one picture, one below the other.

    Raises
    ------
    ArchiveError
        If the file cannot be written.
    """
    height = sum(_height(comparison.newest, one) for one in comparison.priors)
    whole = Image.new("RGB", (PAGE_WIDTH, height), plates.PAPER)
    y = 0
    for page in draw(comparison, title):
        whole.paste(page, (0, y))
        y += page.height
    _save(path, lambda: whole.save(path, format="PNG", dpi=(220, 220), compress_level=1))


def save_pdf(comparison: Comparison, title: Title, path: Path) -> None:
    """Save the pages as a PDF file of A4 width.

    Raises
    ------
    ArchiveError
        If the file cannot be written.
    """
    dots = PAGE_WIDTH / 8.27

    def save() -> None:
        for number, page in enumerate(draw(comparison, title)):
            page.save(path, format="PDF", append=number > 0, resolution=dots, quality=92)

    _save(path, save)


def _save(path: Path, save: Callable[[], None]) -> None:
    try:
        save()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        problem = Problem("sheets.comparison.not_written", reason=reason)
        raise ArchiveError(problem.at(file=str(path))) from error


def _page(newest: Shown, one: Compared, title: Title, numbers: tuple[int, int]) -> Image.Image:
    high, small = _plate_heights(newest, one)
    told, height = _paragraphs(one, newest), _height(newest, one)
    page = Image.new("RGB", (PAGE_WIDTH, height), plates.PAPER)
    _head(page, newest, title)
    y = _HEAD
    _side_by_side(page, newest, one, (y, high))
    y += _CAPTION + high + _GAP
    if one.laid is not None:
        _laid_over(page, newest, one, (y, small))
        y += _SMALL_CAPTION + small + _LEGEND
    pen = ImageDraw.Draw(page)
    y += 30
    for lines, alarming in told:
        _paragraph(pen, lines, y, alarming)
        y += len(lines) * _LINE + 20
    _foot(pen, height, title, numbers)
    return page


def _height(newest: Shown, one: Compared) -> int:
    """How high a page is."""
    high, small = _plate_heights(newest, one)
    told = _paragraphs(one, newest)
    height = _HEAD + _CAPTION + high + _GAP
    if one.laid is not None:
        height += _SMALL_CAPTION + small + _LEGEND
    lines = sum(len(paragraph) for paragraph, _ in told)
    return height + lines * _LINE + 20 * len(told) + 30 + _FOOT


def _plate_heights(newest: Shown, one: Compared) -> tuple[int, int]:
    """How high the large plates are, and the small ones."""
    return _plate_height((newest, one.shown), _WIDE), _plate_height((newest,), _THIRD)


def _plate_height(shown: Sequence[Shown], wide: int) -> int:
    """As high as the pictures need at this width, and no higher than four fifths of it."""
    ratios = [one.size[1] / one.size[0] for one in shown]
    room = wide - 2 * plates.RIM
    return min(round(room * max(ratios)), round(wide * 0.8)) + 2 * plates.RIM


def _head(page: Image.Image, newest: Shown, title: Title) -> None:
    pen = ImageDraw.Draw(page)
    d, right = newest.description, PAGE_WIDTH - _MARGIN
    pen.rectangle((0, 0, PAGE_WIDTH, 16), fill=plates.ACCENT)
    iso, universal = wording.teeth(title.teeth)
    x = right
    for numbering, number in (("Universal", universal), ("ISO 3950", iso)):
        if number:
            face = _NUMBER if width(number, _NUMBER) < 330 else _STRONG
            number = shortened(number, face, 420)
            wide = max(width(numbering, _TAG), width(number, face))
            x -= wide
            write(pen, (x, 76), numbering, _TAG, plates.SOFT)
            write(pen, (x, 154), number, face, plates.INK)
            x -= 56
    room = x - _MARGIN - 40
    name = wording.readable(d.patient_name) or d.patient_id or sheet_words("comparison.no_name")
    name, face = fitted(name, _NAME, room, _TEXT.size)
    write(pen, (_MARGIN, 110), name, face, plates.INK)
    born = sheet_words("born", day=wording.day(d.birth_date)) if d.birth_date else ""
    details = " · ".join(part for part in (d.patient_id, d.issuer, born) if part)
    write(pen, (_MARGIN, 164), shortened(details, _TEXT, room), _TEXT, plates.SOFT)
    pen.line((_MARGIN, 192, right, 192), fill=plates.RULE, width=3)
    subject = title.teeth[0].name if len(title.teeth) == 1 else ""
    view = sheet_words("comparison.view", view=title.view) if title.view else ""
    what = ", ".join(part for part in (subject, view) if part)
    key = sheet_words("letters")
    x = right - width(key, _SMALL)
    write(pen, (x, 238), key, _SMALL, plates.SOFT)
    what, face = fitted(what[:1].upper() + what[1:], _HEADING, x - _MARGIN - 40, _TEXT.size)
    write(pen, (_MARGIN, 240), what, face, plates.ACCENT)


def _side_by_side(page: Image.Image, newest: Shown, one: Compared, place: tuple[int, int]) -> None:
    y, high = place
    second = _MARGIN + _WIDE + _GAP
    before, now = one.shown.description, newest.description
    span = wording.span(before.study_date, now.study_date)
    earlier = wording.day(before.study_date)
    if span:
        earlier = sheet_words("comparison.before", day=earlier, span=span)
    _caption(page, (_MARGIN, y), earlier, one.shown)
    _caption(page, (second, y), wording.day(now.study_date), newest)
    top = y + _CAPTION
    if one.laid is not None:
        prior = plates.missing_marked(as_srgb(one.laid.pixels, one.shown.space), one.laid.covered)
        edges, teeth = newest.edges, newest.description.teeth
    else:
        prior = as_srgb(one.shown.pixels, one.shown.space)
        edges, teeth = one.shown.edges, one.shown.description.teeth
    plates.plate(page, prior, Edges.around(teeth, edges), (_MARGIN, top, _WIDE, high))
    current = as_srgb(newest.pixels, newest.space)
    now_at = Edges.around(newest.description.teeth, newest.edges)
    plates.plate(page, current, now_at, (second, top, _WIDE, high))


def _caption(page: Image.Image, place: tuple[int, int], text: str, shown: Shown) -> None:
    pen = ImageDraw.Draw(page)
    x, y = place
    write(pen, (x, y + 52), shortened(text, _HEADING, _WIDE), _HEADING, plates.INK)
    words, confirmed = wording.side(shown.description)
    face = Face(32, bold=True)
    plates.chip(pen, (x, y + 68), shortened(words, face, _WIDE - 90), confirmed, face)


def _laid_over(page: Image.Image, newest: Shown, one: Compared, place: tuple[int, int]) -> None:
    assert one.laid is not None and one.apart is not None and one.alignment is not None
    y, high = place
    pen = ImageDraw.Draw(page)
    current = as_srgb(newest.pixels, newest.space)
    prior = as_srgb(one.laid.pixels, one.shown.space)
    edges = Edges.around(newest.description.teeth, newest.edges)
    rows, columns = current.shape[:2]
    panels = (
        (sheet_words("comparison.split"),
         plates.split(current, prior, one.laid.covered, _SEAM)),
        (sheet_words("comparison.difference"), plates.mapped(one.apart, (columns, rows))),
        (sheet_words("comparison.aligned"), plates.outlined(current, one.alignment)),
    )  # fmt: skip
    for number, (text, pixels) in enumerate(panels):
        x = _MARGIN + number * (_THIRD + _GAP)
        write(pen, (x, y + 40), shortened(text, _STRONG, _THIRD), _STRONG, plates.INK)
        drawn = plates.plate(page, pixels, edges, (x, y + _SMALL_CAPTION, _THIRD, high))
        if number == 0:
            dates = (one.shown.description.study_date, newest.description.study_date)
            plates.name_halves(page, drawn, (wording.day(dates[0]), wording.day(dates[1])))
    legend = (_MARGIN + _THIRD + _GAP + 30, y + _SMALL_CAPTION + high + 26)
    plates.legend(pen, legend, _THIRD - 60)


def _paragraphs(one: Compared, newest: Shown) -> list[tuple[list[str], bool]]:
    """Paragraphs below the pictures, in lines, and whether each is alarming."""
    room = PAGE_WIDTH - 2 * _MARGIN - 60
    texts = [(wording.alignment(one, newest), one.checked.way.contradicts)]
    texts.append((wording.prior(one), False))
    texts.append((wording.colour(one, newest), False))
    return [
        (wrapped(text, _STRONG if alarming else _TEXT, room, 5), alarming)
        for text, alarming in texts
        if text
    ]


def _paragraph(pen: ImageDraw.ImageDraw, lines: Sequence[str], y: int, alarming: bool) -> None:
    if alarming:
        box = (_MARGIN, y - 8, PAGE_WIDTH - _MARGIN, y + len(lines) * _LINE + 12)
        pen.rounded_rectangle(box, radius=10, fill=plates.ALARM_PAPER)
        pen.rectangle(
            (_MARGIN, y - 8, _MARGIN + 10, y + len(lines) * _LINE + 12),
            fill=plates.ALARM,
        )
    face, colour = (_STRONG, plates.ALARM) if alarming else (_TEXT, plates.INK)
    for number, line in enumerate(lines):
        x = _MARGIN + (30 if alarming else 0)
        write(pen, (x, y + 34 + number * _LINE), line, face, colour)


def _foot(pen: ImageDraw.ImageDraw, height: int, title: Title, numbers: tuple[int, int]) -> None:
    right, y = PAGE_WIDTH - _MARGIN, height - _FOOT + 40
    pen.line((_MARGIN, y, right, y), fill=plates.RULE, width=3)
    for number, line in enumerate(wrapped(wording.caution(), _SMALL, right - _MARGIN - 480, 4)):
        write(pen, (_MARGIN, y + 46 + number * 38), line, _SMALL, plates.INK)
    count = {"number": numbers[0], "count": numbers[1]}
    page = sheet_words("comparison.prior", **count) if numbers[1] > 1 else ""
    for number, (text, face) in enumerate(((page, _STRONG), (title.made, _SMALL))):
        text = shortened(text, face, 440)
        write(
            pen,
            (right - width(text, face), y + 46 + number * 42),
            text,
            face,
            plates.SOFT,
        )
