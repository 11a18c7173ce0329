"""Today's visits as a modality worklist (PS3.4 K.6.1.2.2), from a table that the practice keeps.

The table is read again when it has changed, so that whatever plans the day can write it anew.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

from pydicom import DataElement, Dataset

from archiver.access import EVERYTHING, Scope
from archiver.archive.store import iso_date, iso_time
from archiver.errors import Problem, UsageError
from archiver.network.node.query.information_model import NOT_KEYS
from archiver.network.node.query.matching import BadKeyError, check_key, matches
from archiver.network.node.query.query_engine import BadQuestionError
from archiver.network.node.query.visit_table import VisitTable, WorklistRow, read_visits
from archiver.objects import DerivedUids

#: Keys with Single Value Matching alone (PS3.4 K.6.1.2.2): a wildcard means nothing in them.
_SINGLE = frozenset({"ScheduledStationAETitle", "Modality", "PatientID"})


def _step(visit: WorklistRow, identity: str) -> Dataset:
    step = Dataset()
    step.ScheduledStationAETitle = visit.station
    step.ScheduledProcedureStepStartDate = iso_date(visit.date).replace("-", "")
    step.ScheduledProcedureStepStartTime = iso_time(visit.time).replace(":", "")
    step.Modality = visit.modality
    step.ScheduledPerformingPhysicianName = visit.physician
    step.ScheduledProcedureStepDescription = visit.description or "Photographs"
    step.ScheduledStationName = ""
    step.ScheduledProcedureStepLocation = ""
    step.ScheduledProcedureStepID = visit.step_id or f"S{identity}"
    return step


def item_of(visit: WorklistRow) -> Dataset:
    """Return the worklist item of a visit; UIDs follow from what the visit is."""
    what = {"patient": visit.patient_id, "issuer": visit.issuer, "date": iso_date(visit.date)}
    what["accession" if visit.accession else "time"] = visit.accession or visit.time
    uid = visit.study_uid or DerivedUids().uid("study", {"visit": what})
    identity = uid.rpartition(".")[2][-12:]
    item = Dataset()
    item.PatientName, item.PatientID = visit.name, visit.patient_id
    item.IssuerOfPatientID = visit.issuer
    item.PatientBirthDate = iso_date(visit.birth_date).replace("-", "")
    item.PatientSex = visit.sex
    item.AccessionNumber = visit.accession
    item.ReferringPhysicianName = visit.referring
    item.RequestingPhysician = ""
    item.StudyInstanceUID = uid
    item.RequestedProcedureID = visit.procedure_id or f"R{identity}"
    item.RequestedProcedureDescription = visit.description or "Photographs"
    item.ReferencedStudySequence = []
    item.RequestedProcedurePriority = ""
    item.AdmissionID = ""
    item.CurrentPatientLocation = ""
    item.PatientWeight = None
    item.ConfidentialityConstraintOnPatientDataDescription = ""
    item.MedicalAlerts = ""
    item.Allergies = ""
    item.SpecialNeeds = ""
    item.PregnancyStatus = None
    item.PatientState = ""
    item.ScheduledProcedureStepSequence = [_step(visit, identity)]
    return item


class Visits:
    """The worklist behind a file of visits.

    Parameters
    ----------
    path
        The file; it is read at once, so that a file that is no table shows when the node starts.
    day_order
        As `read_visits` takes it.
    tell
        Told of each reading that left something out.
    """

    def __init__(
        self, path: Path, day_order: str = "", tell: Callable[[VisitTable], None] = lambda _: None
    ) -> None:
        self._path, self._order, self._tell = path, day_order, tell
        self._guard = threading.Lock()
        self._seen: tuple[int, int] | None = None
        self._table = VisitTable(())
        self._items: tuple[Dataset, ...] = ()
        self._read(self._stamp())

    @property
    def table(self) -> VisitTable:
        """What the file says now; where it can no longer be read, what it said last."""
        self._current()
        return self._table

    def _stamp(self) -> tuple[int, int]:
        try:
            found = self._path.stat()
        except OSError:
            problem = Problem("network.visits.unreadable").at(file=str(self._path))
            raise UsageError(problem) from None
        return found.st_mtime_ns, found.st_size

    def _read(self, stamp: tuple[int, int]) -> None:
        table = read_visits(self._path, self._order)
        self._items = tuple(item_of(visit) for visit in table.visits)
        self._seen = stamp
        self._note(table)

    def _note(self, table: VisitTable) -> None:
        known, self._table = self._table.refused, table
        if table.refused and table.refused != known:
            self._tell(table)

    def _current(self) -> tuple[Dataset, ...]:
        with self._guard:
            try:
                stamp = self._stamp()
                if stamp != self._seen:
                    self._read(stamp)
            except UsageError as error:
                # Whoever writes it may be at it; the visits that were known are still true.
                self._seen = None
                self._note(VisitTable(self._table.visits, error.problems))
            return self._items

    def knows(self, keys: Dataset) -> bool:
        """Return whether all keys are ones that items have."""
        model = item_of(WorklistRow("", "", ""))
        step = model.ScheduledProcedureStepSequence[0]
        inner = [k for item in keys.get("ScheduledProcedureStepSequence") or () for k in item]
        return all(k.tag in model or k.keyword in NOT_KEYS for k in keys) and all(
            k.tag in step for k in inner
        )

    def find(self, keys: Dataset, scope: Scope = EVERYTHING) -> Iterator[Dataset]:
        """Yield the items of a scope that match, with the attributes that were asked for.

        Raises
        ------
        BadQuestionError
            If a key cannot be understood.
        """
        asked = [k for k in keys if k.keyword not in NOT_KEYS]
        try:
            for key in asked:
                check_key(key)
            for item in self._current():
                if not scope.covers(item.PatientID, item.IssuerOfPatientID, item.StudyInstanceUID):
                    continue
                # A value that a row lacks answers no key, although PS3.4 K.2.2.1.1.1 has it answer
                # all: a stranger must not come under somebody's accession number.
                if all(matches(k, item, literal=_SINGLE) for k in asked if k.tag in item):
                    yield _asked_for(asked, item)
        except BadKeyError as error:
            raise BadQuestionError(*error.args) from error


def _asked_for(keys: list[DataElement], item: Dataset) -> Dataset:
    """Return the attributes of an item that the keys name; a sequence key without items, all."""
    answer = Dataset()
    for key in keys:
        if key.tag not in item:
            continue
        stored = item[key.tag]
        wanted = list(key.value[0]) if key.VR == "SQ" and key.value else []
        if wanted and stored.value:
            answer.add(
                DataElement(key.tag, "SQ", [_asked_for(wanted, one) for one in stored.value])
            )
        else:
            answer.add(stored)
    return answer
