"""What the index says of an instance is what the object, its file and the journal say."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from archive_samples import ROOT, Clock, as_bytes, dataset, uid
from sqlalchemy import select

from archiver.archive.query import Query
from archiver.archive.store import tables
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.archive.store.layout import relative_path
from archiver.objects.description import describe


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive", clock=Clock()) as opened:
        yield opened


def row_of(archive: Archive, number: int) -> dict[str, Any]:
    with archive.reading() as connection:
        asked = select(tables.instances).where(tables.instances.c.sop_instance_uid == uid(number))
        return dict(connection.execute(asked).one()._mapping)


def test_a_photograph_has_all_it_says_in_its_row(archive: Archive) -> None:
    ds = dataset(1, teeth=("15", "14"), view="buccal", confirmed_by="Haugen^Liv")
    ds.StudyDescription, ds.SeriesDescription, ds.StudyID = "Recall", "Corrected", "S-7"
    ds.ReferringPhysicianName = "Brânză^Ilinca"
    ds.SeriesNumber, ds.InstanceNumber, ds.NumberOfFrames = 2, 5, 1
    ds.ImageLaterality, ds.AcquisitionDateTime = "R", "20260304142310"
    ds.BitsAllocated = ds.BitsStored = 8
    whole = as_bytes(ds)
    source = hashlib.sha256(b"camera file").hexdigest()
    archive.put([Incoming(describe(ds), [whole], source)])
    row = row_of(archive, 1)
    assert row.pop("transfer_syntax") in ("", "1.2.840.10008.1.2.1")
    assert row == {
        "number": 1,
        "sop_instance_uid": uid(1),
        "sop_class_uid": "1.2.840.10008.5.1.4.1.1.77.1.4",
        "series_uid": f"{ROOT}.2.1",
        "study_uid": f"{ROOT}.1.1",
        "patient": 1,
        "modality": "XC",
        "study_date": "2026-03-04",
        "study_time": "14:20:00",
        "acquired": "20260304142310",
        "accession": "A-2291",
        "study_description": "Recall",
        "series_description": "Corrected",
        "teeth": "15,14",
        "view": "buccal",
        "surface": "vestibular",
        "mirror": "direct",
        "confirmed": True,
        "role": "original",
        "laterality": "R",
        "arch": "upper",
        "rows": 4,
        "columns": 1,
        "birth_date": "1988-02-17",
        "sex": "F",
        "study_id": "S-7",
        "referring": "Brânză^Ilinca",
        "series_number": 2,
        "instance_number": 5,
        "frames": 1,
        "bits": 8,
        "path": relative_path(f"{ROOT}.1.1", f"{ROOT}.2.1", uid(1)),
        "size": len(whole),
        "digest": hashlib.sha256(whole).hexdigest(),
        "source_digest": source,
        "journal_seq": 2,
        "added": "2026-03-04T12:00:02.000+00:00",
        "rejected": None,
        "predecessor": None,
    }
    (record,) = archive.query(Query(source_sha256=source))
    assert record.sop_instance_uid == uid(1) and record.laterality == "R"


def test_what_an_object_does_not_say_is_empty_in_its_row(archive: Archive) -> None:
    ds = dataset(2, modality="IO")
    del ds.PrimaryAnatomicStructureSequence
    archive.put([Incoming(describe(ds), [as_bytes(ds)])])
    row = row_of(archive, 2)
    silent = ("acquired", "view", "surface", "mirror", "confirmed", "role", "laterality", "arch")
    assert [row[name] for name in (*silent, "source_digest", "predecessor")] == [None] * 10
    assert row["teeth"] == ""


def test_each_instance_and_each_patient_has_a_number_of_its_own(archive: Archive) -> None:
    def put(*made: tuple[int, str, str]) -> None:
        some = [dataset(number, patient=who, name=name) for number, who, name in made]
        archive.put([Incoming(describe(ds), [as_bytes(ds)]) for ds in some])

    put((1, "P-1", "Okafor^Nadia"), (2, "P-2", "Okafor^Nadia"))
    put((3, "P-1", "Okafor^Nadia"), (4, "P-1", "Okafor^N"))
    rows = [row_of(archive, number) for number in (1, 2, 3, 4)]
    assert [row["number"] for row in rows] == [1, 2, 3, 4]
    assert [row["patient"] for row in rows] == [1, 2, 1, 3]
