"""Visits of which the clinic's system is still to be told, each a small file until it was.

What is archived of a visit within a minute is one step. More that is photographed later is another
one: a step that is completed takes no change (PS3.4 F.7.2.2).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from sqlalchemy import Row, select

from archiver.archive.store import (
    Archive,
    Fields,
    Schema,
    flush_folder,
    mark_fields,
    read_fields,
    tables,
    unchanged,
    write_once,
)
from archiver.errors import ArchiverError
from archiver.network.client.dimse.procedure_step import MadeInstance, PerformedStep, notify
from archiver.network.outbox.outbox_worker import OutboxContext
from archiver.network.peers import DimsePeer, Peer
from archiver.objects import open_dataset
from archiver.wording import Text

FOLDER = "performed"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.performed"), (unchanged,))
#: A visit to which nothing was added for so long is complete.
QUIET = timedelta(seconds=60)
_AGAIN = timedelta(minutes=2)
#: VL Photographic Image Storage.
_PHOTOGRAPH = "1.2.840.10008.5.1.4.1.1.77.1.4"


@dataclass(frozen=True)
class OwedStep:
    """A step that a peer is to be told of.

    Parameters
    ----------
    uid
        Of the step.
    instances
        SOP Instance UIDs.
    began, changed
        When the first and the last of them were seen, ISO 8601.
    """

    peer: str
    study: str
    uid: str
    instances: tuple[str, ...]
    began: str
    changed: str

    @property
    def name(self) -> str:
        """Name of its file."""
        key = json.dumps([self.peer, self.study])
        return hashlib.sha256(key.encode()).hexdigest()[:40] + ".json"


class PerformedSteps:
    """Notes visits, and tells of them.

    Parameters
    ----------
    archive
        Of the photographs.
    peers
        Of the settings; those with ``performed`` are told.
    title
        Where photographs can be fetched.
    """

    def __init__(
        self, archive: Archive, peers: Sequence[Peer], title: str, quiet: timedelta = QUIET
    ) -> None:
        self._archive, self._title, self._quiet = archive, title, quiet
        self._folder: Path = archive.layout.root / FOLDER
        self._peers = {p.name: p for p in peers if isinstance(p, DimsePeer) and p.performed}
        self._later: dict[str, datetime] = {}

    @property
    def is_wanted(self) -> bool:
        """Whether anybody is to be told."""
        return bool(self._peers)

    def note(self, rows: Iterable[Row[tuple[object, ...]]], world: OutboxContext) -> None:
        """Note instances that were made here; only photographs that replace nothing count.

        Raises
        ------
        OSError
            If the disk refuses.
        """
        studies: dict[str, list[str]] = {}
        for row in rows:
            if row.sop_class_uid == _PHOTOGRAPH and row.predecessor is None:
                studies.setdefault(row.study_uid, []).append(row.sop_instance_uid)
        for study, uids in studies.items():
            for peer in self._peers:
                self._add(OwedStep(peer, study, "", tuple(uids), "", ""), world)

    def _add(self, new: OwedStep, world: OutboxContext) -> None:
        now = world.now().isoformat()
        known = self._read(self._folder / new.name)
        if known is None:
            owed = replace(new, uid=world.new_uid(), began=now, changed=now)
        else:
            every = tuple(dict.fromkeys((*known.instances, *new.instances)))
            owed = replace(known, instances=every, changed=now)
        if not self._folder.is_dir():
            self._folder.mkdir(mode=0o700, exist_ok=True)
            flush_folder(self._folder.parent)
        told = json.dumps(mark_fields(SCHEMA, asdict(owed))).encode("ascii")
        write_once(self._folder / owed.name, told)

    def owed(self) -> list[OwedStep]:
        """Return what is still to be told, by age."""
        found = [self._read(path) for path in self._folder.glob("*.json")]
        return sorted((one for one in found if one is not None), key=lambda one: one.began)

    def notify_due(self, world: OutboxContext) -> list[tuple[OwedStep, ArchiverError | None]]:
        """Tell of every visit that is complete; return which, and what went wrong."""
        done: list[tuple[OwedStep, ArchiverError | None]] = []
        for one in self.owed():
            now, peer = world.now(), self._peers.get(one.peer)
            quiet = now - datetime.fromisoformat(one.changed) >= self._quiet
            if peer is None or not quiet or now < self._later.get(one.name, now):
                continue
            try:
                step = self._step(one)
                if step is not None:
                    notify(peer, step)
            except ArchiverError as error:
                self._later[one.name] = now + _AGAIN
                done.append((one, error))
                continue
            # Not flushed: telling twice does no harm.
            with suppress(OSError):
                (self._folder / one.name).unlink()
            done.append((one, None))
        return done

    def _step(self, owed: OwedStep) -> PerformedStep | None:
        i = tables.instances.c
        with self._archive.reading() as connection:
            rows = connection.execute(
                select(tables.instances).where(i.sop_instance_uid.in_(owed.instances))
            ).all()
        if not rows:
            return None
        about = open_dataset(self._archive.layout.path_of(rows[0].path))
        operators = str(about.get("OperatorsName", ""))
        made = tuple(
            MadeInstance(
                row.sop_class_uid,
                row.sop_instance_uid,
                row.series_uid,
                row.series_description,
                operators,
            )
            for row in rows
        )
        began = datetime.fromisoformat(owed.began)
        ended = datetime.fromisoformat(owed.changed)
        return PerformedStep(owed.uid, about, began, ended, made, self._title)

    @staticmethod
    def _read(path: Path) -> OwedStep | None:
        try:
            told = read_fields(SCHEMA, dict(json.loads(path.read_bytes())), path)
            return OwedStep(**{**told, "instances": tuple(told["instances"])})
        except (OSError, ValueError, KeyError, TypeError):
            return None
