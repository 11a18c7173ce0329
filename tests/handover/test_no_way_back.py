"""What an attacker tries with a package: dates to subtract, words that somebody typed somewhere."""

from __future__ import annotations

import itertools
import struct
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from byte_search import layers
from handover_samples import NOW, agreed, camera_file, hostile_archive, opened, order, photo, take
from pydicom import DataElement, Dataset, dcmread
from pydicom.datadict import DicomDictionary, dictionary_VR
from pydicom.dataelem import RawDataElement
from pydicom.tag import Tag

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.handover.case import Case
from archiver.handover.confidentiality import ConfidentialityOption
from archiver.handover.deidentify import Removal
from archiver.handover.known_values import is_known
from archiver.handover.moments import Moments
from archiver.handover.package import hand_over
from archiver.handover.profiles import profile_of
from archiver.objects.part10 import encoded
from archiver.objects.purposes import Purpose
from archiver.photo import bare_profile, icc

CASE = Case.of("1187", ("P-0417", "RIVERBEND"), b"s" * 32)
MOVING = [p for p in Purpose if ConfidentialityOption.MODIFIED_DATES in profile_of(p).options]
VISITS = (date(2026, 3, 4), date(2026, 4, 8))


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two visits, of which the second is archived on the day before the hand-over."""
    folder = tmp_path_factory.mktemp("visits")
    archive = opened(folder)
    for number, day in enumerate(VISITS, 1):
        camera_file(folder / f"{number}.JPG", number)
        take(archive, folder, [photo(f"{number}.JPG")], day=day.isoformat())
    agreed(archive)
    return archive


def moments_in(folder: Path) -> list[tuple[str, str]]:
    """Every date and time of every object of a package, as representation and text."""
    return [
        (str(element.VR), str(element.value))
        for path in sorted(folder.glob("*.dcm"))
        for element in dcmread(path).iterall()
        if element.VR in ("DA", "TM", "DT") and element.value
    ]


def days_in(folder: Path) -> set[date]:
    found = [text for vr, text in moments_in(folder) if vr != "TM"]
    return {date(int(t[:4]), int(t[4:6]), int(t[6:8])) for t in found}


@pytest.mark.parametrize("purpose", MOVING)
def test_the_only_days_of_a_package_are_those_of_its_visits(
    archive: Archive, tmp_path: Path, purpose: Purpose
) -> None:
    package = hand_over(archive, order(tmp_path, purpose=purpose), NOW)
    days = sorted(days_in(package.target))
    # As far apart as the visits: nothing else is among them that an attacker could subtract
    # from the day of hand-over, of archiving or of birth.
    assert len(days) == 2 and days[1] - days[0] == VISITS[1] - VISITS[0]


@pytest.mark.parametrize("purpose", MOVING)
def test_times_of_day_are_hours(archive: Archive, tmp_path: Path, purpose: Purpose) -> None:
    package = hand_over(archive, order(tmp_path, purpose=purpose), NOW)
    found = moments_in(package.target)
    assert {text for vr, text in found if vr == "TM"} == {"14"}
    assert {len(text) for vr, text in found if vr == "DT"} == {10}


def test_the_offset_of_one_case_says_nothing_of_anothers() -> None:
    offsets = [Case.of(str(n), ("P-0417", ""), b"s" * 32).offset.days for n in range(400)]
    steps = {later - earlier for earlier, later in itertools.pairwise(offsets)}
    assert len(set(offsets)) > 350 and len(steps) > 350
    patients = {Case.of("1187", (f"P-{n}", ""), b"s" * 32).offset.days for n in range(400)}
    assert len(patients) > 350


def test_a_package_made_on_another_day_is_the_same(archive: Archive, tmp_path: Path) -> None:
    def made(name: str, now: datetime) -> dict[str, tuple[str, int]]:
        return hand_over(archive, order(tmp_path, target=tmp_path / name), now).files

    later = NOW + timedelta(days=17, hours=3)
    assert made("now", NOW) == made("later", later)


def foreign() -> Dataset:
    """An object of another program with a day of each kind, all of them known to outsiders."""
    ds = Dataset()
    ds.StudyDate, ds.StudyTime = "20260304", "142010.5"
    ds.SeriesDate, ds.SeriesTime = "20261124", "101500"
    ds.AcquisitionDate, ds.AcquisitionTime = "20260304", "142110"
    ds.ContentDate, ds.ContentTime = "20261124", "101501"
    ds.InstanceCreationDate, ds.InstanceCreationTime = "20260304", "235959"
    ds.AcquisitionDateTime = "20260304142110+0100"
    ds.PerformedProcedureStepStartDate = "20260304"
    ds.LongitudinalTemporalOffsetFromEvent, ds.LongitudinalTemporalEventType = 12.0, "ENROLLMENT"
    equipment = Dataset()
    equipment.Manufacturer, equipment.ContributionDateTime = "x", "20261124"
    ds.ContributingEquipmentSequence = [equipment]
    return ds


@pytest.mark.parametrize("purpose", MOVING)
def test_days_of_making_and_of_other_events_do_not_move_along(purpose: Purpose) -> None:
    made = Removal(CASE, profile_of(purpose)).of(foreign())
    moved = {e.keyword: e.value for e in made.iterall() if e.VR in ("DA", "TM", "DT", "FD")}
    day = CASE.moved("20260304")
    assert moved == {
        "StudyDate": day,
        "StudyTime": "14",
        "AcquisitionDate": day,
        "AcquisitionTime": "14",
        "AcquisitionDateTime": f"{day}14",
        # Required beside pictures that belong together in time: a dummy, not the day of making.
        "ContentDate": "",
        "ContentTime": "000000",
    } | {k: v for k, v in moved.items() if k in ("ContentDate", "ContentTime") and v != day}
    assert "LongitudinalTemporalOffsetFromEvent" not in made


def test_days_from_an_event_are_not_beside_real_dates() -> None:
    made = Removal(CASE, profile_of(Purpose.PATIENT_COPY)).of(foreign())
    assert made.StudyDate == "20260304" and "LongitudinalTemporalOffsetFromEvent" not in made


@pytest.mark.parametrize("value", ["Okafor", "14:20", "1", "142010.", "１４"])
def test_what_is_no_time_of_day_is_not_taken_for_one(value: str) -> None:
    ds = foreign()
    ds.add(DataElement("StudyTime", "TM", value, validation_mode=0))
    assert Moments.of(ds, CASE, "hour").moved(ds["StudyTime"]) == ""


WORD = "Quillfeather"
_TEXT = {"PN", "LO", "SH", "LT", "ST", "UT", "UC", "UR", "AE", "CS", "AS", "DA", "DT", "TM", "DS",
         "IS", "UI"}  # fmt: skip


def full_of(word: str) -> Dataset:
    """A dataset with a word in every element that the dictionary knows, and in private ones."""
    told = word.encode("ascii")
    told += b" " * (len(told) % 2)
    ds = Dataset()
    for number, (vr, *_) in DicomDictionary.items():
        tag, kind = Tag(number), vr.split(" or ")[0]
        if number in (0x7FE00010, 0x00080005) or tag.group in (0, 2) or tag.element == 0:
            continue
        if kind == "SQ":
            item = Dataset()
            item.add(DataElement(0x00990010, "LO", word))
            item.add(DataElement(0x00991001, "UT", word))
            item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = word, "99X", word
            item[0x00081155] = RawDataElement(
                Tag(0x00081155), "UI", len(told), told, 0, False, True
            )
            ds.add(DataElement(tag, "SQ", [item]))
        elif kind in _TEXT or kind in ("OB", "OW", "OF", "OD", "OL", "OV", "UN"):
            ds[tag] = RawDataElement(tag, kind, len(told), told, 0, False, True)
    for group in range(0x0009, 0x0200, 2):
        ds.add(DataElement(Tag(group, 0x10), "LO", word))
        for element, vr in enumerate(("PN", "LO", "UT", "SH", "CS"), 0x1001):
            ds.add(DataElement(Tag(group, element), vr, word.upper()))
        ds.add(DataElement(Tag(group, 0x1010), "UN", told))
    return ds


def test_a_word_planted_in_every_element_of_the_dictionary_is_in_no_object() -> None:
    ds = full_of(WORD)
    assert len(ds) > 4000
    for purpose in Purpose:
        # The word is nobody's name: nothing but where it stands gives it away.
        made = encoded(Removal(CASE, profile_of(purpose)).of(ds)).upper()
        assert WORD.upper().encode() not in made, purpose


@pytest.mark.parametrize("purpose", Purpose)
def test_a_term_that_nobody_knows_is_in_no_package_of_a_foreign_picture(
    tmp_path: Path, purpose: Purpose
) -> None:
    archive = hostile_archive(tmp_path)
    records = archive.query(Query(patient_id="P-0417"))
    path = Path(
        next(r.path for r in records if r.sop_instance_uid.startswith("1.2.826.0.1.3680043"))
    )
    ds = dcmread(path)
    ds.ImageType = ["DERIVED", "PRIMARY", WORD.upper()]
    ds.LossyImageCompressionMethod, ds.EthnicGroup = WORD.upper(), WORD
    ds.Manufacturer = ds.DeviceSequence[0].Manufacturer = WORD
    made = Removal(CASE, profile_of(purpose)).of(ds)
    assert WORD.upper().encode() not in encoded(made).upper()
    assert list(made.ImageType) == ["DERIVED", "PRIMARY"]


def with_tag(profile: bytes, wanted: bytes, body: bytes) -> bytes:
    """A profile whose tag of a name has another body."""
    count = struct.unpack_from(">I", profile, 128)[0]
    grown = bytearray(profile + body + b"\0" * (-len(body) % 4))
    for number in range(count):
        name, *_ = struct.unpack_from(">4sII", profile, 132 + 12 * number)
        if name == wanted:
            struct.pack_into(">4sII", grown, 132 + 12 * number, name, len(profile), len(body))
    struct.pack_into(">I", grown, 0, len(grown))
    return bytes(grown)


TALKING = [
    with_tag(icc.input_profile(icc.SRGB), b"desc", icc.description(WORD)),
    with_tag(icc.input_profile(icc.SRGB), b"cprt", b"text\0\0\0\0" + WORD.encode() + b"\0"),
    with_tag(icc.input_profile(icc.DISPLAY_P3), b"wtpt", icc.xyz_type(icc.D50) + WORD.encode()),
    icc.input_profile(icc.SRGB)[:48] + b"Quil" + icc.input_profile(icc.SRGB)[52:],
    icc.input_profile(icc.SRGB) + WORD.encode(),
]


@pytest.mark.parametrize("profile", TALKING)
def test_a_profile_is_made_anew_from_its_numbers(profile: bytes) -> None:
    made = bare_profile.rebuilt(profile)
    assert made is not None and b"Quil" not in made
    before, after = icc.read_profile(profile), icc.read_profile(made)
    assert (after.columns, after.curves) == (before.columns, before.curves)
    assert after.device_class == b"scnr"


def test_a_curve_that_spells_words_is_no_profile() -> None:
    words = b"curv\0\0\0\0" + struct.pack(">I", 6) + WORD.encode()
    assert bare_profile.rebuilt(with_tag(TALKING[0], b"rTRC", words)) is None


def lookup_profile() -> bytes:
    """A profile by a table of 2x2x2, with words behind the table."""
    body = struct.pack(">4s4xBBBx", b"mft2", 3, 3, 2)
    body += struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 65536) + struct.pack(">HH", 2, 2)
    body += struct.pack(">6H", *(0, 65535) * 3) + struct.pack(">24H", *range(24))
    body += struct.pack(">6H", *(0, 65535) * 3)
    profile = icc.assembled(
        [
            (b"desc", icc.description(WORD)),
            (b"wtpt", icc.xyz_type(icc.D50)),
            (b"A2B0", body + WORD.encode()),
        ],
        b"Lab ",
    )
    assert icc.read_profile(profile).is_table
    return profile


def test_a_profile_by_a_table_keeps_the_table_and_no_word() -> None:
    made = bare_profile.rebuilt(lookup_profile())
    assert made is not None and WORD.encode() not in made
    assert struct.pack(">24H", *range(24)) in made
    assert icc.read_profile(made).connection_space == b"Lab "


@pytest.mark.parametrize("encoding", [icc.SRGB, icc.ADOBE_RGB, icc.DISPLAY_P3])
def test_a_profile_of_ours_is_itself(encoding: icc.ColourEncoding) -> None:
    assert bare_profile.rebuilt(icc.input_profile(encoding)) == icc.input_profile(encoding)


@pytest.mark.parametrize("data", [b"", b"ab", b"\0" * 200, icc.input_profile(icc.SRGB)[:300]])
def test_what_is_no_profile_does_not_go_out(data: bytes) -> None:
    assert bare_profile.rebuilt(data) is None


@pytest.mark.parametrize(
    ("keyword", "value", "stays"),
    [
        ("Modality", "XC", True),
        ("ImageLaterality", "L", True),
        ("ImageLaterality", "OKAFOR", False),
        ("PatientOrientation", ["A", "F"], True),
        ("PatientOrientation", ["A", "JO"], False),
        ("PatientAge", "038Y", True),
        ("PatientAge", "Jo Roe", False),
        ("EthnicGroup", "Roe", False),
        ("TimezoneOffsetFromUTC", "Jo Roe", False),
    ],
)
def test_a_value_is_known_by_the_standard_or_by_our_words(
    keyword: str, value: object, stays: bool
) -> None:
    element = DataElement(keyword, dictionary_VR(keyword), value, validation_mode=0)
    assert is_known(element) is stays


def test_no_package_names_the_day_of_its_making(archive: Archive, tmp_path: Path) -> None:
    now = datetime(2031, 7, 19, 8, 15, tzinfo=timezone.utc)
    for purpose in Purpose:
        target = tmp_path / purpose.value
        made = hand_over(archive, order(tmp_path, purpose=purpose, target=target), now)
        for where, octets in layers(made.target):
            for day in (b"20310719", b"2031-07-19", b"2031:07:19"):
                assert day not in octets, (purpose, where)


def test_coarser_times_are_what_a_purpose_says() -> None:
    profile = replace(profile_of(Purpose.LABORATORY), times="none")
    made = Removal(CASE, profile).of(foreign())
    assert made.AcquisitionDateTime == CASE.moved("20260304")
    assert not made.get("StudyTime") and not made.get("AcquisitionTime")
