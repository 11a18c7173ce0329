"""Made-up objects for the tests of the archive."""

from __future__ import annotations

import hashlib
import io
from datetime import datetime, timedelta, timezone

from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from archiver.archive.store.file_transaction import Incoming
from archiver.dentition import codes
from archiver.dentition.sights import sight
from archiver.dentition.teeth import Tooth
from archiver.dentition.views import View
from archiver.objects import concepts
from archiver.objects.description import describe

ROOT = "1.2.826.0.1.3680043.8.498"  # pydicom's own root, fit for made-up objects
NOON = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)


class Clock:
    """A clock that moves a second each time it is read."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


def tooth(iso: str) -> Tooth:
    return Tooth(int(iso[0]), int(iso[1]), iso.endswith("s"))


def _coded(code: object) -> Dataset:
    item = Dataset()
    item.CodeValue = code.value  # type: ignore[attr-defined]
    item.CodingSchemeDesignator = code.scheme  # type: ignore[attr-defined]
    item.CodeMeaning = code.meaning  # type: ignore[attr-defined]
    return item


def dataset(
    number: int,
    *,
    patient: str = "P-0417",
    name: str = "Okafor^Nadia",
    teeth: tuple[str, ...] = (),
    view: str = "",
    modality: str = "XC",
    date: str = "20260304",
    study: int = 1,
    pixels: bytes = b"",
    confirmed_by: str = "",
) -> Dataset:
    """A small dataset with the meaning that the index keeps; not a valid photograph."""
    ds = Dataset()
    ds.SOPClassUID = concepts.VL_PHOTOGRAPHIC_IMAGE
    ds.SOPInstanceUID = f"{ROOT}.3.{number}"
    ds.StudyInstanceUID = f"{ROOT}.1.{study}"
    ds.SeriesInstanceUID = f"{ROOT}.2.{study}"
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.PatientID, ds.PatientName, ds.IssuerOfPatientID = patient, name, "RIVERBEND"
    ds.PatientBirthDate, ds.PatientSex = "19880217", "F"
    ds.StudyDate, ds.StudyTime, ds.AccessionNumber = date, "142000", "A-2291"
    ds.Modality = modality
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.Rows, ds.Columns = 4, min(65535, max(1, len(pixels) // 4))
    named = tuple(tooth(iso) for iso in teeth)
    ds.PrimaryAnatomicStructureSequence = [_coded(codes.code_of(one)) for one in named]
    if view:
        seen = sight(View(view), named)
        ds.AnatomicRegionSequence = [_coded(codes.region_code(seen.view))]
        code = codes.view_code(seen.view, seen.looking.value, seen.laterality)
        ds.ViewCodeSequence = [_coded(code)]
        for item in ds.PrimaryAnatomicStructureSequence if seen.surface else ():
            surface = codes.SURFACE_CODES[seen.surface]
            item.PrimaryAnatomicStructureModifierSequence = [_coded(surface)]
        part = codes.structure_code(seen.view, seen.arch)
        ds.PrimaryAnatomicStructureSequence += [_coded(part)] if part else []
    if confirmed_by:
        item = Dataset()
        item.ValueType = "PNAME"
        item.ConceptNameCodeSequence = [_coded(concepts.VERIFYING)]
        item.PersonName = confirmed_by
        ds.AcquisitionContextSequence = [item]
    ds.add_new(0x7FE00010, "OB", pixels + b"\0" * (len(pixels) % 2))
    return ds


def as_bytes(ds: Dataset) -> bytes:
    """The whole file."""
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    buffer = io.BytesIO()
    ds.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def incoming(number: int, *, source: str = "", **meaning: object) -> Incoming:
    """An instance to be put, in three parts of which the middle one is a view."""
    ds = dataset(number, **meaning)  # type: ignore[arg-type]
    whole = as_bytes(ds)
    parts = [whole[:200], memoryview(whole)[200:-1], whole[-1:]]
    digest = hashlib.sha256(source.encode()).hexdigest() if source else None
    return Incoming(describe(ds), parts, digest)


def content(one: Incoming) -> bytes:
    return b"".join(bytes(part) for part in one.parts)


def uid(number: int) -> str:
    return f"{ROOT}.3.{number}"
