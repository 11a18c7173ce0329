"""Where faults are put in, and how one is registered.

A fault changes photographs before they are archived, or the archive afterwards, and says what an
audit must find: the kind, where, and how often. What it is and where it lies vary with the seed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from pathlib import Path
from typing import TypeVar

from archive_samples import as_bytes, dataset
from made_up_archive import VISITED, Case, Shot, World
from pydicom import Dataset
from pydicom.uid import generate_uid

from archiver.archive.store.file_transaction import Incoming
from archiver.objects.description import describe

AFTER = datetime.combine(VISITED, time(9, 5))
#: Views of an orthodontic record of which each is one instance, and those of which each is two.
DIRECT = ("frontal", "right buccal", "left buccal")
ARCHES = ("upper occlusal arch", "lower occlusal arch")

Choice = TypeVar("Choice")


@dataclass
class Put:
    """A fault that was put in.

    Attributes
    ----------
    also
        Kinds that follow from the same fault at the same patient.
    patients, paths, shots
        By which the finding is recognised. Where there are shots, one of them must be named.
    times
        How many findings of the kind it makes.
    """

    kind: str
    also: tuple[str, ...] = ()
    patients: set[str] = field(default_factory=set)
    paths: set[str] = field(default_factory=set)
    shots: list[Shot] = field(default_factory=list)
    times: int = 1

    @property
    def uids(self) -> set[str]:
        return {uid for shot in self.shots for uid in shot.uids}


class Scene:
    """The world, its cases, and what comes after the filling."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.cases: list[Case] = []
        self.others: list[Incoming] = []
        self.rows: list[list[str]] = []
        self.after: list[Callable[[Path], None]] = []
        self.notes: list[tuple[Shot, str]] = []  # what is rejected: "" all of a shot, or a role
        self.unheeded: list[tuple[Shot, str]] = []  # what a note names of nobody who may reject
        self.findings: list[dict[str, object]] = []
        self.outbox: list[tuple[Shot, str, int]] = []
        self.put: list[Put] = []

    def pick(self, choices: Sequence[Choice]) -> Choice:
        """Choose by the seed."""
        return choices[int(self.world.rng.integers(len(choices)))]

    def number(self, low: int, high: int) -> int:
        """A number from low to high, both included, by the seed."""
        return int(self.world.rng.integers(low, high + 1))

    def orthodontic(self, **more: object) -> Case:
        case = self.world.orthodontic(**more)  # type: ignore[arg-type]
        self.cases.append(case)
        return case

    def restored(self) -> Case:
        case = self.world.restored()
        self.cases.append(case)
        return case

    def told(
        self, kind: str, case: Case, *also: str, at: Sequence[Shot] = (), times: int = 1
    ) -> Put:
        """Note what must be found: at a shot where it is told, else anywhere in the case."""
        fault = Put(kind, also, {case.label}, shots=list(at), times=times)
        self.put.append(fault)
        return fault

    def extra(self, case: Case, view: str = "left buccal", **more: object) -> Shot:
        """Add a photograph of the first visit."""
        more.setdefault("minutes", self.number(15, 90))
        shot = self.world.shoot(case.patient, case.shots[0].visit, view, **more)  # type: ignore[arg-type]
        case.shots.append(shot)
        return shot

    def radiograph(self, case: Case, **more: object) -> None:
        """Add a radiograph beside a case, of the same patient unless said otherwise."""
        p = case.patient
        said = {"patient": p.id, "name": p.name, "issuer": p.issuer, **more}
        ds = dataset(self.world.seed(), patient=said["patient"], name=said["name"], modality="IO")  # type: ignore[arg-type]
        ds.SOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
        ds.StudyInstanceUID, ds.SeriesInstanceUID = generate_uid(), generate_uid()
        ds.IssuerOfPatientID = said["issuer"]
        ds.PatientBirthDate, ds.PatientSex = f"{p.birth_date:%Y%m%d}", p.sex
        ds.StudyDate = f"{VISITED:%Y%m%d}"
        _as_image(ds)
        whole = as_bytes(ds)
        self.others.append(Incoming(describe(ds), [whole]))


def _as_image(ds: Dataset) -> None:
    """Make the sample sound enough for the rules that all images share."""
    ds.Rows, ds.Columns, ds.SamplesPerPixel = 4, 4, 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    ds.ReferringPhysicianName, ds.StudyID, ds.SeriesNumber, ds.InstanceNumber = "", "1", 1, 1
    ds.Manufacturer, ds.PatientOrientation, ds.Laterality = "Fennmark", "", ""
    ds.ContentDate, ds.ContentTime, ds.StudyTime = ds.StudyDate, "120000", "120000"
    del ds.PrimaryAnatomicStructureSequence
    ds.PixelData = b"\x10" * 16
    ds["PixelData"].VR = "OB"


Fault = Callable[[Scene], None]
FAULTS: dict[str, Fault] = {}


def fault(kind: str) -> Callable[[Fault], Fault]:
    """Register a function as the fault of a kind."""

    def register(make: Fault) -> Fault:
        assert kind not in FAULTS
        FAULTS[kind] = make
        return make

    return register


def tweaked(
    kind: str,
    views: Sequence[str],
    change: Callable[[Dataset, Scene], object],
    *also: str,
    each: bool = True,
) -> None:
    """Register a fault that changes the datasets of one photograph.

    `each`: told of every instance of the photograph; else once.
    """

    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick(views))
        shot.tweaks.append(lambda ds: change(ds, scene) and None)
        times = 2 if each and shot.photograph.mirror else 1
        scene.told(kind, case, *also, at=[shot], times=times)


def entered(kind: str, views: Sequence[str], *also: str, **change: object) -> None:
    """Register a fault of what the session sheet says of one photograph."""

    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick(views))
        shot.photograph = replace(shot.photograph, **change)  # type: ignore[arg-type]
        scene.told(kind, case, *also, at=[shot])


def pictured(kind: str, views: Sequence[str], data: Callable[[Scene], bytes], *also: str) -> None:
    """Register a fault of the camera file."""

    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick(views))
        shot.data = data(scene)
        scene.told(kind, case, *also, at=[shot])
