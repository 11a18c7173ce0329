"""What goes over the control channel: a request, perhaps files, and an answer.

A request is one message of JSON with what is to be done (``do``) and the version of the program.
The files of instances follow it, each as messages of bytes with an empty one behind it. The answer
is any number of messages ``{"progress": [done, total]}`` and one with ``done`` or ``error``.
Texts and problems go as data, so that the caller puts them in its own words.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import errors
from archiver.archive.store import Aside, Incoming, Layout, OnDoubt, Outcome, Stored
from archiver.errors import ArchiverError, restored
from archiver.service.control_address import Line

if TYPE_CHECKING:
    from archiver.objects import Description

Message = dict[str, Any]
#: Bytes of one message of JSON at most; a journal line for each of ten thousand instances fits.
MOST = 64 << 20
#: What goes with an instance; what it is itself is read from its file.
CARRIED = ("source_sha256", "source_name", "origin", "on_doubt")
_PIECE = 1 << 20


def send(line: Line, message: Mapping[str, Any]) -> None:
    """Send one message."""
    line.send_bytes(json.dumps(message, default=str).encode())


def receive(line: Line) -> Message:
    """Return the next message; EOFError or OSError where the other end is gone."""
    message: Message = json.loads(line.recv_bytes(MOST))
    return message


def send_file(line: Line, parts: Iterable[bytes | bytearray | memoryview]) -> None:
    """Send the content of a file."""
    for part in parts:
        view = memoryview(part).cast("B")
        for begin in range(0, len(view), _PIECE):
            line.send_bytes(view[begin : begin + _PIECE])
    line.send_bytes(b"")


def receive_file(line: Line) -> Iterator[bytes]:
    """Yield the content of a file as it comes."""
    while piece := line.recv_bytes(_PIECE):
        yield piece


def error_message(error: ArchiverError) -> Message:
    """Return an error as it is sent."""
    problems = [asdict(problem) for problem in error.problems]
    return {"error": type(error).__name__, "problems": problems}


def error_of(message: Message) -> ArchiverError:
    """Return the error that was sent."""
    kind: type[ArchiverError] = getattr(errors, message["error"])
    return kind(*restored(message["problems"]))


def incoming_message(incoming: Incoming) -> Message:
    """Return what is sent of an instance before its file."""
    return {name: getattr(incoming, name) for name in CARRIED}


def incoming_of(message: Message, description: Description, aside: Aside, by: str) -> Incoming:
    """Return an instance of which the file has come."""
    told = {**message, "on_doubt": OnDoubt(message["on_doubt"])}
    return Incoming(description, aside=aside, by=by, **told)


def stored_message(stored: Stored, root: Path) -> Message:
    """Return what became of an instance as it is sent."""
    return {**asdict(stored), "path": stored.path.relative_to(root).as_posix()}


def stored_of(message: Message, layout: Layout) -> Stored:
    """Return what was sent of an instance."""
    told: dict[str, Any] = {name: restored(value) for name, value in message.items()}
    told["outcome"] = Outcome(told["outcome"])
    told["path"] = layout.path_of(told["path"])
    told["differing"] = tuple(told["differing"])
    return Stored(**told)
