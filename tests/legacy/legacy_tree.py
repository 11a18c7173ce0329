"""A made-up tree of old folders, and what is true of each file in it.

``python tests/legacy/legacy_tree.py FOLDER --files 5000`` makes one, with rules and a table of
patients beside it. Everybody and everything in it is invented.
"""

from __future__ import annotations

import argparse
import io
import shutil
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from archiver.legacy.reasons import ImportReason

RULES = """
numbering = "ISO 3950"
dates = ["D.M.YYYY", "YYYY-MM-DD"]
copy_marks = ["(#)", "copy", "- copy"]

[[path]]
is = "{year}/{name} {birth_date}/{visit_date} {state}/{words}"
[[path]]
is = "{year}/{name} {birth_date}/{state}/{words}"
[[path]]
is = "{year}/{name}/{visit_date} {state}/{words}"
[[path]]
is = "charts/{patient_id} {name}/{visit_date} {state}/{words}"

[words]
state.before = "before treatment"
state.after = "after treatment"
mirror.mirror = true
flipped.corrected = "left-right"
flipped.untouched = "no"

[mirror]
through = ["upper occlusal arch", "lower occlusal arch"]
direct = ["frontal", "right buccal", "left buccal"]
"""
FAMILIES = ("Okafor", "Haugen", "Müller", "Adeyemi", "Lindqvist", "Moreau", "Tanaka", "Brandt")
GIVEN = ("Nadia", "Liv", "Jörg", "Ama", "Sixten", "Odile", "Ren", "Karla", "Ivo", "Maja")
TODAY = date(2026, 3, 4)


@dataclass
class Patient:
    number: int
    family: str
    given: str
    born: date

    @property
    def id(self) -> str:
        return f"P-{self.number:04}"

    def folder(self, year: int, *, born: date | None = None, name: str = "") -> str:
        day = born or self.born
        who = name or f"{self.family} {self.given}"
        return f"{year}/{who} {day.day}.{day.month}.{day.year}"


@dataclass
class LegacyTree:
    """What was made: files by path below the root, with the reason that each should get."""

    root: Path
    truth: dict[str, ImportReason] = field(default_factory=dict)
    kinds: dict[str, str] = field(default_factory=dict)
    patients: list[Patient] = field(default_factory=list)
    rows: list[str] = field(default_factory=lambda: ["patient;surname;first name;birth date;sex"])

    @property
    def rules(self) -> Path:
        return self.root.parent / "rules.toml"

    @property
    def people(self) -> Path:
        return self.root.parent / "patients.csv"

    def put(self, path: str, content: bytes, kind: str, reason: ImportReason) -> bytes:
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
        self.truth[path], self.kinds[path] = reason, kind
        return content


def drawn(seed: int, columns: int = 400, rows: int = 300) -> Image.Image:
    """A picture with soft shapes and noise; every seed gives another."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(20, 235, (6, 8, 3), dtype=np.uint8)
    shapes = Image.fromarray(coarse).resize((columns, rows), Image.Resampling.BICUBIC)
    noise = rng.integers(-6, 7, (rows, columns, 1), dtype=np.int16)
    pixels = (np.asarray(shapes).astype(np.int16) + noise).clip(0, 255).astype(np.uint8)
    return Image.fromarray(pixels)


def encoded(picture: Image.Image, when: datetime | None = None, quality: int = 88) -> bytes:
    exif = Image.Exif()
    if when is not None:
        exif[271], exif[272] = "Invented", "M-1"
        exif.get_ifd(0x8769)[36867] = when.strftime("%Y:%m:%d %H:%M:%S")
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, exif=exif.tobytes() if when else b"")
    return buffer.getvalue()


def dicom(patient: Patient, number: int) -> bytes:
    """A small radiograph of another archive."""
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3"
    uid = f"1.2.826.0.1.3680043.8.498.7.{number}"
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid
    ds.StudyInstanceUID, ds.SeriesInstanceUID = f"{uid}.1", f"{uid}.2"
    ds.PatientID, ds.PatientName = patient.id, f"{patient.family}^{patient.given}"
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.PatientBirthDate, ds.PatientSex = patient.born.strftime("%Y%m%d"), ""
    ds.Modality, ds.StudyDate = "IO", "20170405"
    ds.Rows, ds.Columns, ds.BitsAllocated, ds.BitsStored, ds.HighBit = 4, 4, 8, 8, 7
    ds.SamplesPerPixel, ds.PixelRepresentation = 1, 0
    ds.PhotometricInterpretation, ds.PixelData = "MONOCHROME2", bytes(16)
    buffer = io.BytesIO()
    ds.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


class _Maker:
    """Makes one patient's folders with every kind of dirt in them."""

    def __init__(self, tree: LegacyTree, patient: Patient, other: Patient) -> None:
        self.tree, self.me, self.other = tree, patient, other
        self.seed = patient.number * 1000
        self.day = date(2012 + patient.number % 10, 4, 1 + patient.number % 27)
        self.visit = f"{self.day.day}.{self.day.month}.{self.day.year}"
        self.home = patient.folder(self.day.year)
        self.before, self.after = (f"{self.home}/{self.visit} {s}" for s in ("before", "after"))

    def picture(self, **how: int) -> Image.Image:
        self.seed += 1
        return drawn(self.seed, **how)

    def when(self, minutes: int = 0) -> datetime:
        return datetime.combine(self.day, datetime.min.time()) + timedelta(hours=9, minutes=minutes)

    def shot(self, minutes: int = 0) -> bytes:
        return encoded(self.picture(), self.when(minutes))

    def make(self) -> None:
        self.accepted()
        self.copies()
        self.no_pictures()
        self.not_to_be_read()
        self.whose()
        self.days()
        self.meanings()
        self.of_two_patients()

    def accepted(self) -> None:
        put, before = self.tree.put, self.before
        put(f"{before}/IMG_0401 frontal.jpg", self.shot(1), "told", ImportReason.WHOLE)
        put(
            f"{before}/IMG_0402 right buccal (2).jpg", self.shot(2), "copy mark", ImportReason.WHOLE
        )
        put(
            f"{before}/IMG_0403 tooth 16 occlusal mirror untouched.JPG",
            self.shot(3),
            "flip told",
            ImportReason.WHOLE,
        )
        put(
            f"{before}/IMG_0404 upper occlusal arch.jpg",
            self.shot(4),
            "flip untold",
            ImportReason.SIDE_UNKNOWN,
        )
        put(
            f"{before}/IMG_0405 tooth 25 buccal.jpg",
            self.shot(5),
            "mirror untold",
            ImportReason.SIDE_UNKNOWN,
        )
        put(f"{before}/IMG_0406.jpg", self.shot(6), "view untold", ImportReason.VIEW_UNKNOWN)
        put(
            f"{self.home}/after/IMG_0407 face.jpg",
            self.shot(7),
            "day of the camera",
            ImportReason.WHOLE,
        )
        chart = f"charts/{self.me.id} {self.me.family} {self.me.given}/{self.visit} after"
        put(f"{chart}/frontal.jpg", self.shot(8), "chart number", ImportReason.WHOLE)
        burst = self.picture()
        put(
            f"{before}/IMG_0410.jpg",
            encoded(burst, self.when(10)),
            "burst",
            ImportReason.VIEW_UNKNOWN,
        )
        put(
            f"{before}/IMG_0411.jpg",
            encoded(burst, self.when(11), 87),
            "burst",
            ImportReason.VIEW_UNKNOWN,
        )
        put(
            f"export/{self.me.number}.dcm",
            dicom(self.me, self.me.number),
            "radiograph",
            ImportReason.OBJECT,
        )
        spelt = f"{self.me.family} {self.me.given}".replace("ü", "ue").replace("ö", "oe")
        put(
            f"{self.me.folder(self.day.year, name=spelt.upper())}/{self.visit} after/frontal 2.jpg",
            self.shot(12),
            "spelt otherwise",
            ImportReason.WHOLE,
        )

    def copies(self) -> None:
        put, after = self.tree.put, self.after
        picture = self.picture()
        first = encoded(picture, self.when(20))
        put(f"{after}/IMG_0420.jpg", first, "original", ImportReason.VIEW_UNKNOWN)
        put(f"{after}/IMG_0420 copy (2).jpg", first, "same bytes", ImportReason.SAME_BYTES)
        put(
            f"unsorted/{self.me.number}/IMG_0420.jpg",
            first,
            "same bytes elsewhere",
            ImportReason.SAME_BYTES,
        )
        put(f"{after}/web.jpg", encoded(picture, quality=45), "re-encoded", ImportReason.RE_ENCODED)
        put(
            f"{after}/mail.jpg",
            encoded(picture.resize((340, 255))),
            "smaller",
            ImportReason.SMALLER,
        )
        flip = picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
        put(f"{after}/IMG_0420 new.jpg", encoded(flip, quality=80), "flipped", ImportReason.FLIPPED)
        half = picture.transpose(Image.Transpose.ROTATE_180)
        put(
            f"{after}/IMG_0420 turned.jpg", encoded(half, quality=80), "turned", ImportReason.TURNED
        )

    def no_pictures(self) -> None:
        put, home = self.tree.put, self.after
        put(f"{home}/letter.pdf", b"%PDF-1.4\n%invented\n", "PDF", ImportReason.DOCUMENT)
        put(f"{home}/Thumbs.db", b"\xd0\xcf\x11\xe0" + bytes(60), "thumbnails", ImportReason.SYSTEM)
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as file:
            file.writestr("a.txt", "invented")
        put(f"{home}/all.zip", packed.getvalue(), "packed", ImportReason.PACKED)
        film = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(64)
        put(f"{home}/MOV_1.mp4", film, "film", ImportReason.FILM)
        put(f"{home}/list.txt", b"", "empty", ImportReason.EMPTY)
        put(f"{home}/notes.txt", b"call back on Monday\n", "notes", ImportReason.OTHER)
        link = self.tree.root / home / "link.jpg"
        link.symlink_to("IMG_0420.jpg")
        self.tree.truth[f"{home}/link.jpg"] = ImportReason.LINK
        self.tree.kinds[f"{home}/link.jpg"] = "link"

    def not_to_be_read(self) -> None:
        put, home = self.tree.put, self.after
        put(f"{home}/IMG_0430.jpg", b"", "empty picture", ImportReason.DAMAGED)
        cut = self.shot(31)
        put(f"{home}/IMG_0431.jpg", cut[: len(cut) // 2], "cut short", ImportReason.DAMAGED)
        put(f"{home}/IMG_0432.jpg", b"<html>not found</html>", "a page", ImportReason.DAMAGED)
        gif = io.BytesIO()
        self.picture(columns=24, rows=16).save(gif, "GIF")
        put(f"{home}/anim.gif", gif.getvalue(), "GIF", ImportReason.KIND_NOT_TAKEN)
        small = encoded(self.picture(columns=160, rows=120))
        put(f"{home}/thumb.jpg", small, "thumbnail", ImportReason.THUMBNAIL)
        film = encoded(self.picture().convert("L"))
        put(f"{home}/xray.jpg", film, "grey", ImportReason.GREY)
        spoilt = dicom(self.me, 50_000 + self.me.number)[:300]
        put(
            f"export/{self.me.number} cut.dcm",
            spoilt,
            "DICOM cut short",
            ImportReason.OBJECT_REFUSED,
        )

    def whose(self) -> None:
        put, me, year = self.tree.put, self.me, self.day.year
        at = f"{self.visit} before/frontal.jpg"
        alone = f"{year}/{me.family} {me.given}"
        put(f"{alone}/{at}", self.shot(40), "name alone", ImportReason.NAME_ALONE)
        stranger = me.folder(year, name=f"Nobody Known{'abcdefghij'[me.number % 10]}")
        put(f"{stranger}/{at}", self.shot(41), "stranger", ImportReason.PATIENT_UNKNOWN)
        typo = me.folder(year, name=f"{me.family}x {me.given}")
        put(f"{typo}/{at}", self.shot(42), "mistyped", ImportReason.PATIENT_UNKNOWN)
        other_day = me.folder(year, born=me.born + timedelta(days=31))
        put(f"{other_day}/{at}", self.shot(43), "other birth date", ImportReason.BIRTH_DATE_DIFFERS)
        twins = f"{year}/Double Dana 1.1.1970"
        put(
            f"{twins}/{self.visit} before/{me.number} frontal.jpg",
            self.shot(44),
            "two of one name",
            ImportReason.SEVERAL_PATIENTS,
        )
        chart = f"charts/{me.id} {self.other.family} {self.other.given}"
        put(f"{chart}/{at}", self.shot(45), "other name", ImportReason.NAME_DIFFERS)
        put(f"loose/{me.number} frontal.jpg", self.shot(46), "no rule", ImportReason.NO_RULE)

    def days(self) -> None:
        put, home, day = self.tree.put, self.home, self.day
        put(
            f"{home}/31.2.{day.year} before/frontal.jpg",
            self.shot(50),
            "no such day",
            ImportReason.DAY_UNREADABLE,
        )
        put(
            f"{home}/before/frontal undated.jpg",
            encoded(self.picture()),
            "no day",
            ImportReason.NO_DAY,
        )
        far = datetime(day.year, 11, 9, 10, 0)
        put(
            f"{self.before}/frontal far.jpg",
            encoded(self.picture(), far),
            "clock differs",
            ImportReason.DAYS_DIFFER,
        )
        future = self.me.folder(2031)
        put(
            f"{future}/3.4.2031 before/frontal.jpg",
            encoded(self.picture()),
            "future",
            ImportReason.DAY_IN_FUTURE,
        )
        early = self.me.born.replace(year=self.me.born.year - 1)
        put(
            f"{self.me.folder(early.year)}/{early:%d.%m.%Y} before/frontal.jpg",
            encoded(self.picture()),
            "before birth",
            ImportReason.BORN_LATER,
        )

    def meanings(self) -> None:
        put, before = self.tree.put, self.before
        put(f"{before}/frontal or face.jpg", self.shot(60), "two views", ImportReason.CONTRADICTION)
        put(
            f"{before}/tooth 16 incisal.jpg",
            self.shot(61),
            "view and tooth",
            ImportReason.CONTRADICTION,
        )
        put(
            f"{before}/tooth 99 occlusal.jpg",
            self.shot(62),
            "no such tooth",
            ImportReason.NOT_UNDERSTOOD,
        )
        put(
            f"{self.home}/{self.visit} holiday/frontal.jpg",
            self.shot(63),
            "no known state",
            ImportReason.NOT_UNDERSTOOD,
        )
        twice = self.shot(64)
        put(f"{before}/frontal 64.jpg", twice, "said otherwise", ImportReason.COPIES_DIFFER)
        put(f"{before}/face 64.jpg", twice, "said otherwise", ImportReason.COPIES_DIFFER)

    def of_two_patients(self) -> None:
        put, mine = self.tree.put, self.before
        theirs = f"{self.other.folder(self.day.year)}/{self.visit} before"
        shared = self.shot(70)
        name = f"shared {self.me.number}.jpg"
        put(f"{mine}/{name}", shared, "file of two", ImportReason.OTHER_PATIENTS_TOO)
        put(f"{theirs}/{name}", shared, "file of two", ImportReason.OTHER_PATIENTS_TOO)
        picture = self.picture()
        name = f"alike {self.me.number}.jpg"
        put(
            f"{mine}/{name}",
            encoded(picture, self.when(71)),
            "picture of two",
            ImportReason.OTHER_PATIENTS_TOO,
        )
        put(
            f"{theirs}/{name}",
            encoded(picture, quality=60),
            "picture of two",
            ImportReason.OTHER_PATIENTS_TOO,
        )


def people(count: int) -> Iterator[Patient]:
    for number in range(1, count + 1):
        family = FAMILIES[number % len(FAMILIES)] + ("" if number < 40 else "son")
        given = GIVEN[(number * 3 + number // len(FAMILIES)) % len(GIVEN)]
        yield Patient(
            number, family, given, date(1950, 2, 3) + timedelta(days=371 * number % 14_000)
        )


def make_tree(folder: Path, files: int) -> LegacyTree:
    """Make a tree of at least so many files."""
    tree = LegacyTree(folder / "old")
    count = max(2, -(-files // 58))
    tree.patients = list(people(count))
    for one in tree.patients:
        tree.rows.append(f"{one.id};{one.family};{one.given};{one.born:%d.%m.%Y};")
    tree.rows += [f"D-{n};Double;Dana;01.01.1970;" for n in (1, 2)]
    for place, one in enumerate(tree.patients):
        _Maker(tree, one, tree.patients[(place + 1) % count]).make()
    tree.rules.write_text(RULES, "utf-8")
    tree.people.write_text("\n".join(tree.rows) + "\n", "utf-8")
    return tree


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--files", type=int, default=5000)
    options = parser.parse_args()
    shutil.rmtree(options.folder, ignore_errors=True)
    tree = make_tree(options.folder, options.files)
    print(f"{len(tree.truth)} files of {len(set(tree.kinds.values()))} kinds in {tree.root}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
