"""Enumerated values, defined terms, and codes against their context groups (PS3.3, PS3.16)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from archiver.dentition import code_of, is_current, tooth_of_code
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Element, Item, Levels, step_into
from archiver.standard.report import ObjectFindings, shown
from archiver.standard.requirements import PHOTOGRAPHIC
from archiver.standard.tables import load_toml
from archiver.standard.verhoeff import is_sctid
from archiver.wording import Text

_LONGEST_MEANING = 64
_CODE_VALUE = "CodeValue"


@dataclass(frozen=True)
class Concept:
    """A coded concept as an item of a code sequence gives it."""

    value: str
    scheme: str
    meaning: str


def concept_of(item: Item) -> Concept:
    """Read an item of a code sequence; what is absent is empty."""
    value = item.text(_CODE_VALUE) or item.text("LongCodeValue") or item.text("URNCodeValue")
    return Concept(value, item.text("CodingSchemeDesignator"), item.text("CodeMeaning"))


_CODE_TAGS = frozenset(
    tag_of(k) for k in (_CODE_VALUE, "LongCodeValue", "URNCodeValue", "CodeMeaning")
)


@cache
def _bindings() -> dict[int, list[dict[str, Any]]]:
    """Return the bindings of context groups by the tag of the sequence."""
    found: dict[int, list[dict[str, Any]]] = {}
    for binding in load_toml("contexts")["bindings"]:
        found.setdefault(tag_of(binding["sequence"]), []).append(binding)
    return found


@cache
def _value_rows() -> dict[int, tuple[dict[str, Any], ...]]:
    return {tag_of(keyword): tuple(rows) for keyword, rows in load_toml("values").items()}


def terms_of(tag: int, number: int = 1) -> frozenset[str]:
    """Return the terms that the standard has for the value of an attribute, from 1."""
    rows = [row for row in _value_rows().get(tag, ()) if row.get("number", number) == number]
    return frozenset(term for row in rows for term in row.get("terms", ()))


def check_terms(dataset: Item, levels: Levels, report: ObjectFindings) -> None:
    """Check every element that has enumerated values or defined terms."""
    photographic = dataset.text("SOPClassUID") == PHOTOGRAPHIC
    rows = _value_rows()
    for prefix, item in levels:
        for tag, element in item.elements.items():
            for row in rows.get(tag, ()):
                if "iod" in row and (prefix or not photographic):
                    continue
                if not element.is_empty and element.items is None:
                    _check_term(element, row, prefix, report)


def _check_term(element: Element, row: dict[str, Any], prefix: str, report: ObjectFindings) -> None:
    allowed: list[Any] = row.get("terms") or row["codes"]
    found: tuple[Any, ...] = element.texts() if "terms" in row else element.numbers()
    number = row.get("number")
    if number is not None:
        found = found[number - 1 : number]
    for value in found:
        if value == "" or value in allowed:
            continue
        text = shown(element, value if isinstance(value, str) else f"{value:g}")
        report.add_at(
            "value-not-enumerated" if row["kind"] == "enumerated" else "term-not-defined",
            prefix,
            element.tag,
            found=text,
            expected=Text(
                "standard.report.one_of", terms=tuple(str(term) for term in allowed[:12])
            ),
            clause=row["clause"],
        )


@cache
def _concepts() -> dict[str, tuple[str, str]]:
    """Return scheme and meaning of every code that the context groups hold."""
    return {
        value: (group["scheme"], meaning)
        for group in load_toml("contexts")["groups"].values()
        for value, meaning in group["codes"].items()
    }


def check_codes(dataset: Item, levels: Levels, report: ObjectFindings) -> None:
    """Check every code sequence item, and bound sequences against their context groups."""
    declared = {
        s.text("CodingSchemeDesignator")
        for s in dataset.items("CodingSchemeIdentificationSequence")
    }
    bindings = _bindings()
    for prefix, item in levels:
        if not _CODE_TAGS.isdisjoint(item.elements):
            _check_code(item, prefix, declared, report)
        for tag, element in item.elements.items():
            for binding in bindings.get(tag, ()):
                if _applies(binding, prefix):
                    _check_binding(element, binding, prefix, declared, report)


def _applies(binding: dict[str, Any], prefix: str) -> bool:
    within = binding.get("within")
    return within is None or prefix.split(".")[-2:][0].startswith(f"{within}[")


def _check_code(item: Item, prefix: str, declared: set[str], report: ObjectFindings) -> None:
    concept = concept_of(item)
    place = prefix.rstrip(".")
    value_tag, scheme_tag = tag_of(_CODE_VALUE), tag_of("CodingSchemeDesignator")
    if len(item.text(_CODE_VALUE)) > 16:
        length = Text("standard.coded_rules.characters", n=len(item.text(_CODE_VALUE)))
        report.add_at("code-value-length", prefix, value_tag, found=length)
    if not concept.value or not concept.scheme:
        return
    scheme, meaning = _concepts().get(concept.value, ("", ""))
    if concept.scheme == "SCT" and not is_sctid(concept.value):
        report.add_at("code-malformed", prefix, value_tag, found=f"'{concept.value[:32]}'")
    elif scheme and scheme != concept.scheme:
        report.add_at(
            "code-scheme-wrong", prefix, scheme_tag, found=f"'{concept.scheme}'", expected=scheme
        )
    elif not scheme and concept.scheme not in ("SRT", "SNM3", "SCT"):
        _check_scheme_of_tooth(concept, prefix, report)
    if concept.scheme.startswith("99") and concept.scheme not in declared:
        found = f"'{concept.scheme}'"
        report.add_at("scheme-undeclared", prefix, scheme_tag, found=found)
    tooth = tooth_of_code(concept.value, concept.scheme)
    if tooth is not None:
        meaning = code_of(tooth).meaning if is_current(concept.value, concept.scheme) else ""
    if meaning and concept.meaning and concept.meaning.casefold() != meaning.casefold():
        tag = tag_of("CodeMeaning")
        found = f"'{concept.meaning[:64]}'"
        report.add_at("code-meaning-differs", prefix, tag, found=found, expected=f"'{meaning}'")
    if len(concept.meaning) > _LONGEST_MEANING:
        length = Text("standard.coded_rules.characters", n=len(concept.meaning))
        report.add("code-meaning-length", f"{place}.CodeMeaning (0008,0104)", found=length)


def _check_scheme_of_tooth(concept: Concept, prefix: str, report: ObjectFindings) -> None:
    if tooth_of_code(concept.value, "SCT") is not None:
        tag = tag_of("CodingSchemeDesignator")
        found = f"'{concept.scheme}'"
        report.add_at(
            "code-scheme-wrong", prefix, tag, found=found, expected=Text("standard.coded_rules.sct")
        )


def _check_binding(
    element: Element,
    binding: dict[str, Any],
    prefix: str,
    declared: set[str],
    report: ObjectFindings,
) -> None:
    groups = load_toml("contexts")["groups"]
    for number, item in enumerate(element.items or (), start=1):
        concept = concept_of(item)
        if not concept.value or not concept.scheme:
            continue
        known = any(
            concept.value in groups[g]["codes"] and groups[g]["scheme"] == concept.scheme
            for g in binding["groups"]
        )
        if binding.get("teeth") and tooth_of_code(concept.value, concept.scheme) is not None:
            known = True
        if known or concept.scheme in declared:
            continue
        numbers = Text(
            "standard.report.one_of", terms=tuple(g for g in binding["groups"] if g.isdigit())
        )
        step = step_into(prefix, element.tag, number)
        baseline = binding["strictness"] == "baseline"
        report.add_at(
            "code-outside-baseline" if baseline else "code-outside-group",
            step,
            tag_of(_CODE_VALUE),
            found=Text(
                "standard.coded_rules.value_of_scheme",
                value=concept.value[:32],
                scheme=concept.scheme[:16],
            ),
            expected=Text("standard.coded_rules.code_cid", numbers=numbers),
            clause=binding["clause"],
        )
