"""Required attributes and conditions at all levels (PS3.5 7.4, PS3.3)."""

from __future__ import annotations

from archiver.standard.elements import Element, Item, step_into
from archiver.standard.report import ObjectFindings
from archiver.standard.requirements import (
    PHOTOGRAPHIC,
    AttributeRequirement,
    Rows,
    known_tags,
    modules_of,
    rows_of,
)
from archiver.wording import Text

# Overlay Plane, by element number within each group 60xx (PS3.3 C.9.2).
_OVERLAY_TYPE_1 = {
    0x0010: "Overlay Rows",
    0x0011: "Overlay Columns",
    0x0040: "Overlay Type",
    0x0050: "Overlay Origin",
    0x0100: "Overlay Bits Allocated",
    0x0102: "Overlay Bit Position",
    0x3000: "Overlay Data",
}


def check_modules(dataset: Item, report: ObjectFindings) -> None:
    """Check a dataset against the modules that apply to its SOP class."""
    sop_class = dataset.text("SOPClassUID")
    for module in modules_of(sop_class, "PixelData" in dataset):
        if module.usage == "M" or not module.own_tags.isdisjoint(dataset.elements):
            _check_level(module.rows, dataset, "", report, module.clause)
    if sop_class == PHOTOGRAPHIC:
        _check_outsiders(dataset, report)
    _check_overlays(dataset, report)


def _check_outsiders(dataset: Item, report: ObjectFindings) -> None:
    for tag in dataset.elements:
        group = tag >> 16
        if group & 1 or group in (0x0000, 0x0002) or not tag & 0xFFFF or 0x6000 <= group <= 0x60FF:
            continue
        if tag not in known_tags():
            report.add_at(
                "attribute-outside-iod", "", tag, found=Text("standard.module_rules.no_module_iod")
            )


def _check_overlays(dataset: Item, report: ObjectFindings) -> None:
    groups = {tag >> 16 for tag in dataset.elements if 0x6000 <= tag >> 16 <= 0x601E}
    for group in sorted(g for g in groups if not g & 1):
        for number, name in _OVERLAY_TYPE_1.items():
            tag = (group << 16) | number
            element = dataset.elements.get(tag)
            if element is None:
                report.add_at(
                    "type-1-missing",
                    "",
                    tag,
                    found=Text("standard.module_rules.no", name=name),
                    clause="PS3.3 C.9.2",
                )
            elif element.is_empty:
                report.add_at(
                    "type-1-empty",
                    "",
                    tag,
                    found=Text("standard.module_rules.no_value"),
                    clause="PS3.3 C.9.2",
                )


def _check_level(rows: Rows, item: Item, prefix: str, report: ObjectFindings, section: str) -> None:
    """Check one dataset or item: first what may be absent wrongly, then what is there."""
    for requirement in rows.needed:
        if requirement.tag not in item.elements:
            clause = requirement.clause or section
            _check_absence(requirement, item, prefix, report, clause)
    for tag, element in item.elements.items():
        found = rows.by_tag.get(tag)
        if found is not None:
            _check_presence(found, element, item, prefix, report, section)
            if element.items is not None:
                _check_items(found, element, prefix, report, section)


def _check_presence(
    requirement: AttributeRequirement,
    element: Element,
    item: Item,
    prefix: str,
    report: ObjectFindings,
    section: str,
) -> None:
    clause = requirement.clause or section
    if requirement.when is not None and requirement.forbidden and not requirement.when(item):
        report.add_at(
            "condition-forbids",
            prefix,
            element.tag,
            found=Text("standard.module_rules.present"),
            expected=Text("standard.module_rules.absent_unless", words=requirement.words),
            clause=clause,
        )
    if requirement.kind.startswith("1") and element.is_empty:
        report.add_at(
            "type-1-empty",
            prefix,
            element.tag,
            found=Text("standard.module_rules.no_value"),
            clause=clause,
        )


def _check_absence(
    requirement: AttributeRequirement, item: Item, prefix: str, report: ObjectFindings, clause: str
) -> None:
    if requirement.kind in ("1", "2"):
        rule = f"type-{requirement.kind}-missing"
        report.add_at(
            rule, prefix, requirement.tag, found=Text("standard.module_rules.absent"), clause=clause
        )
    elif requirement.when is not None and requirement.when(item):
        report.add_at(
            f"type-{requirement.kind[0]}c-missing",
            prefix,
            requirement.tag,
            found=Text("standard.module_rules.absent"),
            expected=Text("standard.module_rules.present_since", words=requirement.words),
            clause=clause,
        )


def _check_items(
    requirement: AttributeRequirement,
    element: Element,
    prefix: str,
    report: ObjectFindings,
    section: str,
) -> None:
    items = element.items or ()
    count = len(items)
    most = requirement.most
    if count < requirement.least and not requirement.kind.startswith("1"):
        report.add_at(
            "sequence-empty",
            prefix,
            element.tag,
            found=Text("standard.module_rules.no_item"),
            clause=section,
        )
    if most is not None and count > most:
        report.add_at(
            "sequence-too-long",
            prefix,
            element.tag,
            found=Text("standard.module_rules.items", count=count),
            expected=f"{most}",
            clause=section,
        )
    if not requirement.inner:
        return
    for number, nested in enumerate(items, start=1):
        step = step_into(prefix, element.tag, number)
        _check_level(rows_of(requirement.inner), nested, step, report, section)
