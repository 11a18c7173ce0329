"""Whether all is well with an archive that is served, for who watches over it.

Each check says ``ok``, ``degraded`` (somebody has to do something soon) or ``failing`` (nothing is
stored any more), beside figures. The whole is as well as the worst of them. None names a patient.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from enum import IntEnum
from typing import TYPE_CHECKING

from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from archiver.archive.statements import (
    OPERATIONS,
    Operation,
    OperationKind,
    last_operations,
)
from archiver.archive.store import Archive, read_lines
from archiver.errors import ArchiverError
from archiver.network.certificates import valid_until
from archiver.network.node.audit_forwarding import oldest_waiting
from archiver.network.node.free_space import Reserve, days_left, free_bytes, grown_since, window
from archiver.network.node.reports.pending_reports import Debts
from archiver.network.outbox.outbox import FILE as OUTBOX
from archiver.network.outbox.outbox import Outbox

if TYPE_CHECKING:
    from archiver.network.node.query.worklist import Visits
    from archiver.network.node.settings import NodeSettings

#: How long a figure that takes a look at every instance is remembered (seconds).
_REMEMBERED = 600.0
#: Lines about the worklist that are told; the log has all.
_TOLD = 20


class Wellness(IntEnum):
    """How a check turned out, the worst last."""

    OK = 0
    DEGRADED = 1
    FAILING = 2

    @classmethod
    def degraded_if(cls, wrong: bool) -> Wellness:
        """Return DEGRADED where something is wrong, else OK."""
        return cls.DEGRADED if wrong else cls.OK

    @property
    def word(self) -> str:
        """As it is shown."""
        return self.name.lower()


@dataclass(frozen=True)
class Check:
    """One thing that was looked at.

    Parameters
    ----------
    facts
        What is shown of it.
    figures
        What is measured: names, without ``archiver_``, and numbers.
    """

    wellness: Wellness = Wellness.OK
    facts: Mapping[str, object] = field(default_factory=dict)
    figures: Mapping[str, float] = field(default_factory=dict)


def utc_now() -> datetime:
    """Return the time now."""
    return datetime.now(timezone.utc)


class NodeHealth:
    """Looks at everything that can go wrong unseen.

    Parameters
    ----------
    archive
        Open for writing.
    settings
        What is expected, in ``watch``, and which certificates are used.
    reserve
        Free space into which nothing is received.
    visits
        The worklist, where there is one.
    clock
        Gives the time.
    """

    def __init__(
        self,
        archive: Archive,
        settings: NodeSettings,
        reserve: Reserve,
        visits: Visits | None = None,
        clock: Callable[[], datetime] = utc_now,
    ) -> None:
        self._archive, self._visits, self._clock = archive, visits, clock
        self._certificates = {
            name: place.certificate
            for name, place in settings.everywhere.items()
            if place.certificate is not None
        }
        self._watch, self._is_telling = settings.watch, settings.audit is not None
        self._reserve = reserve
        self._made = self._first_line()
        self._guard = threading.Lock()
        self._grown: tuple[int, float] | None = None
        self._grown_at: float | None = None
        self._operations: dict[OperationKind, Operation] = {}
        self._operations_of: tuple[int, int] | None = None

    def checks(self) -> dict[str, Check]:
        """Look at everything; one after the other, since who asks need not log in."""
        with self._guard:
            return self._look()

    def _look(self) -> dict[str, Check]:
        looks: dict[str, Callable[[], Check]] = {
            "archive": self._readable,
            "writer": self._writer,
            "space": self._space,
            "outbox": self._outbox,
            "reports": self._reports,
            "audit_repository": self._audit_repository,
            "worklist": self._worklist,
            "certificates": self._dates,
            "backup": lambda: self._done(OperationKind.BACKUP, self._watch.backup_days),
            "audit": lambda: self._done(OperationKind.AUDIT, self._watch.audit_days),
        }
        found = {}
        for name, look in looks.items():
            try:
                found[name] = look()
            except (ArchiverError, OSError):
                found[name] = Check(Wellness.FAILING if name == "archive" else Wellness.DEGRADED)
        return found

    # -- one by one

    def _readable(self) -> Check:
        count = len(self._archive)
        return Check(facts={"instances": count}, figures={"instances": count})

    def _writer(self) -> Check:
        writer = self._archive.writer
        alive, faults = writer.is_alive, writer.health.faults
        refused = writer.health.journal_refused
        wellness = Wellness.degraded_if(faults > 0 or refused) if alive else Wellness.FAILING
        facts = {"alive": alive, "faults": faults, "journal_refused": refused}
        figures = {"writer_alive": alive, "faults": faults, "journal_refused": refused}
        return Check(wellness, facts, figures)

    def _space(self) -> Check:
        free, reserve = free_bytes(self._reserve.folder), self._reserve.size
        facts: dict[str, object] = {"free_bytes": free, "reserve_bytes": reserve}
        figures: dict[str, float] = {"free_bytes": free, "reserve_bytes": reserve}
        left = None
        if (growth := self._growth()) is not None:
            grown, days = growth
            left = days_left(free - reserve, grown, days)
            facts |= {"window_days": round(days, 1), "grown_bytes": grown, "days_left": left}
        if left is not None:
            figures["space_days_left"] = left
        wellness = Wellness.degraded_if(left is not None and left < self._watch.space_days)
        return Check(Wellness.FAILING if free < reserve else wellness, facts, figures)

    def _growth(self) -> tuple[int, float] | None:
        """Return what has come in the window, and its days; None where nothing can be told."""
        if self._grown_at is None or time.monotonic() - self._grown_at > _REMEMBERED:
            now = self._clock().astimezone(timezone.utc)
            seen = window(now, self._made)
            self._grown = None
            if seen is not None:
                self._grown = grown_since(self._archive, now - seen), seen / timedelta(days=1)
            self._grown_at = time.monotonic()
        return self._grown

    def _outbox(self) -> Check:
        root = self._archive.layout.root
        if not (root / OUTBOX).exists():
            return Check(facts={"queued": 0}, figures={"outbox_queued": 0})
        with Outbox.open(root) as outbox:
            standing = outbox.standing()
        hours = self._hours_since(standing.oldest)
        facts = {"queued": standing.queued, "failed": standing.failed, "oldest_hours": hours}
        figures = {"outbox_queued": standing.queued, "outbox_failed": standing.failed}
        late = hours > self._watch.outbox_hours
        return Check(
            Wellness.degraded_if(late or standing.failed > 0),
            facts,
            {**figures, "outbox_oldest_hours": hours},
        )

    def _reports(self) -> Check:
        owed = Debts(self._archive.layout.root).all()
        hours = self._hours_since(owed[0].since if owed else None)
        late = hours > self._watch.outbox_hours
        return Check(
            Wellness.degraded_if(late),
            {"owed": len(owed), "oldest_hours": hours},
            {"reports_owed": len(owed), "reports_oldest_hours": hours},
        )

    def _audit_repository(self) -> Check:
        """Look how long the audit repository has not been told of what happened."""
        if not self._is_telling:
            return Check()
        oldest = oldest_waiting(self._archive)
        hours = self._hours_since(datetime.fromisoformat(oldest.time) if oldest else None)
        late = hours > self._watch.outbox_hours
        return Check(
            Wellness.degraded_if(late), {"oldest_hours": hours}, {"audit_oldest_hours": hours}
        )

    def _worklist(self) -> Check:
        if self._visits is None:
            return Check()
        table = self._visits.table
        refused = [str(problem) for problem in table.refused[:_TOLD]]
        return Check(
            Wellness.degraded_if(bool(refused)),
            {"visits": len(table.visits), "refused": refused},
            {"worklist_visits": len(table.visits), "worklist_refused": len(table.refused)},
        )

    def _dates(self) -> Check:
        untils = {name: valid_until(path) for name, path in self._certificates.items()}
        now = self._clock()
        left = {name: (one - now) / timedelta(days=1) for name, one in untils.items() if one}
        soon = any(days < self._watch.certificate_days for days in left.values())
        unreadable = len(left) < len(untils)
        facts = {name: one.isoformat() if one else None for name, one in untils.items()}
        figures = {f"certificate_days_left:{name}": days for name, days in left.items()}
        return Check(Wellness.degraded_if(soon or unreadable), facts, figures)

    def _done(self, kind: OperationKind, days: float) -> Check:
        """Look when something was done last; of a new archive it is not expected yet."""
        last = self._last_operations().get(kind)
        age = self._hours_since(last.began if last else self._made) / 24
        wrong = bool(days) and (age > days or (last is not None and not last.sound))
        facts: dict[str, object] = {"last": last.time if last else None}
        if last is not None:
            facts |= {"sound": last.sound, "note": last.note}
        name = {OperationKind.BACKUP: "backup", OperationKind.AUDIT: "audit"}[kind]
        figures = {f"{name}_age_days": age} if last else {}
        return Check(Wellness.degraded_if(wrong), facts, figures)

    def _hours_since(self, moment: datetime | None) -> float:
        return round((self._clock() - moment) / timedelta(hours=1), 2) if moment else 0.0

    def _last_operations(self) -> dict[OperationKind, Operation]:
        root = self._archive.layout.root
        with suppress(FileNotFoundError):
            about = (root / OPERATIONS).stat()
            if (stamp := (about.st_mtime_ns, about.st_size)) != self._operations_of:
                self._operations, self._operations_of = last_operations(root), stamp
        return self._operations

    def _first_line(self) -> datetime:
        for line in read_lines(self._archive.layout.journal):
            if line.entry is not None:
                return datetime.fromisoformat(line.entry.time)
        return self._clock()


def worst(checks: Mapping[str, Check]) -> Wellness:
    """Return how well the whole is."""
    return max(check.wellness for check in checks.values())


class HealthFigures(Collector):
    """The checks as figures for Prometheus."""

    def __init__(self, health: NodeHealth) -> None:
        self._health = health

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Look at everything, and yield it."""
        checks = self._health.checks()
        well = GaugeMetricFamily(
            "archiver_well",
            "State of each check in /health: 0 ok, 1 degraded, 2 failing",
            labels=["check"],
        )
        for name, check in checks.items():
            well.add_metric([name], check.wellness)
        yield well
        for check in checks.values():
            for name, value in check.figures.items():
                plain, _, of = name.partition(":")
                words = f"Reported by /health: {plain.replace('_', ' ')}"
                labels = ["listener"] if of else []
                gauge = GaugeMetricFamily(f"archiver_{plain}", words, labels=labels)
                gauge.add_metric([of] if of else [], value)
                yield gauge

    def describe(self) -> Iterator[GaugeMetricFamily]:
        """Name nothing in advance: registering must not look at everything."""
        return iter(())
