"""Value representation, multiplicity, length and repertoire of every element (PS3.5 6)."""

from __future__ import annotations

import re
from datetime import date
from functools import cache
from typing import Any

from archiver.standard.charsets import Reading, read_text, unknown_terms
from archiver.standard.dictionary import admits_multiplicity, describe_tag
from archiver.standard.elements import PIXEL_DATA, UNDEFINED_LENGTH, Element, Item, step_into
from archiver.standard.report import ObjectFindings, shown
from archiver.standard.tables import load_toml
from archiver.wording import Text

_CONTROL = re.compile(r"[\x00-\x1a\x1c-\x1f\x7f]")
_CONTROL_IN_PARAGRAPHS = re.compile(r"[\x00-\x08\x0b\x0e-\x1a\x1c-\x1f\x7f]")
_FIRST_OFFSET, _LAST_OFFSET = -1200, 1400
_ZONE, _ASPECT = 0x00080201, 0x00280034
_PN_GROUPS, _PN_COMPONENTS = 3, 5


@cache
def _pattern_of(vr: str) -> re.Pattern[str] | None:
    pattern = load_toml("vr").get(vr, {}).get("pattern")
    return re.compile(pattern) if pattern else None


def check_values(
    item: Item, prefix: str, report: ObjectFindings, charset: tuple[str, ...] = ()
) -> None:
    """Check every element of a dataset or item, and of the items nested in it."""
    if "SpecificCharacterSet" in item:
        charset = item.texts("SpecificCharacterSet")
        for term in unknown_terms(charset):
            tag = 0x00080005
            report.add_at("charset-unknown", prefix, tag, found=f"'{term[:32]}'")
    for element in item:
        _check_tag(element, item, prefix, report)
        _check_length(element, prefix, report)
        if element.items is None:
            _check_element(element, prefix, report, charset)
        if element.tag == _ZONE:
            _check_zone(element, prefix, report)
        elif element.tag == _ASPECT and not all(number > 0 for number in element.numbers()):
            report.add_at("pixel-aspect-ratio", prefix, _ASPECT, found=shown(element))
    for element in item:
        for number, nested in enumerate(element.items or (), start=1):
            check_values(nested, step_into(prefix, element.tag, number), report, charset)


def _check_zone(element: Element, prefix: str, report: ObjectFindings) -> None:
    """Check a time zone: the offsets that there are (PS3.3 C.12.1.1.8)."""
    for text in element.texts():
        told = re.fullmatch(r"[+-][0-9]{2}[0-5][0-9]", text)
        if told is None or text == "-0000" or not _FIRST_OFFSET <= int(text) <= _LAST_OFFSET:
            report.add_at("time-zone", prefix, element.tag, found=shown(element))


def _check_tag(element: Element, item: Item, prefix: str, report: ObjectFindings) -> None:
    tag, group, number = element.tag, element.tag >> 16, element.tag & 0xFFFF
    if number == 0 and group != 2:
        report.add_at(
            "group-length-retired", prefix, tag, found=Text("standard.value_rules.group_length")
        )
    elif group in (0x0000, 0x0002) and (group == 0 or item.parent is not None):
        report.add_at(
            "group-misplaced",
            prefix,
            tag,
            found=Text("standard.value_rules.group_dataset", group=f"{group:04X}"),
        )
    elif group & 1:
        creator_of = (group << 16) | (number >> 8)
        block = item.elements.get(creator_of)
        if number < 0x10 or (number > 0xFF and (block is None or block.is_empty)):
            creator = f"({group:04X},{number >> 8:04X})"
            report.add_at(
                "private-creator-missing",
                prefix,
                tag,
                found=Text("standard.value_rules.no_creator", creator=creator),
            )
    elif describe_tag(tag) is None:
        report.add_at(
            "element-unknown", prefix, tag, found=Text("standard.value_rules.no_element_data")
        )


def _check_length(element: Element, prefix: str, report: ObjectFindings) -> None:
    if element.length != UNDEFINED_LENGTH and element.length & 1:
        report.add_at(
            "length-odd",
            prefix,
            element.tag,
            found=Text("standard.value_rules.bytes", length=element.length),
        )
    unit = load_toml("vr").get(element.vr, {}).get("unit", 1)
    if element.fragments is None and len(element.value) % unit:
        report.add_at(
            "length-of-numbers",
            prefix,
            element.tag,
            found=Text("standard.value_rules.bytes_b", value=len(element.value)),
            expected=Text("standard.value_rules.multiple", unit=unit),
        )


def _check_element(
    element: Element, prefix: str, report: ObjectFindings, charset: tuple[str, ...]
) -> None:
    entry = describe_tag(element.tag)
    row = load_toml("vr").get(element.vr)
    if entry is not None and element.tag & 0xFFFF:
        _check_representation(element, entry.vrs, prefix, report)
    if row is None or element.is_empty or element.tag == PIXEL_DATA:
        if row is not None and "text" in row and len(element.value) and element.is_empty:
            _check_blank(element, prefix, report)
        return
    if "text" not in row:
        # The O representations are one stream of numbers, so one value (PS3.5 6.4).
        if entry is not None and "unit" in row and not element.vr.startswith("O"):
            count = len(element.value) // row["unit"]
            _check_multiplicity(entry.vm, count, element, prefix, report)
        return
    values = _values_of(element, row, prefix, report, charset)
    if entry is not None and not row.get("single"):
        _check_multiplicity(entry.vm, len(values), element, prefix, report)
    for value in values:
        _check_value(value, element, row, prefix, report)


def _check_representation(
    element: Element, vrs: tuple[str, ...], prefix: str, report: ObjectFindings
) -> None:
    if element.vr in vrs or (element.vr == "OB" and "OW" in vrs):
        return
    rule = "vr-unknown-used" if element.vr == "UN" else "vr-wrong"
    report.add_at(
        rule, prefix, element.tag, found=f"VR {element.vr}", expected=f"VR {' or '.join(vrs)}"
    )


def _check_blank(element: Element, prefix: str, report: ObjectFindings) -> None:
    if b"\0" in bytes(element.value) and element.vr != "UI":
        report.add_at(
            "padding",
            prefix,
            element.tag,
            found=Text("standard.value_rules.null_characters_padding"),
        )


def _check_multiplicity(
    vm: str, count: int, element: Element, prefix: str, report: ObjectFindings
) -> None:
    if not admits_multiplicity(vm, count):
        report.add_at(
            "multiplicity",
            prefix,
            element.tag,
            found=Text("standard.value_rules.values", count=count),
            expected=Text("standard.value_rules.them", vm=vm),
        )


def _values_of(
    element: Element,
    row: dict[str, Any],
    prefix: str,
    report: ObjectFindings,
    charset: tuple[str, ...],
) -> list[str]:
    """Return the values as text, after a look at the bytes."""
    raw = bytes(element.value)
    reading = read_text(raw, () if row["text"] == "default" else charset)
    if reading.trouble:
        _report_charset(element, row, reading, prefix, report, charset)
    text = reading.text
    if element.vr == "UI":
        if text.endswith(" "):
            report.add_at(
                "padding", prefix, element.tag, found=Text("standard.value_rules.uid_padded_space")
            )
        text = text.rstrip("\0 ") if text.endswith(("\0", " ")) else text
    elif text.endswith("\0"):
        report.add_at(
            "padding", prefix, element.tag, found=Text("standard.value_rules.text_padded_null")
        )
        text = text.rstrip("\0")
    return [text] if row.get("single") else text.split("\\")


def _report_charset(
    element: Element,
    row: dict[str, Any],
    reading: Reading,
    prefix: str,
    report: ObjectFindings,
    charset: tuple[str, ...],
) -> None:
    if row["text"] == "default":
        rule = "repertoire"
    elif not any(charset):
        rule = "charset-undeclared"
    else:
        rule = "charset-mismatch"
    report.add_at(rule, prefix, element.tag, found=reading.trouble)


def _check_value(
    value: str, element: Element, row: dict[str, Any], prefix: str, report: ObjectFindings
) -> None:
    vr = element.vr
    if not value.strip(" "):
        return
    control = _CONTROL_IN_PARAGRAPHS if row.get("single") or vr == "UC" else _CONTROL
    if control.search(value):
        report.add_at(
            "repertoire",
            prefix,
            element.tag,
            found=Text("standard.value_rules.control_character_value"),
        )
    if vr == "PN":
        _check_person_name(value, element, prefix, report)
        return
    stripped = value if row.get("single") else value.strip(" ")
    if len(stripped) > row.get("longest", len(stripped)):
        report.add_at(
            "value-length",
            prefix,
            element.tag,
            found=Text("standard.value_rules.characters", stripped=len(stripped)),
            expected=Text("standard.value_rules.at_most", row=row["longest"]),
        )
    pattern = _pattern_of(vr)
    if pattern is not None and not pattern.fullmatch(stripped):
        report.add_at(
            "uid-malformed" if vr == "UI" else "value-format",
            prefix,
            element.tag,
            found=shown(element, stripped),
            expected=Text(f"vr.{vr}.meaning"),
        )
    elif trouble := _impossible(vr, stripped):
        report.add_at("value-impossible", prefix, element.tag, found=trouble)


def _check_person_name(value: str, element: Element, prefix: str, report: ObjectFindings) -> None:
    groups = value.split("=")
    trouble: Text | str = ""
    if len(groups) > _PN_GROUPS:
        trouble = Text("standard.value_rules.component_groups", groups=len(groups))
    for group in groups:
        if group.count("^") >= _PN_COMPONENTS:
            trouble = Text("standard.value_rules.components_group", count=group.count("^") + 1)
        elif len(group.strip()) > 64:
            trouble = Text("standard.value_rules.component_group_characters", group=len(group))
    if trouble:
        expected = Text("vr.PN.meaning")
        report.add_at("value-format", prefix, element.tag, found=trouble, expected=expected)


def _impossible(vr: str, text: str) -> Text | str:
    """Return why a well-formed value cannot be meant, empty where it can."""
    if vr == "DA":
        return _impossible_date(text)
    if vr == "TM":
        return _impossible_time(text)
    if vr == "DT":
        return _impossible_moment(text)
    if vr == "IS":
        return (
            "" if -(2**31) <= int(text) < 2**31 else Text("standard.value_rules.integer_too_large")
        )
    if vr == "UI":
        return _impossible_root(text)
    return ""


def _impossible_date(text: str) -> Text | str:
    try:
        date(int(text[:4]), int(text[4:6]), int(text[6:8]))
    except ValueError:
        return Text("standard.value_rules.no_such_day")
    return ""


def _impossible_time(text: str) -> Text | str:
    hours, minutes, seconds = (int(text[n : n + 2] or 0) for n in (0, 2, 4))
    if hours > 23 or minutes > 59 or seconds > 60:  # 60 is a leap second (PS3.5 6.2)
        return Text("standard.value_rules.no_such_time")
    return ""


def _impossible_moment(text: str) -> Text | str:
    sign = max(text.find("+"), text.find("-"))
    moment, offset = (text[:sign], text[sign:]) if sign > 0 else (text, "")
    if len(moment) >= 8 and (trouble := _impossible_date(moment[:8])):
        return trouble
    if len(moment) == 6 and not 1 <= int(moment[4:6]) <= 12:
        return Text("standard.value_rules.no_such_month")
    if offset and not (_FIRST_OFFSET <= int(offset) <= _LAST_OFFSET and int(offset[3:]) < 60):
        return Text("standard.value_rules.no_such_offset")
    return _impossible_time(moment[8:])


def _impossible_root(text: str) -> Text | str:
    """Return why the arcs of a UID cannot be (PS3.5 9.1, ISO/IEC 9834-1)."""
    arcs = text.split(".")
    if arcs[0] not in ("0", "1", "2") or len(arcs) < 2:
        return Text("standard.value_rules.uid_root")
    if arcs[0] != "2" and int(arcs[1]) > 39:
        return Text("standard.value_rules.uid_second")
    return ""
