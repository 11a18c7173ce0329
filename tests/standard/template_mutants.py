"""A selection with every row of its templates, and mutants of it by rule."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator

from content_documents import code, item, key_object_selection
from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver.standard.tables import load_toml
from archiver.standard.template_rules import TemplateRow, template_rows

HOLDERS = {"CODE": "ConceptCodeSequence", "TEXT": "TextValue", "UIDREF": "UID",
           "PNAME": "PersonName", "IMAGE": "ReferencedSOPSequence"}  # fmt: skip
#: Those of other rows, and one that no row has.
RELATIONSHIPS = ("CONTAINS", "HAS OBS CONTEXT", "HAS CONCEPT MOD", "HAS PROPERTIES")
#: Of the observers, whose values a mutant is not to change by chance.
_TYPES = {"1003": "121006", "1004": "121007"}


def whole_selection(title: str = "113001") -> Dataset:
    """A document with an item of every row that its title may have."""
    ds = key_object_selection()
    ds.ConceptNameCodeSequence = code(title, "a title of CID 7010")
    image = ds.ContentSequence[-1]
    ds.ContentSequence = []
    for kind in _TYPES.values():
        ds.ContentSequence.append(
            item("HAS OBS CONTEXT", "CODE", code("121005", "Observer Type"),
                 ConceptCodeSequence=code(kind, "an observer"))
        )  # fmt: skip
    for row in template_rows():
        if row.concept == "121005" or (row.titles and title not in row.titles):
            continue
        made = copy.deepcopy(image) if not row.concept else _item(row)
        parent = next((one for one in ds.ContentSequence if name_of(one) == row.within), None)
        if row.within:
            assert parent is not None
            parent.ContentSequence = [made]
        else:
            ds.ContentSequence.append(made)
    return ds


def _item(row: TemplateRow) -> Dataset:
    values = {"CODE": code("en", "English", "RFC5646"), "TEXT": "words", "UIDREF": "1.2.3",
              "PNAME": "Haugen^Liv"}  # fmt: skip
    kind = row.types[0]
    value = values[kind]
    if row.values:
        first = next(iter(load_toml("contexts")["groups"][row.values]["codes"]))
        value = code(first, "a code of the group")
    return item(row.relationship, kind, code(row.concept, "a concept"), **{HOLDERS[kind]: value})


def name_of(one: Dataset) -> str:
    """Return the concept of an item."""
    names = one.get("ConceptNameCodeSequence")
    return str(names[0].CodeValue) if names else ""


def mutants() -> Iterator[tuple[str, Dataset]]:
    """Yield what each row forbids, done to a good document, each with a name."""
    good_ones = {title: whole_selection(title) for title in ("113001", "113013")}
    for row in template_rows():
        good = good_ones[row.titles[0] if row.titles else "113001"]
        for name, change in _changes(row).items():
            ds = copy.deepcopy(good)
            change(ds)
            yield f"{row.template} {row.concept or 'image'} {name}", ds


def _changes(row: TemplateRow) -> dict[str, Callable[[Dataset], object]]:
    """Return what is done to the items of a row, by name."""
    kind = row.types[0]
    changes: dict[str, Callable[[Dataset], object]] = {
        "without value": lambda ds: delattr(found(ds, row), HOLDERS[kind]),
        "empty value": lambda ds: setattr(found(ds, row), HOLDERS[kind], None),
        "without type": lambda ds: delattr(found(ds, row), "ValueType"),
        "without relationship": lambda ds: delattr(found(ds, row), "RelationshipType"),
        "another type": lambda ds: _become(found(ds, row), kind),
        "in another item": lambda ds: _nest(ds, row),
        "by reference": lambda ds: setattr(
            found(ds, row), "ReferencedContentItemIdentifier", [1, 1]
        ),
    }
    for other in RELATIONSHIPS:
        if other != row.relationship:
            changes[f"as {other}"] = lambda ds, other=other: setattr(
                found(ds, row), "RelationshipType", other
            )
    if row.concept:
        changes["without concept"] = lambda ds: delattr(found(ds, row), "ConceptNameCodeSequence")
        changes["another concept"] = lambda ds: _rename(ds, row, "121106", "DCM")
        changes["another scheme"] = lambda ds: _rename(ds, row, row.concept, "99TEST")
    if row.need in ("M", "MC"):
        changes["gone"] = lambda ds: _remove(ds, row)
    if not row.many:
        changes["twice"] = lambda ds: holder(ds, row).append(copy.deepcopy(found(ds, row)))
    if row.values:
        changes["another value"] = lambda ds: setattr(
            found(ds, row), "ConceptCodeSequence", code("121098", "Verifying")
        )
    if row.titles:
        changes["another title"] = lambda ds: setattr(
            ds, "ConceptNameCodeSequence", code("113000", "Of Interest")
        )
    if row.template in _TYPES and row.need == "M":
        changes["of nobody"] = lambda ds: _remove_observer(ds, _TYPES[row.template])
    return changes


def holder(ds: Dataset, row: TemplateRow) -> Sequence:
    """Return the items among which those of a row are."""
    if not row.within:
        items: Sequence = ds.ContentSequence
        return items
    return next(o.ContentSequence for o in ds.ContentSequence if name_of(o) == row.within)


def found(ds: Dataset, row: TemplateRow) -> Dataset:
    """Return the first item of a row."""
    one: Dataset = next(o for o in holder(ds, row) if name_of(o) == row.concept)
    return one


def _become(one: Dataset, kind: str) -> None:
    other = "CODE" if kind == "TEXT" else "TEXT"
    del one[HOLDERS[kind]]
    one.ValueType = other
    setattr(one, HOLDERS[other], code("en", "English", "RFC5646") if other == "CODE" else "words")


def _nest(ds: Dataset, row: TemplateRow) -> None:
    inner = copy.deepcopy(found(ds, row))
    ds.ContentSequence[0].ContentSequence = [inner]


def _rename(ds: Dataset, row: TemplateRow, value: str, scheme: str) -> None:
    found(ds, row).ConceptNameCodeSequence = code(value, "a concept", scheme)


def _remove(ds: Dataset, row: TemplateRow) -> None:
    items = holder(ds, row)
    items[:] = [one for one in items if name_of(one) != row.concept]


def _remove_observer(ds: Dataset, kind: str) -> None:
    ds.ContentSequence = [
        one
        for one in ds.ContentSequence
        if name_of(one) != "121005" or one.ConceptCodeSequence[0].CodeValue != kind
    ]
