"""Faults of what is kept: files, index, outbox; and what has passed its age."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pydicom
from fault_scene import ARCHES, DIRECT, FAULTS, Put, Scene, fault
from made_up_archive import AUDITED, Shot
from pydicom.uid import generate_uid

from archiver.archive.store.layout import Layout
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Goods, Outbox

Change = Callable[[Path, Scene], object]


def _path(root: Path, uid: str) -> Path:
    return next(root.glob(f"objects/*/*/{uid}.dcm"))


def _on_disk(kind: str, change: Change, *also: str) -> None:
    """Register a fault of one object's file; what `change` returns is a new file."""

    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick((*DIRECT, *ARCHES)))
        told = scene.told(kind, case, *also)
        told.patients.clear()

        def after(root: Path) -> None:
            path = _path(root, scene.pick(shot.uids))
            told.paths.add(path.relative_to(root).as_posix())
            new = change(path, scene)
            if isinstance(new, Path):
                told.paths = {new.relative_to(root).as_posix()}

        scene.after.append(after)


def _flip(path: Path, scene: Scene) -> None:
    data = bytearray(path.read_bytes())
    data[scene.number(0, len(data) - 1)] ^= 1 << scene.number(0, 7)
    path.write_bytes(data)


def _cut(path: Path, scene: Scene) -> None:
    data = path.read_bytes()
    path.write_bytes(data[: scene.number(0, len(data) - 1)])


def _loop(path: Path, _: Scene) -> None:
    path.unlink()
    path.symlink_to(path.name)


def _stranger(path: Path, _: Scene) -> Path:
    ds = pydicom.dcmread(path)
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = generate_uid()
    new = path.with_name(f"{ds.SOPInstanceUID}.dcm")
    ds.save_as(new)
    return new


def _elsewhere(path: Path, scene: Scene) -> Path:
    new = scene.pick((path.parent.parent / path.name, path.with_name("copy-of-it.dcm")))
    shutil.copy(path, new)
    return new


_on_disk("object-missing", lambda path, _: path.unlink())
_on_disk("object-changed", lambda path, scene: scene.pick((_flip, _cut))(path, scene))
_on_disk("object-unreadable", _loop)
_on_disk("object-unjournalled", _stranger)
_on_disk("object-misplaced", _elsewhere)


@fault("file-left-over")
def _(scene: Scene) -> None:
    name = f"left-{scene.world.seed()}.part"
    scene.put.append(Put("file-left-over", paths={name}))
    scene.after.append(lambda root: (Layout(root).temporary / name).write_bytes(b"DICM") and None)


@fault("object-quarantined")
def _(scene: Scene) -> None:
    name = f"quarantine/{scene.world.seed():064x}.dcm"

    def put_aside(root: Path) -> None:
        (root / "quarantine").mkdir(exist_ok=True)
        (root / name).write_bytes(b"DICM")

    scene.put.append(Put("object-quarantined", paths={name}))
    scene.after.append(put_aside)


def _in_index(kind: str, change: Callable[[sqlite3.Connection, str, Scene], None]) -> None:
    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick(("right buccal", *ARCHES)))
        follow = {
            "index-lacks-object": (
                "view-missing",
                "derived-without-original",
                "correction-missing",
            ),
            "index-without-object": (
                "index-lacks-object",
                "derived-without-original",
                "correction-missing",
            ),
        }
        told = scene.told(kind, case, *follow.get(kind, ()))

        def after(root: Path) -> None:
            uid = scene.pick(shot.uids)
            told.paths.add(_path(root, uid).relative_to(root).as_posix())
            database = sqlite3.connect(root / "index.sqlite")
            change(database, uid, scene)
            database.commit()
            database.close()

        scene.after.append(after)


def _delete(database: sqlite3.Connection, uid: str, _: Scene) -> None:
    mine = "(SELECT number FROM instances WHERE sop_instance_uid = ?)"
    for table in ("instance_teeth", "shown"):
        database.execute(f"DELETE FROM {table} WHERE instance IN {mine}", (uid,))
    database.execute("DELETE FROM instances WHERE sop_instance_uid = ?", (uid,))


def _rename(database: sqlite3.Connection, uid: str, _: Scene) -> None:
    new = (f"{uid[:-1]}{(int(uid[-1]) + 1) % 10}", uid)
    database.execute("UPDATE instances SET sop_instance_uid = ? WHERE sop_instance_uid = ?", new)


def _differ(database: sqlite3.Connection, uid: str, scene: Scene) -> None:
    change = scene.pick(
        (
            "rows = rows + 1",
            "digest = '0' || substr(digest, 2, 62) || 'x'",
            "series_description = 'another'",
            "size = size + 2",
            "journal_seq = journal_seq + 1",
            "transfer_syntax = '1.2.840.10008.1.2.1'",
        )
    )
    database.execute(f"UPDATE instances SET {change} WHERE sop_instance_uid = ?", (uid,))


_in_index("index-lacks-object", _delete)
_in_index("index-without-object", _rename)
_in_index("index-differs", _differ)


def _waits(kind: str, state: str, low: int, high: int) -> None:
    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick(DIRECT))
        scene.outbox.append((shot, state, scene.number(low, high)))
        scene.told(kind, case, at=[shot])


_waits("outbox-overdue", "queued", 25, 400)
_waits("outbox-uncommitted", "sent", 73, 400)
_waits("outbox-failed", "failed", 0, 400)


def fill_outbox(scene: Scene, root: Path) -> None:
    """Put what waits into the archive's outbox, and sound shipments beside it."""
    told = {id(shot) for shot, _, _ in scene.outbox}
    free = [case.shots[0] for case in scene.cases if id(case.shots[0]) not in told]
    states = (("queued", 20), ("sent", 60), ("committed", 900))
    sound = [(shot, *state) for shot, state in zip(free, states, strict=False)]
    with Outbox.open(root) as outbox:
        for shot, state, hours in [*scene.outbox, *sound]:
            then = AUDITED - timedelta(hours=hours)
            goods = Goods(shot.uids[0], "1.2", "1.2", "objects/x.dcm")
            outbox.queue("hilltop", [goods], then)
            before = outbox.shipments(instances=[goods.sop_instance])
            after = [replace(one, state=State(state), changed_at=then) for one in before]
            outbox.save(before, after)


# Retention


@fault("retention-passed")
def _(scene: Scene) -> None:
    day = date(scene.number(2008, 2014), scene.number(1, 12), scene.number(1, 28))
    case = scene.orthodontic(patient=scene.world.person(date(1970, 3, 3)), day=day)
    scene.told("retention-passed", case)


@fault("retention-unknown")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    patient = replace(case.patient, birth_date=None)
    for shot in case.shots:
        shot.patient = patient
    scene.told("retention-unknown", case)


__all__ = ["FAULTS", "Shot", "fill_outbox"]
