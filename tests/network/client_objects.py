"""Objects that the tests of the client send: real photographs, and many small ones."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

from pynetdicom.dsutils import split_dataset

from archiver.archive.query import Record
from archiver.archive.store.archive import Archive
from archiver.network.outbox.outbox import Goods
from tests.archive import archive_samples
from tests.cli.sessions import archiver, camera_jpeg, picture, write_sheet
from tests.new_archive import new_archive


def photographs(folder: Path, patient: str = "P-0417", *, png: bool = True) -> Path:
    """An archive with a mirror shot of tooth 16, a view of 25, and a PNG, as `wrap` makes them."""
    card = folder / f"card-{patient}"
    card.mkdir(parents=True)
    # The same picture under two patients is refused, so each patient has their own.
    seed = int(patient.removeprefix("P-"))
    camera_jpeg(card / "A.JPG", seed)
    camera_jpeg(card / "B.JPG", seed + 1)
    picture(seed + 2).save(card / "C.PNG")
    write_sheet(
        card,
        [
            'file = "A.JPG"\nteeth = [16]\nview = "occlusal"\nmirror = true',
            'file = "B.JPG"\nteeth = [25]\nview = "buccal"\nmirror = false',
            'file = "C.PNG"\nteeth = []\nview = "frontal"\nmirror = false',
        ][: 3 if png else 2],
        patient,
    )
    made = archiver("wrap", card / "sheet.toml", "--archive", new_archive(folder / "archive"))
    assert made.returncode == 0, made.stderr
    return folder / "archive"


@functools.cache
def shared_photographs() -> Path:
    """The same, made once for tests that only read."""
    return photographs(Path(tempfile.mkdtemp(prefix="archiver-client-")))


def records(archive: Path) -> list[Record]:
    """Everything that an archive has."""
    from archiver.archive.query import Query

    with Archive.open(archive, create=False, read_only=True) as opened:
        return opened.query(Query())


def goods(archive: Path) -> list[Goods]:
    """Everything that an archive has, to be sent."""
    return [
        Goods(
            r.sop_instance_uid,
            r.sop_class_uid,
            r.study_uid,
            Path(r.path).relative_to(archive).as_posix(),
            r.source_sha256 or "",
        )
        for r in records(archive)
    ]


def small_objects(folder: Path, count: int) -> Path:
    """An archive with many small objects."""
    archive = folder / "archive"
    with Archive.open(archive) as opened:
        opened.put(
            [
                archive_samples.incoming(n, pixels=bytes([n % 251]) * 600)
                for n in range(1, count + 1)
            ]
        )
    return archive


def data_set(path: Path) -> bytes:
    """The bytes of a file behind its meta information."""
    _, offset = split_dataset(path)
    return path.read_bytes()[offset:]
