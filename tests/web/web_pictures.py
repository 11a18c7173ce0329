"""Objects for the pages of finding and comparing: radiographs, large and hostile photographs."""

from __future__ import annotations

import io
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image
from pydicom import Dataset
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian
from web_serving import ROOT, Served, copy_of

from archiver.dentition.codes import code_of
from archiver.dentition.numbering import parse_tooth

#: Digital Intra-Oral X-Ray Image Storage - For Presentation (PS3.4 table B.5-1).
_INTRAORAL = "1.2.840.10008.5.1.4.1.1.1.3"


def radiograph(
    path: Path, *, patient: tuple[str, str, str], date: str, teeth: Sequence[str] = ()
) -> str:
    """Write an intraoral radiograph of 12 bits; return its SOP Instance UID.

    Parameters
    ----------
    patient
        Identifier, issuer and name.
    teeth
        ISO 3950 designations.
    """
    named = f"{path.name}{patient[0]}{date}".encode()
    uid = f"2.25.{int.from_bytes(named[-12:], 'big')}"
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(_INTRAORAL)
    meta.MediaStorageSOPInstanceUID = UID(uid)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds = FileDataset(str(path), {}, file_meta=meta, preamble=bytes(128))
    ds.SOPClassUID, ds.SOPInstanceUID = UID(_INTRAORAL), UID(uid)
    ds.StudyInstanceUID, ds.SeriesInstanceUID = UID(uid + ".1"), UID(uid + ".2")
    ds.PatientID, ds.IssuerOfPatientID, ds.PatientName = patient
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.Modality, ds.StudyDate, ds.StudyTime = "IO", date, "093000"
    ds.PatientOrientation = ["P", "F"]
    if teeth:
        items = []
        for iso in teeth:
            code, item = code_of(parse_tooth(f"iso:{iso}")), Dataset()
            item.CodeValue, item.CodingSchemeDesignator = code.value, code.scheme
            item.CodeMeaning = code.meaning
            items.append(item)
        ds.PrimaryAnatomicStructureSequence = items
    ds.Rows, ds.Columns, ds.SamplesPerPixel = 360, 480, 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    y, x = np.mgrid[0:360, 0:480].astype(float)
    crown = np.exp(-(((x - 240) / 90) ** 4) - ((y - 120) / 80) ** 4)
    roots = sum(np.exp(-(((x - m) / 28) ** 2) - ((y - 240) / 110) ** 4) for m in (190, 290))
    value = 500 + 2400 * np.maximum(crown, 0.75 * roots) + 250 * np.sin(x / 7) * np.cos(y / 9)
    ds.PixelData = value.clip(0, 4095).astype("<u2").tobytes()
    ds.save_as(path, enforce_file_format=True)
    return uid


def enlarged(source: Path, path: Path, seed: int, size: tuple[int, int] = (6000, 4000)) -> None:
    """Enlarge a demo photograph, framed a little otherwise, with noise as a sensor has it."""
    rng = np.random.default_rng(seed)
    with Image.open(source) as picture:
        small = picture.convert("RGB")
    left, top = (int(n) for n in rng.integers(0, 60, 2))
    cut = small.crop((left, top, left + small.width - 60, top + small.height - 40))
    pixels = np.asarray(cut.resize(size, Image.Resampling.BICUBIC)).astype(np.int16)
    noise = rng.normal(0, 5.0, (size[1], size[0], 1)).astype(np.int16)
    buffer = io.BytesIO()
    Image.fromarray((pixels + noise).clip(0, 255).astype(np.uint8)).save(
        buffer, "JPEG", quality=92, subsampling="4:2:2"
    )
    path.write_bytes(buffer.getvalue())


def sheet(
    folder: Path, file: str, *, day: str, patient: tuple[str, str], more: str = "teeth = [16]"
) -> Path:
    """Write a session sheet for one photograph."""
    path = folder / f"{Path(file).stem}.toml"
    identifier, name = patient
    path.write_text(
        f'numbering = "ISO 3950"\n[patient]\nid = "{identifier}"\nname = "{name}"\n'
        f'[visit]\ndate = {day}\n[[photo]]\nfile = "{file}"\nview = "occlusal"\nmirror = true\n'
        f"{more}\n",
        "utf-8",
    )
    return path


def taken_in(archive: Path, sheets: Sequence[Path]) -> None:
    """Archive sheets."""
    from archiver.archive.ingest.session_ingest import IngestSettings, take_in
    from archiver.archive.store.archive import Archive
    from archiver.cli.context import now
    from archiver.objects.sheet import read_sheet

    with Archive.open(archive, clock=now, actor="test") as opened:
        for one in sheets:
            for taken in take_in(read_sheet(one), opened, IngestSettings(now)):
                assert taken.instances, taken.problems


def added(archive: Path, files: Sequence[Path]) -> None:
    """Add DICOM files to an archive."""
    from archiver.archive.ingest.foreign_files import add_files
    from archiver.archive.store.archive import Archive
    from archiver.cli.context import now

    with Archive.open(archive, clock=now, actor="test") as opened:
        assert not add_files(opened, files).problems


def one_told_wrongly(folder: Path, studies: Path) -> Path:
    """Write the sheet of a mirror photograph that was called direct: it stays reversed."""
    source = studies / "P-1042" / "2024-03-19" / "HVD_0588.JPG"
    (folder / "WRONG.JPG").write_bytes(source.read_bytes())
    path = folder / "wrong.toml"
    path.write_text(
        'numbering = "ISO 3950"\n[patient]\nid = "P-1042"\nissuer = "BRACKWATER"\n'
        'name = "Marchetti^Rowan"\n[visit]\ndate = 2025-01-14\ntime = 10:00:00\n'
        '[[photo]]\nfile = "WRONG.JPG"\nteeth = [16]\nview = "occlusal"\nmirror = false\n',
        "utf-8",
    )
    return path


def rejected(archive: Path, folder: Path, uid: str) -> None:
    """Reject an instance, as a note does that comes from somebody who may."""
    from pydicom import dcmread

    from archiver.archive.store import Archive, Incoming
    from archiver.cli.context import now
    from archiver.objects import concepts, describe, key_objects, part10
    from archiver.objects.uids import DerivedUids

    with Archive.open(archive, read_only=True) as opened:
        path = opened.path_of(uid)
    assert path
    dataset = dcmread(path, stop_before_pixels=True)
    note = key_objects.Note(
        concepts.REJECTED_FOR_SAFETY, (key_objects.referenced(dataset),), "the wrong patient"
    )
    made = key_objects.build(note, dataset, created=now(), uids=DerivedUids())
    with Archive.open(archive, clock=now) as opened:
        opened.put([Incoming(describe(made), [part10.whole(made)], may_reject=True)])


def journalled(served: Served, words: str) -> list[str]:
    """Return the lines of the pages in the journal, once one has the words; they come late."""
    until = time.monotonic() + 20
    while time.monotonic() < until:
        journal = (served.archive / "journal.jsonl").read_text("utf-8")
        lines = [line for line in journal.splitlines() if "pages: " in line]
        if any(words in line for line in lines):
            return lines
        time.sleep(0.2)
    raise AssertionError(f"the journal tells nothing of {words!r}")


#: A patient whose name would be markup if anybody took it for that.
HOSTILE = ("P<b>7</b>", "Ev<i>l\\u0022>^<script>alert(1)</script>")


def clinic(demo: Path, folder: Path) -> Path:
    """The demo studies, two radiographs, a picture told wrongly, and a hostile name."""
    archive = copy_of(demo, folder / "archive")
    studies = ROOT / "demo_studies"
    who = ("P-1042", "BRACKWATER", "Marchetti^Rowan")
    radiograph(folder / "a.dcm", patient=who, date="20240213", teeth=["16", "15"])
    radiograph(folder / "b.dcm", patient=who, date="20260224", teeth=["46"])
    added(archive, [folder / "a.dcm", folder / "b.dcm"])
    source = studies / "P-1042" / "2024-02-13" / "HVD_0412.JPG"
    enlarged(source, folder / "H.JPG", 7, (640, 432))
    hostile = sheet(folder, "H.JPG", day="2023-05-02", patient=HOSTILE)
    taken_in(archive, [one_told_wrongly(folder, studies), hostile])
    return archive
