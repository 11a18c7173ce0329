"""Telling a clinic's system that a visit was photographed.

By Modality Performed Procedure Step (PS3.4 F.7): N-CREATE while it is in progress, N-SET when it
is completed; or, where the peer has no such service, by Instance Availability Notification (PS3.4
R.3), one N-CREATE. Both name what was made; neither sends it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from pydicom import Dataset
from pydicom.uid import UID
from pynetdicom.presentation import build_context

from archiver.errors import NetworkError, Problem
from archiver.network.client.dimse.link import Link, open_link
from archiver.network.peers import DimsePeer
from archiver.network.statuses import Category, Service, status_of
from archiver.wording import Text

PERFORMED_STEP = "1.2.840.10008.3.1.2.3.3"
AVAILABILITY = "1.2.840.10008.5.1.4.33"
#: What the settings call the two.
MPPS, NOTIFICATION = "mpps", "availability"
_DUPLICATE = 0x0111
_FAILED = 0x0110
#: Error ID of a step that is completed and takes no change (PS3.4 F.7.2.2.4).
_COMPLETED = 0xA710


@dataclass(frozen=True)
class MadeInstance:
    """An instance that was made in the step."""

    sop_class: str
    sop_instance: str
    series: str
    series_description: str = ""
    operators: str = ""


@dataclass(frozen=True)
class PerformedStep:
    """A visit in which photographs were taken.

    Parameters
    ----------
    uid
        SOP Instance UID of the step, or of the notification: the same however often it is told.
    about
        An object of the visit: patient, study and what was scheduled are read from it.
    began, ended
        When it was archived.
    instances
        What was made.
    retrieve_title
        Where it can be fetched.
    """

    uid: str
    about: Dataset
    began: datetime
    ended: datetime
    instances: tuple[MadeInstance, ...]
    retrieve_title: str


def notify(peer: DimsePeer, step: PerformedStep) -> None:
    """Tell a peer, by the service that its settings name; doing it again does no harm.

    Raises
    ------
    NetworkError
        If it cannot be reached, or refuses.
    """
    if peer.performed == NOTIFICATION:
        with open_link(peer, [build_context(AVAILABILITY)]) as link:
            _create(link, peer, availability_of(step), AVAILABILITY, step.uid)
        return
    with open_link(peer, [build_context(PERFORMED_STEP)]) as link:
        _create(link, peer, begun_of(step, peer.calling), PERFORMED_STEP, step.uid)
        answer, _ = link.association.send_n_set(
            completed_of(step), PERFORMED_STEP, step.uid, link.next_message()
        )
        told_before = (
            answer.get("Status") == _FAILED and answer.get("ErrorID", _COMPLETED) == _COMPLETED
        )
        _demand_success(link, peer, answer, done=_FAILED if told_before else None)


def _create(link: Link, peer: DimsePeer, what: Dataset, sop_class: str, uid: str) -> None:
    answer, _ = link.association.send_n_create(what, sop_class, uid, link.next_message())
    # Created when it was told the last time, and the answer was lost.
    _demand_success(link, peer, answer, done=_DUPLICATE)


def _demand_success(link: Link, peer: DimsePeer, answer: Dataset, done: int | None) -> None:
    if "Status" not in answer:
        raise link.lost(Text("network.lost.telling"))
    code = int(answer.Status)
    status = status_of(Service.ANY, code)
    if code != done and status.category not in (Category.SUCCESS, Category.WARNING):
        problem = Problem("network.dimse.not_told", status=status.text)
        raise NetworkError(problem.at(peer=peer.place))


def begun_of(step: PerformedStep, station: str) -> Dataset:
    """Return the Attribute List of the N-CREATE (PS3.4 table F.7.2-1)."""
    about, made = step.about, Dataset()
    made.SpecificCharacterSet = "ISO_IR 192"
    made.ScheduledStepAttributesSequence = _scheduled(about)
    for keyword in ("PatientName", "PatientID", "PatientBirthDate", "PatientSex", "StudyID"):
        setattr(made, keyword, about.get(keyword, ""))
    made.ReferencedPatientSequence = []
    made.PerformedProcedureStepID = step.uid.rpartition(".")[2][-16:]
    made.PerformedStationAETitle = station
    made.PerformedStationName = about.get("StationName", "")
    made.PerformedLocation = ""
    made.PerformedProcedureStepStartDate = f"{step.began:%Y%m%d}"
    made.PerformedProcedureStepStartTime = f"{step.began:%H%M%S}"
    made.PerformedProcedureStepStatus = "IN PROGRESS"
    made.PerformedProcedureStepDescription = about.get("StudyDescription", "")
    made.PerformedProcedureTypeDescription = ""
    made.ProcedureCodeSequence = []
    made.PerformedProcedureStepEndDate = made.PerformedProcedureStepEndTime = ""
    made.Modality = about.get("Modality", "XC")
    made.PerformedProtocolCodeSequence = []
    made.PerformedSeriesSequence = []
    return made


def _scheduled(about: Dataset) -> list[Dataset]:
    """Return what was scheduled, one item for each request; one of empty values where none was."""
    items = []
    for request in about.get("RequestAttributesSequence") or [Dataset()]:
        item = Dataset()
        item.StudyInstanceUID = about.StudyInstanceUID
        item.ReferencedStudySequence = []
        item.AccessionNumber = request.get("AccessionNumber") or about.get("AccessionNumber", "")
        for keyword in (
            "RequestedProcedureID",
            "RequestedProcedureDescription",
            "ScheduledProcedureStepID",
            "ScheduledProcedureStepDescription",
        ):
            setattr(item, keyword, request.get(keyword, ""))
        item.ScheduledProtocolCodeSequence = []
        items.append(item)
    return items


def completed_of(step: PerformedStep) -> Dataset:
    """Return the Modification List of the N-SET (PS3.4 table F.7.2-1)."""
    made = Dataset()
    made.SpecificCharacterSet = "ISO_IR 192"
    made.PerformedProcedureStepStatus = "COMPLETED"
    made.PerformedProcedureStepEndDate = f"{step.ended:%Y%m%d}"
    made.PerformedProcedureStepEndTime = f"{step.ended:%H%M%S}"
    made.PerformedSeriesSequence = []
    for series, instances in _by_series(step.instances).items():
        item = Dataset()
        item.PerformingPhysicianName = ""
        item.ProtocolName = instances[0].series_description or "Photographs"
        item.OperatorsName = instances[0].operators
        item.SeriesInstanceUID = UID(series)
        item.SeriesDescription = instances[0].series_description
        item.RetrieveAETitle = step.retrieve_title
        item.ReferencedImageSequence = [_reference(one) for one in instances]
        item.ReferencedNonImageCompositeSOPInstanceSequence = []
        made.PerformedSeriesSequence.append(item)
    return made


def availability_of(step: PerformedStep) -> Dataset:
    """Return the Attribute List of a notification (PS3.4 table R.3.2-1)."""
    made = Dataset()
    made.SpecificCharacterSet = "ISO_IR 192"
    made.ReferencedPerformedProcedureStepSequence = []
    made.StudyInstanceUID = step.about.StudyInstanceUID
    made.ReferencedSeriesSequence = []
    for series, instances in _by_series(step.instances).items():
        item = Dataset()
        item.SeriesInstanceUID = UID(series)
        item.ReferencedSOPSequence = []
        for one in instances:
            reference = _reference(one)
            reference.InstanceAvailability = "ONLINE"
            reference.RetrieveAETitle = step.retrieve_title
            item.ReferencedSOPSequence.append(reference)
        made.ReferencedSeriesSequence.append(item)
    return made


def _by_series(instances: Sequence[MadeInstance]) -> dict[str, list[MadeInstance]]:
    found: dict[str, list[MadeInstance]] = {}
    for one in instances:
        found.setdefault(one.series, []).append(one)
    return found


def _reference(one: MadeInstance) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID = UID(one.sop_class)
    item.ReferencedSOPInstanceUID = UID(one.sop_instance)
    return item
