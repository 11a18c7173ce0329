"""Pictures drawn from a record for an auditor's own judgement, and how far the two agree.

What is drawn follows from the seed alone: pictures in the order of SHA-256 over seed and SOP
Instance UID, the first of them. Each lies in the folder as it is displayed, without a word of what
the record says; the auditor says which view it is, and the record is asked only then.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from archiver.archive.store import Archive, describe_file, identity_of, translated
from archiver.errors import InputError, Problem
from archiver.priors import load
from archiver.records import (
    JudgedAgreement,
    RecordPicture,
    agreement_of,
    pictures_of,
    read_instances,
)
from archiver.wording import Text

PLAN, JUDGEMENTS = "sample.json", "judgements.csv"
#: What an auditor says who cannot tell; it agrees with nothing that a record says.
CANNOT_TELL = "cannot tell"
_COLUMNS = ("number", "judgement")


@dataclass(frozen=True)
class DrawnSample:
    """A sample as it was drawn.

    Parameters
    ----------
    seed
        From which everything follows.
    population
        How many pictures it was drawn from.
    drawn
        SOP Instance UIDs of the pictures that are shown.
    categories
        Views that occur in the record, and that nothing can be told.
    """

    archive: str
    seed: str
    population: int
    drawn: tuple[str, ...]
    categories: tuple[str, ...]


@dataclass(frozen=True)
class Judged:
    """A picture that was judged.

    Parameters
    ----------
    record, auditor
        The view, as each has it.
    """

    number: int
    uid: str
    record: str
    auditor: str


def draw_sample(root: Path, folder: Path, count: int, seed: str) -> DrawnSample:
    """Draw pictures, and put them into a folder with the plan.

    Raises
    ------
    InputError
        If the folder has a sample already, or the archive no picture.
    ArchiveError
        If archive or disk refuse.
    """
    if (folder / PLAN).exists():
        raise InputError(Problem("workflow.sample.there").at(file=str(folder)))
    with Archive.open(root, read_only=True) as archive, archive.reading() as connection:
        valid = [one for one in read_instances(connection) if not one.rejected]
    shown = {(last := _shown(one)).uid: last.path for one in pictures_of(valid)}
    if not shown:
        raise InputError(Problem("workflow.sample.no_picture"))
    drawn = sorted(shown, key=lambda uid: hashlib.sha256(f"{seed}:{uid}".encode()).digest())[:count]
    views = {_view_of(root / path) for path in shown.values()} - {""}
    sample = DrawnSample(
        str(identity_of(root) or ""),
        seed,
        len(shown),
        tuple(drawn),
        (*sorted(views), CANNOT_TELL),
    )
    with translated(Text("workflow.sample.not_written"), folder):
        folder.mkdir(parents=True, exist_ok=True)
        for number, uid in enumerate(drawn, start=1):
            Image.fromarray(load(root / shown[uid]).pixels).save(picture_file(folder, number))
        told = {name: getattr(sample, name) for name in DrawnSample.__dataclass_fields__}
        (folder / PLAN).write_text(json.dumps(told, indent=1) + "\n", "utf-8")
    return sample


def picture_file(folder: Path, number: int) -> Path:
    """Return where a picture of a sample lies."""
    return folder / f"{number:04}.png"


def read_sample(folder: Path) -> DrawnSample:
    """Read the plan of a sample.

    Raises
    ------
    InputError
        If there is none.
    """
    try:
        told = json.loads((folder / PLAN).read_text("utf-8"))
        told["drawn"], told["categories"] = tuple(told["drawn"]), tuple(told["categories"])
        return DrawnSample(**told)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(Problem("workflow.sample.none").at(file=str(folder))) from error


def note_judgement(folder: Path, number: int, judgement: str) -> None:
    """Write down what the auditor says of a picture; what is said later of it counts.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    path = folder / JUDGEMENTS
    with translated(Text("workflow.sample.not_written"), folder):
        is_new = not path.exists()
        with path.open("a", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerows([_COLUMNS] if is_new else [])
            writer.writerow((number, judgement))


def read_judgements(folder: Path) -> dict[int, str]:
    """Return what the auditor has said, by the number of the picture."""
    try:
        with (folder / JUDGEMENTS).open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        return {int(row["number"]): row["judgement"].strip() for row in rows}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(Problem("workflow.sample.unreadable").at(file=str(folder))) from error


def compare_judgements(root: Path, folder: Path) -> tuple[list[Judged], JudgedAgreement | None]:
    """Hold the auditor's judgements against the record.

    Raises
    ------
    InputError
        If the sample is of another archive, or its files cannot be read.
    """
    sample = read_sample(folder)
    if sample.archive != str(identity_of(root) or ""):
        raise InputError(Problem("workflow.sample.other_archive").at(file=str(folder)))
    judged = list(_judged(root, sample.drawn, read_judgements(folder)))
    return judged, agreement_of([(one.record, one.auditor) for one in judged])


def _judged(root: Path, drawn: Sequence[str], said: dict[int, str]) -> Iterator[Judged]:
    with Archive.open(root, read_only=True) as archive:
        for number, uid in enumerate(drawn, start=1):
            path = archive.path_of(uid)
            if path is not None and number in said:
                yield Judged(number, uid, _view_of(path), said[number])


def _shown(one: RecordPicture) -> _Shown:
    """Return the instance of a picture that is displayed: the corrected one, where there is one."""
    last = next((i for i in reversed(one.instances) if i.role == "derived"), one.first)
    return _Shown(last.uid, last.path)


@dataclass(frozen=True)
class _Shown:
    uid: str
    path: str


def _view_of(path: Path) -> str:
    """Return which view the record says, with the arch and the side that tell it from others."""
    said = describe_file(path)
    if said.view is None:
        return ""
    side = {"L": "left", "R": "right"}.get(said.laterality or "", "")
    arch = said.arch.value if said.arch is not None else ""
    return " ".join(one for one in (said.view.value, arch, side) if one)
