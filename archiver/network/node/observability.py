"""What the node shows of itself: figures for Prometheus, and one JSON line an event.

Neither holds anything of a patient: no name, no identifier, no UID of a study.
"""

from __future__ import annotations

import json
import logging
import sys
import threading
import time
import traceback
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, TextIO

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

from archiver.network.node.guests import Guests
from archiver.network.node.log_lines import standard_error

if TYPE_CHECKING:
    from archiver.network.node.limits import NodeLimits

Clock = Callable[[], datetime]
#: Between two requests of one peer there is less (seconds).
_MOMENT = 1.0


class Log:
    """Writes structured lines.

    Parameters
    ----------
    clock
        Gives the time.
    stream
        Where they go; standard error where left out, which nobody waits for.
    """

    def __init__(self, clock: Clock, stream: TextIO | None = None) -> None:
        self._clock = clock
        self._stream = stream
        self._guard = threading.Lock()

    def __call__(self, event: str, **fields: object) -> None:
        """Write one line."""
        self.say(self._line(event, fields))

    def say(self, text: str) -> None:
        """Write words for people."""
        lines = standard_error() if self._stream is None else None
        if lines is not None:
            lines.put(text, lambda count: self._line("log", {"dropped": count}))
            return
        with self._guard:
            print(text, file=self._stream or sys.stderr, flush=True)

    @property
    def dropped(self) -> int:
        """Lines that were dropped because nobody read them."""
        lines = standard_error() if self._stream is None else None
        return 0 if lines is None else lines.dropped

    def _line(self, event: str, fields: Mapping[str, object]) -> str:
        line = {"time": self._clock().isoformat(timespec="milliseconds"), "event": event, **fields}
        return json.dumps(line, ensure_ascii=True, default=str)

    def failure(self, where: str, error: BaseException) -> None:
        """Tell of an error that nobody expected: its kind and place, never its words."""
        self("failure", where=where, error=type(error).__name__, at=_place(error.__traceback__))


def _place(trace: TracebackType | None) -> str:
    frames = traceback.extract_tb(trace)
    return f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""


class _Rerouted(logging.Handler):
    """Takes the errors that libraries log; their texts could name a patient."""

    def __init__(self, log: Log) -> None:
        super().__init__(logging.ERROR)
        self._told = log

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        # A title or UID of a peer that is no ASCII is raised as well, and ends its association.
        if error is not None and record.name != "pynetdicom.utils":
            self._told.failure(record.name, error)


_LIBRARIES = ("pynetdicom", "pydicom", "uvicorn", "asyncio")


@contextmanager
def libraries_heard(log: Log) -> Iterator[None]:
    """Bring what libraries log into the structured log, and nowhere else."""
    handler = _Rerouted(log)
    before = {}
    for name in _LIBRARIES:
        logger = logging.getLogger(name)
        before[name] = logger.level, logger.propagate
        logger.setLevel(logging.ERROR)
        logger.propagate = False
        logger.addHandler(handler)
    try:
        yield
    finally:
        for name, (level, propagate) in before.items():
            logger = logging.getLogger(name)
            logger.removeHandler(handler)
            logger.setLevel(level)
            logger.propagate = propagate


def keep_words_in(log: Log) -> None:
    """Let nothing that quotes an object reach standard error; for a process that only serves.

    What libraries warn of are single values, and the validator tells of those.
    """
    warnings.simplefilter("ignore")

    def report(failed: threading.ExceptHookArgs) -> None:
        if failed.exc_value is not None:
            log.failure("thread", failed.exc_value)

    threading.excepthook = report


class Figures:
    """Counts what the node does; names follow Prometheus' rules.

    Parameters
    ----------
    limits
        What one guest may take.
    """

    def __init__(self, limits: NodeLimits) -> None:
        self.registry = CollectorRegistry()
        self.guests = Guests(limits, self.registry)
        self._asked = 0.0
        r = self.registry
        self.received = Counter(
            "archiver_received_instances", "Instances stored and acknowledged", ["way"], registry=r
        )
        self.received_bytes = Counter(
            "archiver_received_bytes", "Bytes of newly stored instances", ["way"], registry=r
        )
        self.refused = Counter(
            "archiver_refused_instances",
            "Instances refused, by the status returned",
            ["way", "status"],
            registry=r,
        )
        self.turned_away = Counter(
            "archiver_refused_connections", "Connections and requests refused", registry=r
        )
        self.storing_seconds = Histogram(
            "archiver_storing_seconds",
            "Seconds from the last byte received to the response",
            ["way"],
            registry=r,
        )
        self.associations = Gauge("archiver_associations", "Open DIMSE associations", registry=r)
        self.connections = Gauge("archiver_connections", "Open DIMSE connections", registry=r)
        self.validated = Counter("archiver_validated_instances", "Instances validated", registry=r)
        self.findings = Counter(
            "archiver_findings", "Validation findings", ["severity"], registry=r
        )
        self.lines_dropped = Gauge(
            "archiver_log_lines_dropped",
            "Log lines dropped because standard error was not being read",
            registry=r,
        )
        self.requests = Counter(
            "archiver_http_requests", "HTTP requests, by status", ["status"], registry=r
        )

    def asked(self) -> None:
        """Note that somebody wants something."""
        self._asked = time.monotonic()

    def is_busy(self) -> bool:
        """Return whether somebody wants something, or did a moment ago."""
        return time.monotonic() - self._asked < _MOMENT

    def page(self) -> bytes:
        """Return all figures as Prometheus' text format."""
        return generate_latest(self.registry)
