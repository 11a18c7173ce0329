"""Asking another archive in the words of the practice: patient, tooth, view, mirror, date.

Few archives know the attributes that carry tooth and view. So a peer is asked for the patient's
studies, series and instances, with those attributes as optional keys. Where it answers them,
they are read from its answers; where it does not, the headers of the photographs are fetched and
read here. Either way the matching is done here, by the same code and words as in our own archive.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pydicom import Dataset

from archiver.archive import Query, Record, answer
from archiver.archive.store import IndexedInstance, Layout, index_in_memory
from archiver.errors import NetworkError, Problem, UsageError
from archiver.network.client.dicomweb import connection
from archiver.network.client.dimse import find as dimse
from archiver.network.client.dimse.headers import fetch_headers
from archiver.network.client.header_cache import HeaderCache
from archiver.network.peers import DimsePeer, Peer, WebPeer
from archiver.network.query_level import Level
from archiver.objects import describe, text
from archiver.wording import Text

#: Headers fetched for one question at most.
MOST_HEADERS = 2000
_PHOTOGRAPH = "XC"
#: Notes come along whatever is asked for: some reject what would answer.
_NOTE = "KO"
_OF_PATIENT = ("PatientID", "PatientName", "IssuerOfPatientID", "PatientBirthDate", "PatientSex")
_OF_STUDY = ("StudyDate", "StudyTime", "StudyDescription", "AccessionNumber", "StudyInstanceUID")
_OF_SERIES = ("Modality", "SeriesDescription", "SeriesInstanceUID", "SeriesNumber")
_OF_INSTANCE = ("SOPInstanceUID", "SOPClassUID", "InstanceNumber", "Rows", "Columns")
#: What `describe` reads the meaning from, sequences first.
_SEQUENCES = (
    "AnatomicRegionSequence",
    "PrimaryAnatomicStructureSequence",
    "ViewCodeSequence",
    "AcquisitionContextSequence",
    "ContributingEquipmentSequence",
    "DeviceSequence",
)
_MEANING = (*_SEQUENCES, "ImageType", "ImageLaterality", "PatientOrientation")


@dataclass(frozen=True)
class Found:
    """What a peer has.

    Parameters
    ----------
    records
        As of our own archive; `path` names the peer, `size` and digests are not known.
    by_answers
        Instances whose meaning the peer's own answers told.
    by_headers
        Instances whose header was fetched now.
    from_cache
        Instances whose header was fetched before.
    rejected
        Instances that would answer, and that a note at the peer rejects.
    unread_notes
        Notes that could not be fetched; what they may reject is not known.
    untold
        Photographs of which the peer's answers do not say what they show, and of which that was
        not asked: teeth, view, mirror and side of their records are not known.
    known_by
        For each record, by its UID, from where it is known what it shows: ``answer``, ``header``
        (fetched now or before), or ``not told``.
    """

    records: tuple[Record, ...]
    by_answers: int
    by_headers: int
    from_cache: int
    rejected: int = 0
    unread_notes: int = 0
    untold: int = 0
    known_by: Mapping[str, str] = field(default_factory=dict)

    @property
    def way(self) -> Text:
        """Say which way was taken."""
        counts = {
            "answers": self.by_answers,
            "headers": self.by_headers,
            "cache": self.from_cache,
            "untold": self.untold,
            "rejected": self.rejected,
            "unread_notes": self.unread_notes,
        }
        ways = [
            Text(f"network.remote_query.way.{name}", count=count)
            for name, count in counts.items()
            if count
        ]
        return Text("network.remote_query.ways", ways=ways or Text("network.remote_query.nothing"))


def asks_for_meaning(query: Query) -> bool:
    """True where more is asked than the standard's required keys tell."""
    return bool(query.teeth) or any(
        value is not None
        for value in (query.view, query.surface, query.mirror, query.confirmed, query.role)
    )


def ask(peer: Peer, query: Query, cache: HeaderCache) -> Found:
    """Ask a peer for what the query wants.

    Parameters
    ----------
    peer
        Whom.
    query
        In the words of our own archive.
    cache
        Of headers.

    Raises
    ------
    UsageError
        If nothing narrows the question down to a patient, a study or a time.
    NetworkError
        If the peer cannot be reached, refuses, or too many headers would be needed.
    """
    _demand_narrow(peer, query)
    if query.source_sha256 is not None:
        raise UsageError(Problem("network.remote_query.camera_file").at(peer=peer.place))
    asked: list[Dataset] = (
        _by_dimse(peer, query) if isinstance(peer, DimsePeer) else _by_web(peer, query)
    )
    told: list[Dataset] = []
    silent: list[Dataset] = []
    for one in asked:
        tells = not _is_note(one) and (not asks_for_meaning(query) or _has_meaning(one))
        (told if tells else silent).append(one)
    headers, cached = _headers(peer, silent, cache)
    whole = [_joined(header, one) for one, header in headers]
    untold = {text(one, "SOPInstanceUID") for one in told if _lacks_meaning(one)}
    question = replace(query, include_rejected=True)
    everything = _matching([*told, *whole], question, peer.name, untold)
    records = [one for one in everything if query.include_rejected or one.rejected is None]
    notes = sum(map(_is_note, silent))
    return Found(
        tuple(records[: query.limit]),
        len(told),
        len(whole) - cached,
        cached,
        len(everything) - len(records),
        notes - sum(map(_is_note, whole)),
        sum(one.sop_instance_uid in untold for one in records),
        _known_by(records, {text(one, "SOPInstanceUID") for one in whole}, untold),
    )


def _known_by(
    records: Sequence[Record], headers: Collection[str], untold: Collection[str]
) -> dict[str, str]:
    return {
        uid: "header" if uid in headers else "not told" if uid in untold else "answer"
        for uid in (one.sop_instance_uid for one in records)
    }


@dataclass(frozen=True)
class Headers:
    """What a peer has, as whole as it can be had without pixels.

    Parameters
    ----------
    datasets
        Headers of photographs and notes, and the answers about all others.
    fetched, cached
        Headers fetched now and before.
    unread
        Photographs and notes whose header could not be fetched.
    """

    datasets: tuple[Dataset, ...]
    fetched: int
    cached: int
    unread: int

    @property
    def way(self) -> Text:
        """Say how they were had."""
        given = {"fetched": self.fetched, "cached": self.cached}
        if self.unread:
            return Text("network.remote_query.had_in_part", **given, unread=self.unread)
        return Text("network.remote_query.had", **given)


def ask_headers(peer: Peer, query: Query, cache: HeaderCache) -> Headers:
    """Ask a peer for all that it has of a patient, a study or a time, headers included.

    Raises
    ------
    UsageError, NetworkError
        As `ask`.
    """
    _demand_narrow(peer, query)
    asked = _by_dimse(peer, query) if isinstance(peer, DimsePeer) else _by_web(peer, query)
    photographed = [one for one in asked if text(one, "Modality") in (_PHOTOGRAPH, _NOTE)]
    others = [one for one in asked if text(one, "Modality") not in (_PHOTOGRAPH, _NOTE)]
    headers, cached = _headers(peer, photographed, cache)
    whole = [_joined(header, one) for one, header in headers]
    unread = len(photographed) - len(whole)
    return Headers((*whole, *others), len(whole) - cached, cached, unread)


def _demand_narrow(peer: Peer, query: Query) -> None:
    narrowed = (query.patient_id, query.name, query.study_uid, query.since, query.until)
    if all(value is None for value in narrowed):
        raise UsageError(Problem("network.remote_query.too_wide").at(peer=peer.place))


def _is_note(one: Dataset) -> bool:
    return text(one, "Modality") == _NOTE


def _has_meaning(match: Dataset) -> bool:
    """True where the peer answered the keys, and not merely repeated them empty."""
    if not all(keyword in match for keyword in _SEQUENCES[:4]):
        return False
    return bool(match.get("ViewCodeSequence") or match.get("AnatomicRegionSequence"))


def _lacks_meaning(match: Dataset) -> bool:
    """True for an answer about a photograph that does not say what it shows."""
    return text(match, "Modality") == _PHOTOGRAPH and not _has_meaning(match)


def _joined(header: Dataset, match: Dataset) -> Dataset:
    """Put what only the answer has into a header."""
    for element in match:
        if element.keyword and element.keyword not in header:
            header.add(element)
    return header


def _modality(query: Query) -> str:
    if query.modality is not None:
        return query.modality
    photographs = (query.view, query.mirror, query.confirmed, query.role)
    return _PHOTOGRAPH if any(value is not None for value in photographs) else ""


def _days(query: Query) -> str:
    """Return a range of dates (PS3.4 C.2.2.2.5), empty for any."""
    since, until = (str(day).replace("-", "") if day else "" for day in (query.since, query.until))
    return f"{since}-{until}" if since or until else ""


def _is_wanted(series: Dataset, query: Query) -> bool:
    """True for a series that may hold answers, and for one of notes."""
    if _is_note(series):
        return True
    wanted = _modality(query)
    if query.series_uid is not None and text(series, "SeriesInstanceUID") != query.series_uid:
        return False
    return not wanted or text(series, "Modality") == wanted


def _by_dimse(peer: DimsePeer, query: Query) -> list[Dataset]:
    of_patient = dict.fromkeys(_OF_PATIENT, "")
    of_patient.update(PatientID=query.patient_id or "", PatientName=query.name or "")
    of_study = dict.fromkeys(_OF_STUDY, "")
    of_study.update(StudyDate=_days(query), StudyInstanceUID=query.study_uid or "")
    of_series = dict.fromkeys(_OF_SERIES, "")
    meaning: dict[str, Any] = dict.fromkeys((*_OF_INSTANCE, *_MEANING), "")
    meaning.update({keyword: [] for keyword in _SEQUENCES})
    with dimse.asking(peer) as link:
        if peer.root == "patient":
            question = dimse.question(Level.PATIENT, of_patient)
            patients = list(dimse.find(link, question).matches)
            studies = dimse.below(link, Level.STUDY, patients, of_study)
        else:
            question = dimse.question(Level.STUDY, {**of_patient, **of_study})
            studies = list(dimse.find(link, question).matches)
        series = dimse.below(link, Level.SERIES, studies, of_series)
        series = [one for one in series if _is_wanted(one, query)]
        return dimse.below(link, Level.IMAGE, series, meaning)


def _by_web(peer: WebPeer, query: Query) -> list[Dataset]:
    of_study = dict.fromkeys((*_OF_PATIENT, *_OF_STUDY), "")
    of_study.update(
        PatientID=query.patient_id or "",
        PatientName=query.name or "",
        StudyDate=_days(query),
        StudyInstanceUID=query.study_uid or "",
    )
    of_series = dict.fromkeys(_OF_SERIES, "")
    of_instance = dict.fromkeys((*_OF_INSTANCE, *_MEANING), "")
    found: list[Dataset] = []
    with connection.open_web_link(peer) as link:
        for study in connection.search(link, None, None, "studies", of_study):
            uid = text(study, "StudyInstanceUID")
            for series in connection.search(link, uid, None, "series", of_series):
                if not _is_wanted(series, query):
                    continue
                name = text(series, "SeriesInstanceUID")
                instances = connection.search(link, uid, name, "instances", of_instance)
                found += [_joined(_joined(one, series), study) for one in instances]
    return found


def _headers(
    peer: Peer, silent: Sequence[Dataset], cache: HeaderCache
) -> tuple[list[tuple[Dataset, Dataset]], int]:
    """Return each answer with its header, and how many headers were in the cache."""
    held = cache.get(text(one, "SOPInstanceUID") for one in silent)
    missing = [one for one in silent if text(one, "SOPInstanceUID") not in held]
    if len(missing) > MOST_HEADERS:
        problem = Problem("network.remote_query.too_many", n=len(missing), most=MOST_HEADERS)
        raise NetworkError(problem.at(peer=peer.place))
    fetched = _fetched(peer, missing) if missing else {}
    cache.put(fetched.values())
    both = {**held, **fetched}
    pairs = [(one, both.get(text(one, "SOPInstanceUID"))) for one in silent]
    return [(one, header) for one, header in pairs if header is not None], len(held)


def _fetched(peer: Peer, missing: Sequence[Dataset]) -> dict[str, Dataset]:
    if isinstance(peer, DimsePeer):
        return fetch_headers(peer, missing)
    found: dict[str, Dataset] = {}
    with connection.open_web_link(peer) as link:
        for one in missing:
            names = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
            study, series, instance = (text(one, name) for name in names)
            found[instance] = connection.metadata(link, study, series, instance)
    return found


def _matching(
    datasets: Sequence[Dataset], query: Query, peer: str, untold: Collection[str]
) -> list[Record]:
    """Match by our own index, made for this one question; the limit is for the caller."""
    kept: list[IndexedInstance] = []
    seen: set[str] = set()
    for dataset in datasets:
        description = describe(dataset)
        uid = description.sop_instance_uid
        if uid in untold:
            # That no mirror and no confirmation is told does not mean that there was none.
            description = replace(description, mirror=None, confirmed=None)
        if uid and uid not in seen:
            seen.add(uid)
            kept.append(IndexedInstance(description, peer, 0, "", None, len(kept), ""))
    with closing(index_in_memory(kept)) as index, index.reading() as connection:
        records = answer(connection, replace(query, limit=None), Layout(Path()))
    return [replace(record, path=peer) for record in records]
