"""What a path says of a picture, by the rules: texts and meanings, decided by nobody yet."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import PurePosixPath

from archiver.dentition import (
    Tooth,
    Turn,
    View,
    bare_number,
    in_arch_order,
    parse_teeth,
    read_teeth,
)
from archiver.errors import MeaningError, Problem
from archiver.legacy.day_forms import DayRead, read_day_in
from archiver.legacy.import_rules import ImportRules
from archiver.legacy.path_templates import bare_name
from archiver.legacy.word_tables import folded, look_up


@dataclass(frozen=True)
class PathSaid:
    """What a path says.

    Several views, states or mirrors are a contradiction; none is nothing said. `birth` and `visit`
    are None where the template has no such part. `problems` are parts that could not be read.
    """

    name: str = ""
    patient_id: str = ""
    birth: DayRead | None = None
    visit: DayRead | None = None
    views: tuple[View, ...] = ()
    states: tuple[str, ...] = ()
    mirrors: tuple[bool, ...] = ()
    flips: tuple[Turn, ...] = ()
    teeth: tuple[Tooth, ...] = ()
    problems: tuple[Problem, ...] = ()
    year: int | None = None
    template: str = field(default="", compare=False)


def read_path(path: PurePosixPath, rules: ImportRules, today: date) -> PathSaid | None:
    """Read a path below the imported folder; None where no template fits it."""
    stem = bare_name(path.name, rules.copy_marks)
    place = path.parent / stem
    for template in rules.templates:
        parts = template.match(place, rules.dates)
        if parts is not None:
            return _said(parts, rules, today, template.text)
    return None


def _said(parts: Mapping[str, str], rules: ImportRules, today: date, template: str) -> PathSaid:
    free = parts.get("words", "")
    words = rules.words
    views = look_up(f"{parts.get('view', '')} / {free}", words.view)
    states = look_up(f"{parts.get('state', '')} / {free}", words.state)
    problems = [
        Problem("legacy.path.not_understood", part=part, said=parts[part])
        for part, found in (("view", views), ("state", states))
        if parts.get(part) and not found
    ]
    teeth: tuple[Tooth, ...] = ()
    try:
        teeth = _teeth(parts.get("tooth", ""), free, rules)
    except MeaningError as error:
        problems += error.problems
    return PathSaid(
        " ".join(re.sub(r"[_,]+", " ", parts.get("name", "")).split()),
        parts.get("patient_id", ""),
        _day(parts, "birth_date", rules, today),
        _visit(parts, rules, today),
        views,
        states,
        look_up(free, words.mirror),
        look_up(free, words.flipped),
        teeth,
        tuple(problems),
        int(parts["year"]) if parts.get("year") else None,
        template,
    )


def _day(parts: Mapping[str, str], name: str, rules: ImportRules, today: date) -> DayRead | None:
    return read_day_in(parts[name], rules.dates, today) if parts.get(name) else None


def _visit(parts: Mapping[str, str], rules: ImportRules, today: date) -> DayRead | None:
    if parts.get("visit_date"):
        return _day(parts, "visit_date", rules, today)
    if parts.get("year") and parts.get("month") and parts.get("day"):
        try:
            found = date(int(parts["year"]), int(parts["month"]), int(parts["day"]))
        except ValueError:
            return DayRead()
        return DayRead((found,))
    return None


def _teeth(part: str, free: str, rules: ImportRules) -> tuple[Tooth, ...]:
    """Read the teeth of a part of their own, and those behind a word for tooth elsewhere."""
    texts = [part] if part else []
    for word in rules.words.tooth:
        start = re.escape(folded(word))
        edge = r"\b" if word[-1:].isalnum() else ""
        texts += re.findall(rf"(?<!\w){start}{edge}[\s_.-]*(\d+[a-z]?(?:[-,+]\d+)*)", folded(free))
    found: list[Tooth] = []
    for text in texts:
        said = text.replace("+", ",").replace("_", ",").strip()
        if ":" in said:
            found += parse_teeth(said)
        elif rules.numbering is None:
            raise MeaningError(bare_number(said))
        else:
            found += read_teeth(said, rules.numbering)
    return in_arch_order(tuple(dict.fromkeys(found)))
