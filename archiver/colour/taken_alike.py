"""Whether the colours of two pictures may be compared, and what a difference of them is worth.

Whoever tells a CIEDE2000 between two pictures asks here first. Both have to be characterised, in
the same light and polarisation, through a mirror or not. Cast and exposure have to be known, too:
either the white balance was fixed and nothing else of camera and settings differs, or a card or
chart that both show took them out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field

from pydicom import Dataset

from archiver.colour.colours import (
    ACCEPTABLE,
    PERCEPTIBLE,
    UNCERTAIN,
    UNCERTAIN_BY_CHART,
    Array,
    difference,
    space_of,
)
from archiver.objects import (
    CHART,
    calibration_of,
    comments,
    concepts,
    describe,
    items,
    octets,
    text,
)
from archiver.wording import Text

_LENS = ("LensMake", "LensModel", "LensSerialNumber", "FocalLength")
_SETTINGS = ("ExposureTimeInSeconds", "FNumber", "PhotographicSensitivity", "FlashFiringStatus")
#: What a card or chart in both pictures takes out.
_TAKEN_OUT = ("profile", "white_balance", "camera", "lens", "settings")


@dataclass(frozen=True)
class ColourBasis:
    """What a picture's colours rest on; what nobody knows of one is its default.

    Parameters
    ----------
    characterised
        Whether it says what its numbers mean.
    light
        The person's word for it, or whether a flash fired; empty if neither is known.
    white_balance
        ``1`` where it was set by hand, ``0`` where the camera chose it, else empty.
    by
        What its profile was made from, as `Calibration.kind`; empty where from nothing.
    alike
        What else has to be the same in both, by its name in the catalogue.
    """

    characterised: bool = False
    light: str = ""
    white_balance: str = ""
    by: str = ""
    alike: Mapping[str, str] = field(default_factory=dict)


def basis_of(dataset: Dataset) -> ColourBasis:
    """Read what a photograph's colours rest on."""
    profile = octets(dataset, "ICCProfile") or None
    said = comments(dataset)
    white, fired = flag(dataset, "WhiteBalance"), flag(dataset, "FlashFiringStatus")
    light = said.get(concepts.LIGHT, "") or fired
    camera = "".join(
        text(item, "Manufacturer") + text(item, "ManufacturerModelName")
        for item in items(dataset, "ContributingEquipmentSequence")
    )
    alike = {
        "profile": hashlib.sha256(profile or b"").hexdigest(),
        "light": light,
        "polariser": said.get(concepts.POLARISER, ""),
        "white_balance": white,
        "camera": camera,
        "lens": " ".join(text(dataset, keyword) for keyword in _LENS),
        "mirror": describe(dataset).mirror or "",
        "settings": " ".join(text(dataset, keyword) for keyword in _SETTINGS),
    }
    found = calibration_of(dataset)
    by = found.kind if found is not None else ""
    return ColourBasis(space_of(profile).characterised, light, white, by, alike)


def flag(dataset: Dataset, keyword: str) -> str:
    """Return a value that is 0 or 1; empty for another."""
    value = text(dataset, keyword)
    return value if value in ("0", "1") else ""


def why_not_compared(
    one: tuple[Text, ColourBasis], other: tuple[Text, ColourBasis], *, neutral: bool = False
) -> tuple[Text, ...]:
    """Return why two pictures' colours may not be compared; nothing where they may.

    Parameters
    ----------
    one, other
        How the picture is called, and what its colours rest on.
    neutral
        Whether a grey card in each of them has made both neutral.
    """
    bases = one[1], other[1]
    neutral = neutral or all(basis.by for basis in bases)
    why = []
    for which, basis in (one, other):
        if not basis.characterised:
            why.append(Text("colour.alike.bare", which=which))
        if not basis.light:
            why.append(Text("colour.alike.no_light", which=which))
        if basis.white_balance != "1" and not neutral:
            told = "automatic" if basis.white_balance else "no_balance"
            why.append(Text(f"colour.alike.{told}", which=which))
    if why:
        return tuple(why)
    taken_out = _TAKEN_OUT if neutral else ()
    return tuple(
        Text(f"colour.alike.differs.{name}")
        for name, said in bases[0].alike.items()
        if name not in taken_out and bases[1].alike.get(name) != said
    )


def uncertainty(one: ColourBasis, other: ColourBasis) -> float:
    """Return by how much a CIEDE2000 between two pictures may be wrong (95 %)."""
    return UNCERTAIN_BY_CHART if one.by == other.by == CHART else UNCERTAIN


def apart_words(apart: float, within: float) -> Text:
    """Say a CIEDE2000 with its uncertainty and the published thresholds."""
    return Text(
        "colour.alike.apart",
        apart=f"{apart:.1f}",
        within=f"{within:.1f}",
        perceptible=PERCEPTIBLE,
        acceptable=ACCEPTABLE,
    )


def lab_words(mean: Array) -> str:
    """Write L*a*b*."""
    light, a, b = (float(value) for value in mean)
    return f"L* {light:.1f} a* {a:.1f} b* {b:.1f}"


def difference_words(one: Array, other: Array, within: float) -> Text:
    """Say two colours (3,) and how far they are apart."""
    given = {"one": lab_words(one), "other": lab_words(other)}
    return Text(
        "colour.alike.both", **given, apart=apart_words(float(difference(one, other)), within)
    )
