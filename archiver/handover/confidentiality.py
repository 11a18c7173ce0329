"""What PS3.15 Annex E does with each attribute: the table, and the choice among its columns."""

from __future__ import annotations

import csv
from collections.abc import Collection, Mapping
from enum import Enum
from functools import cache
from importlib.resources import files

PRIVATE = "private"
_CURVES = "50xxxxxx"
#: Of several columns that speak of an attribute, the one that gives away least is followed.
_STRENGTH = ("X", "Z", "D", "U", "C", "K")


class ConfidentialityOption(str, Enum):
    """An option of the profile, by the name of its column; see `METHOD` for its code."""

    UIDS = "uids"
    DEVICE_IDENTITY = "device-identity"
    INSTITUTION_IDENTITY = "institution-identity"
    PATIENT_CHARACTERISTICS = "patient-characteristics"
    FULL_DATES = "full-dates"
    MODIFIED_DATES = "modified-dates"
    CLEAN_DESCRIPTORS = "clean-descriptors"
    CLEAN_STRUCTURED_CONTENT = "clean-structured-content"


#: De-identification Method (PS3.16 CID 7050).
BASIC_PROFILE = ("113100", "Basic Application Confidentiality Profile")
CLEAN_PIXEL_DATA = ("113101", "Clean Pixel Data Option")
CLEAN_FEATURES = ("113102", "Clean Recognizable Visual Features Option")
METHOD: Mapping[ConfidentialityOption, tuple[str, str]] = {
    ConfidentialityOption.CLEAN_STRUCTURED_CONTENT: ("113104", "Clean Structured Content Option"),
    ConfidentialityOption.CLEAN_DESCRIPTORS: ("113105", "Clean Descriptors Option"),
    ConfidentialityOption.FULL_DATES: (
        "113106",
        "Retain Longitudinal Temporal Information Full Dates Option",
    ),
    ConfidentialityOption.MODIFIED_DATES: (
        "113107",
        "Retain Longitudinal Temporal Information Modified Dates Option",
    ),
    ConfidentialityOption.PATIENT_CHARACTERISTICS: (
        "113108",
        "Retain Patient Characteristics Option",
    ),
    ConfidentialityOption.DEVICE_IDENTITY: ("113109", "Retain Device Identity Option"),
    ConfidentialityOption.UIDS: ("113110", "Retain UIDs Option"),
    ConfidentialityOption.INSTITUTION_IDENTITY: ("113112", "Retain Institution Identity Option"),
}


@cache
def table() -> Mapping[str, Mapping[str, str]]:
    """Return the table: tag as eight hexadecimal digits -> column -> action."""
    text = files("archiver.handover").joinpath("tables/confidentiality.csv").read_text("utf-8")
    return {row["tag"]: row for row in csv.DictReader(text.splitlines())}


def key_of(tag: int) -> str:
    """Return the row that speaks of a tag, whether it is there or not."""
    group = tag >> 16
    if group % 2:
        return PRIVATE
    if group >> 8 == 0x50:
        return _CURVES
    if group >> 8 == 0x60 and f"60xx{tag & 0xFFFF:04x}" in table():
        return f"60xx{tag & 0xFFFF:04x}"
    return f"{tag:08x}"


def action_of(tag: int, options: Collection[ConfidentialityOption]) -> str:
    """Return the action for an attribute; empty where the table does not list it.

    Parameters
    ----------
    options
        Those that apply. Where columns of several speak, the strongest action is taken.
    """
    row = table().get(key_of(tag))
    if row is None:
        return ""
    told = {row[option.value] for option in options} - {""}
    return min(told, key=_STRENGTH.index) if told else row["basic"]


def resolved(action: str, kind: str) -> str:
    """Choose among the actions that are joined by ``/``, by the type of the attribute.

    Parameters
    ----------
    action
        As the table has it, such as ``X/Z/D``.
    kind
        Type in the IOD: ``1``, ``1C``, ``2``, ``2C`` or ``3`` (PS3.5 7.4).

    Returns
    -------
    str
        One letter: the first that keeps the object valid (PS3.15 table E.1-1a).
    """
    choices = action.replace("*", "").split("/")
    if len(choices) == 1:
        return choices[0]
    allowed = {"3": "XZDU", "2": "ZDU", "1": "DU"}[kind[0]]
    return next((one for one in choices if one in allowed), choices[-1])
