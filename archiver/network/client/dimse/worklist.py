"""Who is in the chair: the Modality Worklist (PS3.4 Annex K)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

from pydicom import Dataset
from pynetdicom.presentation import build_context

from archiver.dentition import Code
from archiver.errors import InputError, Problem
from archiver.network.client.dimse.find import find
from archiver.network.client.dimse.link import open_link
from archiver.network.peers import DimsePeer
from archiver.objects import Patient, Request, Visit, code_key, items, text
from archiver.wording import Text

WORKLIST = "1.2.840.10008.5.1.4.31"
_UNICODE = "ISO_IR 192"
#: Return keys of PS3.4 table K.6-1 that a photograph has attributes for.
_RETURNED = (
    "AccessionNumber",
    "ReferringPhysicianName",
    "PatientName",
    "PatientID",
    "IssuerOfPatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyInstanceUID",
    "RequestedProcedureDescription",
    "RequestedProcedureID",
)
_OF_STEP = (
    "ScheduledProcedureStepStartTime",
    "ScheduledProcedureStepDescription",
    "ScheduledProcedureStepID",
    "ScheduledPerformingPhysicianName",
    "ScheduledStationName",
    "ScheduledProcedureStepLocation",
)


@dataclass(frozen=True)
class Scheduled:
    """One entry of the worklist; an empty text is what the worklist does not say.

    Parameters
    ----------
    start
        When the step is due; None where it has no readable date.
    issuer, birth_date, sex
        Of the patient.
    step_id, requested_id
        Scheduled Procedure Step ID and Requested Procedure ID.
    description
        Of the requested procedure, or else of the step.
    procedure, step
        Descriptions of either.
    protocol
        Scheduled protocol codes.
    """

    start: datetime | None
    patient_id: str
    patient_name: str
    issuer: str
    birth_date: date | None
    sex: str
    study_uid: str
    accession: str
    description: str
    referring: str
    performing: str
    modality: str
    station: str
    location: str
    step_id: str
    requested_id: str
    procedure: str = ""
    step: str = ""
    protocol: tuple[Code, ...] = ()

    def context(self, today: date) -> tuple[Patient, Visit]:
        """Return the patient and the visit for a session of photographs.

        Parameters
        ----------
        today
            Day of the visit where the worklist names none.
        """
        patient = Patient(
            self.patient_id,
            self.patient_name,
            self.issuer,
            self.birth_date,
            self.sex if self.sex in ("M", "F", "O") else "",
        )
        visit = Visit(
            self.start.date() if self.start else today,
            self.start.time() if self.start else None,
            self.accession,
            self.description,
            study_uid=self.study_uid,
            study_id=self.requested_id,
            referring_physician=self.referring,
            request=Request(
                self.requested_id, self.procedure, self.step_id, self.step, self.protocol
            ),
        )
        return patient, visit


def ask_worklist(
    peer: DimsePeer,
    *,
    day: date | None,
    modality: str = "",
    station: str = "",
    patient_id: str = "",
    patient_name: str = "",
) -> list[Scheduled]:
    """Ask who is scheduled, earliest first.

    Parameters
    ----------
    peer
        With the worklist.
    day
        Of the steps; None for any.
    modality
        Such as ``XC``; empty for any.
    station
        Application entity title of the camera; empty for any.
    patient_id, patient_name
        Of whom; the name with ``*`` and ``?``.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or answers failure.
    """
    identifier = _question(day, modality, station, patient_id, patient_name)
    with open_link(peer, [build_context(WORKLIST)]) as link:
        matches = find(link, identifier, model=WORKLIST).matches
    scheduled = [_scheduled(match) for match in matches]
    return sorted(scheduled, key=lambda one: (one.start is None, one.start or datetime.min))


def choose(
    scheduled: Sequence[Scheduled],
    words: str | None,
    place: str | Text,
    line_of: Callable[[Scheduled], str],
) -> Scheduled:
    """Return the one entry that is meant; the identity of a patient is never guessed.

    Parameters
    ----------
    scheduled
        The entries.
    words
        The patient identifier, accession number, step or requested procedure of the one that is
        meant, exactly; None where there is only one.
    place, line_of
        The peer and how an entry is told, for messages.

    Raises
    ------
    InputError
        If there is none, or more than one.
    """
    fitting = [
        one
        for one in scheduled
        if words is None or words in (one.patient_id, one.accession, one.step_id, one.requested_id)
    ]
    if len(fitting) == 1 and fitting[0].patient_id:
        return fitting[0]
    if len(fitting) == 1:
        raise InputError(Problem("network.scheduled.no_patient").at(peer=place))
    count = "several" if fitting else "nobody"
    found = Problem(f"network.scheduled.{count}", n=len(fitting))
    if words is not None:
        found = Problem(f"network.scheduled.{count}_with", n=len(fitting), words=words)
    entries = [Problem("network.scheduled.entry", line=line_of(one)) for one in fitting]
    raise InputError(*(one.at(peer=place) for one in (found, *entries)))


def _question(
    day: date | None, modality: str, station: str, patient_id: str, patient_name: str
) -> Dataset:
    identifier = Dataset()
    if not f"{patient_id}{patient_name}".isascii():
        identifier.SpecificCharacterSet = _UNICODE
    for keyword in _RETURNED:
        setattr(identifier, keyword, "")
    identifier.PatientID, identifier.PatientName = patient_id, patient_name
    step = Dataset()
    step.Modality = modality
    step.ScheduledStationAETitle = station
    step.ScheduledProcedureStepStartDate = f"{day:%Y%m%d}" if day else ""
    for keyword in _OF_STEP:
        setattr(step, keyword, "")
    step.ScheduledProtocolCodeSequence = []
    identifier.ScheduledProcedureStepSequence = [step]
    return identifier


def _scheduled(match: Dataset) -> Scheduled:
    step = next(items(match, "ScheduledProcedureStepSequence"), Dataset())
    procedure = text(match, "RequestedProcedureDescription")
    described = text(step, "ScheduledProcedureStepDescription")
    codes = [(code_key(item), item) for item in items(step, "ScheduledProtocolCodeSequence")]
    return Scheduled(
        start=_start(step),
        patient_id=text(match, "PatientID"),
        patient_name=text(match, "PatientName"),
        issuer=text(match, "IssuerOfPatientID"),
        birth_date=_day(text(match, "PatientBirthDate")),
        sex=text(match, "PatientSex"),
        study_uid=text(match, "StudyInstanceUID"),
        accession=text(match, "AccessionNumber"),
        description=procedure or described,
        referring=text(match, "ReferringPhysicianName"),
        performing=text(step, "ScheduledPerformingPhysicianName"),
        modality=text(step, "Modality"),
        station=text(step, "ScheduledStationAETitle"),
        location=text(step, "ScheduledProcedureStepLocation"),
        step_id=text(step, "ScheduledProcedureStepID"),
        requested_id=text(match, "RequestedProcedureID"),
        procedure=procedure,
        step=described,
        protocol=tuple(
            Code(value, scheme, text(item, "CodeMeaning"))
            for (value, scheme), item in codes
            if value
        ),
    )


def _day(value: str) -> date | None:
    try:
        return datetime.strptime(value[:8], "%Y%m%d").date()
    except ValueError:
        return None


def _start(step: Dataset) -> datetime | None:
    day = _day(text(step, "ScheduledProcedureStepStartDate"))
    if day is None:
        return None
    clock = text(step, "ScheduledProcedureStepStartTime").partition(".")[0].ljust(6, "0")[:6]
    try:
        return datetime.combine(day, datetime.strptime(clock, "%H%M%S").time())
    except ValueError:
        return datetime.combine(day, time())
