"""Camera files, sheets and finished instances for the tests of objects and of conformance."""

from __future__ import annotations

import functools
import io
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import piexif
from PIL import Image

from archiver.dentition.correction import Plan
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.sights import covered_teeth, sight
from archiver.dentition.teeth import ALL_TEETH, Tooth, in_arch_order
from archiver.dentition.views import View, view_of
from archiver.errors import MeaningError
from archiver.objects import part10, photograph
from archiver.objects.confirmation import Confirmation
from archiver.objects.photograph import Making, PhotographInstance
from archiver.objects.session import Patient, Photograph, Session, Visit
from archiver.objects.uids import DerivedUids
from archiver.photo.camera_file import CameraFile
from archiver.photo.camera_reader import read_camera_bytes
from archiver.photo.capture_time import corrected_time
from archiver.photo.encoding import Box, encode_both, encode_corrected

CREATED = datetime(2026, 3, 5, 9, 30, 15, 250000, tzinfo=timezone(timedelta(hours=1)))
PATIENT = Patient("P-0417", "Okafor^Nadia", "RIVERBEND", date(1988, 2, 17), "F")
VISIT = Visit(date(2026, 3, 4), time(14, 20), "A-2291", "Ceramic onlay, recall")

SAMPLINGS = {
    "4:4:4": ("-sample", "1x1"),
    "4:2:2": ("-sample", "2x1"),
    "4:4:0": ("-sample", "1x2"),
    "4:2:0": ("-sample", "2x2"),
    "4:1:1": ("-sample", "4x1"),
    "grey": ("-grayscale",),
    "rgb": ("-rgb",),
}
CODINGS: dict[str, tuple[str, ...]] = {
    "baseline": (),
    "optimised": ("-optimize",),
    "progressive": ("-progressive",),
    "arithmetic": ("-arithmetic",),
    "restart": ("-restart", "1"),
}
JPEG_KINDS = tuple(f"{s} {c}" for s in SAMPLINGS for c in CODINGS)
OTHER_KINDS = ("png", "grey png", "tiff", "bmp", "webp")


@functools.cache
def scene(columns: int, rows: int) -> np.ndarray:
    """A picture without symmetry, of shape (rows, columns, 3)."""
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    red = 150 + 60 * np.sin(x / 7 + y / 19) + 40 * x / columns
    green = 120 + 50 * np.cos(y / 8 - x / 31) - 30 * y / rows
    blue = 110 + 40 * np.sin((x + 2 * y) / 13)
    return np.clip(np.stack((red, green, blue), axis=-1), 0, 255).astype(np.uint8)


def exif_block(
    orientation: int = 1,
    when: str = "2026:03:04 14:21:07",
    offset: str = "+01:00",
    extra: Mapping[int, object] | None = None,
) -> bytes:
    """An EXIF block of a camera that does not exist, written by the PyPI package ``piexif``."""
    main = {
        piexif.ImageIFD.Make: "Quillon",
        piexif.ImageIFD.Model: "Quillon D5",
        piexif.ImageIFD.Software: "1.02",
        piexif.ImageIFD.Orientation: orientation,
    }
    shot: dict[int, object] = {
        piexif.ExifIFD.ExposureTime: (1, 125),
        piexif.ExifIFD.FNumber: (22, 1),
        piexif.ExifIFD.ISOSpeedRatings: 200,
        piexif.ExifIFD.ExifVersion: b"0232",
        piexif.ExifIFD.Flash: 9,
        piexif.ExifIFD.FocalLength: (100, 1),
        piexif.ExifIFD.SubjectArea: (20, 30, 8),
        piexif.ExifIFD.ColorSpace: 1,
        piexif.ExifIFD.BodySerialNumber: "00417",
        piexif.ExifIFD.LensModel: "Quillon 100 mm macro",
        **(extra or {}),
    }
    if when:
        shot[piexif.ExifIFD.DateTimeOriginal] = when
        shot[piexif.ExifIFD.SubSecTimeOriginal] = "25"
    if offset:
        shot[piexif.ExifIFD.OffsetTimeOriginal] = offset
    return bytes(piexif.dump({"0th": main, "Exif": shot}))


@functools.cache
def _bare_jpeg(kind: str, columns: int, rows: int) -> bytes:
    sampling, coding = kind.rsplit(" ", 1)
    netpbm = b"P6 %d %d 255\n" % (columns, rows) + scene(columns, rows).tobytes()
    command = ["cjpeg", "-quality", "85", *CODINGS[coding], *SAMPLINGS[sampling]]
    return subprocess.run(command, input=netpbm, capture_output=True, check=True).stdout


def picture(
    kind: str = "4:2:0 baseline", columns: int = 96, rows: int = 64, exif: bytes | None = None
) -> bytes:
    """A camera file of a kind in `JPEG_KINDS` or `OTHER_KINDS`."""
    if kind in JPEG_KINDS:
        stream = _bare_jpeg(kind, columns, rows)
        if exif is None:
            return stream
        return stream[:2] + b"\xff\xe1" + (len(exif) + 2).to_bytes(2, "big") + exif + stream[2:]
    image = Image.fromarray(scene(columns, rows))
    if kind.startswith("grey"):
        image = image.convert("L")
    out = io.BytesIO()
    form = kind.split()[-1]
    if form in ("png", "webp", "tiff") and exif is not None:
        image.save(out, form, exif=exif)
    else:
        image.save(out, form)
    return out.getvalue()


def _fits(view: View, teeth: tuple[Tooth, ...]) -> bool:
    try:
        sight(view, teeth)
    except MeaningError:
        return False
    return True


@functools.cache
def meanings(view: View) -> tuple[tuple[Tooth, ...], ...]:
    """Sets of teeth that a view may name: none, one, neighbours, quadrants, arches."""
    sets: list[tuple[Tooth, ...]] = [()]
    for tooth in ALL_TEETH:
        extra = Tooth(tooth.quadrant, tooth.position, True)
        sets += [(tooth,), (extra,), (tooth, tooth.mesial_neighbour), (tooth, extra)]
    for quadrant in range(1, 9):
        sets.append(tuple(t for t in ALL_TEETH if t.quadrant == quadrant))
    sets += [covered_teeth(v) for v in View]
    return tuple(s for s in (in_arch_order(s) for s in sets) if _fits(view, s))


@dataclass(frozen=True, repr=False)
class Made:
    """The instances of one photograph and what they were made from."""

    making: Making
    as_shot: PhotographInstance
    corrected: PhotographInstance | None
    instances: tuple[PhotographInstance, ...] = field(default=())

    def __repr__(self) -> str:
        m, photo = self.making, self.making.photo
        kind = f"{photo.format} {photo.columns} x {photo.rows}, EXIF {photo.exif_orientation}"
        return f"<{kind}; {m.photograph}; {m.session.patient}; {m.session.visit}; {photo.claims}>"

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:
        printer.text(repr(self))  # hypothesis would spell out every field

    @property
    def plan(self) -> Plan:
        return self.making.plan


def teeth_of(text: str) -> tuple[Tooth, ...]:
    return parse_teeth(f"iso:{text}") if text else ()


def entry(
    view: str = "occlusal", teeth: str = "25", mirror: bool = True, **other: object
) -> Photograph:
    """An entry of a sheet; teeth in ISO 3950."""
    return Photograph(
        Path("IMG_0101.JPG"),
        view_of(view),
        mirror,
        teeth_of(teeth),
        **other,  # type: ignore[arg-type]
    )


def session_of(*entries: Photograph, patient: Patient = PATIENT, visit: Visit = VISIT) -> Session:
    return Session(patient, visit, entries, Path("sheet.toml"))


def make(
    one: Photograph,
    data: bytes | None = None,
    *,
    patient: Patient = PATIENT,
    visit: Visit = VISIT,
    edges: str = "trim",
    number: int = 1,
) -> Made:
    """Make the instances of one photograph as the archive's intake does."""
    photo = read_camera_bytes(picture() if data is None else data, one.file.name)
    return make_of(one, photo, patient=patient, visit=visit, edges=edges, number=number)


def make_of(
    one: Photograph,
    photo: CameraFile,
    *,
    patient: Patient = PATIENT,
    visit: Visit = VISIT,
    edges: str = "trim",
    number: int = 1,
) -> Made:
    session = session_of(one, patient=patient, visit=visit)
    plan = one.plan(photo.exif_orientation)
    identity = photograph.identify(session, one, plan, photo.sha256, edges, DerivedUids())
    when = corrected_time(photo.claims, visit.clock_offset)
    taken = when.when if when is not None else None
    seen = photograph.examined(session, one, plan, photo, edges=edges)
    said = (Confirmation.of(seen, one.confirmed_by, CREATED),) if one.confirmed_by else ()
    making = Making(session, one, plan, photo, identity, number, taken, CREATED, said)
    crop = one.crop
    box = Box(crop.left, crop.top, crop.width, crop.height) if crop is not None else None
    turn = plan.correction.value
    both = encode_both(photo, turn, box, edges=edges)  # type: ignore[arg-type]
    as_shot = photograph.as_shot(making, both.as_shot)
    corrected = None
    if identity.corrected is not None:
        result = both.corrected or encode_corrected(photo, turn, box)
        corrected = photograph.corrected(making, result)
    return Made(making, as_shot, corrected, (as_shot, *((corrected,) if corrected else ())))


def write(instance: PhotographInstance, folder: Path) -> Path:
    """Write an instance as a DICOM file."""
    path = folder / f"{instance.sop_instance_uid}.dcm"
    path.write_bytes(b"".join(part10.pieces(instance)))
    return path
