"""Sessions of one photograph taken into an archive, as the sheet said it and as it is right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.query import Query, Record, RecordOrder
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.orientation import Direction
from archiver.dentition.views import View
from archiver.objects.session import Crop, Patient, Photograph, Session, Visit
from tests.cli.sessions import picture
from tests.confirming import looked

NOW = datetime(2026, 3, 5, 9, 30, tzinfo=timezone(timedelta(hours=1)))
NADIA = Patient("P-0417", "Okafor^Nadia", "RIVERBEND", date(1988, 2, 17), "F")
LIV = Patient("P-0502", "Ødegård^Liv", "RIVERBEND", date(2001, 11, 30), "F")
VISIT = Visit(date(2026, 3, 4), accession="A-2291", description="Recall")


def camera_file(folder: Path, seed: int = 1, exif: int = 1, kind: str = "JPEG") -> Path:
    """A file of 240 x 160 pixels, whole blocks throughout, with an EXIF orientation."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"IMG_{seed:04}_{exif}.{'JPG' if kind == 'JPEG' else 'PNG'}"
    shot = picture(seed)
    if kind == "JPEG":
        marks = shot.getexif()
        marks[274] = exif
        shot.save(path, "JPEG", quality=90, subsampling=1, exif=marks)
    else:
        shot.save(path)
    return path


def entry(file: Path, **said: Any) -> Photograph:
    """An entry of a sheet in its own words."""
    words: dict[str, Any] = {"teeth": "25", "view": "occlusal", "mirror": True, **said}
    crop = words.pop("crop", None)
    top = words.pop("top", None)
    return Photograph(
        file,
        View(words.pop("view")),
        words.pop("mirror"),
        parse_teeth(f"iso:{words.pop('teeth')}") if words["teeth"] else (),
        crop=Crop(*crop) if crop else None,
        top=Direction(top) if top else None,
        **{name: value for name, value in words.items() if name != "teeth"},
    )


def wrap(
    archive: Archive, one: Photograph, patient: Patient = NADIA, visit: Visit = VISIT
) -> dict[str, Record]:
    """Take a photograph in; return its instances by their role."""
    session = looked(Session(patient, visit, (one,), one.file))
    (taken,) = take_in(session, archive, IngestSettings(now=lambda: NOW))
    assert taken.status is Outcome.NEW, taken.problems
    uids = {kept.sop_instance_uid for kept in taken.instances}
    return {r.role or "": r for r in photographs(archive) if r.sop_instance_uid in uids}


def photographs(archive: Archive, **asked: Any) -> list[Record]:
    """What the archive shows of photographs."""
    return archive.query(Query(modality="XC", order=RecordOrder.ADDED, **asked))


def changed(kept: Mapping[str, Record], **said: Any) -> dict[str, Record]:
    """Records with other values."""
    return {role: replace(record, **said) for role, record in kept.items()}
