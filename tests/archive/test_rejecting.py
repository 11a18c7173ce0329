"""What a note of somebody who may reject names is hidden, whenever the note came."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from archive_samples import NOON, Clock, dataset, incoming, tooth, uid
from pydicom import Dataset

from archiver.archive.index_rebuild import rebuild, rebuild_open
from archiver.archive.query import Query, RecordOrder
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.archive.store.journal_lines import HEEDED, Deed
from archiver.dentition.codes import Code
from archiver.objects import concepts, key_objects, part10
from archiver.objects.dataset_reader import open_dataset
from archiver.objects.description import describe
from archiver.objects.uids import DerivedUids

SAFETY = concepts.REJECTED_FOR_SAFETY
NEVER_REJECTING = ("113000", "113010", "113020", "113030")
SHOWN = {"teeth": ("25",), "view": "occlusal"}


def note(
    *numbers: int,
    title: Code = SAFETY,
    words: str = "the side was wrong",
    may_reject: bool = True,
) -> Incoming:
    beside = dataset(numbers[0])
    told = key_objects.Note(
        title, tuple(key_objects.referenced(dataset(number)) for number in numbers), words
    )
    ds = key_objects.build(told, beside, created=NOON, uids=DerivedUids())
    return Incoming(describe(ds), [part10.whole(ds)], may_reject=may_reject)


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive.open(tmp_path / "archive", clock=Clock(), actor="tests")


def found(archive: Archive, **asked: object) -> dict[str, str | None]:
    query = Query(modality="XC", **asked)  # type: ignore[arg-type]
    return {record.sop_instance_uid: record.rejected for record in archive.query(query)}


def test_a_note_that_comes_after_hides_what_it_names(archive: Archive) -> None:
    archive.put([incoming(1), incoming(2)])
    archive.put([note(1)])
    assert found(archive) == {uid(2): None}


def test_a_note_that_comes_before_hides_what_it_names(archive: Archive) -> None:
    archive.put([note(1)])
    archive.put([incoming(1), incoming(2)])
    assert found(archive) == {uid(2): None}


def test_a_note_in_one_batch_with_what_it_names_hides_it(archive: Archive) -> None:
    archive.put([incoming(1), note(1, 3), incoming(2)])
    assert found(archive) == {uid(2): None}


@pytest.mark.parametrize("order", ["before", "after"])
def test_a_note_hides_all_that_it_names_however_many(archive: Archive, order: str) -> None:
    numbers = list(range(1, 13))
    batches = [[note(*numbers)], [incoming(n) for n in (*numbers, 20)]]
    for batch in batches if order == "before" else reversed(batches):
        archive.put(batch)
    assert found(archive) == {uid(20): None}
    assert len(found(archive, include_rejected=True)) == 13


def test_what_is_rejected_is_found_with_its_reason_where_that_is_wanted(archive: Archive) -> None:
    archive.put([incoming(1), incoming(2), note(1)])
    assert found(archive, include_rejected=True) == {uid(1): SAFETY.meaning, uid(2): None}
    assert archive.path_of(uid(1)) is not None


@pytest.mark.parametrize("how", [{}, {"patient_id": "P-0417"}, {"confirmed": False}, {"limit": 1}])
def test_of_a_tooth_only_what_stands_is_found(archive: Archive, how: dict[str, object]) -> None:
    archive.put([incoming(1, **SHOWN), incoming(2, **SHOWN), note(1)])
    assert found(archive, teeth=(tooth("25"),), **how) == {uid(2): None}
    if "limit" not in how:
        everything = found(archive, teeth=(tooth("25"),), include_rejected=True, **how)
        assert set(everything) == {uid(1), uid(2)}


@pytest.mark.parametrize("order", list(RecordOrder))
def test_a_limit_counts_what_stands_alone(archive: Archive, order: RecordOrder) -> None:
    archive.put([incoming(number, **SHOWN) for number in range(1, 7)])
    archive.put([note(1, 2, 5, 6)])
    asked = found(archive, teeth=(tooth("25"),), limit=2, order=order)
    assert asked == {uid(3): None, uid(4): None}


@pytest.mark.parametrize("value", NEVER_REJECTING)
def test_a_note_with_another_title_hides_nothing(archive: Archive, value: str) -> None:
    archive.put([incoming(1), note(1, title=Code(value, "DCM", "as it may be"))])
    assert found(archive) == {uid(1): None}


@pytest.mark.parametrize("title", concepts.REJECTIONS.values(), ids=str)
def test_every_title_that_rejects_hides(archive: Archive, title: Code) -> None:
    archive.put([incoming(1), note(1, title=title)])
    assert found(archive) == {}
    assert found(archive, include_rejected=True) == {uid(1): title.meaning}


def test_the_earliest_of_several_notes_says_why(archive: Archive) -> None:
    archive.put([note(1, title=concepts.REJECTED_FOR_QUALITY)])
    archive.put([incoming(1)])
    archive.put([note(1, title=SAFETY)])
    reasons = found(archive, include_rejected=True)
    assert reasons == {uid(1): concepts.REJECTED_FOR_QUALITY.meaning}


def test_a_note_itself_is_found(archive: Archive) -> None:
    archive.put([incoming(1), note(1)])
    (one,) = archive.query(Query(patient_id="P-0417"))
    assert (one.modality, one.series_description) == ("KO", SAFETY.meaning)


def test_the_index_made_again_hides_the_same(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        archive.put([note(4, 1, title=concepts.REJECTED_FOR_QUALITY), incoming(1, **SHOWN)])
        archive.put([incoming(2, **SHOWN), incoming(3), note(1, 3)])
        before = archive.query(Query(include_rejected=True, order=RecordOrder.ADDED))
    assert rebuild(folder, clock=Clock()).is_sound
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        assert archive.query(Query(include_rejected=True, order=RecordOrder.ADDED)) == before
        assert found(archive, teeth=(tooth("25"),)) == {uid(2): None}


def test_what_a_killed_writer_left_to_the_journal_is_hidden_when_taken_in(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        archive.put([incoming(1), incoming(2), note(1)])
    # The index is lost, the journal is not: what a kill before the index's commit leaves.
    for path in folder.glob("index.sqlite*"):
        path.unlink()
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        assert archive.recovery.taken_in == 3
        assert found(archive) == {uid(2): None}


# Who may reject


def revocation(of: Incoming, **how: bool) -> Incoming:
    """A note that rejects a note: so a rejection is revoked."""
    ds = open_dataset(b"".join(of.parts))
    told = key_objects.Note(
        concepts.REJECTED_FOR_QUALITY, (key_objects.referenced(ds),), "it was right"
    )
    made = key_objects.build(told, ds, created=NOON, uids=DerivedUids())
    return Incoming(describe(made), [part10.whole(made)], may_reject=how.get("may_reject", True))


def foreign(change: Callable[[Dataset], object], *numbers: int) -> Incoming:
    """A note of somebody who may reject, but not as the standard has it."""
    ds = open_dataset(b"".join(note(*numbers).parts))
    change(ds)
    return Incoming(describe(ds), [part10.whole(ds)], may_reject=True)


@pytest.mark.parametrize("order", ["before", "after"])
def test_a_note_of_somebody_who_may_not_reject_is_kept_and_hides_nothing(
    archive: Archive, order: str
) -> None:
    batches = [[note(1, may_reject=False)], [incoming(1)]]
    for batch in batches if order == "before" else reversed(batches):
        archive.put(batch)
    assert found(archive) == {uid(1): None}
    assert len(archive) == 2


def test_a_note_is_heeded_from_when_a_person_has_decided(archive: Archive) -> None:
    told = note(1, may_reject=False)
    archive.put([incoming(1, **SHOWN), told])
    archive.record([Deed(HEEDED, sop=told.description.sop_instance_uid)])
    assert found(archive) == {}
    assert found(archive, teeth=(tooth("25"),)) == {}


def _no_evidence(ds: Dataset) -> None:
    del ds.CurrentRequestedProcedureEvidenceSequence


def _evidence_of_another_study(ds: Dataset) -> None:
    ds.CurrentRequestedProcedureEvidenceSequence[0].StudyInstanceUID = "1.2.3.4"


def _one_not_listed(ds: Dataset) -> None:
    listed = ds.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence
    del listed[0].ReferencedSOPSequence[0]


@pytest.mark.parametrize(
    "change", [_no_evidence, _evidence_of_another_study, _one_not_listed], ids=lambda f: f.__name__
)
def test_a_note_whose_evidence_does_not_list_what_it_names_hides_nothing(
    archive: Archive, change: Callable[[Dataset], object]
) -> None:
    archive.put([incoming(1), incoming(2), foreign(change, 1, 2)])
    assert found(archive) == {uid(1): None, uid(2): None}


@pytest.mark.parametrize("order", ["before", "after"])
@pytest.mark.parametrize("whose", ["PatientID", "IssuerOfPatientID", "StudyInstanceUID"])
def test_a_note_hides_nothing_of_another_patient_or_study(
    archive: Archive, whose: str, order: str
) -> None:
    def change(ds: Dataset) -> None:
        setattr(ds, whose, "1.2.3.4")
        ds.CurrentRequestedProcedureEvidenceSequence[0].StudyInstanceUID = ds.StudyInstanceUID

    batches = [[foreign(change, 1)], [incoming(1)]]
    for batch in batches if order == "before" else reversed(batches):
        archive.put(batch)
    assert found(archive) == {uid(1): None}


@pytest.mark.parametrize("order", ["before", "after"])
def test_a_note_that_a_note_rejects_hides_nothing_any_more(archive: Archive, order: str) -> None:
    told = note(1)
    batches = [[incoming(1, **SHOWN), told], [revocation(told)]]
    for batch in batches if order == "after" else reversed(batches):
        archive.put(batch)
    assert found(archive, teeth=(tooth("25"),)) == {uid(1): None}


def test_a_revocation_by_somebody_who_may_not_reject_counts_for_nothing(archive: Archive) -> None:
    told = note(1)
    archive.put([incoming(1), told, revocation(told, may_reject=False)])
    assert found(archive) == {}


def test_a_revocation_that_is_revoked_counts_no_more(archive: Archive) -> None:
    told = note(1)
    back = revocation(told)
    archive.put([incoming(1), told, back])
    assert found(archive) == {uid(1): None}
    archive.put([revocation(back)])
    assert found(archive) == {}


def test_the_reason_is_that_of_the_first_note_that_still_counts(archive: Archive) -> None:
    first = note(1, title=concepts.REJECTED_FOR_QUALITY)
    archive.put([incoming(1), first, note(1, title=SAFETY)])
    archive.put([revocation(first)])
    assert found(archive, include_rejected=True) == {uid(1): SAFETY.meaning}


def test_what_is_heeded_and_revoked_is_so_in_an_index_made_again(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    told, decided = note(1), note(3, may_reject=False)
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        archive.put([incoming(number) for number in (1, 2, 3, 4)])
        archive.put([told, note(2), decided, note(4, may_reject=False)])
        archive.put([revocation(told)])
        archive.record([Deed(HEEDED, sop=decided.description.sop_instance_uid)])
        before = found(archive, include_rejected=True)
    reasons = {uid(1): None, uid(2): SAFETY.meaning, uid(3): SAFETY.meaning, uid(4): None}
    assert before == reasons
    for path in folder.glob("index.sqlite*"):
        path.unlink()
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        assert found(archive, include_rejected=True) == before
    assert rebuild(folder, clock=Clock()).is_sound
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        assert found(archive, include_rejected=True) == before
        rebuild_open(archive, clock=Clock())
        assert found(archive, include_rejected=True) == before


def test_an_index_of_an_earlier_version_is_brought_up_by_the_writer_that_opens_it(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "archive"
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        archive.put([incoming(1), incoming(2), note(1), note(2, may_reject=False)])
    with closing(sqlite3.connect(folder / "index.sqlite")) as index, index:
        index.execute("DROP TABLE heeded")
        index.execute("UPDATE instances SET rejected='Rejected' WHERE modality='XC'")
    with Archive.open(folder, clock=Clock(), actor="tests") as archive:
        assert found(archive, include_rejected=True) == {uid(1): SAFETY.meaning, uid(2): None}
