"""A session as its sheet tells it: whose photographs, of which visit, showing what."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, time, timedelta
from pathlib import Path

from archiver.dentition import Code, Direction, Operator, Plan, Tooth, Turn, View, plan
from archiver.objects.purposes import Purpose


@dataclass(frozen=True)
class Patient:
    """The patient, as registration knows them.

    `name` is a DICOM person name (family^given); `sex` is ``M``, ``F``, ``O`` or empty.
    """

    id: str
    name: str = ""
    issuer: str = ""
    birth_date: date | None = None
    sex: str = ""


@dataclass(frozen=True)
class Request:
    """What the visit was scheduled for, as a worklist tells it; empty where it does not say."""

    procedure_id: str = ""
    procedure: str = ""
    step_id: str = ""
    step: str = ""
    protocol: tuple[Code, ...] = ()


@dataclass(frozen=True)
class Visit:
    """The visit, which becomes a DICOM study.

    `clock_offset` is what must be added to the camera's clock. `study_uid` is set where the
    photographs join a study that exists already; otherwise it is derived. `request` is None where
    nobody scheduled it.
    """

    date: date
    time: time | None = None
    accession: str = ""
    description: str = ""
    clock_offset: timedelta = timedelta(0)
    study_uid: str = ""
    study_id: str = ""
    referring_physician: str = ""
    request: Request | None = None


@dataclass(frozen=True)
class ConsentSaid:
    """What the sheet says of the patient's consent to hand photographs over.

    `until` is the last day on which it holds, None for no end.
    """

    purposes: tuple[Purpose, ...]
    noted_by: str
    until: date | None = None


@dataclass(frozen=True)
class Crop:
    """A crop in pixels of the corrected, uncropped picture."""

    left: int
    top: int
    width: int
    height: int

    def __str__(self) -> str:
        return f"{self.width}x{self.height}+{self.left}+{self.top}"


@dataclass(frozen=True)
class Circumstances:
    """How the photograph was taken, in free words; empty where the sheet does not say."""

    retraction: str = ""
    contraster: str = ""
    light: str = ""
    polariser: str = ""
    stage: str = ""
    purpose: str = ""
    consent: str = ""
    colour_frame: str = ""


@dataclass(frozen=True)
class Entry:
    """One photograph of the sheet: the file, and what a person says of it.

    `line` is where the sheet says it, for messages.
    """

    file: Path
    view: View
    mirror: bool
    teeth: tuple[Tooth, ...] = ()
    top: Direction | None = None
    operator: Operator = Operator.FRONT
    crop: Crop | None = None
    confirmed_by: str = ""
    comment: str = ""
    circumstances: Circumstances = field(default_factory=Circumstances)
    line: int = 0

    def plan(self, exif: int) -> Plan:
        """Work out the correction for a file with this EXIF orientation.

        Raises
        ------
        MeaningError
            If the entry contradicts itself.
        """
        return plan(
            self.view,
            self.teeth,
            mirror=self.mirror,
            top=self.top,
            operator=self.operator,
            exif=Turn(exif),
        )


@dataclass(frozen=True)
class Session:
    """A whole sheet."""

    patient: Patient
    visit: Visit
    entries: tuple[Entry, ...]
    source: Path
    consent: ConsentSaid | None = None
