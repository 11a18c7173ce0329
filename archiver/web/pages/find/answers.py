"""What answers a question: photographs by patient and visit, radiographs beside them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from archiver.archive import Query, Record, without_twins
from archiver.dentition import Tooth
from archiver.objects import Person
from archiver.web.pages.find.patient_tokens import Whom
from archiver.web.pages.find.question import FindQuestion

#: Photographs on a page, and radiographs beside those of one patient.
PAGE, BESIDE = 48, 12
_ALL_OF_A_PATIENT = 2000
#: Modalities of radiographs (PS3.3 C.7.3.1.1.1).
RADIOGRAPHS = ("IO", "PX", "DX", "CR", "RG", "CT", "XA")

Ask = Callable[[Query], Sequence[Record]]


@dataclass(frozen=True)
class FoundStudy:
    """Photographs of one study."""

    date: str
    time: str
    description: str
    records: tuple[Record, ...]


@dataclass(frozen=True)
class Beside:
    """A radiograph, and whether it shows what was asked for."""

    record: Record
    shows: bool


@dataclass(frozen=True)
class OfPatient:
    """Answers about one patient, the newest visit first."""

    patient_id: str
    issuer: str
    name: str
    visits: tuple[FoundStudy, ...]
    radiographs: tuple[Beside, ...] = ()


@dataclass(frozen=True)
class AnswerPage:
    """One page of answers.

    Parameters
    ----------
    patients
        In the order in which their newest picture comes.
    count
        Photographs on this page.
    more
        Whether there is a page after it.
    """

    patients: tuple[OfPatient, ...]
    count: int
    more: bool


def answers(ask: Ask, question: FindQuestion, whom: Whom) -> AnswerPage:
    """Find one page of photographs, without those as shot whose corrected twin is there.

    Rejected instances are never among them.
    """
    last = question.page * PAGE
    # Each photograph may be there twice, as shot and corrected.
    found = ask(
        replace(
            _about(whom),
            teeth=question.teeth,
            view=None if question.view is None else question.view.value,
            since=question.since,
            until=question.until,
            limit=2 * last + 2,
            named_first=False,
        )
    )
    single = without_twins(found)
    shown = single[last - PAGE : last]
    patients = tuple(_of_patient(ask, records, question.teeth) for records in _by_person(shown))
    return AnswerPage(patients, len(shown), len(single) > last)


def _by_person(records: Sequence[Record]) -> list[list[Record]]:
    """Group records by the person they name: under one identifier there may be two."""
    groups: list[list[Record]] = []
    for record in records:
        mine = next((group for group in groups if _same_person(group[0], record)), None)
        if mine is None:
            groups.append([record])
        else:
            mine.append(record)
    return groups


def _same_person(one: Record, other: Record) -> bool:
    same = (one.patient_id, one.issuer) == (other.patient_id, other.issuer)
    return same and not Person(one.patient_name).contradicts(Person(other.patient_name))


def _about(whom: Whom) -> Query:
    """Photographs of whom is asked for."""
    who = whom.patient_id or None
    return Query(
        patient_id=who, issuer=whom.issuer, name=whom.pattern, who=whom.parts, modality="XC"
    )


def _of_patient(ask: Ask, records: Sequence[Record], teeth: tuple[Tooth, ...]) -> OfPatient:
    first = records[0]
    visits: dict[str, list[Record]] = {}
    for record in records:
        visits.setdefault(record.study_uid, []).append(record)
    return OfPatient(
        first.patient_id,
        first.issuer,
        first.patient_name,
        tuple(
            FoundStudy(
                one[0].study_date, one[0].study_time[:5], one[0].study_description, tuple(one)
            )
            for one in visits.values()
        ),
        _radiographs(ask, first, teeth),
    )


def _radiographs(ask: Ask, of: Record, teeth: tuple[Tooth, ...]) -> tuple[Beside, ...]:
    """Radiographs of the same patient, those that show the teeth first, then the newest."""
    found = []
    for modality in RADIOGRAPHS:
        same = Query(
            patient_id=of.patient_id, issuer=of.issuer, modality=modality, limit=_ALL_OF_A_PATIENT
        )
        found += [record for record in ask(same) if record.rows and _same_person(of, record)]
    if not found:
        return ()
    showing: set[str] = set()
    if teeth:
        asked = Query(patient_id=of.patient_id, issuer=of.issuer, teeth=teeth)
        showing = {record.sop_instance_uid for record in ask(asked)}
    found.sort(key=lambda r: (r.study_date, r.study_time, r.sop_instance_uid), reverse=True)
    marked = [Beside(record, record.sop_instance_uid in showing) for record in found]
    marked.sort(key=lambda one: not one.shows)
    return tuple(marked[:BESIDE])


def pictures_of_teeth(ask: Ask, whom: Whom) -> dict[str, int]:
    """Count the photographs that name each tooth of one patient, by ISO 3950; none for several."""
    if not whom:
        return {}
    found = ask(replace(_about(whom), limit=_ALL_OF_A_PATIENT))
    if len(_by_person(found)) != 1:
        return {}
    counts: dict[str, int] = {}
    for record in without_twins(found):
        for iso in record.teeth:
            counts[iso] = counts.get(iso, 0) + 1
    return counts
