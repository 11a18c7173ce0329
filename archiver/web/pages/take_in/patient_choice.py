"""Whose visit it is: from today's worklist, from the archive, or written by hand."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from archiver.archive import Query, Record
from archiver.archive.store import Archive, iso_date, iso_time
from archiver.errors import ObjectError, Problem
from archiver.network import DimsePeer, Peer, find_dimse_peer
from archiver.network.client.dimse import Scheduled, ask_worklist
from archiver.network.node.query import WorklistRow, item_of, read_visits
from archiver.web.asked_person import parts_of_person
from archiver.wording import Text

#: Patients that are shown; who looks for another writes more of the name.
_SHOWN = 30
_RECORDS = 4000


def of_table(
    path: Path, day: date, day_order: str
) -> tuple[list[dict[str, Any]], tuple[Problem, ...]]:
    """Return the visits of a day from the node's own table, earliest first, and what it leaves out.

    Raises
    ------
    UsageError
        If the table cannot be understood.
    """
    table = read_visits(path, day_order)
    visits = [one for one in table.visits if one.date == day.isoformat()]
    return [
        _of_row(one) for one in sorted(visits, key=lambda one: iso_time(one.time))
    ], table.refused


def _of_row(row: WorklistRow) -> dict[str, Any]:
    item = item_of(row)
    return _entry(
        patient=(row.patient_id, row.name, row.issuer, row.birth_date, row.sex),
        visit=(row.date, iso_time(row.time)[:8], row.accession, row.description),
        study=(str(item.StudyInstanceUID), str(item.RequestedProcedureID), row.referring),
    )


def peers_with_worklist(peers: Iterable[Peer]) -> list[str]:
    """Return the names of the peers that can be asked."""
    return [one.name for one in peers if isinstance(one, DimsePeer)]


def of_peer(peers: Sequence[Peer], name: str, day: date) -> list[dict[str, Any]]:
    """Ask a peer who is scheduled on a day.

    Raises
    ------
    UsageError
        If there is no such peer.
    NetworkError
        If it cannot be reached, refuses, or answers failure.
    """
    peer = find_dimse_peer(tuple(peers), name, Text("network.peers.a_worklist"))
    return [_of_scheduled(one, day) for one in ask_worklist(peer, day=day) if one.patient_id]


def _of_scheduled(one: Scheduled, day: date) -> dict[str, Any]:
    patient, visit = one.context(day)
    return _entry(
        patient=(patient.id, patient.name, patient.issuer, _text(patient.birth_date), patient.sex),
        visit=(_text(visit.date), _text(visit.time)[:8], visit.accession, visit.description),
        study=(visit.study_uid, visit.study_id, visit.referring_physician),
    )


def of_archive(archive: Archive, words: str) -> list[dict[str, Any]]:
    """Find patients by parts of name and identifier, in any order, the latest visit first."""
    parts = parts_of_person(words)
    if not parts:
        return []
    found = archive.query(Query(who=parts, limit=_RECORDS))
    # Two people under one identifier are both shown.
    latest: dict[tuple[str, str, str], Record] = {}
    for record in found:
        key = record.patient_id, record.issuer, record.patient_name
        if key not in latest or record.study_date > latest[key].study_date:
            latest[key] = record
    ordered = sorted(latest.values(), key=lambda one: one.study_date, reverse=True)
    return [_of_record(one) for one in ordered[:_SHOWN]]


def of_visit(archive: Archive, study: str) -> dict[str, Any] | None:
    """Return patient and visit of a study of the archive; None where there is none."""
    found = archive.query(Query(study_uid=study, modality="XC", limit=1))
    if not found:
        return None
    record = found[0]
    entry = _of_record(record)
    entry["visit"] = {"date": record.study_date}
    if record.study_time:
        entry["visit"]["time"] = record.study_time[:8]
    for key, value in (("accession", record.accession), ("description", record.study_description)):
        if value:
            entry["visit"][key] = value
    entry["study"] = {"study_uid": record.study_uid}
    return entry


def _of_record(record: Record) -> dict[str, Any]:

    from archiver.objects import describe, open_dataset

    name, birth, sex = record.patient_name, "", ""
    try:
        told = describe(open_dataset(Path(record.path)))
        name, birth = told.patient_name, iso_date(told.birth_date)
        sex = told.sex if told.sex in ("M", "F", "O") else ""
    except ObjectError:
        pass  # an object that cannot be read still names its patient in the index
    patient = (record.patient_id, name, record.issuer, birth, sex)
    entry = _entry(patient=patient, visit=("", "", "", ""), study=("", "", ""))
    entry["last"] = record.study_date
    return entry


def _entry(
    patient: tuple[str, str, str, str, str],
    visit: tuple[str, str, str, str],
    study: tuple[str, str, str],
) -> dict[str, Any]:
    names = ("id", "name", "issuer", "birth_date", "sex")
    visits = ("date", "time", "accession", "description")
    studies = ("study_uid", "study_id", "referring_physician")
    return {
        "patient": {k: v for k, v in zip(names, patient, strict=True) if v},
        "visit": {k: v for k, v in zip(visits, visit, strict=True) if v},
        "study": {k: v for k, v in zip(studies, study, strict=True) if v} if study[0] else {},
    }


def _text(value: object) -> str:
    return value.isoformat() if isinstance(value, date | datetime) else str(value or "")
