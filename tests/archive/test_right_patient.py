"""An identifier that is known as somebody else's: nothing merges unnoticed, nothing is lost."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from archive_samples import Clock, as_bytes, dataset, incoming, uid

from archiver import (
    AmendmentRequest,
    AmendmentSettings,
    Change,
    IngestSettings,
    NewPatient,
    Patient,
    Photograph,
    Session,
    View,
    Visit,
    parse_teeth,
    wrap,
)
from archiver.archive import Query
from archiver.archive.ingest import Ingest, add_files
from archiver.archive.statements import carry_out, prepare
from archiver.archive.store import (
    Archive,
    Outcome,
    identifier_doubt,
    patients_in_doubt,
    read_lines,
)
from archiver.archive.store.file_transaction import OnDoubt
from archiver.archive.store.journal_lines import START
from archiver.errors import InputError
from archiver.objects import Person, SamePerson
from archiver.objects.description import describe
from tests.cli.sessions import camera_jpeg

OTTO = Patient("T-1", "Marchbanks^Otto", birth_date=date(1951, 2, 3), sex="M")
LIV = SamePerson("Haugen^Liv", "the name was taken by marriage; face and teeth compared")


@pytest.fixture
def archive(tmp_path: Path):
    with Archive.open(tmp_path / "archive", clock=Clock()) as opened:
        yield opened


def session(folder: Path, patient: Patient, seed: int, **more: object) -> Session:
    file = camera_jpeg(folder / f"IMG_{seed:04}.JPG", seed)
    shot = Photograph(file, View.OCCLUSAL, mirror=True, teeth=parse_teeth("iso:25"))
    return Session(patient, Visit(date(2026, 3, seed)), (shot,), **more)  # type: ignore[arg-type]


def settings() -> IngestSettings:
    return IngestSettings(Clock())


@pytest.mark.parametrize(
    "other",
    [
        Patient("T-1", "Okoro-Blythe^"),
        Patient("T-1", "Marchbanks^Otto", birth_date=date(1952, 2, 3)),
        Patient("T-1", "Marchbanks^Otto", sex="F"),
        Patient("T-1", "Marchbanks^Otto^K"),
    ],
)
def test_an_identifier_known_under_another_person_stops_a_session(
    archive: Archive, tmp_path: Path, other: Patient
) -> None:
    wrap(archive, session(tmp_path, OTTO, 4), settings())
    before = len(archive)
    with pytest.raises(InputError) as stopped:
        wrap(archive, session(tmp_path, other, 5), settings())
    told = str(stopped.value)
    assert str(Person(OTTO.name, "1951-02-03", "M")) in told
    assert other.name.split("^")[0] in told
    assert "same_person_checked_by" in told
    assert len(archive) == before


@pytest.mark.parametrize(
    "name", ["MARCHBANKS^OTTO", "Märchbanks^Otto", "Otto^Marchbanks", "", "Marchbanks Otto^"]
)
def test_a_name_that_is_merely_written_otherwise_is_told_and_does_not_stop(
    archive: Archive, tmp_path: Path, name: str
) -> None:
    wrap(archive, session(tmp_path, OTTO, 4), settings())
    done = wrap(archive, session(tmp_path, Patient("T-1", name), 5), settings())
    assert done.count(Outcome.NEW) == 1
    assert bool(done.notes) == bool(name)


@pytest.mark.parametrize("identifier", ["t-1", "T -1", "T- 1"])
def test_an_identifier_that_differs_by_case_or_spaces_is_told(
    archive: Archive, tmp_path: Path, identifier: str
) -> None:
    wrap(archive, session(tmp_path, OTTO, 4), settings())
    done = wrap(archive, session(tmp_path, Patient(identifier, "Okoro-Blythe^"), 5), settings())
    assert [p.code for p in done.notes] == ["archive.known_people.identifier_otherwise"]
    assert repr(identifier) in str(done.notes[0])


def test_an_identifier_of_another_issuer_is_another_one(archive: Archive, tmp_path: Path) -> None:
    wrap(archive, session(tmp_path, OTTO, 4), settings())
    stranger = Patient("T-1", "Okoro-Blythe^", issuer="HARBOUR")
    assert wrap(archive, session(tmp_path, stranger, 5), settings()).count(Outcome.NEW) == 1


def test_who_has_looked_is_kept_with_the_reason_and_asked_no_more(
    archive: Archive, tmp_path: Path
) -> None:
    wrap(archive, session(tmp_path, OTTO, 4), settings())
    married = Patient("T-1", "Okoro^Otto", birth_date=date(1951, 2, 3), sex="M")
    checked = session(tmp_path, married, 5, same_person=LIV)
    assert wrap(archive, checked, settings()).count(Outcome.NEW) == 1
    assert wrap(archive, session(tmp_path, married, 6), settings()).count(Outcome.NEW) == 1
    assert wrap(archive, checked, settings()).count(Outcome.SAME) == 1
    lines = (archive.layout.root / "same_person.jsonl").read_text("utf-8").splitlines()
    assert [json.loads(line)["reason"] for line in lines] == [LIV.reason]
    assert [json.loads(line)["checked_by"] for line in lines] == [LIV.checked_by]
    told = [e.entry for e in read_lines(archive.layout.journal, START) if e.entry]
    assert sum(entry.action == "same-person" for entry in told) == 1
    assert b"Okoro" not in archive.layout.journal.read_bytes()
    with archive.reading() as connection:
        assert identifier_doubt(connection, archive.layout.root, ("T-1", "")) is None
    with pytest.raises(InputError):
        wrap(archive, session(tmp_path, Patient("T-1", "Qvist^Ada"), 7), settings())


def test_a_study_never_holds_two_people(archive: Archive, tmp_path: Path) -> None:
    archive.put([incoming(1, patient="T-1", name="Marchbanks^Otto", study=7)])
    study = describe(dataset(1, study=7)).study_uid
    other = session(tmp_path, Patient("T-2", "Okoro-Blythe^"), 5, same_person=LIV)
    joined = Session(
        other.patient,
        Visit(date(2026, 3, 4), study_uid=study),
        other.photographs,
        same_person=LIV,
    )
    with pytest.raises(InputError) as stopped:
        wrap(archive, joined, settings())
    assert stopped.value.problems[0].code == "archive.known_people.other_patient_of_study"
    assert len(archive) == 1


def test_what_is_stored_without_anybody_to_ask_is_taken_and_marked(archive: Archive) -> None:
    first, second = (
        Ingest.of(archive).accept([incoming(n, patient="T-1", name=name, study=n)])[0]
        for n, name in ((1, "Marchbanks^Otto"), (2, "Okoro-Blythe^"))
    )
    assert (first.outcome, first.doubt) == (Outcome.NEW, None)
    assert second.outcome is Outcome.NEW and second.doubt is not None
    notes = [e.entry.note for e in read_lines(archive.layout.journal, START) if e.entry]
    assert notes[-1] == "patient in doubt"
    with archive.reading() as connection:
        (found,) = patients_in_doubt(connection, archive.layout.root)
    assert found.patient == ("T-1", "RIVERBEND")
    assert len(found.studies) == 2


def test_patients_in_doubt_are_those_that_a_look_at_every_instance_finds(archive: Archive) -> None:
    batch = [
        incoming(1, patient="T-1", name="Marchbanks^Otto", study=1),
        incoming(2, patient="T-1", name="MARCHBANKS^OTTO", study=2),  # written otherwise
        incoming(3, patient="T-2", name="Okoro-Blythe^", study=3),
        incoming(4, patient="T-2", name="Haugen^Liv", study=4),
        incoming(5, patient="T-3", name="Vale^Iris", study=5),
        incoming(6, patient="T-4", name="Vale^Iris", study=5),
    ]
    archive.put(batch)

    def doubted() -> list[tuple[str, str]]:
        with archive.reading() as connection:
            return [one.patient for one in patients_in_doubt(connection, archive.layout.root)]

    assert [patient for patient, _ in doubted()] == ["T-2", "T-3"]
    found = doubted()
    # An index of an earlier version has neither table, and gets them with what comes in next.
    with closing(sqlite3.connect(archive.layout.index)) as database, database:
        database.execute("DROP TABLE people")
        database.execute("DROP TABLE study_patients")
    assert doubted() == found
    archive.put([incoming(7, patient="T-5", name="Vale^Iris", study=7)])
    assert doubted() == found
    with closing(sqlite3.connect(archive.layout.index)) as database:
        assert database.execute("SELECT count(*) FROM people").fetchone() == (7,)
    archive.put([incoming(8, patient="T-5", name="Haugen^Liv", study=8)])
    assert [patient for patient, _ in doubted()] == ["T-2", "T-5", "T-3"]


def test_two_people_in_one_batch_are_told_apart(archive: Archive) -> None:
    batch = [
        incoming(n, patient="T-1", name=name, study=n)
        for n, name in ((1, "Marchbanks^Otto"), (2, "Okoro-Blythe^"), (3, "Marchbanks^Otto"))
    ]
    stored = archive.put(batch)
    assert [one.doubt is not None for one in stored] == [False, True, True]


def test_who_was_rejected_is_no_witness(archive: Archive, tmp_path: Path) -> None:
    wrong = Patient("T-1", "Okoro-Blythe^")
    made = wrap(archive, session(tmp_path, wrong, 5), settings()).photographs[0]
    whose = NewPatient("T-2", name="Okoro-Blythe^")
    request = AmendmentRequest(made.instances[0].sop_instance_uid, Change(), whose)
    carry_out(archive, prepare(archive, request, AmendmentSettings(Clock()())))
    assert wrap(archive, session(tmp_path, OTTO, 4), settings()).count(Outcome.NEW) == 1


def test_objects_brought_in_wait_in_quarantine_until_somebody_has_looked(
    archive: Archive, tmp_path: Path
) -> None:
    files = []
    for number, name in ((1, "Marchbanks^Otto"), (2, "Okoro-Blythe^"), (3, "Marchbanks^Otto")):
        one = dataset(number, patient="T-1", name=name, study=number, modality="IO")
        files.append(tmp_path / f"{number}.dcm")
        files[-1].write_bytes(as_bytes(one))
    report = add_files(archive, files)
    outcomes = [result.outcome for result in report.results]
    assert outcomes == [Outcome.NEW, Outcome.QUARANTINED, Outcome.NEW]
    assert "Okoro-Blythe" in str(report.results[1].problem)
    (aside,) = (archive.layout.root / "quarantine").iterdir()
    assert aside.read_bytes() == files[1].read_bytes()
    assert not archive.has(uid(2))
    assert add_files(archive, files).count(Outcome.QUARANTINED) == 1
    again = add_files(archive, [aside.parent], same_person=(LIV, Clock()()))
    assert again.count(Outcome.NEW) == 1
    assert archive.has(uid(2)) and not list(aside.parent.iterdir())
    assert len(archive.query(Query(patient_id="T-1"))) == 3


def test_whoever_can_say_who_it_is_is_refused_by_the_writer_itself(archive: Archive) -> None:
    archive.put([incoming(1, patient="T-1", name="Marchbanks^Otto")])
    other = replace(incoming(2, patient="T-1", name="Okoro-Blythe^"), on_doubt=OnDoubt.REFUSE)
    (stored,) = archive.put([other])
    assert stored.outcome is Outcome.REFUSED and stored.problem is not None
    assert not archive.has(uid(2)) and not list(archive.layout.temporary.iterdir())
