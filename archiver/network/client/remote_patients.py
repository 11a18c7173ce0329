"""Patients whom another system knows, asked for by the names that folders bear."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from pydicom import Dataset

from archiver.network.client.dicomweb import connection
from archiver.network.client.dimse.find import asking, find, question
from archiver.network.client.dimse.worklist import ask_worklist
from archiver.network.peers import DimsePeer, Peer, WebPeer
from archiver.network.query_level import Level
from archiver.objects import Patient, text

_KEYS = ("PatientID", "IssuerOfPatientID", "PatientName", "PatientBirthDate", "PatientSex")


def patients_at(peer: Peer, names: Iterable[str], identifiers: Iterable[str]) -> list[Patient]:
    """Ask an archive by its Patient or Study Root, or by QIDO-RS, for whoever bears a name.

    Parameters
    ----------
    names
        As folders have them. Each is asked for by its first and its last word, as family name.
    identifiers
        Patient IDs.

    Raises
    ------
    NetworkError
        If the peer cannot be reached or refuses.
    """
    keys = [{"PatientID": one} for one in dict.fromkeys(identifiers)]
    words = {word: None for name in names for word in (name.split()[:1] + name.split()[-1:])}
    keys += [{"PatientName": f"{word}*"} for word in words]
    return list(dict.fromkeys(filter(None, map(_patient, _answers(peer, keys)))))


def _answers(peer: Peer, questions: list[dict[str, str]]) -> list[Dataset]:
    found: list[Dataset] = []
    if isinstance(peer, WebPeer):
        with connection.open_web_link(peer) as web:
            for one in questions:
                keys = {**dict.fromkeys(_KEYS, ""), **one}
                found += connection.search(web, None, None, "studies", keys)
        return found
    level = Level.PATIENT if peer.root == "patient" else Level.STUDY
    with asking(peer) as link:
        for one in questions:
            identifier = question(level, {**dict.fromkeys(_KEYS, ""), **one})
            found += find(link, identifier).matches
    return found


def patients_scheduled(peer: DimsePeer) -> list[Patient]:
    """Return whoever stands in a worklist.

    Raises
    ------
    NetworkError
        If the peer cannot be reached or refuses.
    """
    return [one.context(date.min)[0] for one in ask_worklist(peer, day=None) if one.patient_id]


def _patient(answer: Dataset) -> Patient | None:
    identifier = text(answer, "PatientID").strip()
    if not identifier:
        return None
    try:
        born = datetime.strptime(text(answer, "PatientBirthDate"), "%Y%m%d").date()
    except ValueError:
        born = None
    sex = text(answer, "PatientSex")
    return Patient(
        identifier,
        text(answer, "PatientName"),
        text(answer, "IssuerOfPatientID"),
        born,
        sex if sex in ("M", "F", "O") else "",
    )
