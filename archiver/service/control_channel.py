"""The channel by which other processes have the one writer of an archive do what they want.

Whoever comes in wraps, amends and packs in a process of its own, with its own rights to files, its
own terminal and its own settings; what is to be kept comes here, and goes the way of everything
that arrives: whole and flushed in the archive's folder, read as the object that it is, then
`Ingest`. So nobody gains a right here that the archive's folder does not give, and nothing of a
request that broke off is left.
"""

from __future__ import annotations

import threading
import uuid
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, replace
from time import sleep
from typing import Any

from archiver import __version__
from archiver.archive import rebuild_open
from archiver.archive.ingest import Ingest, read_whole
from archiver.archive.statements import STATEMENT_LOGS
from archiver.archive.store import Archive, Aside, Deed, Incoming, translated, write_whole
from archiver.errors import ArchiveError, ArchiverError, Problem
from archiver.objects import describe
from archiver.service import control_address
from archiver.service.control_address import Line
from archiver.service.control_messages import (
    Message,
    error_message,
    incoming_of,
    receive,
    receive_file,
    send,
    stored_message,
)
from archiver.wording import Text

#: What each request needs, in the words of the roles.
COMMANDS: Mapping[str, str] = {
    "hello": "",
    "put": "store",
    "record": "store",
    "append": "store",
    "delete": "operate",
    "secret": "store",
    "rebuild": "operate",
    "reload": "operate",
}
#: Callers served at once, of whom one account has three quarters; others wait, so many at most.
_AT_ONCE, _WAITING = 32, 128
#: For the request itself (seconds).
_PATIENCE = 60.0
#: How long what was begun may take when the channel closes (seconds).
_GRACE = 20.0
#: Before callers are let in again after an error (seconds).
_PAUSE = 1.0


class ControlChannel:
    """Serves callers until it is closed.

    Parameters
    ----------
    archive
        Open for writing; stays open when the channel is closed.
    failed
        Told of errors that nobody foresaw.
    reload
        Has the server read its settings again, and says what it did.
    admit
        Told (account, what it needs, bytes of its request) of each request; raises ArchiverError
        where it is not allowed.

    Raises
    ------
    OSError
        If the archive's folder takes no socket.
    """

    def __init__(
        self,
        archive: Archive,
        failed: Callable[[BaseException], None],
        reload: Callable[[], str] = lambda: "",
        admit: Callable[[str, str, int], object] = lambda account, needed, size: None,
    ) -> None:
        self._archive, self._reload = archive, reload
        self._failed, self._admit = failed, admit
        self._closing = False
        self._begun, self._served = 0, Counter[str]()
        self._change = threading.Condition()
        self._door = control_address.open_door(archive.layout.root)
        threading.Thread(target=self._let_in, name="control", daemon=True).start()

    def close(self) -> None:
        """Let nobody in any more, and finish what was begun."""
        with self._change:
            self._closing = True
        self._door.close()
        with self._change:
            self._change.wait_for(lambda: not self._begun, _GRACE)

    def __enter__(self) -> ControlChannel:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def _let_in(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._begun < _WAITING)
            try:
                line = self._door.accept()
            except OSError as error:
                if self._closing:
                    return
                self._failed(error)
                sleep(_PAUSE)  # no file may be open any more, say
                continue
            with self._change:
                self._begun += 1
            threading.Thread(target=self._serve, args=(line,), daemon=True).start()

    def _serve(self, line: Line) -> None:
        account = control_address.caller(line)
        with self._change:
            self._change.wait_for(lambda: self._has_place(account))
            self._served[account] += 1
        try:
            with line:
                answer = self._answer(line, account)
                # Who has gone is told nothing.
                with suppress(OSError):
                    send(line, answer)
        finally:
            with self._change:
                self._begun -= 1
                self._served[account] -= 1
                self._change.notify_all()

    def _has_place(self, account: str) -> bool:
        total = self._served.total()
        return total < _AT_ONCE and self._served[account] < max(1, _AT_ONCE * 3 // 4)

    def _answer(self, line: Line, account: str) -> Message:
        try:
            if not line.poll(_PATIENCE):
                return {}
            request = receive(line)
            if request["version"] != __version__:
                given = {"server": __version__, "caller": request["version"]}
                raise ArchiveError(Problem("service.control.other_version", **given))
            who = account or str(request["who"])
            self._admit(who, COMMANDS[request["do"]], len(repr(request)))
            asked = _Request(self._archive, line, request, who, self._reload)
            return {"done": asked.carried_out()}
        except ArchiverError as error:
            return error_message(error)
        except (EOFError, OSError):
            return {}
        except Exception as error:
            self._failed(error)
            return error_message(ArchiveError(Problem("service.control.unforeseen")))


class _Request:
    """One request, of one caller."""

    def __init__(
        self,
        archive: Archive,
        line: Line,
        request: Message,
        who: str,
        reload: Callable[[], str],
    ) -> None:
        self._reload, self._who = reload, who
        self._archive, self._line, self._request = archive, line, request

    def carried_out(self) -> Any:
        """Do what is asked, and return the answer."""
        deeds: dict[str, Callable[[], Any]] = {
            "hello": lambda: None,
            "put": self._put,
            "record": lambda: self._archive.record(self._deeds()),
            "append": self._append,
            "delete": lambda: self._archive.delete(self._deeds()),
            "secret": self._secret,
            "rebuild": self._rebuild,
            "reload": self._reload,
        }
        return deeds[self._request["do"]]()

    def _put(self) -> list[Message]:
        items: list[Message] = self._request["items"]
        notes: list[str] | None = self._request["notes"]
        asides: list[Aside] = []
        try:
            for _ in items:
                asides.append(self._received())
            incoming = [self._incoming(*one) for one in zip(items, asides, strict=True)]
            ingest = Ingest.of(self._archive)
            if notes is None:
                stored = ingest.accept(incoming)
            else:
                stored = ingest.accept_together(incoming, notes)
        finally:
            for aside in asides:
                aside.path.unlink(missing_ok=True)
        return [stored_message(one, self._archive.layout.root) for one in stored]

    def _received(self) -> Aside:
        layout = self._archive.layout
        path = layout.temporary / f"{uuid.uuid4().hex}.brought"
        with translated(Text("archive.archive.nothing_stored"), layout.root):
            return Aside(path, write_whole(path, receive_file(self._line)))

    def _incoming(self, item: Message, aside: Aside) -> Incoming:
        _, header = read_whole(aside.path)
        return incoming_of(item, describe(header), aside, self._who)

    def _deeds(self) -> Sequence[Deed]:
        return [replace(Deed(**one), who=self._who) for one in self._request["deeds"]]

    def _append(self) -> None:
        name: str = self._request["name"]
        self._archive.append_line(
            name, STATEMENT_LOGS[name], self._request["fields"], self._deeds()
        )

    def _secret(self) -> None:
        """Have the secret made; the caller reads it, if it may."""
        self._archive.secret()

    def _rebuild(self) -> Message:
        def progress(done: int, total: int) -> None:
            send(self._line, {"progress": [done, total]})

        report = rebuild_open(self._archive, actor=self._who, progress=progress)
        return {one.name: getattr(report, one.name) for one in fields(report)}
