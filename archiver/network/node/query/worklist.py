"""Today's visits as a modality worklist (PS3.4 K.6.1.2.2), from a table that the practice keeps.

A CSV file with a header line, or a TOML file with a table ``[[visit]]`` each::

    patient_id,name,birth_date,sex,accession,date,time,station,physician,description
    P-0417,Okafor^Nadia,1988-02-17,F,A-2291,2026-03-04,14:20,CAMERA1,Brânză^Ilinca,Recall

`patient_id`, `name` and `date` are needed. The file is read again when it has changed, so that
whatever plans the day can write it anew.
"""

from __future__ import annotations

import csv
import io
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from pydicom import DataElement, Dataset

from archiver.archive.store import iso_date, iso_time
from archiver.errors import Place, Problem, UsageError
from archiver.network.node.query.information_model import NOT_KEYS
from archiver.network.node.query.matching import BadKeyError, check_key, matches
from archiver.network.node.query.query_engine import BadQuestionError
from archiver.objects import DerivedUids
from archiver.wording import Text


@dataclass(frozen=True)
class WorklistRow:
    """A row of the table; dates and times in any usual spelling of ISO 8601 or DICOM."""

    patient_id: str
    name: str
    date: str
    time: str = ""
    birth_date: str = ""
    sex: str = ""
    issuer: str = ""
    accession: str = ""
    study_uid: str = ""
    station: str = ""
    modality: str = "XC"
    physician: str = ""
    referring: str = ""
    description: str = ""
    procedure_id: str = ""
    step_id: str = ""


def read_visits(path: Path) -> tuple[WorklistRow, ...]:
    """Read the table.

    Raises
    ------
    UsageError
        If it cannot be understood.
    """
    try:
        text = path.read_text("utf-8-sig")
        rows = (
            _toml_rows(text) if path.suffix == ".toml" else list(csv.DictReader(io.StringIO(text)))
        )
    except (OSError, UnicodeDecodeError, ValueError, csv.Error) as error:
        problem = Problem("network.visits.malformed", reason=str(error))
        raise UsageError(problem.at(file=str(path))) from None
    known = [f.name for f in fields(WorklistRow)]
    problems, visits = [], []
    for number, row in enumerate(rows, start=1):
        where = Place(subject=Text("network.visits.row", file=path.name, number=number))
        unknown = [str(key) for key in row if key not in known]
        values = {key: str(value or "").strip() for key, value in row.items() if key in known}
        missing = [key for key in ("patient_id", "name", "date") if not values.get(key)]
        told = [Problem("network.visits.unknown_column", key=k, known=known) for k in unknown]
        told += [Problem("network.visits.column_missing", key=key) for key in missing]
        problems += [problem.with_places(where) for problem in told]
        if not unknown and not missing:
            visits.append(WorklistRow(**{k: v for k, v in values.items() if v}))
    if problems:
        raise UsageError(*problems)
    return tuple(visits)


def _toml_rows(text: str) -> list[Mapping[str, object]]:
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    found = tomllib.loads(text).get("visit", [])
    if not isinstance(found, list):
        raise ValueError("expected [[visit]]")
    return found


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
        The file; it is read at once, so that mistakes in it show when the node starts.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._guard = threading.Lock()
        self._seen: tuple[int, int] | None = None
        self._items: tuple[Dataset, ...] = ()
        self._current()

    def _current(self) -> tuple[Dataset, ...]:
        try:
            found = self._path.stat()
        except OSError as error:
            problem = Problem("network.visits.unreadable").at(file=str(self._path))
            raise UsageError(problem) from error
        with self._guard:
            seen = (found.st_mtime_ns, found.st_size)
            if seen != self._seen:
                self._items = tuple(item_of(visit) for visit in read_visits(self._path))
                self._seen = seen
            return self._items

    def knows(self, keys: Dataset) -> bool:
        """Return whether all keys are ones that items have."""
        model = item_of(WorklistRow("", "", ""))
        step = model.ScheduledProcedureStepSequence[0]
        inner = [k for item in keys.get("ScheduledProcedureStepSequence") or () for k in item]
        return all(k.tag in model or k.keyword in NOT_KEYS for k in keys) and all(
            k.tag in step for k in inner
        )

    def find(self, keys: Dataset) -> Iterator[Dataset]:
        """Yield the items that match, with the attributes that were asked for.

        Raises
        ------
        BadQuestionError
            If a key cannot be understood.
        UsageError
            If the file has become unreadable.
        """
        asked = [k for k in keys if k.keyword not in NOT_KEYS]
        try:
            for key in asked:
                check_key(key)
            for item in self._current():
                if all(matches(k, item, required=True) for k in asked if k.tag in item):
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
