"""Tooth, side, view, mirror, orientation and derivation: silent on truth, loud on every swap.

What is true is what the planner says, whose geometry has its own tests against vector
reflection; here each single statement is falsified in turn.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from pydicom import Dataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import write_dataset
from standard_photograph import PHOTOGRAPHIC, ROOT

from archiver.dentition import codes
from archiver.dentition.correction import Operator, Plan, plan
from archiver.dentition.orientation import Direction, Turn
from archiver.dentition.teeth import ALL_TEETH, Arch, Tooth
from archiver.dentition.views import Surface, View
from archiver.errors import MeaningError
from archiver.objects import modules
from archiver.standard.clinical import check_clinical
from archiver.standard.element_reader import Encoding
from archiver.standard.elements import Item
from archiver.standard.finding import Severity
from archiver.standard.parsing import parse_elements
from archiver.standard.report import ObjectFindings

# Each class of tooth in each quadrant, permanent and deciduous.
TEETH = tuple(t for t in ALL_TEETH if t.position in ((1, 4) if t.is_deciduous else (1, 3, 4, 6)))
RANGES = (
    (Tooth(1, 1), Tooth(2, 1)),
    (Tooth(1, 3), Tooth(1, 4), Tooth(1, 5)),
    (Tooth(4, 6), Tooth(4, 7)),
    (Tooth(3, 1), Tooth(4, 1), Tooth(8, 2)),
    (),
)


def _parsed(ds: Dataset) -> Item:
    buffer = DicomBytesIO()
    buffer.is_little_endian, buffer.is_implicit_VR = True, False
    write_dataset(buffer, ds)
    return parse_elements(buffer.getvalue(), Encoding(), ObjectFindings())


def findings(ds: Dataset, worst: Severity | None = None) -> list[str]:
    report = ObjectFindings()
    # The plan says nothing of devices.
    ds.DeviceSequence = [modules.code_item(codes.MIRROR_DEVICE)]
    check_clinical(_parsed(ds), report)
    return [f.rule for f in report.findings if worst is None or f.severity is worst]


def as_shot(true: Plan) -> Dataset:
    ds = Dataset()
    ds.Modality = "XC"
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.PatientOrientation = [true.stored.rows.value, true.stored.columns.value]
    modules.set_anatomy(ds, true, true.original_modifiers)
    return ds


def corrected(true: Plan) -> Dataset:
    ds = Dataset()
    ds.Modality = "XC"
    ds.ImageType = ["DERIVED", "PRIMARY"]
    ds.PatientOrientation = [true.display.rows.value, true.display.columns.value]
    modules.set_anatomy(ds, true, true.corrected_modifiers)
    source = Dataset()
    source.ReferencedSOPClassUID = PHOTOGRAPHIC
    source.ReferencedSOPInstanceUID = f"{ROOT}.4"
    source.SpatialLocationsPreserved = "REORIENTED_ONLY"
    source.PatientOrientation = [true.stored.rows.value, true.stored.columns.value]
    if true.correction is Turn.IDENTITY:
        source.SpatialLocationsPreserved = "YES"
    ds.SourceImageSequence = [source]
    return ds


def _plans(teeth: tuple[tuple[Tooth, ...], ...], exif: tuple[Turn, ...]) -> Iterator[Plan]:
    tops: tuple[Direction | None, ...] = (None, Direction.POSTERIOR)
    for chosen in teeth:
        for view in View:
            for mirror in (False, True):
                for operator in Operator:
                    for top in tops if operator is Operator.FRONT else (None,):
                        for turn in exif:
                            try:
                                yield plan(
                                    view,
                                    chosen,
                                    mirror=mirror,
                                    operator=operator,
                                    top=top,
                                    exif=turn,
                                )
                            except MeaningError:
                                continue


def test_nothing_is_found_in_whatever_the_planner_can_plan() -> None:
    count = 0
    teeth = ((Tooth(1, 1),), (Tooth(2, 6),), (Tooth(8, 5),), *RANGES)
    for true in _plans(teeth, (Turn.IDENTITY, Turn.FLIP_LEFT_RIGHT, Turn.QUARTER_CLOCKWISE)):
        for ds in (as_shot(true), corrected(true)):
            assert findings(ds) == [], (true.sight.view, true.sight.teeth, true.exif)
            count += 1
    assert count > 1000


def _plans_of_single_teeth() -> Iterator[Plan]:
    teeth = tuple((t,) for t in TEETH)
    views = (View.OCCLUSAL, View.BUCCAL, View.LABIAL, View.LINGUAL, View.INCISAL)
    for true in _plans(teeth, (Turn.IDENTITY,)):
        if true.sight.view in views and true.operator is Operator.FRONT and true.top is None:
            yield true


def _mirrored(tooth: Tooth) -> Tooth:
    return Tooth({1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}[tooth.quadrant], tooth.position)


def _other_jaw(tooth: Tooth) -> Tooth:
    return Tooth({1: 4, 4: 1, 2: 3, 3: 2, 5: 8, 8: 5, 6: 7, 7: 6}[tooth.quadrant], tooth.position)


def _replace_tooth(ds: Dataset, tooth: Tooth) -> None:
    code = codes.code_of(tooth)
    for item in ds.PrimaryAnatomicStructureSequence:
        if codes.tooth_of_code(item.CodeValue, item.CodingSchemeDesignator) is not None:
            item.CodeValue, item.CodeMeaning = code.value, code.meaning


def _flip(ds: Dataset, true: Plan) -> None:
    rows = Direction(ds.PatientOrientation[0])
    ds.PatientOrientation = [rows.opposite.value, ds.PatientOrientation[1]]


def _swap_laterality(ds: Dataset, true: Plan) -> None:
    ds.ImageLaterality = {"R": "L", "L": "R"}[ds.ImageLaterality]


def _swap_region_side(ds: Dataset, true: Plan) -> None:
    other = {"R": "L", "L": "R"}[true.sight.laterality]
    code = codes.LATERALITY_CODES[other]
    ds.AnatomicRegionSequence[0].AnatomicRegionModifierSequence = modules.code_sequence(code)


def _swap_jaw(ds: Dataset, true: Plan) -> None:
    other = Arch.LOWER if true.sight.arch is Arch.UPPER else Arch.UPPER
    item = ds.AnatomicRegionSequence[0]
    item.CodeValue = codes.ARCH_STRUCTURES[other].value


def _swap_tooth(ds: Dataset, true: Plan) -> None:
    _replace_tooth(ds, _mirrored(true.sight.teeth[0]))


def _swap_tooth_jaw(ds: Dataset, true: Plan) -> None:
    _replace_tooth(ds, _other_jaw(true.sight.teeth[0]))


def _neighbour_by_code(ds: Dataset, true: Plan) -> None:
    tooth = true.sight.teeth[0]
    position = tooth.position - 1 if tooth.position > 1 else 2
    item = ds.PrimaryAnatomicStructureSequence[0]
    item.CodeValue = codes.code_of(Tooth(tooth.quadrant, position)).value


def _swap_modifier(ds: Dataset, true: Plan) -> None:
    """Say corrected for uncorrected, uncorrected for anything else."""
    view = ds.ViewCodeSequence[0]
    had = {m.CodeValue for m in view.get("ViewModifierCodeSequence", ())}
    uncorrected = had & codes.UNCORRECTED_VALUES
    other = codes.MIRRORED_CORRECTED if uncorrected else codes.MIRRORED_UNCORRECTED
    view.ViewModifierCodeSequence = modules.code_sequence(other)


def _change_view(ds: Dataset, true: Plan) -> None:
    """Name a view that looks along another axis, or from the other side."""
    swap = {
        codes.OCCLUSAL_PROJECTION.value: codes.FRONTAL,
        codes.FRONTAL.value: codes.OCCLUSAL_PROJECTION,
        codes.RIGHT_LATERAL.value: codes.LEFT_LATERAL,
        codes.LEFT_LATERAL.value: codes.RIGHT_LATERAL,
    }
    item = ds.ViewCodeSequence[0]
    item.CodeValue = swap[item.CodeValue].value


def _swap_surface(ds: Dataset, true: Plan) -> None:
    swap = {
        Surface.OCCLUSAL: Surface.VESTIBULAR,
        Surface.VESTIBULAR: Surface.LINGUAL,
        Surface.LINGUAL: Surface.VESTIBULAR,
    }
    surface = Surface.VESTIBULAR if true.sight.surface is None else swap[true.sight.surface]
    item = ds.PrimaryAnatomicStructureSequence[0]
    item.PrimaryAnatomicStructureModifierSequence = modules.code_sequence(
        codes.SURFACE_CODES[surface]
    )


SWAPS: dict[str, Callable[[Dataset, Plan], None]] = {
    "laterality": _swap_laterality,
    "side of the region": _swap_region_side,
    "jaw of the region": _swap_jaw,
    "tooth of the other side": _swap_tooth,
    "tooth of the other jaw": _swap_tooth_jaw,
    "neighbour's code under the old meaning": _neighbour_by_code,
    "orientation flipped": _flip,
    "mirror state": _swap_modifier,
    "view": _change_view,
    "surface": _swap_surface,
}


@pytest.mark.parametrize("swap", SWAPS)
def test_a_single_swap_is_an_error_for_every_kind_of_tooth_and_view(swap: str) -> None:
    count = 0
    for true in _plans_of_single_teeth():
        for ds in (as_shot(true), corrected(true)):
            SWAPS[swap](ds, true)
            what = (true.sight.view, true.sight.teeth[0].iso, true.mirror, ds.ImageType[0])
            assert findings(ds, Severity.ERROR), what
            count += 1
    assert count >= 8 * len(TEETH)


def test_a_mirror_modifier_left_out_of_a_reflected_picture_is_an_error() -> None:
    for true in _plans_of_single_teeth():
        if true.stored_is_reflected:
            ds = as_shot(true)
            del ds.ViewCodeSequence[0].ViewModifierCodeSequence
            assert "truth-test" in findings(ds, Severity.ERROR)


def test_the_wrong_flip_in_the_modifier_is_an_error() -> None:
    swap = {
        codes.MIRRORED_CORRECTED_HORIZONTALLY.value: codes.MIRRORED_CORRECTED_VERTICALLY,
        codes.MIRRORED_CORRECTED_VERTICALLY.value: codes.MIRRORED_CORRECTED_HORIZONTALLY,
    }
    count = 0
    for true in _plans_of_single_teeth():
        ds = corrected(true)
        for item in ds.ViewCodeSequence[0].get("ViewModifierCodeSequence", ()):
            if item.CodeValue in swap:
                item.CodeValue = swap[item.CodeValue].value
                assert "turn-contradicts-modifier" in findings(ds, Severity.ERROR)
                count += 1
    assert count > 50


def test_earlier_generations_of_tooth_codes_are_noted_not_refused() -> None:
    # CID 4018 before 2022 had 23427002 for 26; SNOMED-RT style code of CID 4018 before that.
    true = plan(View.OCCLUSAL, (Tooth(2, 6),), mirror=True)
    for value, scheme in (("23427002", "SCT"),):
        ds = as_shot(true)
        item = ds.PrimaryAnatomicStructureSequence[0]
        item.CodeValue, item.CodingSchemeDesignator = value, scheme
        item.CodeMeaning = "Upper left first molar"
        assert findings(ds) == ["tooth-code-earlier"]


def test_a_radiograph_has_its_teeth_checked_but_not_its_view() -> None:
    true = plan(View.BUCCAL, (Tooth(3, 6),), mirror=False)
    ds = as_shot(true)
    ds.Modality = "IO"
    ds.PatientOrientation = ["R", "F"]
    assert findings(ds) == []
    ds.ImageLaterality = "R"
    assert "tooth-contradicts-laterality" in findings(ds, Severity.ERROR)


def test_a_photograph_of_skin_is_left_alone() -> None:
    ds = Dataset()
    ds.Modality = "XC"
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    region = Dataset()
    region.CodeValue, region.CodingSchemeDesignator = "14975008", "SCT"
    region.CodeMeaning = "Forearm"
    ds.AnatomicRegionSequence = [region]
    ds.ImageLaterality = "L"
    ds.PatientOrientation = ""
    assert findings(ds) == []


@pytest.mark.parametrize(
    ("view", "teeth", "said", "expected"),
    [
        (View.BUCCAL, (Tooth(1, 4),), "L", "'R'"),
        (View.BUCCAL, (Tooth(3, 6),), "R", "'L'"),
        (View.LABIAL, (Tooth(1, 1), Tooth(2, 1)), "R", "'B'"),
        (View.BUCCAL, (Tooth(1, 4),), "B", "'R'"),
        (View.LABIAL, (Tooth(1, 1), Tooth(2, 1)), "U", "'L' or 'R'"),
    ],
)
def test_the_laterality_that_the_teeth_ask_for_is_told(
    view: View, teeth: tuple[Tooth, ...], said: str, expected: str
) -> None:
    ds = as_shot(plan(view, teeth, mirror=False))
    ds.ImageLaterality = said
    report = ObjectFindings()
    check_clinical(_parsed(ds), report)
    (found,) = [f for f in report.findings if f.rule == "tooth-contradicts-laterality"]
    assert str(found.expected) == expected


@pytest.mark.parametrize(
    ("teeth", "fires"),
    [
        ((Tooth(1, 4), Tooth(1, 5)), True),
        ((Tooth(1, 3), Tooth(1, 4)), False),
        ((Tooth(1, 4), Tooth(2, 4)), False),
    ],
)
def test_surfaces_of_back_teeth_of_one_side_are_not_seen_from_the_front(
    teeth: tuple[Tooth, ...], fires: bool
) -> None:
    ds = as_shot(plan(View.BUCCAL, teeth[:1], mirror=False))
    ds.PrimaryAnatomicStructureSequence = [
        modules.set_anatomy(made := Dataset(), plan(View.BUCCAL, (one,), mirror=False), ())
        or made.PrimaryAnatomicStructureSequence[0]
        for one in teeth
    ]
    view = ds.ViewCodeSequence[0]
    view.CodeValue, view.CodeMeaning = codes.FRONTAL.value, codes.FRONTAL.meaning
    assert ("view-contradicts-side" in findings(ds)) is fires
