"""Codes for teeth, surfaces, regions, views and mirror states, as DICOM PS3.16 gives them."""

from __future__ import annotations

import csv
from collections.abc import Collection
from dataclasses import dataclass
from functools import cache
from pkgutil import get_data

from archiver.dentition.teeth import Arch, Tooth
from archiver.dentition.views import Surface, View


@dataclass(frozen=True)
class Code:
    """A coded concept: value, scheme designator and meaning (PS3.3 section 8.8)."""

    value: str
    scheme: str
    meaning: str

    def __str__(self) -> str:
        return f"{self.value} {self.scheme} {self.meaning}"

    def matches(self, value: str, scheme: str) -> bool:
        """True for the same concept; the meaning is for people and does not count."""
        return (self.value, self.scheme) == (value, scheme)


def _sct(value: str, meaning: str) -> Code:
    return Code(value, "SCT", meaning)


@cache
def _tooth_rows() -> tuple[dict[str, str], ...]:
    # importlib.resources would double the start-up time of the command line.
    table = get_data("archiver.dentition", "tables/tooth_codes.csv")
    if table is None:
        raise FileNotFoundError("the table of tooth codes is not installed")
    return tuple(csv.DictReader(table.decode("utf-8").splitlines()))


@cache
def _codes_by_tooth() -> dict[Tooth, Code]:
    codes: dict[Tooth, Code] = {}
    for row in _tooth_rows():
        quadrant, position = int(row["iso"][0]), int(row["iso"][1])
        codes[Tooth(quadrant, position)] = _sct(row["sct"], row["meaning"])
        # CID 4025 words it by dentition and position; CID 4018 leaves "permanent" away below.
        stem = row["meaning"][0].lower() + row["meaning"][1:]
        if quadrant in (3, 4):
            stem = "permanent " + stem.replace("lateral tooth", "lateral incisor tooth")
        codes[Tooth(quadrant, position, True)] = _sct(
            row["supernumerary_sct"], f"Supernumerary {stem}"
        )
    return codes


@cache
def _teeth_by_code() -> dict[tuple[str, str], Tooth]:
    found = {(c.scheme, c.value): t for t, c in _codes_by_tooth().items()}
    for row in _tooth_rows():
        tooth = Tooth(int(row["iso"][0]), int(row["iso"][1]))
        if row["earlier_sct"]:
            found[("SCT", row["earlier_sct"])] = tooth
        found[("SRT", row["srt"])] = tooth
        found[("SNM3", row["srt"])] = tooth
    return found


def code_of(tooth: Tooth) -> Code:
    """Return the current code of a tooth (CID 4018, 4019 or 4025)."""
    return _codes_by_tooth()[tooth]


def tooth_of_code(value: str, scheme: str) -> Tooth | None:
    """Return the tooth of a code of any generation, None if it is no tooth's."""
    return _teeth_by_code().get((scheme, value))


def is_current(value: str, scheme: str) -> bool:
    """True for a tooth code of the present context groups, False for an earlier generation."""
    tooth = tooth_of_code(value, scheme)
    return tooth is not None and code_of(tooth).matches(value, scheme)


#: Tooth surfaces (SNOMED CT body structures; PS3.16 has no context group for them). There is no
#: code for an incisal edge, and labial and palatal share vestibular and lingual.
SURFACE_CODES: dict[Surface, Code] = {
    Surface.MESIAL: _sct("8483002", "Structure of mesial surface of tooth"),
    Surface.DISTAL: _sct("90933009", "Structure of distal surface of tooth"),
    Surface.OCCLUSAL: _sct("83473006", "Structure of occlusal surface of tooth"),
    Surface.LINGUAL: _sct("72203008", "Structure of lingual surface of tooth"),
    Surface.VESTIBULAR: _sct("62579006", "Structure of vestibular surface of tooth"),
}

#: Laterality as a modifier of the region (PS3.16 CID 244).
LATERALITY_CODES: dict[str, Code] = {
    "R": _sct("24028007", "Right"),
    "L": _sct("7771000", "Left"),
    "B": _sct("51440002", "Bilateral"),
}

#: Anatomic regions (PS3.16 CID 4028).
MOUTH = _sct("123851003", "Mouth")
HEAD_AND_NECK = _sct("774007", "Head and Neck")

#: The jaws as regions (PS3.16 CID 4016 and 4028), and what narrows them to the place of a tooth
#: that is not there (CID 4017), by its position from the midline.
JAWS: dict[Arch, Code] = {
    Arch.UPPER: _sct("70925003", "Maxilla"),
    Arch.LOWER: _sct("91609006", "Mandible"),
}
BOTH_JAWS = _sct("661005", "Jaw region")
PLACE_CODES: dict[int, Code] = {
    1: _sct("699453001", "Central incisor region"),
    2: _sct("699511000", "Lateral incisor region"),
    3: _sct("699510004", "Canine region"),
    4: _sct("699509009", "First premolar region"),
    5: _sct("699508001", "Second premolar region"),
    6: _sct("699507006", "First molar region"),
    7: _sct("699505003", "Second molar region"),
    8: _sct("699503005", "Third molar region"),
}

#: Primary anatomic structures beside the teeth (PS3.16 CID 4061, Head and Neck Primary Anatomic
#: Structure). Versions before wrote them as regions.
ARCH_STRUCTURES: dict[Arch, Code] = {
    Arch.UPPER: _sct("39481002", "Maxillary dental arch"),
    Arch.LOWER: _sct("88176008", "Mandibular dental arch"),
}
FACE = _sct("89545001", "Face")

#: Views (PS3.16 CID 4062 and 4063). No code tells a lingual view from a buccal one: the surface
#: does, and the view names the side of the patient that the teeth stand on.
FRONTAL = _sct("399033003", "frontal")
RIGHT_LATERAL = _sct("399198007", "right lateral")
LEFT_LATERAL = _sct("399173006", "left lateral")
OCCLUSAL_PROJECTION = _sct("260499007", "Occlusal projection")

#: View modifiers (PS3.16 CID 4064 and 4065).
MIRRORED_UNCORRECTED = _sct("789135000", "Mirrored image uncorrected")
MIRRORED_CORRECTED = _sct("787610003", "Mirrored photo image intraoral corrected")
MIRRORED_CORRECTED_HORIZONTALLY = _sct(
    "789310004", "Mirrored photo image of teeth corrected flipped horizontally"
)
MIRRORED_CORRECTED_VERTICALLY = _sct(
    "789311000", "Mirrored photo image of teeth corrected flipped vertically"
)
ANTERIOR_TEETH = _sct("789313002", "Photo image of anterior teeth")
TEETH_APART = _sct("789130005", "Photo image mouth partially opened, teeth apart")
CLOSE_UP_OF_TEETH = _sct("789131009", "Close up photographic view of teeth without magnification")
#: Modifiers that say that the stored pixels are still a reflection, this program's own first.
UNCORRECTED_VALUES = frozenset({"789135000", "789134001", "789133007", "789132002"})
#: Modifiers that say that a mirror was used and the stored pixels are the right way round.
CORRECTED_VALUES = frozenset({"787610003", "789310004", "789311000", "789312007"})

#: Devices in the picture (PS3.16 CID 4072).
MIRROR_DEVICE = _sct("1332162007", "Intraoral photography mirror")
RETRACTOR_DEVICE = _sct("53535004", "Retractor")
CONTRASTER_DEVICE = _sct("1332163002", "Black contraster")
RULER_DEVICE = _sct("102304005", "Measuring ruler")


def jaw_code(arches: Collection[Arch]) -> Code:
    """Return the region of one jaw or of both."""
    return JAWS[next(iter(arches))] if len(arches) == 1 else BOTH_JAWS


def place_code(tooth: Tooth) -> Code | None:
    """Return the code of a tooth's place in its jaw (CID 4017); None for a deciduous molar's."""
    if tooth.is_deciduous and not tooth.is_anterior:
        return None
    return PLACE_CODES[tooth.position]


def view_code(view: View, looking_letter: str, laterality: str) -> Code:
    """Return the View Code for a view.

    Parameters
    ----------
    looking_letter
        Direction in which the true picture looks, as a letter.
    laterality
        ``R``, ``L`` or ``B``.
    """
    if looking_letter in "HF":
        return OCCLUSAL_PROJECTION
    if looking_letter in "PA":
        return FRONTAL
    return RIGHT_LATERAL if laterality == "R" else LEFT_LATERAL


def region_code(view: View) -> Code:
    """Return the Anatomic Region of a view."""
    return HEAD_AND_NECK if view.is_extraoral else MOUTH


def structure_code(view: View, arch: Arch | None) -> Code | None:
    """Return the Primary Anatomic Structure that a view shows beside its teeth; None for none.

    The arch stands beside its teeth, too: a slip in one code is then found by the other.
    """
    if view.is_extraoral:
        return FACE
    return ARCH_STRUCTURES[arch] if arch is not None else None
