"""What becomes of every attribute of our objects, option by option, against the table."""

from __future__ import annotations

import io
import itertools
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from handover_samples import (
    ISSUER,
    PATIENT,
    agreed,
    camera_file,
    days_apart,
    hostile_archive,
    opened,
    order,
    photo,
    take,
)
from handover_samples import NOW as TODAY
from outside_verifiers import dcmtk, decoded_by_dcmtk, objections, reject
from pydicom import DataElement, Dataset, dcmread
from pydicom.datadict import dictionary_VR, keyword_for_tag
from test_published_table import COLUMNS, of_2024d, of_2026c

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.handover.case import Case
from archiver.handover.confidentiality import ConfidentialityOption
from archiver.handover.context import SOMEBODY, harmless
from archiver.handover.deidentify import Removal
from archiver.handover.meanings import meaning_of
from archiver.handover.package import hand_over
from archiver.handover.profiles import PurposeProfile, profile_of
from archiver.objects.description import describe
from archiver.objects.part10 import encoded
from archiver.objects.purposes import Purpose
from archiver.photo import icc
from archiver.standard.requirements import PHOTOGRAPHIC, AttributeRequirement, modules_of, rows_of

CASE = Case.of("1187", (PATIENT, ISSUER), b"s" * 32)
#: Letters of the table -> what may be seen of an attribute afterwards. X/Z and the like depend
#: on the type in PS3.3 (table E.1-1a).
OUTCOMES = {
    "X": {"removed"},
    "Z": {"empty", "dummy"},
    "D": {"dummy"},
    "K": {"kept"},
    "U": {"other uid"},
}


def profile(*options: ConfidentialityOption) -> PurposeProfile:
    return replace(profile_of(Purpose.LABORATORY), options=frozenset(options))


def attributes() -> list[AttributeRequirement]:
    """Every attribute of the photograph's modules, with its strictest type."""
    strictest: dict[int, AttributeRequirement] = {}
    for module in modules_of(PHOTOGRAPHIC, True):
        for tag, row in module.rows.by_tag.items():
            if tag not in strictest or row.kind < strictest[tag].kind:
                strictest[tag] = row
    return list(strictest.values())


VALUES: dict[str, object] = {
    "UI": "1.2.3.4", "DA": "20260304", "TM": "142000", "DT": "20260304142000", "PN": "Roe^Jo",
    "IS": "7", "DS": "1.5", "US": 3, "SS": 3, "UL": 3, "SL": 3, "FL": 1.5, "FD": 1.5,
    "CS": "YES", "AS": "030Y", "OB": b"ab", "OW": b"ab", "UN": b"ab", "OB or OW": b"ab", "AT": 0x1,
    "US or SS": 3, "OF": b"abcd", "OD": b"abcdefgh", "UR": "http://x.example", "AE": "STATION",
    "SV": 1, "UV": 1, "OL": b"abcd", "OV": b"abcdefgh",
}  # fmt: skip
#: Where only this has the shape or is known.
OWN_VALUES: dict[str, object] = {
    "TimezoneOffsetFromUTC": "+0100", "PatientOrientation": ["L", "F"],
    "ICCProfile": icc.input_profile(icc.SRGB),
}  # fmt: skip


def element(row: AttributeRequirement) -> DataElement:
    """An attribute with a value; of a sequence an item with all that it must have."""
    vr = dictionary_VR(row.tag)
    if vr == "SQ":
        item = Dataset()
        for inner in rows_of(row.inner).by_tag.values() if row.inner else ():
            if inner.kind in ("1", "2"):
                item.add(element(inner))
        if "CodeMeaning" in item:
            item.CodeValue, item.CodingSchemeDesignator = "121098", "DCM"
        return DataElement(row.tag, "SQ", [item])
    real = {"OB or OW": "OB", "US or SS": "US"}.get(vr, vr)
    value = OWN_VALUES.get(keyword_for_tag(row.tag), VALUES.get(vr, "soft light"))
    return DataElement(row.tag, real, value)


def outcome(before: DataElement, after: Dataset) -> str:
    if before.tag not in after:
        return "removed"
    value = after[before.tag].value
    if value is None or value == "" or value == []:
        return "empty"
    if value == before.value:
        return "kept"
    return "other uid" if before.VR == "UI" else "dummy"


def expected(action: str, kind: str, vr: str) -> set[str]:
    """What the table allows for an attribute of a type."""
    if action == "D" and vr == "SQ":
        return {"removed"}
    letters = action.replace("*", "").split("/")
    if len(letters) > 1:
        allowed = {"3": "X", "2": "ZDU", "1": "DU"}[kind[0]]
        letters = [one for one in letters if one in allowed] or letters[-1:]
    return set().union(*(OUTCOMES[one] for one in letters))


@pytest.mark.parametrize("option", [None, *ConfidentialityOption])
def test_every_listed_attribute_meets_the_action_of_the_published_table(
    option: ConfidentialityOption | None,
) -> None:
    basic, columns = of_2026c(), of_2024d()
    chosen = columns[COLUMNS[option.value][0]] if option else {}
    seen = 0
    for row in attributes():
        tag, kind, key = row.tag, row.kind, f"{row.tag:08x}"
        action = chosen.get(key) or basic.get(key, "")
        if not action:
            continue
        before = element(row)
        ds = Dataset()
        ds.add(before)
        after = Removal(CASE, profile(*([option] if option else []))).of(ds)
        told = outcome(before, after)
        seen += 1
        if action == "C":
            # Anything but what it was, save a time of day: the offset is of whole days.
            basic_says = expected(basic[key], kind, before.VR)
            assert told in basic_says | {"dummy"} or before.VR == "TM", (key, told)
        elif before.VR == "SQ" and told == "dummy":
            # A sequence that stays has other UIDs in its items.
            assert action in ("K", "X/Z/U*"), key
        else:
            assert told in expected(action, kind, before.VR), (keyword_for_tag(tag), action, told)
    assert seen > 140


def test_what_the_table_does_not_list_stays_unless_it_is_a_text_a_date_or_unknown() -> None:
    basic = of_2026c()
    for row in attributes():
        tag, before = row.tag, element(row)
        if f"{tag:08x}" in basic or before.VR == "SQ" or tag == 0x7FE00010:
            continue
        ds = Dataset()
        ds.add(before)
        told = outcome(before, Removal(CASE, profile()).of(ds))
        if before.VR in ("US", "SS", "UL", "SL", "FL", "FD", "IS", "DS", "AT", "SV", "UV") or (
            before.VR == "CS"
            and before.keyword
            not in (
                "PatientIdentityRemoved",
                "LongitudinalTemporalInformationModified",
                "SpecificCharacterSet",
            )
        ):
            assert told == "kept", keyword_for_tag(tag)
        elif before.keyword in ("Manufacturer", "ManufacturerModelName", "ICCProfile"):
            assert told == "kept"
        elif before.VR in ("LO", "SH", "LT", "ST", "UT", "UC", "PN", "DA", "TM", "DT", "OB", "OW"):
            assert told == "removed", keyword_for_tag(tag)


def test_attributes_go_at_every_depth_and_private_ones_everywhere() -> None:
    inner = Dataset()
    inner.Manufacturer = "soft light"
    inner.DeviceSerialNumber = "SN-1"
    inner.ContributionDescription = "by Jo Roe"
    inner.add(DataElement(0x00990010, "LO", "X"))
    inner.add(DataElement(0x00991001, "PN", "Roe^Jo"))
    ds = Dataset()
    ds.ContributingEquipmentSequence = [inner]
    ds.add(DataElement(0x00990010, "LO", "X"))
    ds.add(DataElement(0x00991001, "SQ", [Dataset()]))
    after = Removal(CASE, profile()).of(ds)
    assert [e.keyword for e in after.ContributingEquipmentSequence[0]] == ["Manufacturer"]
    assert not any(e.tag.is_private for e in after.iterall())


def test_uids_are_replaced_alike_within_a_case_and_otherwise_in_another() -> None:
    other = Case.of("1188", (PATIENT, ISSUER), b"s" * 32)
    elsewhere = Case.of("1187", (PATIENT, ISSUER), b"t" * 32)
    assert CASE.uid("1.2.3") == CASE.uid("1.2.3") != CASE.uid("1.2.4")
    assert len({c.uid("1.2.3") for c in (CASE, other, elsewhere)}) == 3
    for number in range(200):
        made = CASE.uid(f"1.2.{number}")
        assert len(made) <= 64 and made.startswith("2.25.")
        assert f"{int(made[5:]):032x}"[12] == "8"  # RFC 9562: the version of a UUID
        assert f"{int(made[5:]):032x}"[16] in "89ab"


def test_dates_of_a_case_are_moved_by_one_offset_of_whole_days_into_the_past() -> None:
    offsets = {Case.of(str(n), (PATIENT, ""), b"s" * 32).offset.days for n in range(50)}
    assert len(offsets) > 40 and max(offsets) <= -30
    moved = [CASE.moved(day) for day in ("20240229", "20260304", "20260304142010.5+0100")]
    assert days_apart("20240229", "20260304") == days_apart(moved[0], moved[1])
    assert moved[2] == moved[1] + "142010.5"
    assert days_apart(moved[1], "20260304") == -CASE.offset.days
    assert CASE.moved("20260231") == CASE.moved("2026") == CASE.moved("Okafor") == ""


@pytest.mark.parametrize("several", list(itertools.combinations(ConfidentialityOption, 2)))
def test_what_was_done_is_declared(
    several: tuple[ConfidentialityOption, ConfidentialityOption],
) -> None:
    after = Removal(CASE, profile(*several)).of(Dataset())
    assert after.PatientIdentityRemoved == "YES"
    codes = [i.CodeValue for i in after.DeidentificationMethodCodeSequence]
    assert codes[0] == "113100" and len(codes) == 3
    dates = {
        ConfidentialityOption.FULL_DATES: "UNMODIFIED",
        ConfidentialityOption.MODIFIED_DATES: "MODIFIED",
    }
    wanted = next((word for o, word in dates.items() if o in several), "REMOVED")
    assert after.LongitudinalTemporalInformationModified == wanted


def test_a_meaning_is_the_standards_own_and_a_code_that_it_lacks_goes() -> None:
    assert meaning_of("121098", "DCM") == "Verifying"
    assert meaning_of("T-54210", "SRT").startswith("Permanent maxillary right")
    assert meaning_of("P-0417", "99OKAFOR") == meaning_of("0", "SCT") == ""


@pytest.mark.parametrize(
    ("words", "stays"),
    [
        ("ring flash, 5500 K", True),
        ("cross-polarised, f/22", True),
        ("before preparation", True),
        ("twin flash at 1/125 s", True),
        ("ring flash of Nadia", False),
        ("Haugen's lamp", False),
        ("room 12-04-1988", False),
        ("19880217", False),
    ],
)
def test_words_of_a_person_stay_only_if_all_are_known(words: str, stays: bool) -> None:
    assert harmless(words) is stays


# --- whole objects ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("objects")
    archive = opened(folder)
    camera_file(folder / "1.JPG", 1)
    camera_file(folder / "2.JPG", 2, subsampling="4:2:0")
    camera_file(folder / "3.JPG", 3)
    camera_file(folder / "4.JPG", 4)
    how = ('light = "ring flash"', 'polariser = "crossed"', 'retraction = "cheek retractor"')
    take(archive, folder, [photo("1.JPG", *how), photo("2.JPG", tooth=36, view="lingual")])
    second = [photo("3.JPG", view="buccal", mirror=False), photo("4.JPG", tooth=0, view="frontal",
        mirror=False)]  # fmt: skip
    take(archive, folder, second, day="2026-04-08")
    agreed(archive)
    return archive


def twins(archive: Archive, folder: Path, purpose: Purpose) -> list[Path]:
    case = f"9{list(Purpose).index(purpose)}"
    package = hand_over(archive, order(folder, purpose=purpose, case=case), TODAY)
    return sorted(package.target.glob("*.dcm"))


def said_of(path: Path, purpose: Purpose) -> list[str]:
    """What dciodvfy says, but for media directories, which want the dates that are removed."""
    dates = {ConfidentialityOption.FULL_DATES, ConfidentialityOption.MODIFIED_DATES} & profile_of(
        purpose
    ).options
    said = objections(path)
    return said if dates else [s for s in said if not re.search("Study(Date|Time).*DICOMDIR", s)]


@pytest.mark.parametrize("purpose", [p for p in Purpose if "objects" in profile_of(p).holds])
def test_no_outside_verifier_objects_to_a_deidentified_object(
    archive: Archive, tmp_path: Path, purpose: Purpose
) -> None:
    paths = twins(archive, tmp_path, purpose)
    assert len(paths) == 4
    for path in paths:
        assert [*said_of(path, purpose), *reject(path)] == []
        done = subprocess.run([dcmtk("dcmconv"), path, tmp_path / "c.dcm"], capture_output=True)
        assert done.returncode == 0 and not done.stderr
        assert decoded_by_dcmtk(path).shape[:2] == (dcmread(path).Rows, dcmread(path).Columns)


def test_no_outside_verifier_objects_to_what_was_made_of_a_hostile_object(tmp_path: Path) -> None:
    for path in twins(hostile_archive(tmp_path), tmp_path, Purpose.LABORATORY):
        assert [*objections(path), *reject(path)] == []


def test_what_a_technician_needs_stays(archive: Archive, tmp_path: Path) -> None:
    paths = twins(archive, tmp_path, Purpose.LABORATORY)
    records = archive.query(Query(patient_id=PATIENT))
    originals = [describe(dcmread(r.path)) for r in records]
    for path in paths:
        ds = dcmread(path)
        told = describe(ds)
        (was,) = (
            o for o in originals if Case.of("90", (PATIENT, ISSUER), _secret(archive)).uid(
                o.sop_instance_uid) == told.sop_instance_uid
        )  # fmt: skip
        for name in ("teeth", "view", "surface", "orientation", "mirror", "laterality", "arch",
                     "role", "confirmed", "rows", "columns", "turn"):  # fmt: skip
            assert getattr(told, name) == getattr(was, name), name
        assert told.confirmed_by == SOMEBODY
        assert told.patient_id == "90" and not told.patient_name
        camera = ds.ContributingEquipmentSequence[0]
        assert (camera.Manufacturer, camera.ManufacturerModelName) == ("Lumora", "L1")
        assert bytes(ds.ICCProfile)[36:40] == b"acsp"


def _secret(archive: Archive) -> bytes:
    from archiver.archive.store.secret import secret_of

    return secret_of(archive.layout.root)


def test_a_study_stays_together_and_its_visits_as_far_apart(
    archive: Archive, tmp_path: Path
) -> None:
    objects = [dcmread(path) for path in twins(archive, tmp_path, Purpose.LABORATORY)]
    studies = [ds.StudyInstanceUID for ds in objects]
    assert studies[0] == studies[1] != studies[2] == studies[3]
    assert days_apart(objects[0].StudyDate, objects[2].StudyDate) == 35
    assert objects[0].AcquisitionTime and not objects[0].AccessionNumber


def test_without_an_option_for_dates_there_are_none(archive: Archive, tmp_path: Path) -> None:
    for path in twins(archive, tmp_path, Purpose.TEACHING):
        ds = dcmread(path)
        # Content Time is of type 1C: the action Z/D gives it a dummy.
        kept = [e for e in ds.iterall() if e.VR in ("DA", "DT", "TM") and e.value]
        assert {(e.keyword, e.value) for e in kept} <= {("ContentTime", "000000")}
        assert ds.LongitudinalTemporalInformationModified == "REMOVED"


def test_a_preamble_and_file_meta_are_written_anew(archive: Archive, tmp_path: Path) -> None:
    for path in twins(archive, tmp_path, Purpose.LABORATORY):
        assert path.read_bytes()[:128] == b"\0" * 128
        meta = dcmread(path).file_meta
        assert meta.MediaStorageSOPInstanceUID == dcmread(path).SOPInstanceUID
        assert "SourceApplicationEntityTitle" not in meta


def test_pixels_that_no_jpeg_holds_become_jpeg_without_loss(
    archive: Archive, tmp_path: Path
) -> None:
    from archiver.handover.frames import decode, frame_of

    (record, *_) = archive.query(Query(patient_id=PATIENT, role="original", mirror="direct"))
    ds = dcmread(record.path)
    pixels = np.asarray(ds.pixel_array)
    ds.decompress(as_rgb=True)
    out = io.BytesIO()
    ds.save_as(out, enforce_file_format=True)
    plain = dcmread(io.BytesIO(out.getvalue()))
    assert np.array_equal(decode(frame_of(plain, None).pixels), pixels)


def test_our_own_validator_has_nothing_to_say_of_a_deidentified_object(
    archive: Archive, tmp_path: Path
) -> None:
    from archiver.standard.validator import validate_file

    for path in twins(archive, tmp_path, Purpose.LABORATORY):
        assert validate_file(path) == []


def planted(rows: list[AttributeRequirement], word: str, depth: int = 0) -> Dataset:
    """A dataset with a word in every text, name, date, UID and bytes of its shape, to any depth."""
    ds = Dataset()
    for row in rows:
        vr = dictionary_VR(row.tag)
        if row.tag == 0x7FE00010 or row.tag >> 16 == 2:
            continue
        if vr == "SQ":
            inner = list(rows_of(row.inner).by_tag.values()) if row.inner and depth < 4 else []
            item = planted(inner, word, depth + 1)
            item.add(DataElement(0x00990010, "LO", word))
            item.add(DataElement(0x00991001, "UT", word))
            ds.add(DataElement(row.tag, "SQ", [item]))
        elif vr in ("OB", "OW", "UN", "OB or OW"):
            octets = word.encode("utf-8")
            ds.add(DataElement(row.tag, vr[:2], octets + b"\0" * (len(octets) % 2)))
        elif vr in ("PN", "LO", "SH", "LT", "ST", "UT", "UC", "UR", "AE"):
            ds.add(DataElement(row.tag, vr, word))
        elif vr == "UI":
            ds.add(DataElement(row.tag, vr, "1.2.99887766"))
        elif vr in ("DA", "DT", "CS", "AS"):
            value = {"DA": "19880217", "DT": "19880217", "CS": word.upper(), "AS": "038Y"}[vr]
            ds.add(DataElement(row.tag, vr, value))
    return ds


@pytest.mark.parametrize(
    "several", [(), *((o,) for o in ConfidentialityOption if o is not ConfidentialityOption.UIDS)]
)
def test_a_word_planted_in_every_attribute_at_every_depth_is_in_none(
    several: tuple[ConfidentialityOption, ...],
) -> None:
    ds = planted(attributes(), "Quillfeather")
    ds.SpecificCharacterSet = "ISO_IR 192"
    assert encoded(ds).upper().count(b"QUILLFEATHER") > 500
    after = encoded(Removal(CASE, profile(*several)).of(ds)).upper()
    # The patient's name goes from what an option keeps, too.
    assert b"QUILLFEATHER" not in after
    assert ConfidentialityOption.PATIENT_CHARACTERISTICS in several or b"038Y" not in after
    # Of a device its UID and the days of its making are kept by that option.
    assert ConfidentialityOption.DEVICE_IDENTITY in several or b"99887766" not in after
    assert {ConfidentialityOption.FULL_DATES, ConfidentialityOption.DEVICE_IDENTITY} & set(
        several
    ) or b"19880217" not in after
