"""What a picture says it shows: teeth, side, region, view, mirror, orientation, sources.

Read from raw elements, so that a finding can name the very item, and a broken object can still
be looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.dentition import (
    Arch,
    Direction,
    Orientation,
    Side,
    Surface,
    Tooth,
    codes,
    orientation_of,
)
from archiver.standard.coded_rules import Concept, concept_of
from archiver.standard.dictionary import tag_of
from archiver.standard.elements import Item, step_into

_STRUCTURES = "PrimaryAnatomicStructureSequence"
_STRUCTURE_MODIFIERS = "PrimaryAnatomicStructureModifierSequence"
_REGION = "AnatomicRegionSequence"
_REGION_MODIFIERS = "AnatomicRegionModifierSequence"
_VIEW = "ViewCodeSequence"
_VIEW_MODIFIERS = "ViewModifierCodeSequence"
_SOURCE = "SourceImageSequence"

_SIDES = {c.value: letter for letter, c in codes.LATERALITY_CODES.items()}
_PLACES = frozenset(code.value for code in codes.PLACE_CODES.values())
_SURFACES = {c.value: s for s, c in codes.SURFACE_CODES.items()}
_ARCHES = {c.value: arch for arch, c in codes.ARCH_STRUCTURES.items()}
# CID 4016, as radiographs use it.
_ARCHES |= {"70925003": Arch.UPPER, "91609006": Arch.LOWER}
# Parts whose photographs the clinical rules are about (CID 4061, 4028, 4016).
_DENTAL_PARTS = frozenset(_ARCHES) | {
    codes.MOUTH.value,
    codes.FACE.value,
    "74262004",
    "261063000",
    "28035005",
    "38199008",
    "661005",
}
_MIRROR_VALUES = codes.UNCORRECTED_VALUES | codes.CORRECTED_VALUES
_OUTWARD = {"R": Direction.RIGHT, "L": Direction.LEFT}


@dataclass(frozen=True)
class NamedTooth:
    """A tooth as an item of Primary Anatomic Structure names it.

    ``prefix`` begins the paths of findings about the item.
    """

    tooth: Tooth
    concept: Concept
    prefix: str
    surfaces: tuple[Surface, ...]


@dataclass(frozen=True)
class SourceImage:
    """A source image as an item of Source Image Sequence names it."""

    uid: str
    preserved: str
    orientation: Orientation | None
    prefix: str


@dataclass(frozen=True)
class Depiction:
    """Everything that the clinical rules compare."""

    teeth: tuple[NamedTooth, ...]
    laterality: str
    parts: frozenset[str]
    named_arches: frozenset[Arch]
    region_side: str
    places: frozenset[str]
    view: str
    modifiers: frozenset[str]
    orientation: Orientation | None
    image_type: str
    sources: tuple[SourceImage, ...]

    @property
    def is_dental(self) -> bool:
        """Whether it is a picture of teeth, mouth or face at all."""
        return bool(
            self.teeth
            or self.parts & _DENTAL_PARTS
            or self.modifiers & _MIRROR_VALUES
            or self.view == codes.OCCLUSAL_PROJECTION.value
        )

    @property
    def is_of_places(self) -> bool:
        """Whether it shows places of teeth that are not there, and no tooth that has a surface."""
        return bool(self.places) and not self.teeth

    @property
    def is_face(self) -> bool:
        """Whether the face is shown from outside."""
        return codes.FACE.value in self.parts

    @property
    def surfaces(self) -> frozenset[Surface]:
        """The surfaces that the teeth are said to show."""
        return frozenset(s for named in self.teeth for s in named.surfaces)

    @property
    def sides(self) -> frozenset[Side]:
        """The sides that the teeth stand on."""
        return frozenset(named.tooth.side for named in self.teeth)

    @property
    def arch(self) -> Arch | None:
        """The one arch that teeth, structure or region name."""
        arches = {named.tooth.arch for named in self.teeth} or self.named_arches
        return next(iter(arches)) if len(arches) == 1 else None

    @property
    def all_anterior(self) -> bool:
        """Whether teeth are named and all are incisors or canines."""
        return bool(self.teeth) and all(named.tooth.is_anterior for named in self.teeth)

    @property
    def looking(self) -> Direction | None:
        """Where the picture looks if it is true, ``None`` where codes do not settle it."""
        if self.view == codes.OCCLUSAL_PROJECTION.value:
            directions = {Arch.UPPER: Direction.HEAD, Arch.LOWER: Direction.FOOT}
            return directions[self.arch] if self.arch is not None else None
        if self.is_of_places:
            return None
        lingual = Surface.LINGUAL in self.surfaces
        if self.view == codes.FRONTAL.value:
            return Direction.ANTERIOR if lingual else Direction.POSTERIOR
        lateral = {codes.RIGHT_LATERAL.value: "R", codes.LEFT_LATERAL.value: "L"}.get(self.view)
        if lateral is None:
            return None
        outward = _OUTWARD[lateral]
        return outward if lingual else outward.opposite

    @property
    def is_uncorrected(self) -> bool:
        """Whether a modifier says that the pixels are still a reflection."""
        return bool(self.modifiers & codes.UNCORRECTED_VALUES)

    @property
    def is_corrected(self) -> bool:
        """Whether a modifier says that a reflection was undone."""
        return bool(self.modifiers & codes.CORRECTED_VALUES)


def depiction_of(dataset: Item) -> Depiction:
    """Read what a dataset says that it shows; what is absent or unreadable is left out."""
    region = next(iter(dataset.items(_REGION)), Item())
    view = next(iter(dataset.items(_VIEW)), Item())
    parts = [i.text("CodeValue") for name in (_STRUCTURES, _REGION) for i in dataset.items(name)]
    narrower = [m.text("CodeValue") for m in region.items(_REGION_MODIFIERS)]
    sides = [_SIDES.get(value, "") for value in narrower]
    return Depiction(
        teeth=_teeth(dataset),
        laterality=dataset.text("ImageLaterality") or dataset.text("Laterality"),
        parts=frozenset(parts),
        named_arches=frozenset(_ARCHES[value] for value in parts if value in _ARCHES),
        region_side=next((side for side in sides if side), ""),
        places=frozenset(narrower) & _PLACES,
        view=view.text("CodeValue"),
        modifiers=frozenset(m.text("CodeValue") for m in view.items(_VIEW_MODIFIERS)),
        orientation=_orientation(dataset),
        image_type=dataset.text("ImageType"),
        sources=_sources(dataset),
    )


def _teeth(dataset: Item) -> tuple[NamedTooth, ...]:
    found = []
    for number, item in enumerate(dataset.items(_STRUCTURES), start=1):
        concept = concept_of(item)
        tooth = codes.tooth_of_code(concept.value, concept.scheme)
        if tooth is None:
            continue
        modifiers = (m.text("CodeValue") for m in item.items(_STRUCTURE_MODIFIERS))
        surfaces = tuple(_SURFACES[value] for value in modifiers if value in _SURFACES)
        found.append(
            NamedTooth(tooth, concept, step_into("", tag_of(_STRUCTURES), number), surfaces)
        )
    return tuple(found)


def _orientation(item: Item) -> Orientation | None:
    values = item.texts("PatientOrientation")
    return orientation_of((values[0], values[1])) if len(values) == 2 else None


def _sources(dataset: Item) -> tuple[SourceImage, ...]:
    return tuple(
        SourceImage(
            item.text("ReferencedSOPInstanceUID"),
            item.text("SpatialLocationsPreserved"),
            _orientation(item),
            step_into("", tag_of(_SOURCE), number),
        )
        for number, item in enumerate(dataset.items(_SOURCE), start=1)
        if item.text("ReferencedSOPInstanceUID")
    )
