"""The ICC profile and what is said of colour (PS3.3 C.11.15; ICC.1 7.2 for the header)."""

from __future__ import annotations

import struct

from archiver.photo import icc
from archiver.standard.elements import Item, Levels
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_PROFILE = 0x00282000
_SPACE = 0x00282002
_HEADER_BYTES = 128
#: Terms whose numbers are known (PS3.3 C.11.15.1.2).
_TERMS = ("SRGB", "ADOBERGB", "ROMMRGB")


def check_icc(dataset: Item, levels: Levels, report: ObjectFindings) -> None:
    """Check every ICC profile, and the top level for a colour space that no profile backs."""
    for prefix, item in levels:
        element = item.get("ICCProfile")
        if element is not None and not element.is_empty and element.items is None:
            _check_profile(bytes(element.value), prefix, report)
    if "ColorSpace" in dataset and not dataset.has("ICCProfile"):
        found = Text("standard.icc_rules.color_space_without")
        report.add_at("colour-space-without-profile", "", _SPACE, found=found)
    _check_space(dataset, report)
    colour = dataset.number("SamplesPerPixel") == 3
    if "ICCProfile" in dataset and not colour and dataset.number("SamplesPerPixel") is not None:
        found = Text("standard.icc_rules.profile_picture_without")
        report.add_at("icc-on-grey", "", _PROFILE, found=found)
    photograph = dataset.text("Modality") == "XC"
    if colour and photograph and "ICCProfile" not in dataset:
        report.add_at("icc-missing", "", _PROFILE, found=Text("standard.icc_rules.no_icc_profile"))


def _check_space(dataset: Item, report: ObjectFindings) -> None:
    """Check the term of a colour space against the numbers of the profile beside it."""
    term, element = dataset.text("ColorSpace"), dataset.get("ICCProfile")
    if term not in _TERMS or element is None or element.is_empty:
        return
    try:
        profile = icc.read_profile(bytes(element.value))
    except icc.BadProfileError:
        return
    known = icc.known_space(profile)
    if profile.is_matrix and known != term:
        found = Text("standard.icc_rules.other_space", term=term, known=known or "another space")
        report.add_at("colour-space-against-profile", "", _SPACE, found=found)


def _check_profile(profile: bytes, prefix: str, report: ObjectFindings) -> None:
    if len(profile) < _HEADER_BYTES + 4 or profile[36:40] != b"acsp":
        report.add_at(
            "icc-corrupt",
            prefix,
            _PROFILE,
            found=Text("standard.icc_rules.bytes_no_profile", profile=len(profile)),
        )
        return
    (size,) = struct.unpack_from(">I", profile)
    if not size <= len(profile) <= size + 3:
        told = Text("standard.icc_rules.bytes_call_themselves", profile=len(profile), size=size)
        report.add_at("icc-corrupt", prefix, _PROFILE, found=told)
        return
    trouble = _broken_tags(profile, size)
    if trouble:
        report.add_at("icc-corrupt", prefix, _PROFILE, found=trouble)
    for start, rule, allowed in (
        (12, "icc-class", (b"scnr",)),
        (16, "icc-colour-space", (b"RGB ",)),
        (20, "icc-connection-space", (b"Lab ", b"XYZ ")),
    ):
        signature = profile[start : start + 4]
        if signature not in allowed:
            wanted = Text(
                "standard.report.one_of", terms=tuple(f"'{a.decode().strip()}'" for a in allowed)
            )
            found = ascii(signature.decode("latin-1").strip())
            report.add_at(rule, prefix, _PROFILE, found=found, expected=wanted)


def _broken_tags(profile: bytes, size: int) -> str:
    """Return why the tag table cannot be right, empty where it can."""
    (count,) = struct.unpack_from(">I", profile, _HEADER_BYTES)
    if not 0 < count <= 200 or _HEADER_BYTES + 4 + 12 * count > size:
        return f"a table of {count} tags"
    for number in range(count):
        _, offset, length = struct.unpack_from(">4sII", profile, _HEADER_BYTES + 4 + 12 * number)
        if offset + length > size:
            return "a tag that points behind the profile's end"
    return ""
