"""Content of Key Object Selections, row by row of their templates (PS3.16 TID 2010 and its kin)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from archiver.standard.coded_rules import Concept, concept_of
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item, step_into
from archiver.standard.report import ObjectFindings
from archiver.standard.tables import load_toml
from archiver.wording import Text

_CONTENT, _NAME, _VALUE = "ContentSequence", "ConceptNameCodeSequence", "ConceptCodeSequence"
_TEMPLATE, _RELATIONSHIP = "ContentTemplateSequence", "RelationshipType"
_SELECTION = "2010"
_OBSERVER, _PERSON, _DEVICE = "121005", "121006", "121007"
#: Template of an observer -> the value of Observer Type that it belongs to.
_OBSERVERS = {"1003": _PERSON, "1004": _DEVICE}


@dataclass(frozen=True)
class TemplateRow:
    """A row of a template; what its fields mean, ``templates.toml`` says."""

    template: str
    relationship: str
    types: tuple[str, ...]
    need: str
    many: bool
    concept: str = ""
    titles: tuple[str, ...] = ()
    values: str = ""
    within: str = ""
    rule: str = "note-template"

    def fits(self, relationship: str, kind: str, name: str, within: str) -> bool:
        """Return whether this row describes an item of a document, by what the item says."""
        return (
            self.within == within
            and self.relationship == relationship
            and kind in self.types
            and self.concept in ("", name)
        )


@cache
def template_rows() -> tuple[TemplateRow, ...]:
    """Return the rows of all templates, in the order of the table."""
    found = []
    for template, rows in load_toml("templates").items():
        for row in rows:
            values: dict[str, Any] = {
                k: tuple(v) if isinstance(v, list) else v for k, v in row.items()
            }
            found.append(TemplateRow(template, **values))
    return tuple(found)


def check_selection(dataset: Item, report: ObjectFindings) -> None:
    """Check a selection against its template, which may not be extended (A.35.4.3.1)."""
    templates = [one.text("TemplateIdentifier") for one in dataset.items(_TEMPLATE)]
    if templates != [_SELECTION]:
        word = "other_template" if templates else "no_template"
        _report(report, "note-template", "", _TEMPLATE, word)
    titles = dataset.items(_NAME)
    title = concept_of(titles[0]).value if titles else ""
    used: Counter[TemplateRow] = Counter()
    for prefix, item, above in content_items(dataset):
        row = _row_of(item, "" if above is dataset else _name(above) or "?", title)
        if row is not None:
            used[row] += 1
            _check_row(row, used[row], prefix, item, title, report)
        elif item.has(_RELATIONSHIP) and item.has("ValueType"):
            relationship, kind = item.text(_RELATIONSHIP), item.text("ValueType")
            _report(report, "note-template", prefix, _NAME, "no_row", name=_name(item)[:16],
                    relationship=relationship[:16], kind=kind[:16])  # fmt: skip
    for row in template_rows():
        due = row.need == "M" and row.template not in _OBSERVERS
        if (due or (row.need == "MC" and title in row.titles)) and not used[row]:
            _report(report, row.rule, "", _CONTENT, "none_of", concept=row.concept)
    _check_observers(dataset, used, report)


def content_items(item: Item, prefix: str = "") -> Iterator[tuple[str, Item, Item]]:
    """Yield every item of a content tree with its place and the one that holds it."""
    for number, nested in enumerate(item.items(_CONTENT), start=1):
        step = step_into(prefix, tag_of(_CONTENT), number)
        yield step, nested, item
        yield from content_items(nested, step)


def _row_of(item: Item, within: str, title: str) -> TemplateRow | None:
    """Return the row that describes an item: rather one that the title has than another."""
    said = (item.text(_RELATIONSHIP), item.text("ValueType"), _name(item), within)
    rows = [row for row in template_rows() if row.fits(*said)]
    return next((row for row in rows if title in row.titles), rows[0] if rows else None)


def _check_row(
    row: TemplateRow, count: int, prefix: str, item: Item, title: str, report: ObjectFindings
) -> None:
    if count > 1 and not row.many:
        _report(report, row.rule, prefix, _NAME, "second", concept=row.concept)
    values = [concept_of(one) for one in item.items(_VALUE)]
    strange = bool(row.values) and not all(is_of(row.values, one) for one in values)
    if strange or (row.titles and title not in row.titles):
        named = " ".join(one.value[:32] for one in values) or Text(
            "standard.template_rules.no_code"
        )
        _report(report, row.rule, prefix, _VALUE, "under_title", values=named, title=title[:32])


def _check_observers(
    dataset: Item, used: Mapping[TemplateRow, int], report: ObjectFindings
) -> None:
    """Check that each observer is told of, and that all that is told is of an observer."""
    observers = Counter(
        concept_of(one).value
        for item in dataset.items(_CONTENT)
        if _name(item) == _OBSERVER
        for one in item.items(_VALUE)
    )
    for template, kind in _OBSERVERS.items():
        told = [row for row in used if row.template == template]
        # Who observes is a person where nothing else is said (TID 1002).
        alone = kind == _PERSON and not observers
        if told and not observers[kind] and not alone:
            _report(report, "note-template", "", _CONTENT, "no_observer", concept=told[0].concept)
        needed = max(observers[kind], bool(told))
        for row in template_rows():
            if row.template == template and row.need == "M" and used.get(row, 0) < needed:
                _report(report, "note-template", "", _CONTENT, "observer", concept=row.concept)


def is_of(group: str, concept: Concept) -> bool:
    """Return whether a context group has a code."""
    row = load_toml("contexts")["groups"][group]
    return concept.scheme == row["scheme"] and concept.value in row["codes"]


def _name(item: Item) -> str:
    """Return the concept of an item; with its scheme where that is not DCM."""
    names = item.items(_NAME)
    if not names:
        return ""
    concept = concept_of(names[0])
    return concept.value if concept.scheme == "DCM" else f"{concept.scheme}:{concept.value}"


def _report(
    report: ObjectFindings, rule: str, prefix: str, keyword: str, word: str, **values: object
) -> None:
    found = Text(f"standard.template_rules.{word}", **values)
    report.add_at(rule, prefix, tag_of(keyword), found=found)
