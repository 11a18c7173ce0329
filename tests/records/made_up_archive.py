"""An archive of invented patients whose record is whole, until faults are put in.

Every photograph goes the way of a real one: a camera file, the plan, both instances, the
archive. Pictures are small, and no two of them are alike.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta, timezone
from pathlib import Path

import numpy as np
from object_samples import entry, exif_block, make_of
from PIL import Image
from pydicom import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.objects import concepts, key_objects, part10
from archiver.objects.description import describe
from archiver.objects.session import Circumstances, Patient, Photograph, Visit
from archiver.objects.uids import DerivedUids
from archiver.photo.camera_reader import read_camera_bytes

VISITED = date(2026, 2, 10)
ARCHIVED = datetime(2026, 5, 2, 18, tzinfo=timezone.utc)
AUDITED = datetime(2026, 6, 15, 12, tzinfo=timezone.utc)
ORTHODONTIC, RESTORED = "Orthodontic record", "Onlay"
WHO = "Haugen^Liv"
Tweak = Callable[[Dataset], None]

RULES = """
name = "Rules of the test"
version = "1"
source = "made up"
standing = "local"

[applies]
to = "visits"
descriptions = ["orthodontic"]

[[require]]
name = "frontal"
view = "frontal"
of = "mouth"
confirmed_by = ["Haugen^Liv"]
quality = { pixels = 90 }
[[require]]
name = "right"
view = "right buccal"
of = "mouth"
[[require]]
name = "left"
view = "left buccal"
of = "mouth"
count = 2
[[require]]
name = "upper"
view = "upper occlusal arch"
of = "mouth"
mirror = "mirror"
[[require]]
name = "lower"
view = "lower occlusal arch"
of = "mouth"
mirror = "mirror"
[[require]]
name = "smile"
view = "smile"
of = "mouth"
optional = true

[limits]
days_from_visit = 1
hours_of_visit = 6
consent = true
least_pixels = 60

[[retention]]
name = "adults"
source = "made up"
from_age = 18
years = 10
"""
EPISODE_RULES = """
name = "Teeth of the test"
version = "1"
source = "made up"
standing = "local"

[applies]
to = "episodes"
treatments = ["onlay"]

[[require]]
name = "start occlusal"
view = "occlusal"
of = "tooth"
mirror = "mirror"
stage = "start"
covered_by = ["occlusal arch"]
taken_before = ["prepared occlusal"]
[[require]]
name = "prepared occlusal"
view = "occlusal"
of = "tooth"
stage = "prepared"
[[require]]
name = "finished buccal"
view = "buccal"
of = "tooth"
stage = "finished"
within = { after = 20 }
"""


def camera_file(seed: int, when: datetime, columns: int = 96, rows: int = 64) -> bytes:
    """A small sharp picture that is like no other."""
    rng = np.random.default_rng(seed)
    coarse = Image.fromarray(rng.integers(70, 200, (6, 9), dtype=np.uint8))
    return encoded(np.asarray(coarse.resize((columns, rows), Image.Resampling.NEAREST)), when)


def encoded(grey: np.ndarray, when: datetime | None, quality: int = 92) -> bytes:
    """Give grey levels the tint of enamel and encode them as a camera does."""
    levels = grey.astype(int)
    tinted = np.stack((levels + 12, levels, levels - 14), axis=-1).clip(0, 255)
    buffer = io.BytesIO()
    exif = exif_block(when=f"{when:%Y:%m:%d %H:%M:%S}" if when else "")
    Image.fromarray(tinted.astype(np.uint8)).save(buffer, "JPEG", quality=quality, exif=exif)
    return buffer.getvalue()


@dataclass
class Shot:
    """A photograph to be."""

    patient: Patient
    visit: Visit
    photograph: Photograph
    data: bytes
    tweaks: list[Tweak] = field(default_factory=list)
    drop: str = ""  # "original" or "derived"
    spoilt: bool = False  # the coded pixels end too early
    uids: list[str] = field(default_factory=list)
    made: list[Dataset] = field(default_factory=list)

    def instances(self) -> Iterator[tuple[Incoming, str]]:
        """Make the instances, and note their identifiers."""
        photo = read_camera_bytes(self.data, "P.JPG")
        made = make_of(self.photograph, photo, patient=self.patient, visit=self.visit)
        for instance in made.instances:
            role = describe(instance.dataset).role or ""
            if role == self.drop:
                continue
            for tweak in self.tweaks:
                tweak(instance.dataset)
            described = replace(
                describe(instance.dataset), transfer_syntax=instance.pixels.transfer_syntax
            )
            self.uids.append(described.sop_instance_uid)
            self.made.append(instance.dataset)
            digest = hashlib.sha256(self.data).hexdigest()
            if self.spoilt:
                stream = instance.pixels.stream
                pixels = replace(instance.pixels, stream=stream[: len(stream) * 4 // 5])
                instance = replace(instance, pixels=pixels)
            yield Incoming(described, part10.pieces(instance), digest), role


@dataclass
class Case:
    """A patient with all photographs, and the treatments that the list has."""

    patient: Patient
    shots: list[Shot]
    rows: list[list[str]]

    @property
    def label(self) -> str:
        return f"{self.patient.id} ({self.patient.issuer})"

    def shot(self, view: str) -> Shot:
        return next(s for s in self.shots if s.photograph.view.value == view)


class World:
    """Makes cases that differ in everything that must differ."""

    def __init__(self, seed: int, people: int = 0) -> None:
        self.rng = np.random.default_rng(seed)
        self._next = seed * 1_000_000
        self._people = people

    def seed(self) -> int:
        self._next += 1
        return self._next

    def person(self, born: date | None = None) -> Patient:
        self._people += 1
        n = self._people
        birth = born or date(1960 + n % 40, 1 + n % 12, 2 + n % 26)
        name = f"{_word(n)}^{_word(n * 7 + 3)}"
        return Patient(f"T-{n:05}", name, "RIVERBEND", birth, "FM"[n % 2])

    def case(self) -> Case:
        return self.restored() if self.rng.random() < 0.3 else self.orthodontic()

    def orthodontic(self, patient: Patient | None = None, day: date = VISITED) -> Case:
        patient = patient or self.person()
        visit = Visit(day, time(9), "", ORTHODONTIC)
        shots = [
            self.shoot(patient, visit, view, minutes=n)
            for n, view in enumerate(
                (
                    "frontal",
                    "right buccal",
                    "left buccal",
                    "left buccal",
                    "upper occlusal arch",
                    "lower occlusal arch",
                    "smile",
                )
            )
        ]
        return Case(patient, shots, [row(patient, "", "Orthodontic check", day)])

    def restored(self, patient: Patient | None = None) -> Case:
        patient = patient or self.person()
        tooth = str(self.rng.choice(["16", "26", "36", "46", "24", "45"]))
        visit = Visit(VISITED, time(9), "", RESTORED)
        later = Visit(VISITED + timedelta(days=14), time(9), "", RESTORED)
        shots = [
            self.shoot(patient, visit, "occlusal", tooth, True, "start"),
            self.shoot(patient, visit, "occlusal", tooth, True, "prepared", minutes=40),
            self.shoot(patient, later, "buccal", tooth, False, "finished"),
        ]
        days = (visit.date, visit.date, later.date)
        return Case(patient, shots, [row(patient, tooth, "Ceramic onlay", *days)])

    def shoot(
        self,
        patient: Patient,
        visit: Visit,
        view: str,
        teeth: str = "",
        mirror: bool | None = None,
        stage: str = "",
        minutes: int = 0,
        **other: object,
    ) -> Shot:
        when = datetime.combine(visit.date, time(9, 5)) + timedelta(minutes=minutes)
        mirror = view.endswith("arch") if mirror is None else mirror
        said = Circumstances(stage=stage, consent="record")
        one = entry(
            view,
            teeth,
            mirror,
            circumstances=other.pop("circumstances", said),
            confirmed_by=other.pop("confirmed_by", WHO),
            **other,
        )
        return Shot(patient, visit, one, camera_file(self.seed(), when))


def _word(n: int) -> str:
    """A name that nobody has, and that shares no part with the others."""
    syllables = ("ba", "do", "ki", "lu", "me", "na", "pe", "ro", "su", "ti", "va", "ze")
    letters = ""
    n = n * 7919 + 104729
    while n:
        letters += syllables[n % 12]
        n //= 12
    return letters.capitalize()


def row(patient: Patient, tooth: str, what: str, *days: date) -> list[str]:
    cells = [patient.id, patient.issuer, tooth, "ISO 3950" if tooth else "", what]
    shown = [day.isoformat() for day in days] + [""] * (3 - len(days))
    return cells + shown


def write_episodes(path: Path, rows: list[list[str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, delimiter=";")
        head = ["Patient", "Issuer", "Tooth", "Numbering", "Treatment"]
        writer.writerow([*head, "Start", "Prepared", "Finished"])
        writer.writerows(rows)


def note(shot: Shot, role: str, *, may_reject: bool = True) -> Incoming:
    """A note that rejects what was made of a shot, all of it or only one role."""
    named = [ds for ds in shot.made if role.upper() in ("", ds.ImageType[0])]
    told = key_objects.Note(
        concepts.REJECTED_FOR_SAFETY, tuple(map(key_objects.referenced, named)), "wrong side"
    )
    ds = key_objects.build(told, named[0], created=ARCHIVED, uids=DerivedUids())
    described = replace(describe(ds), transfer_syntax=ExplicitVRLittleEndian)
    return Incoming(described, [part10.whole(ds)], may_reject=may_reject)


def fill(
    folder: Path,
    shots: list[Shot],
    others: list[Incoming],
    notes: Sequence[tuple[Shot, str]] = (),
    when: datetime = ARCHIVED,
    unheeded: Sequence[tuple[Shot, str]] = (),
) -> int:
    """Put everything into a fresh archive; return the number of instances."""
    count = 0
    with Archive.open(folder, clock=lambda: when, actor="assistant") as archive:
        batch: list[Incoming] = list(others)
        for shot in shots:
            batch += [incoming for incoming, _ in shot.instances()]
            if len(batch) > 200:
                count += len(archive.put(batch))
                batch = []
        count += len(archive.put(batch))
        if notes:
            count += len(archive.put([note(*one) for one in notes]))
        if unheeded:
            count += len(archive.put([note(*one, may_reject=False) for one in unheeded]))
    return count
