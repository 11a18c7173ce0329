"""After each kind of mistake the archive shows what it would if it had been said right at once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from amending_samples import LIV, NADIA, NOW, VISIT, camera_file, entry, photographs, wrap
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom import Dataset, dcmread
from pydicom.encaps import get_frame
from pydicom.uid import (
    JPEG2000,
    UID,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    RLELossless,
)

from archiver.archive.index_rebuild import rebuild
from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.query import Query, Record
from archiver.archive.statements.amendments import (
    Amendment,
    AmendmentRequest,
    AmendmentSettings,
    carry_out,
    prepare,
)
from archiver.archive.statements.held_photograph import successor_of
from archiver.archive.statements.patient_reassignment import NewPatient, whose
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction, Turn
from archiver.dentition.sights import LingualFronts
from archiver.dentition.views import View
from archiver.errors import ArchiverError, MeaningError, ObjectError
from archiver.objects import concepts
from archiver.objects.coded_meaning import comments
from archiver.objects.description import describe
from archiver.objects.mistakes import Change
from archiver.objects.session import Circumstances, Crop, Patient, Session, Visit
from archiver.objects.uids import DerivedUids
from archiver.photo.turbo import load_turbo
from archiver.photo.turning import turned
from archiver.priors.choosing import ToothAsked, choose
from archiver.standard.validator import validate_file
from tests.confirming import as_seen
from tests.standard import verifier

#: What may differ from the same photograph taken in rightly at once.
LINKS = {
    "SOPInstanceUID",
    "SourceImageSequence",
    "ReferencedSeriesSequence",
    "OriginalAttributesSequence",
    "ImageComments",
    "InstanceCreationDate",
    "InstanceCreationTime",
    "PixelData",
}

FACE = {"teeth": "", "mirror": False}
RELAXED = Circumstances(functional_state="lips relaxed")
# What the sheet said, what is right, and the amendment that says so.
MISTAKES: dict[str, tuple[dict[str, Any], dict[str, Any], Change]] = {
    "tooth": ({}, {"teeth": "26"}, Change(teeth=parse_teeth("iso:26"))),
    "several teeth": ({}, {"teeth": "24-26"}, Change(teeth=parse_teeth("iso:24-26"))),
    "side": (
        {"view": "buccal", "teeth": "16"},
        {"view": "buccal", "teeth": "26"},
        Change(teeth=parse_teeth("iso:26")),
    ),
    "jaw": ({}, {"teeth": "35"}, Change(teeth=parse_teeth("iso:35"))),
    "view": ({"view": "buccal"}, {"view": "palatal"}, Change(view=View.PALATAL)),
    "view of no tooth": (
        {"view": "right buccal", "teeth": "", "mirror": False},
        {"view": "left buccal", "teeth": "", "mirror": False},
        Change(view=View.LEFT_BUCCAL),
    ),
    "mirror forgotten": (
        {"mirror": False, "view": "buccal"},
        {"mirror": True, "view": "buccal"},
        Change(mirror=True),
    ),
    "mirror said without one": ({"mirror": True}, {"mirror": False}, Change(mirror=False)),
    "flipped before": ({}, {"exif": 2}, Change(flipped=Turn.FLIP_LEFT_RIGHT)),
    "flipped over before": ({}, {"exif": 4}, Change(flipped=Turn.FLIP_TOP_BOTTOM)),
    "what is at the top": ({}, {"top": "R"}, Change(top=Direction.RIGHT)),
    "crop": (
        {"crop": (32, 16, 96, 80)},
        {"crop": (0, 0, 160, 96)},
        Change(crop=Crop(0, 0, 160, 96)),
    ),
    "crop forgotten": ({}, {"crop": (0, 0, 160, 96)}, Change(crop=Crop(0, 0, 160, 96))),
    "crop too much": ({"crop": (32, 16, 96, 80)}, {}, Change(uncropped=True)),
    "confirmed later": ({}, {"confirmed_by": "Haugen^Liv"}, Change(confirmed_by="Haugen^Liv")),
    "confirmed wrongly": ({"confirmed_by": "Haugen^Liv"}, {}, Change(confirmed_by="")),
    "comment": ({"comment": "Fissure."}, {"comment": "Sealed. Ok"}, Change(comment="Sealed. Ok")),
    "tooth of a picture with the teeth apart": (
        {"circumstances": Circumstances(functional_state="teeth apart")},
        {"circumstances": Circumstances(functional_state="teeth apart"), "teeth": "26"},
        Change(teeth=parse_teeth("iso:26")),
    ),
    "smile with relaxed lips": (
        {**FACE, "view": "smile", "circumstances": RELAXED},
        {**FACE, "view": "face", "circumstances": RELAXED},
        Change(view=View.FACE),
    ),
    "front teeth that the practice turns": (
        {"view": "labial", "teeth": "11"},
        {"view": "palatal", "teeth": "11", "lingual_fronts": LingualFronts.TURNED},
        Change(view=View.PALATAL, lingual_fronts=LingualFronts.TURNED),
    ),
    "turned front teeth": (
        {"view": "palatal", "teeth": "11", "lingual_fronts": LingualFronts.TURNED},
        {"view": "palatal", "teeth": "21", "lingual_fronts": LingualFronts.TURNED},
        Change(teeth=parse_teeth("iso:21")),
    ),
    "several at once": (
        {"confirmed_by": "Haugen^Liv", "comment": "a. b", "mirror": False},
        {"teeth": "46", "view": "lingual", "comment": "a. b", "confirmed_by": "Brânză^Ilinca"},
        Change(
            teeth=parse_teeth("iso:46"),
            view=View.LINGUAL,
            mirror=True,
            confirmed_by="Brânză^Ilinca",
        ),
    ),
}
SAFE = {
    *("crop", "crop forgotten", "crop too much", "confirmed later", "comment"),
    "smile with relaxed lips",
}


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=lambda: NOW, actor="tests") as opened:
        yield opened


def amend(archive: Archive, uid: str, change: Change, **more: Any) -> Amendment:
    ways = AmendmentSettings(NOW)
    made = prepare(archive, as_seen(archive, AmendmentRequest(uid, change, **more), ways), ways)
    carry_out(archive, made)
    return made


def header(record: Record) -> Dataset:
    return dcmread(record.path, stop_before_pixels=True)


def frame(record: Record) -> bytes:
    return get_frame(dcmread(record.path).PixelData, 0, number_of_frames=1)


def digests(archive: Archive) -> dict[str, str]:
    files = archive.layout.objects.rglob("*.dcm")
    return {p.stem: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def by_role(archive: Archive, **asked: Any) -> dict[str, Record]:
    found = photographs(archive, **asked)
    assert len({r.role for r in found}) == len(found)
    return {r.role or "": r for r in found}


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.parametrize("mistake", MISTAKES)
def test_it_is_as_if_it_had_been_said_right_at_once(
    tmp_path: Path, archive: Archive, mistake: str, kind: str
) -> None:
    wrong, right, change = MISTAKES[mistake]
    right = dict(right)
    exif = right.pop("exif", 1)
    before = wrap(archive, entry(camera_file(tmp_path / "card", kind=kind), **wrong))
    kept = digests(archive)
    made = amend(archive, (before.get("derived") or before["original"]).sop_instance_uid, change)
    after = by_role(archive)

    with Archive.open(tmp_path / "other", clock=lambda: NOW) as other:
        file = camera_file(tmp_path / "card", exif=exif)
        if kind == "PNG":
            # A PNG has no orientation here; the same is said by what is at the top.
            if exif != 1:
                return
            file = camera_file(tmp_path / "card", kind=kind)
        fresh = wrap(other, entry(file, **right))
        assert set(after) == set(fresh)
        for role, record in fresh.items():
            ours, theirs = header(after[role]), header(record)
            for element in [*ours, *theirs]:
                if element.keyword not in LINKS:
                    assert ours.get(element.tag) == theirs.get(element.tag), element.keyword
            assert frame(after[role]) == frame(record)
            assert ours.ImageComments.startswith(theirs.ImageComments.partition(".")[0])
    # The old ones are hidden, and nothing of them is touched.
    assert {u: d for u, d in digests(archive).items() if u in kept} == kept
    hidden = {r.sop_instance_uid: r.rejected for r in photographs(archive, include_rejected=True)}
    title = concepts.REJECTED_FOR_QUALITY if mistake in SAFE else concepts.REJECTED_FOR_SAFETY
    assert {u for u, reason in hidden.items() if reason == title.meaning} == set(kept)
    assert set(made.rejected) == set(kept)


@pytest.mark.parametrize("mistake", MISTAKES)
def test_successors_and_note_are_valid_and_say_what_was_wrong(
    tmp_path: Path, archive: Archive, mistake: str
) -> None:
    wrong, _, change = MISTAKES[mistake]
    before = wrap(archive, entry(camera_file(tmp_path / "card"), **wrong))
    made = amend(archive, before["original"].sop_instance_uid, change, by="Haugen^Liv")
    paths = [Path(r.path) for r in photographs(archive)]
    note = archive.path_of(made.note_uid)
    assert note is not None
    for path in [*paths, note]:
        assert verifier.errors_of(path) == []
        assert [f for f in validate_file(path) if f.severity.value == "error"] == []
    told = dcmread(note)
    selection = describe(told).selection
    assert selection is not None and set(selection.uids) == set(made.rejected)
    for one in made.found:
        assert one.words in selection.words
    for one in photographs(archive):
        ds = header(one)
        if describe(ds).predecessor:
            (change_made,) = ds.OriginalAttributesSequence
            assert change_made.ReasonForTheAttributeModification == "CORRECT"
            assert change_made.ModifiedAttributesSequence[0].SOPInstanceUID in made.rejected
            assert successor_of(archive, describe(ds).predecessor) == one.sop_instance_uid
        assert "amended: " in ds.ImageComments


def test_everything_that_was_replaced_can_be_read_again(tmp_path: Path, archive: Archive) -> None:
    wrong, _, change = MISTAKES["several at once"]
    before = wrap(archive, entry(camera_file(tmp_path / "card"), **wrong))
    old = header(before["original"])
    amend(archive, before["original"].sop_instance_uid, change)
    new = header(by_role(archive)["original"])
    replaced = new.OriginalAttributesSequence[0].ModifiedAttributesSequence[0]
    for element in replaced:
        new[element.tag] = element
    for element in old:
        assert new[element.tag].value == element.value, element.keyword


@pytest.mark.parametrize("turn", [turn for turn in Turn if turn is not Turn.IDENTITY])
def test_the_right_turn_is_made_of_the_kept_pixels(
    tmp_path: Path, archive: Archive, turn: Turn
) -> None:
    """The corrected picture decodes to the turned decoding of the one as shot, sample by sample."""
    turbo = load_turbo()
    assert turbo is not None
    before = wrap(archive, entry(camera_file(tmp_path / "card"), mirror=False))
    start = describe(header(before["original"])).orientation
    assert start is not None
    # What has to stand at the top so that this turn brings it to its display.
    wanted = start.turned(turn.inverse)
    change = Change(top=wanted.columns.opposite, mirror=turn.sign < 0)
    amend(archive, before["original"].sop_instance_uid, change)
    after = by_role(archive)
    assert describe(header(after["derived"])).turn is turn
    shot, made = (turbo.decode(frame(after[role])) for role in ("original", "derived"))
    # Chroma is interpolated from the other side after a turn: some samples differ by rounding.
    difference = np.abs(turned(shot, turn.value).astype(int) - made.astype(int))
    assert difference.max() <= 4 and difference.mean() < 0.5


def test_a_confirmation_does_not_outlive_what_was_confirmed(
    tmp_path: Path, archive: Archive
) -> None:
    before = wrap(archive, entry(camera_file(tmp_path / "card"), confirmed_by="Haugen^Liv"))
    made = amend(archive, before["derived"].sop_instance_uid, Change(teeth=parse_teeth("iso:26")))
    assert made.unconfirmed_now
    assert [r.confirmed for r in photographs(archive)] == [False, False]
    after = by_role(archive)
    made = amend(archive, after["derived"].sop_instance_uid, Change(confirmed_by="Haugen^Liv"))
    assert [r.confirmed for r in photographs(archive)] == [True, True]
    made = amend(archive, made.successors[0].sop_instance_uid, Change(comment="new"))
    assert [r.confirmed for r in photographs(archive)] == [True, True]


def test_a_crop_shows_the_same_part_after_another_turn(tmp_path: Path, archive: Archive) -> None:
    turbo = load_turbo()
    assert turbo is not None
    said = {"view": "buccal", "crop": (32, 16, 96, 80), "mirror": True}
    before = wrap(archive, entry(camera_file(tmp_path / "card"), **said))
    part = turbo.decode(frame(before["derived"]))
    amend(archive, before["derived"].sop_instance_uid, Change(mirror=False))
    after = by_role(archive)
    assert turbo.decode(frame(after["derived"])).shape == part.shape
    left_to_right = turbo.decode(frame(after["derived"])).astype(int)
    assert np.abs(left_to_right - part[:, ::-1].astype(int)).max() <= 4


def move(archive: Archive, uid: str, **who: Any) -> Amendment:
    moved = whose(archive, uid, NewPatient(**who), DerivedUids())
    change = Change(patient=moved.patient, visit=moved.visit)
    return amend(archive, uid, change, whose=moved)


def test_a_photograph_of_another_patient_moves_to_their_record(
    tmp_path: Path, archive: Archive
) -> None:
    wrap(archive, entry(camera_file(tmp_path / "card", 9), teeth="11", view="labial"), LIV)
    wrong = wrap(archive, entry(camera_file(tmp_path / "card"), confirmed_by="Haugen^Liv"))
    made = move(archive, wrong["derived"].sop_instance_uid, id="P-0502")
    assert photographs(archive, patient_id="P-0417") == []
    mine = [r for r in photographs(archive, patient_id="P-0502") if r.teeth == ("25",)]
    assert {r.role for r in mine} == {"original", "derived"}
    ds = header(mine[0])
    assert (ds.PatientName, ds.PatientBirthDate, ds.PatientSex) == (LIV.name, "20011130", "F")
    assert ds.StudyInstanceUID != wrong["original"].study_uid
    assert (ds.AccessionNumber, ds.ReferringPhysicianName) == ("", "")
    replaced = ds.OriginalAttributesSequence[0].ModifiedAttributesSequence[0]
    assert (replaced.PatientID, replaced.PatientName) == ("P-0417", "Okafor^Nadia")
    assert replaced.StudyInstanceUID == wrong["original"].study_uid
    assert replaced.AccessionNumber == "A-2291"
    assert [r.confirmed for r in mine] == [False, False]
    # The note stays with the wrong patient, and does not say whose photograph it was.
    (note,) = archive.query(Query(patient_id="P-0417"))
    assert note.modality == "KO"
    assert b"P-0502" not in Path(note.path).read_bytes()
    assert "LIV" not in Path(note.path).read_bytes().decode("utf-8", "replace").upper()
    assert made.verdict.title is concepts.REJECTED_FOR_SAFETY
    assert rebuild_is_sound(archive)


def rebuild_is_sound(archive: Archive) -> bool:
    before = archive.query(Query(include_rejected=True))
    folder = archive.layout.root
    archive.close()
    assert rebuild(folder, clock=lambda: NOW).is_sound
    with Archive.open(folder, read_only=True) as opened:
        return opened.query(Query(include_rejected=True)) == before


def test_a_consent_does_not_move_with_the_photograph(tmp_path: Path, archive: Archive) -> None:
    wrap(archive, entry(camera_file(tmp_path / "card", 9)), LIV)
    how = Circumstances(light="ring flash", consent="teaching, signed")
    wrong = wrap(archive, entry(camera_file(tmp_path / "card"), circumstances=how))
    assert comments(header(wrong["original"]))["Consent"] == "teaching, signed"
    move(archive, wrong["derived"].sop_instance_uid, id="P-0502")
    for record in photographs(archive, patient_id="P-0502"):
        assert "Consent" not in comments(header(record))
    assert "ring flash" in {
        comments(header(r)).get("Light") for r in photographs(archive, patient_id="P-0502")
    }


def test_it_joins_the_study_of_the_right_patient_that_is_named(
    tmp_path: Path, archive: Archive
) -> None:
    theirs = wrap(archive, entry(camera_file(tmp_path / "card", 9)), LIV)["original"]
    wrong = wrap(archive, entry(camera_file(tmp_path / "card")))["original"]
    move(archive, wrong.sop_instance_uid, id="P-0502", study=theirs.study_uid)
    records = photographs(archive, patient_id="P-0502")
    assert {r.study_uid for r in records} == {theirs.study_uid}
    assert {r.accession for r in records} == {"A-2291"}
    assert len({r.series_uid for r in records}) == 2


@pytest.mark.parametrize(
    ("who", "words"),
    [
        ({"id": "P-0417"}, "this patient's photograph already"),
        ({"id": "P-9999"}, "knows no patient P-9999"),
        ({"id": "P-0502", "name": "Petrov^Mila"}, "another name in the archive"),
        ({"id": "P-0502", "sex": "M"}, "another sex in the archive"),
        ({"id": "P-0502", "study": "2.25.1"}, "no study 2.25.1"),
    ],
)
def test_a_move_that_is_in_doubt_is_refused(
    tmp_path: Path, archive: Archive, who: dict[str, str], words: str
) -> None:
    wrap(archive, entry(camera_file(tmp_path / "card", 9)), LIV)
    wrong = wrap(archive, entry(camera_file(tmp_path / "card")))["original"]
    kept = digests(archive)
    with pytest.raises(ObjectError, match=words):
        move(archive, wrong.sop_instance_uid, **who)
    assert digests(archive) == kept


def test_a_patient_of_two_issuers_has_to_be_told_apart(tmp_path: Path, archive: Archive) -> None:
    other = Patient("P-0502", "Abara^Chidi", "HILLTOP")
    wrap(archive, entry(camera_file(tmp_path / "card", 8)), other)
    wrap(archive, entry(camera_file(tmp_path / "card", 9)), LIV)
    wrong = wrap(archive, entry(camera_file(tmp_path / "card")))["original"]
    with pytest.raises(ObjectError, match="2 issuers"):
        move(archive, wrong.sop_instance_uid, id="P-0502")
    move(archive, wrong.sop_instance_uid, id="P-0502", issuer="HILLTOP")
    moved = photographs(archive, patient_id="P-0502", issuer="HILLTOP")
    assert {r.patient_name for r in moved} == {"Abara^Chidi"} and len(moved) == 4


def test_it_moves_to_a_patient_whom_the_archive_does_not_know_yet(
    tmp_path: Path, archive: Archive
) -> None:
    wrong = wrap(archive, entry(camera_file(tmp_path / "card")))["original"]
    who = {"id": "P-9", "name": "Petrov^Mila", "issuer": "HILLTOP", "sex": "M"}
    move(archive, wrong.sop_instance_uid, birth_date=date(1999, 12, 31), **who)
    for record in photographs(archive, patient_id="P-9"):
        ds = header(record)
        assert (ds.PatientID, ds.PatientName, ds.IssuerOfPatientID) == (
            "P-9",
            "Petrov^Mila",
            "HILLTOP",
        )
        assert (ds.PatientBirthDate, ds.PatientSex) == ("19991231", "M")
    assert len(photographs(archive, patient_id="P-9")) == 2


def test_of_a_known_patient_the_newest_record_counts_and_a_birth_date_may_be_added(
    tmp_path: Path, archive: Archive
) -> None:
    """An older visit says neither sex nor birth date, a newer one the sex."""
    silent = Patient("P-0502", "Ødegård^Liv", "RIVERBEND")
    older, newer = Visit(date(2024, 3, 4)), Visit(date(2025, 3, 4))
    theirs = [entry(camera_file(tmp_path / "card", seed), view="buccal") for seed in (8, 9)]
    wrap(archive, theirs[0], silent, older)
    wrap(archive, theirs[1], replace(silent, sex="F"), newer)
    wrong = wrap(archive, entry(camera_file(tmp_path / "card")))["original"]
    move(archive, wrong.sop_instance_uid, id="P-0502", birth_date=date(2001, 11, 30))
    moved = header(photographs(archive, patient_id="P-0502", view="occlusal")[0])
    assert (moved.PatientBirthDate, moved.PatientSex) == ("20011130", "F")


@pytest.mark.parametrize("mistake", MISTAKES)
def test_only_a_picture_wrongly_cropped_is_inappropriately_processed(
    tmp_path: Path, archive: Archive, mistake: str
) -> None:
    """CID 7011 of PS3.16: the modifier tells the note of a crop from others about quality."""
    wrong, _, change = MISTAKES[mistake]
    before = wrap(archive, entry(camera_file(tmp_path / "card"), **wrong))
    ways = AmendmentSettings(NOW)
    wish = AmendmentRequest(before["original"].sop_instance_uid, change)
    made = prepare(archive, as_seen(archive, wish, ways), ways)
    cropped = mistake.startswith("crop")
    assert made.verdict.modifiers == ((concepts.INAPPROPRIATE_PROCESSING,) if cropped else ())


def test_an_amendment_is_reversed_by_amending_what_came_of_it(
    tmp_path: Path, archive: Archive
) -> None:
    before = wrap(archive, entry(camera_file(tmp_path / "card"), view="buccal", comment="Kept"))
    first = amend(archive, before["derived"].sop_instance_uid, Change(mirror=False))
    stands = f"in its place stands {first.successors[0].sop_instance_uid}; amend that one"
    with pytest.raises(ObjectError, match=stands):
        amend(archive, before["original"].sop_instance_uid, Change(mirror=True))
    amend(archive, first.successors[0].sop_instance_uid, Change(mirror=True))
    after = by_role(archive)
    for role, old in before.items():
        assert frame(after[role]) == frame(old)
        ours, theirs = header(after[role]), header(old)
        for element in theirs:
            if element.keyword not in LINKS:
                assert ours[element.tag].value == element.value, element.keyword
        assert ours.ImageComments.endswith(" Kept") and ours.ImageComments.count("Kept") == 1
    chain = header(after["original"]).OriginalAttributesSequence
    assert [one.ModifiedAttributesSequence[0].SOPInstanceUID for one in chain] == [
        before["original"].sop_instance_uid,
        first.successors[0].sop_instance_uid,
    ]


def refused(archive: Archive, uid: str, change: Change, words: str) -> None:
    kept = digests(archive)
    lines = archive.layout.journal.read_bytes()
    with pytest.raises(ArchiverError, match=words):
        amend(archive, uid, change)
    assert digests(archive) == kept and archive.layout.journal.read_bytes() == lines


def test_what_cannot_be_amended_is_refused_and_nothing_is_written(
    tmp_path: Path, archive: Archive
) -> None:
    kept = wrap(archive, entry(camera_file(tmp_path / "card")))
    uid = kept["derived"].sop_instance_uid
    refused(archive, "2.25.404", Change(mirror=False), "there is no instance 2.25.404")
    refused(archive, uid, Change(), "nothing would change")
    refused(archive, uid, Change(teeth=parse_teeth("iso:25")), "nothing would change")
    refused(archive, uid, Change(crop=Crop(0, 0, 9999, 9)), "leaves the corrected picture")
    with pytest.raises(MeaningError):
        amend(archive, uid, Change(view=View.INCISAL))
    with pytest.raises(MeaningError):
        amend(archive, uid, Change(view=View.FACE))
    made = amend(archive, uid, Change(teeth=parse_teeth("iso:26")))
    refused(archive, made.note_uid, Change(mirror=False), "is no photograph")
    refused(archive, uid, Change(mirror=False), "is rejected already")


def test_without_the_photograph_as_shot_nothing_is_amended(
    tmp_path: Path, archive: Archive
) -> None:
    made = wrap(archive, entry(camera_file(tmp_path / "card")))["derived"]
    with Archive.open(tmp_path / "elsewhere", clock=lambda: NOW) as elsewhere:
        add_files(elsewhere, [Path(made.path)])
        refused(elsewhere, made.sop_instance_uid, Change(mirror=False), "is not here")


def test_nothing_is_made_from_a_damaged_object(tmp_path: Path, archive: Archive) -> None:
    made = wrap(archive, entry(camera_file(tmp_path / "card")))
    path = Path(made["original"].path)
    data = bytearray(path.read_bytes())
    data[-200] ^= 1
    path.write_bytes(data)
    refused(archive, made["derived"].sop_instance_uid, Change(mirror=False), "not what was kept")


def foreign(archive: Archive, folder: Path, syntax: str) -> dict[str, Record]:
    """A photograph and its correction as another program would keep them, in a transfer syntax."""
    with Archive.open(folder / "first", clock=lambda: NOW) as first:
        kept = wrap(first, entry(camera_file(folder / "card"), confirmed_by="Haugen^Liv"))
    files = []
    for role, record in kept.items():
        ds = dcmread(record.path)
        ds.decompress(as_rgb=True, generate_instance_uid=False)
        if UID(syntax).is_encapsulated:
            more = {"j2k_cr": [8]} if syntax == JPEG2000 else {}
            ds.compress(syntax, generate_instance_uid=False, **more)
        else:
            ds.file_meta.TransferSyntaxUID = UID(syntax)
        files.append(folder / f"{role}.dcm")
        ds.save_as(files[-1])
    add_files(archive, files)
    return by_role(archive)


def samples(record: Record) -> Any:
    return dcmread(record.path).pixel_array


@pytest.mark.parametrize(
    "syntax",
    [ImplicitVRLittleEndian, ExplicitVRLittleEndian, RLELossless, JPEG2000Lossless, JPEG2000],
)
@pytest.mark.parametrize("change", [Change(teeth=parse_teeth("iso:26")), Change(mirror=False)])
def test_a_photograph_of_another_program_keeps_every_sample(
    tmp_path: Path, archive: Archive, syntax: str, change: Change
) -> None:
    before = foreign(archive, tmp_path, syntax)
    shot, corrected = samples(before["original"]), samples(before["derived"])
    lossy = header(before["original"])
    amend(archive, before["derived"].sop_instance_uid, change)
    after = by_role(archive)
    assert np.array_equal(samples(after["original"]), shot)
    if change.teeth:
        assert np.array_equal(samples(after["derived"]), corrected)
    else:
        assert set(after) == {"original"}  # taken directly, it is right as it was shot
    for record in after.values():
        assert validate_file(Path(record.path)) == []
        told = header(record)
        assert told.PhotometricInterpretation == "RGB"
        for keyword in ("LossyImageCompression", "LossyImageCompressionRatio"):
            assert told[keyword].value == lossy[keyword].value


def test_a_new_turn_of_another_programs_photograph_is_made_of_its_samples(
    tmp_path: Path, archive: Archive
) -> None:
    before = foreign(archive, tmp_path, JPEG2000Lossless)
    amend(archive, before["original"].sop_instance_uid, Change(flipped=Turn.FLIP_LEFT_RIGHT))
    after = by_role(archive)
    shot, corrected = samples(after["original"]), samples(after["derived"])
    assert np.array_equal(shot, samples(before["original"]))
    assert not np.array_equal(corrected, samples(before["derived"]))
    turn = describe(header(after["derived"])).turn
    assert turn is not None and np.array_equal(corrected, turned(shot, turn.value))


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"NumberOfFrames": 2}, "with 2 frames"),
        ({"NumberOfFrames": -1}, "with -1 frames"),
        ({"BitsAllocated": 16, "BitsStored": 12, "HighBit": 11}, "with 16 bits a sample"),
        ({"PhotometricInterpretation": "YBR_FULL"}, "with samples in YBR_FULL"),
        ({"PixelData": b"\0" * 10}, "the picture cannot be read"),
    ],
)
def test_what_could_not_be_kept_as_it_is_is_refused_and_nothing_is_written(
    tmp_path: Path, archive: Archive, values: dict[str, Any], told: str
) -> None:
    before = foreign(archive, tmp_path, ExplicitVRLittleEndian)
    ds = dcmread(before["original"].path)
    for keyword, value in values.items():
        setattr(ds, keyword, value)
    ds.save_as(tmp_path / "other.dcm")
    with Archive.open(tmp_path / "third", clock=lambda: NOW) as third:
        add_files(third, [tmp_path / "other.dcm"])
        refused(third, ds.SOPInstanceUID, Change(mirror=False), told)


def test_a_loss_that_is_not_declared_is_not_hidden(tmp_path: Path, archive: Archive) -> None:
    before = foreign(archive, tmp_path, JPEG2000)
    ds = dcmread(before["original"].path)
    ds.LossyImageCompression = "00"
    ds.save_as(tmp_path / "other.dcm")
    with Archive.open(tmp_path / "third", clock=lambda: NOW) as third:
        add_files(third, [tmp_path / "other.dcm"])
        refused(third, ds.SOPInstanceUID, Change(mirror=False), "a loss that it does not declare")


def test_other_photographs_of_the_visit_stay_as_they_are(tmp_path: Path, archive: Archive) -> None:
    one = wrap(archive, entry(camera_file(tmp_path / "card", 1)))
    other = wrap(archive, entry(camera_file(tmp_path / "card", 2)))
    made = amend(archive, one["original"].sop_instance_uid, Change(mirror=False))
    assert set(made.rejected) == {r.sop_instance_uid for r in one.values()}
    shown = {r.sop_instance_uid for r in photographs(archive)}
    assert {r.sop_instance_uid for r in other.values()} < shown


def test_each_corrected_picture_of_a_photograph_keeps_its_own_crop(
    tmp_path: Path, archive: Archive
) -> None:
    """Two crops of one picture are two corrected instances of one as shot."""
    file = camera_file(tmp_path / "card")
    wrap(archive, entry(file, crop=(0, 0, 96, 80)))
    wrap(archive, entry(file, crop=(96, 80, 64, 64)))
    before = {r.sop_instance_uid: (r.columns, r.rows) for r in photographs(archive, role="derived")}
    assert len(before) == 2
    uid = next(iter(before))
    amend(archive, uid, Change(teeth=parse_teeth("iso:26")))
    after = photographs(archive, role="derived")
    assert sorted((r.columns, r.rows) for r in after) == sorted(before.values())
    assert {r.teeth for r in photographs(archive)} == {("26",)}
    (shot,) = photographs(archive, role="original")
    with pytest.raises(ObjectError, match="several corrected pictures"):
        amend(archive, shot.sop_instance_uid, Change(uncropped=True))
    amend(archive, after[0].sop_instance_uid, Change(uncropped=True))
    sizes = sorted((r.columns, r.rows) for r in photographs(archive, role="derived"))
    assert sizes == sorted([(240, 160), (after[1].columns, after[1].rows)])


def test_the_journal_tells_the_story_without_a_name(tmp_path: Path, archive: Archive) -> None:
    before = wrap(archive, entry(camera_file(tmp_path / "card")))
    length = len(archive.layout.journal.read_bytes())
    made = amend(
        archive, before["original"].sop_instance_uid, Change(mirror=False), by="Haugen^Liv"
    )
    story = archive.layout.journal.read_bytes()[length:].decode()
    for words in ("amended", "113037", *made.rejected, made.note_uid, '"who":"tests"'):
        assert words in story
    assert all(one.sop_instance_uid in story for one in made.successors)
    for name in ("Okafor", "Haugen", "P-0417", "RIVERBEND"):
        assert name not in story


_VIEWS = ["occlusal", "buccal", "palatal"]


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["14", "15", "16", "24", "25", "26", "14-16"]),
            st.sampled_from(_VIEWS),
            st.booleans(),
        ),
        min_size=2,
        max_size=4,
    ),
    st.integers(0, 1 << 30),
)
def test_after_any_amendments_the_last_word_stands_alone(
    tmp_path_factory: pytest.TempPathFactory, words: list[tuple[str, str, bool]], seed: int
) -> None:
    folder = tmp_path_factory.mktemp("any")
    with Archive.open(folder / "archive", clock=lambda: NOW) as archive:
        said = [{"teeth": t, "view": v, "mirror": m} for t, v, m in words]
        file = camera_file(folder, seed)
        uid = wrap(archive, entry(file, **said[0]))["original"].sop_instance_uid
        for one in said[1:]:
            change = Change(
                parse_teeth(f"iso:{one['teeth']}"), View(str(one["view"])), bool(one["mirror"])
            )
            try:
                made = amend(archive, uid, change)
            except ObjectError as error:
                assert "nothing would change" in str(error)
                continue
            uid = made.successors[0].sop_instance_uid
        with Archive.open(folder / "fresh", clock=lambda: NOW) as other:
            fresh = wrap(other, entry(file, **said[-1]))
            after = by_role(archive)
            assert set(after) == set(fresh)
            for role in fresh:
                assert frame(after[role]) == frame(fresh[role])
                assert describe(header(after[role])).orientation == (
                    describe(header(fresh[role])).orientation
                )
                assert after[role].teeth == fresh[role].teeth


def test_the_sheet_run_again_adds_nothing_and_says_that_it_was_amended(
    tmp_path: Path, archive: Archive
) -> None:
    one = entry(camera_file(tmp_path / "card"))
    before = wrap(archive, one)
    amend(archive, before["original"].sop_instance_uid, Change(teeth=parse_teeth("iso:26")))
    count = len(archive)
    (taken,) = take_in(
        Session(NADIA, VISIT, (one,), one.file), archive, IngestSettings(now=lambda: NOW)
    )
    assert taken.status is Outcome.SAME and len(archive) == count
    assert any("amended" in warning.found for warning in taken.warnings)


def test_a_comparison_never_takes_a_rejected_picture(tmp_path: Path, archive: Archive) -> None:
    first = wrap(archive, entry(camera_file(tmp_path / "card", 5)), visit=Visit(date(2025, 3, 4)))
    newest = wrap(archive, entry(camera_file(tmp_path / "card", 6)))
    asked = ToothAsked("P-0417", parse_teeth("iso:25")[0], View.OCCLUSAL)
    chosen = choose(archive.query, asked, lambda path: 0.0)
    taken = [one.record.sop_instance_uid for one in (chosen.newest, *chosen.priors)]
    assert taken == [one["derived"].sop_instance_uid for one in (newest, first)]
    amend(archive, first["derived"].sop_instance_uid, Change(teeth=parse_teeth("iso:26")))
    with pytest.raises(ArchiverError):
        choose(archive.query, asked, lambda path: 0.0)
