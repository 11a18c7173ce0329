"""What the codes of a photograph say it shows: teeth, surface, view, mirror state."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from pydicom import Dataset
from pydicom.multival import MultiValue

from archiver.dentition import (
    Arch,
    Numbering,
    Orientation,
    Surface,
    Tooth,
    View,
    codes,
    in_arch_order,
    orientation_of,
    read_teeth,
)
from archiver.errors import MeaningError
from archiver.objects import concepts
from archiver.objects.attribute_values import code_keys, items, text, value_of
from archiver.objects.session import Places

_VIEWS = frozenset(view.value for view in View)
_SURFACES = {c.value: s for s, c in codes.SURFACE_CODES.items()}
_ARCHES = {
    **{c.value: arch for arch, c in codes.ARCH_STRUCTURES.items()},
    # CID 4016, as radiographs of the jaws use it.
    "70925003": Arch.UPPER,
    "91609006": Arch.LOWER,
}


def acquisition_context(dataset: Dataset) -> tuple[tuple[tuple[str, str], str], ...]:
    """Return Acquisition Context as (concept name, value); a code is told by its value."""
    found = []
    for item in items(dataset, "AcquisitionContextSequence"):
        coded = code_keys(item, "ConceptCodeSequence")
        value = coded[0][0] if coded else text(item, "PersonName") or text(item, "TextValue")
        found += [(name, value) for name in code_keys(item, "ConceptNameCodeSequence")]
    return tuple(found)


def _conditions(dataset: Dataset) -> frozenset[str]:
    """Return the code values of the functional conditions that are told (CID 4066)."""
    wanted = (concepts.FUNCTIONAL_CONDITION.value, concepts.FUNCTIONAL_CONDITION.scheme)
    return frozenset(value for name, value in acquisition_context(dataset) if name == wanted)


def comments(dataset: Dataset) -> dict[str, str]:
    """Return the Comments of Acquisition Context by the words that they start with."""
    wanted = (concepts.COMMENT.value, concepts.COMMENT.scheme)
    parts = (v.partition(": ") for n, v in acquisition_context(dataset) if n == wanted)
    return {start: rest for start, _, rest in parts}


#: Words of `archiver.objects.session.FUNCTIONAL_STATES` by the codes that say them.
_STATES = {
    concepts.CENTRIC_OCCLUSION.value: "in occlusion",
    concepts.LIPS_RELAXED.value: "lips relaxed",
    concepts.LIPS_CLOSED.value: "lips closed",
    concepts.MANDIBLE_FORWARD.value: "mandible forward",
}


def functional_state(dataset: Dataset) -> str:
    """Return what teeth and lips do, in a sheet's words; empty where the object does not say."""
    if codes.TEETH_APART.value in view_modifiers(dataset):
        return "teeth apart"
    return next((_STATES[value] for value in _conditions(dataset) if value in _STATES), "")


def is_ours(dataset: Dataset) -> bool:
    """Whether this program wrote the object (General Equipment, C.7.5.1)."""
    return text(dataset, "Manufacturer") == concepts.MANUFACTURER


def view_modifiers(dataset: Dataset) -> frozenset[str]:
    """Return the code values of all view modifiers."""
    return frozenset(
        value
        for view in items(dataset, "ViewCodeSequence")
        for value, _ in code_keys(view, "ViewModifierCodeSequence")
    )


def orientation(dataset: Dataset) -> Orientation | None:
    """Return Patient Orientation, None where it is absent, empty or unreadable."""
    value = value_of(dataset, "PatientOrientation")
    if isinstance(value, MultiValue | list | tuple) and len(value) == 2:
        return orientation_of((str(value[0]), str(value[1])))
    return None


def teeth(dataset: Dataset) -> tuple[Tooth, ...]:
    """Return the teeth that are named, by codes of any generation, and places without one."""
    named = (
        codes.tooth_of_code(*key) for key in code_keys(dataset, "PrimaryAnatomicStructureSequence")
    )
    absent = (tooth for tooth, _ in places(dataset))
    return in_arch_order((*(t for t in named if t is not None), *absent))


def places(dataset: Dataset) -> Places:
    """Return where this program says that no natural tooth stands, and what does."""
    said = comments(dataset)
    found: list[tuple[Tooth, str]] = []
    for kind, start in concepts.PLACES.items():
        try:
            teeth = read_teeth(said[start], Numbering.ISO) if start in said else ()
        except MeaningError:
            continue
        found += [(tooth, kind) for tooth in teeth if tooth not in dict(found)]
    return tuple(found)


def surface_of(dataset: Dataset) -> Surface | None:
    for structure in items(dataset, "PrimaryAnatomicStructureSequence"):
        for value, _ in code_keys(structure, "PrimaryAnatomicStructureModifierSequence"):
            if value in _SURFACES:
                return _SURFACES[value]
    return None


def shown_parts(dataset: Dataset) -> tuple[str, ...]:
    """Return the code values of primary structures and regions.

    The arch and the face are structures (CID 4061); versions before, and others, name them as
    regions.
    """
    sequences = ("PrimaryAnatomicStructureSequence", "AnatomicRegionSequence")
    return tuple(value for keyword in sequences for value, _ in code_keys(dataset, keyword))


def named_arch(parts: Iterable[str]) -> Arch | None:
    """Return the arch that structure or region names, None if neither of `shown_parts` does."""
    return next((_ARCHES[value] for value in parts if value in _ARCHES), None)


def view_shown(
    dataset: Dataset,
    parts: Collection[str],
    modifiers: Collection[str],
    surface: Surface | None,
    arch: Arch | None,
) -> View | None:
    """Tell the view from its code, the surface and the arch; None where they do not settle it.

    Parameters
    ----------
    parts, modifiers
        Of `shown_parts` and `view_modifiers`.
    """
    said = comments(dataset).get(concepts.VIEW, "")
    if said in _VIEWS:
        return View(said)
    code = next((value for value, _ in code_keys(dataset, "ViewCodeSequence")), "")
    lateral = {codes.RIGHT_LATERAL.value: "right", codes.LEFT_LATERAL.value: "left"}
    if codes.FACE.value in parts:
        if code in lateral:
            return View(f"{lateral[code]} profile")
        return View.SMILE if concepts.SMILES.value in _conditions(dataset) else View.FACE
    if codes.CLOSE_UP_OF_TEETH.value in modifiers:
        return View.CLOSE_UP
    if code == codes.OCCLUSAL_PROJECTION.value:
        if surface is Surface.OCCLUSAL:
            return View.OCCLUSAL
        if codes.ANTERIOR_TEETH.value in modifiers:
            return View.INCISAL
        if arch is None:
            return None
        return View.UPPER_OCCLUSAL_ARCH if arch is Arch.UPPER else View.LOWER_OCCLUSAL_ARCH
    if surface is Surface.LINGUAL:
        return View.PALATAL if arch is Arch.UPPER else View.LINGUAL
    if code == codes.FRONTAL.value:
        return View.LABIAL if surface is Surface.VESTIBULAR else View.FRONTAL
    if code in lateral:
        return View.BUCCAL if surface is Surface.VESTIBULAR else View(f"{lateral[code]} buccal")
    return None


def through_mirror(dataset: Dataset) -> bool:
    """True where an intraoral mirror is among the devices."""
    return codes.MIRROR_DEVICE.value in (v for v, _ in code_keys(dataset, "DeviceSequence"))


def mirror_state(dataset: Dataset, modifiers: frozenset[str]) -> str:
    if modifiers & codes.UNCORRECTED_VALUES:
        return "uncorrected"
    if modifiers & codes.CORRECTED_VALUES or through_mirror(dataset):
        return "corrected"
    return "direct"
