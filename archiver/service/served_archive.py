"""An archive that another process serves: read here, and written to by that process."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from archiver import __version__
from archiver.archive import RebuildReport
from archiver.archive.store import (
    Archive,
    Buffer,
    Deed,
    Fields,
    Incoming,
    Layout,
    Schema,
    Stored,
    secret_of,
    translated,
)
from archiver.errors import ArchiveError, Problem, restored
from archiver.service import control_address
from archiver.service.control_address import Line
from archiver.service.control_messages import (
    Message,
    error_of,
    incoming_message,
    receive,
    send,
    send_file,
    stored_of,
)
from archiver.wording import Text

#: How long a server may take to say that it is there (seconds).
_PATIENCE = 30.0


class ServedArchive(Archive):
    """An archive whose one writer is another process; made by `ServedArchive.reach`."""

    _who = ""

    @classmethod
    def reach(cls, folder: Path, *, actor: str) -> ServedArchive | None:
        """Return the archive where a process serves it, else None.

        Parameters
        ----------
        actor
            Who writes, for the journal, where the system does not tell the server.

        Raises
        ------
        ArchiveError
            If the process that serves it is of another version, or does not let us in.
        """
        layout = Layout(Path(folder).absolute())
        try:
            control_address.knock(layout.root).close()
        except PermissionError as error:
            problem = Problem("service.control.not_let_in").at(file=str(layout.root))
            raise ArchiveError(problem) from error
        except OSError:
            return None
        served = cls._open_reading(layout)
        assert isinstance(served, cls)
        served._who = actor
        served._ask({"do": "hello"}, patience=_PATIENCE)
        return served

    def put(self, batch: Sequence[Incoming]) -> list[Stored]:
        return self._bring(batch, None)

    def put_together(self, batch: Sequence[Incoming], notes: Sequence[str]) -> list[Stored]:
        return self._bring(batch, list(notes))

    def _bring(self, batch: Sequence[Incoming], notes: list[str] | None) -> list[Stored]:
        items = [incoming_message(one) for one in batch]
        request = {"do": "put", "items": items, "notes": notes}
        stored: list[Message] = self._ask(request, [one.parts for one in batch])
        return [stored_of(one, self.layout) for one in stored]

    def record(self, deeds: Sequence[Deed]) -> None:
        self._ask({"do": "record", "deeds": [asdict(one) for one in deeds]})

    def delete(self, deeds: Sequence[Deed]) -> None:
        self._ask({"do": "delete", "deeds": [asdict(one) for one in deeds]})

    def record_soon(self, deeds: Iterable[Deed]) -> None:
        self.record(list(deeds))

    def append_line(
        self, name: str, schema: Schema[Fields], fields: Fields, deeds: Sequence[Deed]
    ) -> None:
        told = [asdict(one) for one in deeds]
        self._ask({"do": "append", "name": name, "fields": fields, "deeds": told})

    def secret(self) -> bytes:
        self._ask({"do": "secret"})
        return secret_of(self.layout.root)

    def reload(self) -> str:
        """Have the server read its settings again; return what it did.

        Raises
        ------
        ArchiverError
            If they cannot be used; the server goes on with those before.
        """
        done: str = self._ask({"do": "reload"})
        return done

    def rebuild(self, progress: Callable[[int, int], None] | None = None) -> RebuildReport:
        """Have the index made anew; see `archiver.archive.rebuild_open`."""
        told = self._ask({"do": "rebuild"}, progress=progress)
        return RebuildReport(**{name: restored(value) for name, value in told.items()})

    def _ask(
        self,
        request: Message,
        files: Sequence[Iterable[Buffer]] = (),
        progress: Callable[[int, int], None] | None = None,
        patience: float | None = None,
    ) -> Any:
        try:
            with control_address.knock(self.layout.root) as line:
                send(line, {**request, "version": __version__, "who": self._who})
                self._send_files(line, files)
                if not line.poll(patience):
                    problem = Problem("service.control.silent").at(file=str(self.layout.root))
                    raise ArchiveError(problem)
                answer = receive(line)
                while "progress" in answer:
                    if progress is not None:
                        progress(*answer["progress"])
                    answer = receive(line)
        except (EOFError, OSError):
            answer = {}
        if "error" in answer:
            raise error_of(answer)
        if "done" not in answer:
            raise ArchiveError(Problem("service.control.ended").at(file=str(self.layout.root)))
        return answer["done"]

    def _send_files(self, line: Line, files: Sequence[Iterable[Buffer]]) -> None:
        """Send what is brought; where the server takes no more, its answer says why."""
        with (
            translated(Text("archive.archive.nothing_stored"), self.layout.root),
            suppress(ConnectionError),
        ):
            for parts in files:
                send_file(line, parts)
