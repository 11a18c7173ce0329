"""Both instances of a photograph: every attribute that makes them what they are."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from datetime import timedelta

import pydicom
import pytest
from object_samples import (
    CREATED,
    PATIENT,
    VISIT,
    Made,
    entry,
    exif_block,
    make,
    picture,
    teeth_of,
)
from pydicom import Dataset
from pydicom.sr.codedict import codes as dictionary

from archiver.dentition import View
from archiver.dentition.codes import code_of
from archiver.dentition.correction import Operator
from archiver.dentition.orientation import Direction, Turn
from archiver.dentition.views import view_of
from archiver.objects import comments, describe, functional_state
from archiver.objects.modules import set_equipment
from archiver.objects.photograph import PhotographInstance
from archiver.objects.session import Circumstances, Crop


@pytest.fixture(autouse=True)
def _misspelt_keywords_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pydicom.config, "INVALID_KEYWORD_BEHAVIOR", "RAISE")


def both(made: Made) -> tuple[Dataset, Dataset]:
    assert made.corrected is not None
    return made.as_shot.dataset, made.corrected.dataset


def code(item: Dataset) -> tuple[str, str]:
    return item.CodeValue, item.CodingSchemeDesignator


def codes(sequence: list[Dataset]) -> list[tuple[str, str]]:
    return [code(item) for item in sequence]


def sct(*values: str) -> list[tuple[str, str]]:
    return [(v, "SCT") for v in values]


def orientation(ds: Dataset) -> str:
    return "\\".join(ds.PatientOrientation)


def context(ds: Dataset) -> list[str]:
    return [i.TextValue for i in ds.AcquisitionContextSequence if i.ValueType == "TEXT"]


def walk(ds: Dataset) -> Iterator[Dataset]:
    yield ds
    for element in ds:
        if element.VR == "SQ":
            for item in element.value:
                yield from walk(item)


# --- which instances there are ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("view", "teeth", "mirror", "exif", "crop", "second"),
    [
        ("buccal", "46", False, 1, None, False),
        ("buccal", "46", True, 1, None, True),
        ("buccal", "46", False, 3, None, True),
        ("buccal", "46", False, 1, Crop(0, 0, 32, 32), True),
        # A mirror shot that the camera has turned back itself is still a mirror's picture.
        ("buccal", "46", True, 2, None, True),
    ],
)
def test_a_second_instance_is_there_where_mirror_turn_or_crop_asks_for_it(
    view: str, teeth: str, mirror: bool, exif: int, crop: Crop | None, second: bool
) -> None:
    made = make(entry(view, teeth, mirror, crop=crop), picture(exif=exif_block(exif)))

    assert (made.corrected is not None) is second
    assert len(made.instances) == 1 + second


def test_the_photograph_as_shot_is_original_and_the_corrected_one_derived() -> None:
    as_shot, corrected = both(make(entry()))

    # PS3.3 C.8.12.1.1.6: value 3 is for stereo pairs only.
    assert list(as_shot.ImageType) == ["ORIGINAL", "PRIMARY"]
    assert list(corrected.ImageType) == ["DERIVED", "PRIMARY"]


def test_the_two_stand_in_series_of_their_own_in_one_study() -> None:
    as_shot, corrected = both(make(entry()))

    assert as_shot.StudyInstanceUID == corrected.StudyInstanceUID
    assert as_shot.SeriesInstanceUID != corrected.SeriesInstanceUID
    assert as_shot.SOPInstanceUID != corrected.SOPInstanceUID
    assert (as_shot.SeriesNumber, corrected.SeriesNumber) == (2, 1)  # what is right comes first
    assert {as_shot.Modality, corrected.Modality} == {"XC"}
    assert {str(d.SOPClassUID) for d in (as_shot, corrected)} == {"1.2.840.10008.5.1.4.1.1.77.1.4"}
    assert "reversed" in as_shot.SeriesDescription
    assert "right way round" in corrected.SeriesDescription


def test_photographs_of_one_session_share_their_series() -> None:
    one, other = both(make(entry())), both(make(entry(teeth="46"), number=2))

    assert [d.SeriesInstanceUID for d in one] == [d.SeriesInstanceUID for d in other]
    assert [d.InstanceNumber for d in (*one, *other)] == [1, 1, 2, 2]


# --- orientation --------------------------------------------------------------------------------


def test_patient_orientation_is_that_of_the_stored_pixels() -> None:
    # reference: displayed orientations of upper occlusal L\P (incisors up, common practice). The
    # mirror shot of an upper arch from the front shows A below: rows L, columns A, reflected.
    as_shot, corrected = both(make(entry("upper occlusal arch", "", True)))
    assert orientation(as_shot) == "L\\A"
    assert orientation(corrected) == "L\\P"

    # With EXIF orientation 6 the stored pixels lie a quarter turn anticlockwise of that: the left
    # edge of what is shown is at their bottom, the lower edge at their right.
    as_shot, corrected = both(
        make(entry("upper occlusal arch", "", True), picture(exif=exif_block(6)))
    )
    assert orientation(as_shot) == "A\\R"
    assert orientation(corrected) == "L\\P"


@pytest.mark.parametrize("exif", range(1, 9))
@pytest.mark.parametrize("mirror", [False, True])
def test_every_stored_picture_passes_the_truth_test_or_says_that_it_is_reflected(
    exif: int, mirror: bool
) -> None:
    made = make(entry("lingual", "46", mirror), picture(exif=exif_block(exif)))
    looking = {"R": (-1, 0, 0), "L": (1, 0, 0)}

    for instance in made.instances:
        ds = instance.dataset
        rows, columns = (Direction(v).vector for v in ds.PatientOrientation)
        # rows x columns by hand, on the axes L, P, H (PS3.3 C.7.6.1.1.1)
        normal = (
            rows[1] * columns[2] - rows[2] * columns[1],
            rows[2] * columns[0] - rows[0] * columns[2],
            rows[0] * columns[1] - rows[1] * columns[0],
        )
        modifiers = getattr(ds.ViewCodeSequence[0], "ViewModifierCodeSequence", [])
        reflected = ("789135000", "SCT") in codes(modifiers)
        assert normal == looking["L" if reflected else "R"]


@pytest.mark.parametrize(
    ("one", "exif", "modifiers"),
    [
        (entry(), 1, "789311000"),  # flipped top to bottom
        (entry("buccal", "46"), 1, "789310004"),  # flipped left to right
        (entry("buccal", "46"), 6, "787610003"),  # flipped over a diagonal
        (entry("incisal", "11"), 1, "789311000 789313002"),  # front teeth
        (entry("close-up", "", False), 3, "789131009"),
        (entry("buccal", "46", False), 3, ""),  # turned, never reflected
    ],
)
def test_view_modifiers_tell_the_move_that_undid_the_mirror(
    one: object, exif: int, modifiers: str
) -> None:
    _, corrected = both(make(one, picture(exif=exif_block(exif))))  # type: ignore[arg-type]

    found = getattr(corrected.ViewCodeSequence[0], "ViewModifierCodeSequence", [])
    assert codes(found) == sct(*modifiers.split())


def test_the_photograph_as_shot_says_that_it_is_mirrored_and_uncorrected() -> None:
    as_shot, _ = both(make(entry()))
    modifiers = as_shot.ViewCodeSequence[0].ViewModifierCodeSequence

    assert codes(modifiers) == sct("789135000")
    assert "REVERSED as shot" in as_shot.ImageComments


# --- the derived instance's past ----------------------------------------------------------------


def test_the_corrected_one_points_at_the_one_as_shot() -> None:
    as_shot, corrected = both(make(entry()))
    (source,) = corrected.SourceImageSequence

    assert source.ReferencedSOPInstanceUID == as_shot.SOPInstanceUID
    assert source.ReferencedSOPClassUID == as_shot.SOPClassUID
    purpose = dictionary.cid7202.SourceImageForImageProcessingOperation
    assert codes(source.PurposeOfReferenceCodeSequence) == [(purpose.value, "DCM")]
    (series,) = corrected.ReferencedSeriesSequence
    assert series.SeriesInstanceUID == as_shot.SeriesInstanceUID
    (instance,) = series.ReferencedInstanceSequence
    assert instance.ReferencedSOPInstanceUID == as_shot.SOPInstanceUID
    assert "SourceImageSequence" not in as_shot


def test_a_flip_keeps_places_but_for_their_orientation_and_tells_the_sources() -> None:
    as_shot, corrected = both(make(entry()))
    (source,) = corrected.SourceImageSequence

    # PS3.3 C.7.6.1: Patient Orientation is required in the item where REORIENTED_ONLY.
    assert source.SpatialLocationsPreserved == "REORIENTED_ONLY"
    assert source.PatientOrientation == as_shot.PatientOrientation


@pytest.mark.parametrize(
    ("crop", "size"), [(Crop(0, 0, 32, 32), (96, 64)), (None, (97, 61))], ids=["crop", "trim"]
)
def test_a_crop_or_a_trimmed_edge_does_not_keep_places(
    crop: Crop | None, size: tuple[int, int]
) -> None:
    _, corrected = both(make(entry(crop=crop), picture("4:2:0 baseline", *size)))
    (source,) = corrected.SourceImageSequence

    assert source.SpatialLocationsPreserved == "NO"
    assert "PatientOrientation" not in source


def test_what_the_camera_has_turned_back_itself_keeps_its_places() -> None:
    made = make(entry("buccal", "46", True), picture(exif=exif_block(2)))
    _, corrected = both(made)

    assert made.plan.correction is Turn.IDENTITY
    assert corrected.SourceImageSequence[0].SpatialLocationsPreserved == "YES"


def test_the_derivation_is_told_in_words_with_numbers() -> None:
    _, flipped = both(make(entry()))
    _, trimmed = both(make(entry(), picture("4:2:0 baseline", 97, 61)))
    _, cropped = both(make(entry(crop=Crop(3, 5, 40, 30))))
    _, lossless = both(make(entry(), picture("png")))

    assert flipped.DerivationDescription == "Flipped top to bottom; without decoding"
    # 61 rows of 16: the last 13 are no whole block.
    assert "left out 13 pixels at the top (incomplete blocks)" in trimmed.DerivationDescription
    assert trimmed.Rows == 48
    box = cropped.DerivationDescription.split("cropped to ")[1].split(" ")[0]
    assert box == "48x48+0+0"  # grown outward to blocks of 16
    assert (cropped.Columns, cropped.Rows) == (48, 48)
    assert lossless.DerivationDescription.endswith("kept by a lossless codec")


def test_places_in_pixels_that_the_camera_told_stay_with_the_pixels_as_shot() -> None:
    as_shot, corrected = both(make(entry(), picture(exif=exif_block())))

    assert list(as_shot.SubjectArea) == [20, 30, 8]
    assert "SubjectArea" not in corrected


# --- what it shows ------------------------------------------------------------------------------


def test_region_laterality_teeth_and_surface_are_coded() -> None:
    for ds in both(make(entry("buccal", "46,47"))):
        (region,) = ds.AnatomicRegionSequence
        assert code(region) == ("123851003", "SCT")  # CID 4028, mouth
        right = dictionary.cid244.Right
        assert codes(region.AnatomicRegionModifierSequence) == [(right.value, "SCT")]
        assert ds.ImageLaterality == "R"
        assert codes(ds.PrimaryAnatomicStructureSequence) == sct(
            *("863899008", "866005003"),
            "88176008",  # CID 4061, mandibular dental arch
        )
        for tooth in ds.PrimaryAnatomicStructureSequence[:2]:
            surface = tooth.PrimaryAnatomicStructureModifierSequence
            assert codes(surface) == sct("62579006")  # vestibular surface
        assert codes(ds.ViewCodeSequence) == sct("399198007")  # CID 4062, right lateral
        assert "Laterality" not in ds  # the series' own is left out (PS3.3 C.7.3.1)


@pytest.mark.parametrize(
    ("view", "teeth", "region", "structure", "side", "code_value"),
    [
        ("upper occlusal arch", "", "123851003", "39481002", "U", "260499007"),
        ("lower occlusal arch", "", "123851003", "88176008", "U", "260499007"),
        ("frontal", "", "123851003", "", "U", "399033003"),
        ("left buccal", "", "123851003", "", "L", "399173006"),
        ("palatal", "26", "123851003", "865988009 39481002", "L", "399173006"),
        ("lingual", "41", "123851003", "424575004 88176008", "R", "399033003"),
        ("labial", "11", "123851003", "422653006 39481002", "R", "399033003"),
        ("labial", "11,21", "123851003", "", "B", "399033003"),
        ("face", "", "774007", "89545001", "U", "399033003"),
        ("right profile", "", "774007", "89545001", "R", "399198007"),
        ("close-up smile", "", "774007", "89545001", "U", "399033003"),
    ],
)
def test_region_structure_side_and_view_of_each_kind_of_view(
    view: str, teeth: str, region: str, structure: str, side: str, code_value: str
) -> None:
    """PS3.16 CID 4028 (regions), 4061 and 4018 (structures); U is unpaired (PS3.3 C.8.12.1)."""
    ds = make(entry(view, teeth, False)).as_shot.dataset

    assert codes(ds.AnatomicRegionSequence) == sct(region)
    assert ds.ImageLaterality == side
    assert codes(ds.ViewCodeSequence) == sct(code_value)
    structures = codes(ds.get("PrimaryAnatomicStructureSequence", ()))
    assert bool(structures) is bool(teeth or structure)
    if structure:
        assert structures == sct(*structure.split())
    assert ("AnatomicRegionModifierSequence" in ds.AnatomicRegionSequence[0]) is (side != "U")
    extraoral = view_of(view).is_extraoral
    assert ds.RecognizableVisualFeatures == ("YES" if extraoral else "NO")


def test_a_supernumerary_tooth_has_a_code_of_its_own() -> None:
    ds = make(entry("incisal", "11s", False)).as_shot.dataset

    named = codes(ds.PrimaryAnatomicStructureSequence)
    assert named == sct("2551000124100", "39481002")  # CID 4025; 4061, beside it its arch


def test_code_meanings_fit_their_attribute() -> None:
    for made in (make(entry("close-up", "", False)), make(entry("smile", "", False)), _full()):
        for instance in made.instances:
            for item in walk(instance.dataset):
                if "CodeMeaning" in item:
                    assert 0 < len(item.CodeMeaning) <= 64  # PS3.5 6.2, LO
                    assert "CodeValue" in item
                    assert "CodingSchemeDesignator" in item


# --- how it was taken ---------------------------------------------------------------------------


def _full() -> Made:
    how = Circumstances(
        "cheek retractor", "black", "twin flash", "crossed", "before", "laboratory", "written"
    )
    one = entry(confirmed_by="Haugen^Liv", comment="after air drying", circumstances=how)
    visit = dataclasses.replace(VISIT, clock_offset=-timedelta(minutes=3, seconds=10))
    return make(one, picture(exif=exif_block()), visit=visit)


def test_mirror_retractor_and_contraster_are_devices() -> None:
    for ds in both(_full()):
        mirror, retractor, contraster = ds.DeviceSequence
        assert code(mirror) == ("1332162007", "SCT")  # CID 4072
        assert code(retractor) == ("53535004", "SCT")
        assert retractor.DeviceDescription == "cheek retractor"
        assert code(contraster) == ("1332163002", "SCT")
        assert contraster.DeviceDescription == "black"


def test_a_direct_photograph_has_no_device() -> None:
    assert "DeviceSequence" not in make(entry("buccal", "46", False)).as_shot.dataset


def test_contributing_equipment_tells_who_confirmed_what_and_when() -> None:
    made = _full()
    for ds in both(made):
        camera, said = ds.ContributingEquipmentSequence
        # PS3.3 C.12.1.1.5, PS3.16 CID 7005.
        assert codes(camera.PurposeOfReferenceCodeSequence) == [("109101", "DCM")]
        assert codes(said.PurposeOfReferenceCodeSequence) == [("109103", "DCM")]
        assert (str(said.OperatorsName), said.ContributionDateTime[-5:]) == ("Haugen^Liv", "+0100")
        (confirmation,) = made.making.confirmations
        assert confirmation.shown in said.ContributionDescription
        named = [codes(i.ConceptNameCodeSequence)[0] for i in ds.AcquisitionContextSequence]
        assert ("121098", "DCM") not in named  # a role of CID 7453, no name of a concept


def test_the_acquisition_context_tells_how_it_was_taken() -> None:
    for ds in both(_full()):
        assert context(ds) == [
            "Camera clock: 2026:03:04 14:21:07.25 +01:00",
            "Added to the camera clock: -0:03:10",
            "Light: twin flash",
            "Polariser: crossed",
            "Stage of treatment: before",
            "Purpose: laboratory",
            "Consent: written",
            "Remark: after air drying",
        ]


def test_the_acquisition_context_is_there_and_empty_where_nothing_is_said() -> None:
    ds = make(entry()).as_shot.dataset

    assert list(ds.AcquisitionContextSequence) == []  # type 2 (PS3.3 C.7.6.14)


def test_a_smile_is_told_as_a_functional_condition() -> None:
    (item,) = make(entry("smile", "", False)).as_shot.dataset.AcquisitionContextSequence

    assert codes(item.ConceptNameCodeSequence) == [("130324", "DCM")]
    assert codes(item.ConceptCodeSequence) == sct("225583004")  # CID 4066, smiles


@pytest.mark.parametrize(
    ("state", "view", "condition"),
    [
        ("in occlusion", "frontal", "110320000"),  # CID 4069, centric occlusion
        ("lips relaxed", "right profile", "1336028006"),  # CID 4066
        ("lips closed", "face", "1336029003"),  # CID 4066
        ("lips relaxed", "smile", "1336028006"),
        ("mandible forward", "right profile", "1336026005"),  # CID 4066
        ("teeth apart", "frontal", ""),
        ("", "frontal", ""),
    ],
)
def test_what_teeth_and_lips_do_is_told(state: str, view: str, condition: str) -> None:
    how = Circumstances(functional_state=state)
    made = make(entry(view, "", False, circumstances=how))
    ds = made.as_shot.dataset
    found = [codes(i.ConceptCodeSequence) for i in ds.AcquisitionContextSequence]
    smiles = [sct("225583004")] if view == "smile" else []
    assert found == [*smiles, *([sct(condition)] if condition else [])]
    modifiers = ds.ViewCodeSequence[0].get("ViewModifierCodeSequence", [])
    apart = sct("789130005")  # CID 4065, photo image mouth partially opened, teeth apart
    assert (apart[0] in codes(modifiers)) == (state == "teeth apart")
    assert functional_state(ds) == state
    assert describe(ds).view is View(view)
    plain = make(entry(view, "", False)).as_shot.dataset
    assert (ds.SOPInstanceUID == plain.SOPInstanceUID) == (not state)


def test_magnification_and_side_are_told_in_words() -> None:
    how = Circumstances(magnification="1:2", seen_from="right")
    said = comments(make(entry("smile", "", False, circumstances=how)).as_shot.dataset)
    assert (said["Magnification"], said["Seen from"]) == ("1:2", "right")


def test_times_are_the_cameras_with_the_sessions_correction_in_one_zone() -> None:
    for ds in both(_full()):
        assert (ds.AcquisitionDate, ds.AcquisitionTime) == ("20260304", "141757.250000")
        assert (ds.ContentDate, ds.ContentTime) == ("20260304", "141757.250000")
        assert ds.AcquisitionDateTime == "20260304141757.250000+0100"
        assert ds.TimezoneOffsetFromUTC == "+0100"
        assert (ds.InstanceCreationDate, ds.InstanceCreationTime) == ("20260305", "093015")


def test_the_time_of_making_is_told_in_the_cameras_zone() -> None:
    ds = make(entry(), picture(exif=exif_block(offset="-08:00"))).as_shot.dataset

    assert CREATED.utcoffset() == timedelta(hours=1)
    assert ds.TimezoneOffsetFromUTC == "-0800"
    assert (ds.InstanceCreationDate, ds.InstanceCreationTime) == ("20260305", "003015")


def test_a_time_without_zone_is_given_without_zone() -> None:
    ds = make(entry(), picture(exif=exif_block(offset=""))).as_shot.dataset

    assert ds.AcquisitionDateTime == "20260304142107.250000"
    assert "TimezoneOffsetFromUTC" not in ds


def test_a_file_that_tells_no_time_has_none() -> None:
    ds = make(entry(), picture()).as_shot.dataset

    assert not {"AcquisitionDate", "AcquisitionDateTime", "ContentDate"} & set(ds.dir())
    assert ds.InstanceCreationDate == "20260305"


def test_the_program_is_the_equipment_and_the_camera_contributed() -> None:
    for ds in both(make(entry(), picture(exif=exif_block()))):
        assert ds.ManufacturerModelName == "archiver"
        assert ds.SoftwareVersions
        (camera,) = ds.ContributingEquipmentSequence
        purpose = dictionary.cid7005.AcquisitionEquipment
        assert codes(camera.PurposeOfReferenceCodeSequence) == [(purpose.value, "DCM")]
        assert (camera.Manufacturer, camera.ManufacturerModelName) == ("Quillon", "Quillon D5")
        assert (camera.DeviceSerialNumber, camera.SoftwareVersions) == ("00417", "1.02")


@pytest.mark.parametrize(
    ("claims", "told"),
    [
        ({"make": "Quillon", "model": ""}, ("Quillon", None)),
        ({"make": "", "model": "Quillon D5"}, ("unknown", "Quillon D5")),
        ({"make": "", "model": ""}, None),
    ],
)
def test_a_camera_that_tells_its_maker_or_its_model_contributed(
    claims: dict[str, str], told: tuple[str, str | None] | None
) -> None:
    photo = make(entry(), picture(exif=exif_block())).making.photo
    photo = dataclasses.replace(photo, claims=dataclasses.replace(photo.claims, **claims))
    ds = Dataset()
    set_equipment(ds, photo, None)
    found = [
        (item.Manufacturer, item.get("ManufacturerModelName"))
        for item in ds.get("ContributingEquipmentSequence", ())
    ]
    assert found == ([] if told is None else [told])


def test_camera_settings_are_carried_over() -> None:
    ds = make(entry(), picture(exif=exif_block())).as_shot.dataset

    assert float(ds.FNumber) == 22
    assert float(ds.ExposureTimeInSeconds) == pytest.approx(1 / 125)
    assert ds.PhotographicSensitivity == 200
    assert ds.LensModel == "Quillon 100 mm macro"
    assert (ds.FlashFiringStatus, ds.FlashMode) == (1, 1)


# --- pixels and colour --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "photometric", "samples", "lossy", "method"),
    [
        ("4:2:0 baseline", "YBR_FULL_422", 3, "01", "ISO_10918_1"),
        ("4:4:4 progressive", "YBR_FULL_422", 3, "01", "ISO_10918_1"),
        ("grey baseline", "MONOCHROME2", 1, "01", "ISO_10918_1"),
        ("rgb baseline", "RGB", 3, "01", "ISO_10918_1"),
        ("png", "RGB", 3, "00", None),
        ("grey png", "MONOCHROME2", 1, "00", None),
        ("tiff", "RGB", 3, "00", None),
        ("webp", "RGB", 3, "01", None),
    ],
)
def test_pixels_and_their_lossy_past_are_described(
    kind: str, photometric: str, samples: int, lossy: str, method: str | None
) -> None:
    for ds in both(make(entry(), picture(kind))):
        assert (ds.PhotometricInterpretation, ds.SamplesPerPixel) == (photometric, samples)
        assert (ds.BitsAllocated, ds.BitsStored, ds.HighBit) == (8, 8, 7)
        assert ("PlanarConfiguration" in ds) is (samples == 3)
        assert ds.LossyImageCompression == lossy
        assert ds.get("LossyImageCompressionMethod") == method
        assert ("LossyImageCompressionRatio" in ds) is (lossy == "01")


def test_the_ratio_is_pixels_before_to_bytes_after() -> None:
    data = picture("4:4:4 baseline")
    ds = make(entry(), data).as_shot.dataset

    assert float(ds.LossyImageCompressionRatio) == pytest.approx(96 * 64 * 3 / len(data), rel=0.05)


def test_a_lossy_coding_without_a_term_is_told_in_words() -> None:
    ds = make(entry(), picture("webp")).as_shot.dataset

    assert context(ds) == ["Lossy coding of the camera file: WebP, which has no term in DICOM"]


def test_colour_has_an_input_device_profile_and_grey_has_none() -> None:
    for ds in both(make(entry(), picture(exif=exif_block()))):
        assert ds.ICCProfile[12:16] == b"scnr"  # PS3.3 C.11.15.1.1
        assert ds.ICCProfile[16:20] == b"RGB "
        assert ds.ColorSpace == "SRGB"
    for ds in both(make(entry(), picture("grey baseline"))):
        assert "ICCProfile" not in ds


# --- words for people ---------------------------------------------------------------------------


def test_image_comments_say_it_in_words_and_end_with_the_sheets_comment() -> None:
    as_shot, corrected = both(_full())

    assert as_shot.ImageComments == (
        "25 upper left second premolar (Universal 13), occlusal; through a mirror; "
        "REVERSED as shot, do not use for side; side confirmed by Liv Haugen. after air drying"
    )
    assert corrected.ImageComments == (
        "25 upper left second premolar (Universal 13), occlusal; through a mirror; "
        "right way round (flipped top to bottom); side confirmed by Liv Haugen. after air drying"
    )


def test_an_unconfirmed_side_is_said_in_every_instance() -> None:
    for ds in both(make(entry())):
        assert "side unconfirmed" in ds.ImageComments


def test_a_single_name_is_written_without_gaps() -> None:
    ds = make(entry(confirmed_by="Haugen^")).as_shot.dataset

    assert ds.ImageComments.endswith("side confirmed by Haugen.")


def test_patient_and_visit_are_those_of_the_session() -> None:
    for ds in both(make(entry())):
        assert (ds.PatientID, ds.IssuerOfPatientID) == ("P-0417", "RIVERBEND")
        assert (str(ds.PatientName), ds.PatientBirthDate, ds.PatientSex) == (
            "Okafor^Nadia",
            "19880217",
            "F",
        )
        assert (ds.StudyDate, ds.StudyTime, ds.AccessionNumber) == ("20260304", "142000", "A-2291")
        assert ds.StudyDescription == "Ceramic onlay, recall"
        assert ds.ReferringPhysicianName == ""
        assert ds.SpecificCharacterSet == "ISO_IR 192"


def test_a_photograph_that_joins_a_study_has_its_identifiers() -> None:
    visit = dataclasses.replace(
        VISIT, study_uid="1.2.840.99999.1", study_id="S7", referring_physician="Berg^Ola"
    )
    for ds in both(make(entry(), visit=visit)):
        assert (ds.StudyInstanceUID, ds.StudyID) == ("1.2.840.99999.1", "S7")
        assert ds.ReferringPhysicianName == "Berg^Ola"


def test_empty_optional_fields_leave_required_attributes_empty_and_others_out() -> None:
    patient = dataclasses.replace(PATIENT, name="", issuer="", birth_date=None, sex="")
    visit = dataclasses.replace(VISIT, time=None, accession="", description="")
    ds = make(entry(), patient=patient, visit=visit).as_shot.dataset

    for keyword in ("PatientName", "PatientBirthDate", "PatientSex", "AccessionNumber"):
        assert ds[keyword].value in ("", None)
    assert "IssuerOfPatientID" not in ds
    assert "StudyDescription" not in ds
    assert ds.StudyTime == ""  # PS3.3 C.7.2.1, type 2: nobody said when


def test_operator_and_top_decide_the_correction() -> None:
    front = make(entry("upper occlusal arch", "", True))
    behind = make(entry("upper occlusal arch", "", True, operator=Operator.BEHIND))
    said = make(entry("upper occlusal arch", "", True, top=Direction.ANTERIOR))

    assert front.plan.correction is Turn.FLIP_TOP_BOTTOM
    assert behind.plan.correction is Turn.FLIP_LEFT_RIGHT
    assert said.plan.correction is Turn.FLIP_LEFT_RIGHT


def test_teeth_are_named_from_the_right_of_the_patient_to_the_left() -> None:
    teeth = teeth_of("21,11,12")
    ds = make(entry("labial", "21,11,12", False)).as_shot.dataset

    assert codes(ds.PrimaryAnatomicStructureSequence) == [
        *((c.value, c.scheme) for c in (code_of(t) for t in teeth)),
        ("39481002", "SCT"),
    ]
    assert [t.iso for t in teeth] == ["12", "11", "21"]


def test_an_instance_tells_its_identifier() -> None:
    made = make(entry())

    assert isinstance(made.as_shot, PhotographInstance)
    assert made.as_shot.sop_instance_uid == made.making.identity.as_shot


def test_institution_and_photographer_are_told_where_they_are_said() -> None:
    said = dataclasses.replace(VISIT, institution="Harbour clinic", photographer="Haugen^Liv")
    for ds in both(make(entry(), visit=said)):
        assert ds.InstitutionName == "Harbour clinic"  # PS3.3 C.7.5.1
        assert ds.OperatorsName == "Haugen^Liv"  # PS3.3 C.7.3.1
    for ds in both(make(entry())):
        assert "InstitutionName" not in ds and "OperatorsName" not in ds
    uids = [make(entry(), visit=visit).as_shot.dataset.SOPInstanceUID for visit in (VISIT, said)]
    assert len(set(uids)) == 2


@pytest.mark.parametrize(
    ("frame", "control"),
    [("neutral reference", "BOTH"), ("shade tab", "BOTH"), ("cross-polarised", ""), ("", "")],
)
def test_a_frame_with_a_card_says_that_it_holds_quality_control(frame: str, control: str) -> None:
    how = Circumstances(colour_frame=frame)
    ds = make(entry("labial", "11", False, circumstances=how)).as_shot.dataset
    assert ds.get("QualityControlImage", "") == control  # PS3.3 C.7.6.1
