"""Reading the meaning back out of instances: our own, earlier generations, others', broken ones."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import pydicom
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from object_samples import (
    CREATED,
    PATIENT,
    VISIT,
    entry,
    make,
    meanings,
    picture,
    session_of,
    write,
)
from pydicom import Dataset
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.sr._snomed_dict import mapping as snomed
from pydicom.tag import Tag

from archiver.dentition.codes import Code
from archiver.dentition.correction import Operator
from archiver.dentition.orientation import Orientation, Turn
from archiver.dentition.teeth import ALL_TEETH, Arch, Tooth
from archiver.dentition.views import Surface, View
from archiver.objects import photograph
from archiver.objects.coded_meaning import comments
from archiver.objects.confirmation import Confirmation
from archiver.objects.description import Description, describe
from archiver.objects.modules import code_item, code_sequence
from archiver.objects.photograph import Making
from archiver.objects.photograph_meaning import read_meaning
from archiver.objects.session import Circumstances, Photograph
from archiver.objects.uids import DerivedUids
from archiver.photo.camera_reader import read_camera_bytes
from archiver.photo.encoding import JPEG_BASELINE, Box, Corrected, EncodedPixels

CAMERA_FILE = read_camera_bytes(picture(), "IMG_0101.JPG")


def made_without_pixels(one: Photograph, exif: int) -> tuple[Making, Dataset, Dataset | None]:
    """Both datasets, for pixels that nobody encodes."""
    plan = one.plan(exif)
    session = session_of(one)
    identity = photograph.identify(session, one, plan, "0" * 64, "trim", DerivedUids())
    seen = photograph.examined(session, one, plan, CAMERA_FILE, edges="trim")
    said = (Confirmation.of(seen, one.confirmed_by, CREATED),) if one.confirmed_by else ()
    making = Making(session, one, plan, CAMERA_FILE, identity, 3, None, CREATED, said)
    pixels = EncodedPixels(b"", JPEG_BASELINE, "YBR_FULL_422", 3, 64, 96)
    corrected = None
    if identity.corrected is not None:
        result = Corrected(pixels, Box(0, 0, 96, 64))
        corrected = photograph.corrected(making, result).dataset
    return making, photograph.as_shot(making, pixels).dataset, corrected


def stored_and_read(ds: Dataset) -> Dataset:
    """The dataset as it comes back from a file."""
    buffer = io.BytesIO()
    ds.save_as(buffer, implicit_vr=False, little_endian=True)
    buffer.seek(0)
    return pydicom.dcmread(buffer, force=True)


def check(one: Photograph, exif: int) -> None:
    making, original, derived = made_without_pixels(one, exif)
    plan = making.plan
    reflected = plan.stored_is_reflected
    turned_back = (one.mirror or reflected) and not one.view.is_extraoral
    expected = {
        "original": (
            "uncorrected" if reflected else "corrected" if one.mirror else "direct",
            plan.stored,
            (),
            None,
        ),
        "derived": (
            "corrected" if turned_back else "direct",
            plan.display,
            (making.identity.as_shot,),
            plan.correction,
        ),
    }
    for role, ds in (("original", original), ("derived", derived)):
        if ds is None:
            continue
        found = describe(stored_and_read(ds))
        mirror, orientation, sources, turn = expected[role]
        assert found.role == role
        assert found.view is plan.sight.view
        assert found.teeth == plan.sight.teeth
        assert found.surface is plan.sight.surface
        assert found.laterality == plan.laterality
        assert found.mirror == mirror
        assert found.orientation == orientation
        assert found.source_uids == sources
        assert found.turn is turn
        assert found.confirmed is bool(one.confirmed_by)
        assert found.confirmed_by == one.confirmed_by
        assert found.is_photograph
        if plan.sight.arch is not None:
            assert found.arch is plan.sight.arch


@st.composite
def sayings(draw: st.DrawFn) -> tuple[Photograph, int]:
    view = draw(st.sampled_from(View))
    teeth = draw(st.sampled_from(meanings(view)))
    one = Photograph(
        Path("IMG_0101.JPG"),
        view,
        draw(st.booleans()) and not view.is_extraoral,
        teeth,
        operator=draw(st.sampled_from(Operator)),
        confirmed_by=draw(st.sampled_from(["", "Haugen^Liv", "王^小明"])),
        circumstances=Circumstances(draw(st.sampled_from(["", "cheek retractor"]))),
    )
    return one, draw(st.integers(1, 8))


@settings(max_examples=400, deadline=None)
@given(sayings())
def test_what_was_said_is_read_back(saying: tuple[Photograph, int]) -> None:
    check(*saying)


@pytest.mark.parametrize("view", View)
@pytest.mark.parametrize("mirror", [False, True])
def test_every_tooth_in_every_view_is_read_back(view: View, mirror: bool) -> None:
    for number, teeth in enumerate(t for t in meanings(view) if len(t) == 1):
        if not (mirror and view.is_extraoral):
            check(Photograph(Path("x"), view, mirror, teeth), number % 8 + 1)


def test_the_frame_of_the_description_is_the_sessions(tmp_path: Path) -> None:
    made = make(entry())

    found = describe(pydicom.dcmread(write(made.as_shot, tmp_path)))

    assert found.patient_id == PATIENT.id
    assert (found.issuer, found.patient_name) == ("RIVERBEND", "Okafor^Nadia")
    assert (found.birth_date, found.sex) == ("19880217", "F")
    assert (found.study_date, found.study_time) == ("20260304", "142000")
    assert (found.accession, found.study_description) == (VISIT.accession, VISIT.description)
    assert (found.rows, found.columns, found.instance_number) == (64, 96, 1)
    assert found.sop_instance_uid == made.as_shot.sop_instance_uid


def test_comments_of_the_acquisition_context_are_read_by_their_first_words() -> None:
    how = Circumstances(light="twin: crossed", consent="written")
    ds = make(entry(circumstances=how)).as_shot.dataset

    assert comments(ds) == {"Light": "twin: crossed", "Consent": "written"}


# --- other generations and other objects --------------------------------------------------------

# reference: PS3.16 CID 4018 before 2022-09-22 (HL7 Dental Data Exchange, crosswalk, 2020).
EARLIER = {"11": "22120004", "16": "5140004", "36": "89625000", "43": "47055002", "46": "28480000"}


def radiograph(*structures: Code, **other: str) -> Dataset:
    """An intraoral radiograph as other programs write it (PS3.3 C.8.11.9)."""
    ds = Dataset()
    ds.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    ds.Modality = "IO"
    ds.PatientID = "P-0417"
    ds.ImageType = ["ORIGINAL", "PRIMARY", ""]
    ds.PrimaryAnatomicStructureSequence = code_sequence(*structures)
    for keyword, value in other.items():
        setattr(ds, keyword, value)
    return ds


@pytest.mark.parametrize(("iso", "value"), EARLIER.items())
def test_a_radiograph_with_an_earlier_code_is_read_as_the_same_tooth(iso: str, value: str) -> None:
    found = describe(radiograph(Code(value, "SCT", "in other words")))

    assert [t.iso for t in found.teeth] == [iso]


def test_the_codes_of_snomed_rt_are_read_as_the_same_teeth() -> None:
    # T-54280 and T-54480 with pydicom's own map to SNOMED CT as the second opinion.
    pairs = {srt: sct for srt, sct in snomed["SRT"].items() if srt in ("T-54280", "T-54320")}
    assert pairs
    for srt, sct in pairs.items():
        old = describe(radiograph(Code(srt, "SRT", "x"))).teeth
        new = describe(radiograph(Code(sct, "SCT", "x"))).teeth
        assert old == new != ()


def test_a_radiograph_has_teeth_and_arch_but_is_no_photograph() -> None:
    ds = radiograph(Code("866006002", "SCT", "x"), ImageLaterality="L")
    ds.AnatomicRegionSequence = code_sequence(Code("91609006", "SCT", "Mandible"))
    found = describe(ds)

    assert [t.iso for t in found.teeth] == ["36"]
    assert (found.arch, found.laterality) == (Arch.LOWER, "L")
    assert not found.is_photograph
    assert (found.view, found.mirror, found.confirmed, found.role) == (None, None, None, None)


def test_a_code_of_no_tooth_is_left_out() -> None:
    found = describe(radiograph(Code("38199008", "SCT", "Tooth"), Code("x", "99MINE", "x")))

    assert found.teeth == ()


def test_the_scheme_of_a_code_counts() -> None:
    assert describe(radiograph(Code("866006002", "99MINE", "x"))).teeth == ()


@pytest.mark.parametrize("uncorrected", ["789135000", "789134001", "789133007", "789132002"])
def test_every_modifier_of_an_uncorrected_mirror_picture_is_understood(uncorrected: str) -> None:
    ds = make(entry()).as_shot.dataset  # CID 4064
    modifier = ds.ViewCodeSequence[0].ViewModifierCodeSequence[0]
    modifier.CodeValue = uncorrected

    assert describe(ds).mirror == "uncorrected"


@pytest.mark.parametrize("corrected", ["787610003", "789310004", "789311000", "789312007"])
def test_every_modifier_of_a_corrected_mirror_picture_is_understood(corrected: str) -> None:
    made = make(entry())  # CID 4065
    assert made.corrected is not None
    ds = made.corrected.dataset
    ds.ViewCodeSequence[0].ViewModifierCodeSequence[0].CodeValue = corrected

    assert describe(ds).mirror == "corrected"


def test_a_photograph_of_another_program_without_codes_is_read_as_far_as_it_goes() -> None:
    ds = Dataset()
    ds.Modality = "XC"
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.PatientOrientation = ["L", "FP"]
    found = describe(ds)

    assert (found.view, found.surface, found.teeth) == (None, None, ())
    assert (found.mirror, found.confirmed, found.role) == ("direct", False, "original")
    assert str(found.orientation) == "L\\F"


@pytest.mark.parametrize(
    "values", [[], ["L"], ["L", "R"], ["L", "L"], ["X", "Y"], ["L", "F", "A"], "L", None]
)
def test_an_orientation_that_cannot_be_meant_is_none(values: object) -> None:
    ds = Dataset()
    ds.Modality = "XC"
    ds.PatientOrientation = values

    assert describe(ds).orientation is None


def test_an_empty_dataset_is_described_by_nothing() -> None:
    found = describe(Dataset())

    assert {v for v in vars(found).values() if v not in ("", None, ())} == set()


# --- broken ones --------------------------------------------------------------------------------

_KEYWORDS = (
    "Modality",
    "ImageType",
    "PatientID",
    "PatientName",
    "PatientOrientation",
    "Rows",
    "InstanceNumber",
    "PrimaryAnatomicStructureSequence",
    "AnatomicRegionSequence",
    "ViewCodeSequence",
    "DeviceSequence",
    "AcquisitionContextSequence",
    "SourceImageSequence",
    "AcquisitionDateTime",
    "StudyDate",
    "DerivationDescription",
    "ImageLaterality",
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(_KEYWORDS),
            st.sampled_from(["SQ", "CS", "IS", "US", "UN", "OB", "PN", "DS", "LO", "??", "AT"]),
            st.binary(max_size=24),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_broken_attributes_never_raise(broken: list[tuple[str, str, bytes]]) -> None:
    ds = make_original()
    for keyword, vr, octets in broken:
        tag = Tag(keyword)
        raw = RawDataElement(tag, vr, len(octets), octets, 0, False, True)
        ds._dict[tag] = raw

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert isinstance(describe(ds), Description)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(_KEYWORDS), st.data())
def test_attributes_of_another_kind_never_raise(keyword: str, data: st.DataObject) -> None:
    ds = make_original()
    item = Dataset()
    item.CodeValue = "x"
    vr, value = data.draw(
        st.sampled_from([("SQ", [item]), ("SQ", []), ("LO", "x"), ("LO", ["a", "b"]), ("IS", "7")])
    )
    ds[keyword] = DataElement(Tag(keyword), vr, value)

    assert isinstance(describe(ds), Description)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_file_with_bytes_overwritten_never_raises(data: st.DataObject) -> None:
    buffer = io.BytesIO()
    make_original().save_as(buffer, implicit_vr=False, little_endian=True)
    octets = bytearray(buffer.getvalue())
    for _ in range(data.draw(st.integers(1, 6))):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            ds = pydicom.dcmread(io.BytesIO(octets), force=True)
        except Exception:
            return  # whoever reads the file tells that
        assert isinstance(describe(ds), Description)


def make_original() -> Dataset:
    _, original, _ = made_without_pixels(entry(confirmed_by="Haugen^Liv"), 1)
    return original


def test_the_samples_hold_every_tooth_and_every_surface() -> None:
    named = {t for view in View for teeth in meanings(view) for t in teeth}
    seen = {
        describe(made_without_pixels(Photograph(Path("x"), v, False, t), 1)[1]).surface
        for v, t in (
            (View.OCCLUSAL, (Tooth(1, 6),)),
            (View.BUCCAL, (Tooth(1, 6),)),
            (View.LINGUAL, (Tooth(3, 6),)),
        )
    }

    assert set(ALL_TEETH) <= named
    assert seen == {Surface.OCCLUSAL, Surface.VESTIBULAR, Surface.LINGUAL}


def test_directions_and_turns_are_values_of_the_algebra() -> None:
    _, _, derived = made_without_pixels(entry(), 1)
    assert derived is not None
    found = describe(derived)

    assert isinstance(found.orientation, Orientation)
    assert found.turn is Turn.FLIP_TOP_BOTTOM
    assert code_item(Code("1", "DCM", "x")).CodeValue == "1"


@pytest.mark.parametrize(
    ("view", "teeth"),
    [("upper occlusal arch", ""), ("lower occlusal arch", ""), ("face", ""), ("smile", "11")],
)
def test_an_arch_or_a_face_that_an_earlier_version_named_as_a_region_is_read_alike(
    view: str, teeth: str
) -> None:
    ds = make(entry(view, teeth, False)).as_shot.dataset
    now = describe(stored_and_read(ds))
    part = ds.PrimaryAnatomicStructureSequence.pop()
    ds.AnatomicRegionSequence[0].CodeValue = part.CodeValue
    ds.AnatomicRegionSequence[0].CodeMeaning = part.CodeMeaning
    before = describe(stored_and_read(ds))
    assert (before.view, before.arch, before.teeth) == (now.view, now.arch, now.teeth)


# --- the sheet's own comment -------------------------------------------------------------------


def _reread(ds: Dataset) -> str:
    return read_meaning(ds, None, "0" * 64).photograph.comment


def test_the_comment_is_read_from_its_own_item_whatever_language_image_comments_have() -> None:
    ds = make(entry(comment="after air drying; Dr. Haugen: 2nd try. Good")).as_shot.dataset
    ds.ImageComments = "25, okklusal; durch Spiegel. after air drying"
    assert _reread(ds) == "after air drying; Dr. Haugen: 2nd try. Good"


@pytest.mark.parametrize("said", ["", "after air drying"])
def test_the_comment_of_an_earlier_version_is_what_stands_behind_its_words(said: str) -> None:
    ds = make(entry(comment=said)).as_shot.dataset
    ds.AcquisitionContextSequence = []
    assert _reread(ds) == said


def test_words_of_another_version_are_no_comment_and_those_of_another_program_are_one() -> None:
    ds = make(entry()).as_shot.dataset
    ds.ImageComments = "25, biting surface; side unconfirmed."
    assert _reread(ds) == ""
    ds.Manufacturer = "Another"
    assert _reread(ds) == "25, biting surface; side unconfirmed."


def test_the_predecessor_is_the_last_instance_that_original_attributes_say_was_replaced() -> None:
    ds = make(entry()).as_shot.dataset
    changes = []
    for uid in ("1.2.3", "1.2.4", ""):
        change, before = Dataset(), Dataset()
        before.PatientName = "Okafor^Nadia"
        if uid:
            before.SOPInstanceUID = uid
        change.ModifiedAttributesSequence = [before]
        changes.append(change)
    assert describe(ds).predecessor == ""
    ds.OriginalAttributesSequence = changes
    assert describe(ds).predecessor == "1.2.4"
