"""Audit events go to the clinic's audit repository: syslog over TLS (RFC 5425, PS3.15 A.6).

The journal is their buffer: it has each event before anything is answered, and a file beside it
says how far they are known to have gone, so that an outage or a kill costs none. Syslog is never
answered. So what was sent counts only once the system says that the other end has taken it and the
connection has stood until the next look; what was sent last over one that broke is sent again, and
a repository may have an event twice.
"""

from __future__ import annotations

import os
import select
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import islice

from sqlalchemy import select as select_rows

from archiver.archive.store import (
    DELETED,
    Archive,
    Fields,
    JournalEntry,
    Line,
    Position,
    Schema,
    read_lines,
    tables,
    translated,
    unchanged,
)
from archiver.errors import ArchiverError, NetworkError, Place, Problem
from archiver.network.journal_mark import JournalMark
from archiver.network.node.audit import AUDIT, AuditEvent, Event, Happening, event_of
from archiver.network.node.audit_message import (
    AuditedPatient,
    audit_message,
    framed,
    syslog_message,
)
from archiver.network.node.audit_settings import AuditSettings
from archiver.network.tls import client_context
from archiver.wording import Text

FILE = "audit-forwarded.json"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.audit_forwarded"), (unchanged,))
#: Between two looks at the journal (seconds).
_EVERY = 2.0
#: For a connection, and for what is written to it (seconds).
_PATIENCE = 30.0
#: How long what is being sent may take when the server ends (seconds).
_GRACE = 20.0
_AT_ONCE = 200
#: Lines of the journal that are told of.
TOLD = (AUDIT, DELETED)

#: Told (event, fields).
Tell = Callable[..., None]


class AuditForwarding:
    """Follows the journal and tells the repository, in a thread of its own, until it is closed.

    Parameters
    ----------
    archive
        Open for writing.
    settings
        Where the repository is.
    title
        Of this node, as the source of what the journal tells of itself.
    tell
        Told of what was sent and what went wrong.
    every
        Seconds between two looks at the journal.
    """

    def __init__(
        self,
        archive: Archive,
        settings: AuditSettings,
        title: str,
        tell: Tell,
        every: float = _EVERY,
    ) -> None:
        self._archive, self._settings, self._title = archive, settings, title
        self._tell, self._every = tell, every
        self._mark = audit_mark(archive)
        self._line: ssl.SSLSocket | None = None
        #: Behind what was sent and has not counted yet.
        self._sent: Position | None = None
        self._why = ""
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="audit", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End; what has happened until now is still told, within its time."""
        with suppress(ArchiverError):
            # Lines for which nobody waits are written behind a request, so before the second.
            for _ in range(2):
                self._archive.record([])
        self._ending.set()
        self._thread.join(_GRACE)

    def _run(self) -> None:
        is_last = False
        while not is_last:
            is_last = self._ending.is_set()
            try:
                if count := self._follow():
                    self._tell("audit repository", events=count)
                self._why = ""
            except (ArchiverError, OSError) as error:
                self._break_off()
                why = error.problems[0].code if isinstance(error, ArchiverError) else "disk"
                if why != self._why:  # once for each outage
                    self._tell("audit repository", why=why)
                self._why = why
            if not is_last:
                self._ending.wait(self._every)
        self._break_off()

    def _follow(self) -> int:
        """Send what is new; return how many events."""
        layout, end, count = self._archive.layout, self._archive.position(), 0
        with translated(Text("network.audit_repository.not_followed"), layout.root):
            known = self._mark.read()
            if known is None:
                # What happened before there was a repository is the journal's alone.
                self._mark.note(end)
                return 0
            if self._line is not None:
                _demand_standing(self._line)
                if self._sent is not None:
                    known, self._sent = self._sent, None
                    self._mark.note(known)
            lines = iter(read_lines(layout.journal, known))
            while some := [line for line in islice(lines, _AT_ONCE) if line.after.seq <= end.seq]:
                after, sent = some[-1].after, self._send(some)
                count += sent
                if not sent and self._sent is None:
                    self._mark.note(after)
                    continue
                if sent and self._sent is not None:
                    self._mark.note(self._sent)  # the connection has taken another batch behind it
                self._sent = after
            return count

    def _send(self, lines: Sequence[Line]) -> int:
        entries = [one.entry for one in lines if one.entry and one.entry.action in TOLD]
        if not entries:
            return 0
        patients = self._patients({one.study for one in entries if one.study})
        host, process = socket.gethostname(), os.getpid()
        data = bytearray()
        for entry in entries:
            event = _event_in(entry, self._title)
            if event is None:
                continue
            told = audit_message(event, self._settings.site, patients.get(entry.study))
            data += framed(syslog_message(told, entry.time, host, process))
        line = self._connected()
        try:
            line.sendall(data)
            _wait_until_taken(line)
        except OSError as error:
            raise _failed(error) from error
        return len(entries)

    def _connected(self) -> ssl.SSLSocket:
        if self._line is None:
            where = self._settings
            context = client_context(where.tls, Place(table="node.audit"))
            try:
                plain = socket.create_connection((where.host, where.port), _PATIENCE)
            except OSError as error:
                raise _failed(error) from error
            try:
                plain.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
                self._line = context.wrap_socket(plain, server_hostname=where.host)
            except OSError as error:
                plain.close()
                raise _failed(error) from error
        return self._line

    def _break_off(self) -> None:
        """End the connection; what was sent last over it does not count."""
        line, self._line = self._line, None
        self._sent = None
        if line is not None:
            with suppress(OSError):
                line.settimeout(1.0)
                line.unwrap()
            line.close()

    def _patients(self, studies: set[str]) -> dict[str, AuditedPatient]:
        i, p = tables.instances.c, tables.patients.c
        asked = (
            select_rows(i.study_uid, p.patient_id, p.issuer, p.name)
            .join_from(tables.instances, tables.patients)
            .where(i.study_uid.in_(sorted(studies)))
            .distinct()
        )
        with self._archive.reading() as connection:
            rows = connection.execute(asked).all()
        return {
            study: AuditedPatient(f"{patient}^^^{issuer}" if issuer else patient, name)
            for study, patient, issuer, name in rows
            if patient
        }


def audit_mark(archive: Archive) -> JournalMark:
    """Return what says how far the events are known to have gone."""
    return JournalMark(archive.layout, FILE, SCHEMA)


def oldest_waiting(archive: Archive) -> JournalEntry | None:
    """Return the earliest event that is not known to have gone; None where there is none."""
    known = audit_mark(archive).read()
    if known is None:
        return None
    lines = read_lines(archive.layout.journal, known)
    return next((one.entry for one in lines if one.entry and one.entry.action in TOLD), None)


def _event_in(entry: JournalEntry, title: str) -> AuditEvent | None:
    """Return the event of a line, a tombstone too; None for a damaged line."""
    line = {"time": entry.time, "who": title, "study": entry.study, "note": entry.note}
    if entry.action == DELETED:
        happening = Happening(
            Event.DELETED, entry.who, title, studies={entry.study: 1}, detail=entry.note
        )
        line["note"] = next(iter(happening.deeds())).note
    try:
        return event_of(line)
    except (ValueError, KeyError, TypeError, StopIteration):
        return None


def _demand_standing(line: ssl.SSLSocket) -> None:
    """Refuse a connection that the other end has closed; it never says anything else."""
    try:
        if not select.select([line], [], [], 0)[0]:
            return
        line.settimeout(0)  # what it says may be a part of TLS, and nothing to be read
        with suppress(ssl.SSLWantReadError):
            if not line.recv(1):
                raise ConnectionResetError("closed")
        line.settimeout(_PATIENCE)
    except OSError as error:
        raise _failed(error) from error


def _wait_until_taken(line: ssl.SSLSocket) -> None:
    """Wait until the other end's system has taken all that was written, where this one tells."""
    try:
        from fcntl import ioctl
        from termios import TIOCOUTQ
    except ImportError:  # pragma: no cover - not on Linux
        return
    waited = threading.Event()
    for _ in range(int(_PATIENCE / 0.01)):
        if not struct.unpack("i", ioctl(line.fileno(), TIOCOUTQ, b"\0" * 4))[0]:
            return
        waited.wait(0.01)
    raise TimeoutError("not taken")


def _failed(error: OSError) -> NetworkError:
    reason = getattr(error, "reason", None) or error.strerror or str(error)
    return NetworkError(Problem("network.audit_repository.failed", reason=str(reason)))
