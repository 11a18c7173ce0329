"""Purposes as profiles: which options of PS3.15 Annex E apply, and what a package may hold."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from archiver.errors import InputError, Problem
from archiver.handover.confidentiality import ConfidentialityOption
from archiver.objects import Purpose
from archiver.wording import Text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

Faces = Literal["never", "say-so", "masked"]
Times = Literal["full", "hour", "none"]
_TIMES = ("full", "hour", "none")
_FACES = ("never", "say-so", "masked")
_HOLDS = ("pictures", "sheet", "objects")


@dataclass(frozen=True)
class PurposeProfile:
    """What a purpose lets out.

    Parameters
    ----------
    purpose
        Which one it is.
    title
        For the reader of a sheet.
    about
        Who reads the package and why, in one line.
    options
        Of PS3.15 Annex E.
    faces
        Extraoral pictures: ``never``, on an explicit say-so, or on a say-so and ``masked``.
    masked_share
        The least share of an extraoral picture that masks have to cover, 0 to 1.
    times
        Times of day that go with a date: ``full``, the ``hour``, or ``none``.
    device
        Whether maker and model of the camera stay; serial numbers never do without the option.
    colour
        Whether the sheet has a table of the colour frames, and what was typed for whoever makes a
        tooth goes out as it was typed.
    holds
        ``pictures``, ``sheet``, ``objects`` (DICOM).
    selection
        Title of the selection note that the archive keeps (PS3.16 CID 7010).
    """

    purpose: Purpose
    title: str
    about: str
    options: frozenset[ConfidentialityOption]
    faces: Faces
    masked_share: float
    times: Times
    device: bool
    colour: bool
    holds: frozenset[str]
    selection: str


@cache
def profile_of(purpose: Purpose) -> PurposeProfile:
    """Return the profile of a purpose."""
    name = f"{purpose.value}.toml"
    return read_profile(
        files("archiver.handover").joinpath(f"purposes/{name}").read_text("utf-8"), name
    )


def read_profile(text: str, name: str) -> PurposeProfile:
    """Read a profile.

    Parameters
    ----------
    text
        TOML.
    name
        Of its file, for messages.

    Raises
    ------
    InputError
        With everything that is wrong with it.
    """
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(Problem("handover.profiles.no_toml", error=error).at(file=name)) from None
    problems = [
        Problem("handover.profiles.unknown_key", key=key, keys=tuple(_KEYS))
        for key in given
        if key not in _KEYS
    ]
    problems += [Problem("handover.profiles.missing", key=key) for key in _KEYS if key not in given]
    problems += [
        Problem("handover.profiles.unfit", key=key, given=repr(given[key]), expected=expected)
        for key, (fits, expected) in _KEYS.items()
        if key in given and not fits(given[key])
    ]
    if not problems:
        problems = _contradictions(given)
    if problems:
        raise InputError(*(problem.at(file=name) for problem in problems))
    return PurposeProfile(
        Purpose(given["purpose"]),
        given["title"],
        given["about"],
        frozenset(ConfidentialityOption(one) for one in given["options"]),
        given["faces"],
        float(given["masked_share"]),
        given["times"],
        given["device"],
        given["colour"],
        frozenset(given["holds"]),
        given["selection"],
    )


def _contradictions(given: dict[str, Any]) -> list[Problem]:
    found = []
    if {ConfidentialityOption.FULL_DATES.value, ConfidentialityOption.MODIFIED_DATES.value} <= set(
        given["options"]
    ):
        found.append(Problem("handover.profiles.dates_exclude"))
    if ConfidentialityOption.UIDS.value in given["options"]:
        # A UID of the clinic leads straight back to its archive.
        found.append(Problem("handover.profiles.keeps_uids"))
    if ConfidentialityOption.DEVICE_IDENTITY.value in given["options"] and not given["device"]:
        found.append(Problem("handover.profiles.device_identity"))
    return found


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_bool(value: object) -> bool:
    return isinstance(value, bool)


def _is_share(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 1


def _several(allowed: tuple[str, ...]) -> Any:
    def fits(value: object) -> bool:
        return (
            isinstance(value, list)
            and all(one in allowed for one in value)
            and len(set(value)) == len(value)
        )

    return fits, Text("handover.profiles.list_of", words=allowed)


#: Key -> whether a value fits, and what would.
_KEYS: dict[str, Any] = {
    "purpose": (
        lambda value: value in [purpose.value for purpose in Purpose],
        Text("handover.profiles.one_of", words=[purpose.value for purpose in Purpose]),
    ),
    "title": (_is_text, Text("handover.profiles.text")),
    "about": (_is_text, Text("handover.profiles.text")),
    "options": _several(tuple(option.value for option in ConfidentialityOption)),
    "faces": (lambda value: value in _FACES, Text("handover.profiles.one_of", words=_FACES)),
    "masked_share": (_is_share, Text("handover.profiles.share")),
    "times": (lambda value: value in _TIMES, Text("handover.profiles.one_of", words=_TIMES)),
    "device": (_is_bool, Text("handover.profiles.flag")),
    "colour": (_is_bool, Text("handover.profiles.flag")),
    "holds": _several(_HOLDS),
    "selection": (
        lambda value: isinstance(value, str) and value.isdigit() and len(value) == 6,
        Text("handover.profiles.selection_code"),
    ),
}
