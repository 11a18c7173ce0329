"""A file of lines that only grows: one JSON object a line, flushed before it counts.

What a kill tore off at its end was never promised and is cut away by the next writer. Who
appends holds the archive's writer lock. Each line says its version.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import BinaryIO, TypeVar

from archiver.archive.store.durable import flush_folder, translated
from archiver.archive.store.schema import Fields, Schema, mark_fields, read_fields, version_of
from archiver.errors import IntegrityError, Problem
from archiver.wording import Text

T = TypeVar("T")


def line_of(schema: Schema[Fields], fields: Mapping[str, object]) -> bytes:
    """Return a line as it stands in the file."""
    marked = mark_fields(schema, fields)
    return json.dumps(marked, sort_keys=True, ensure_ascii=True).encode() + b"\n"


def append(path: Path, schema: Schema[Fields], fields: Mapping[str, object]) -> None:
    """Append a line and flush it.

    Raises
    ------
    ArchiveError
        If the disk refuses, or a newer program has appended to it; the file is then as it was.
    """
    text = line_of(schema, fields)
    schema.check(last_version(path), path)
    with translated(Text("archive.jsonl_log.nothing_noted"), path):
        is_new = not path.exists()
        with path.open("ab+", buffering=0) as file:
            end = _line_end(file, file.seek(0, os.SEEK_END))
            file.truncate(end)
            try:
                rest = memoryview(text)
                while rest:
                    rest = rest[file.write(rest) :]
                os.fsync(file.fileno())
            except BaseException:
                file.truncate(end)
                raise
        if is_new:
            flush_folder(path.parent)


def end_of(path: Path) -> int:
    """Return where the last whole line of a file ends."""
    if not path.exists():
        return 0
    with path.open("rb") as file:
        return _line_end(file, file.seek(0, os.SEEK_END))


def last_version(path: Path) -> int:
    """Return the version of the last whole line; 0 where there is none that can be read.

    Lines of one version follow those of earlier ones, because nobody appends to newer lines.
    """
    if not path.exists():
        return 0
    with path.open("rb") as file:
        end = _line_end(file, file.seek(0, os.SEEK_END))
        begin = _line_end(file, end - 1)
        file.seek(begin)
        try:
            line = json.loads(file.read(end - begin))
        except ValueError:
            return 0
    return version_of(line) if isinstance(line, dict) else 0


def _line_end(file: BinaryIO, end: int) -> int:
    """Return where the last line ends that ends at `end` or before."""
    while end > 0:
        begin = max(0, end - 8192)
        file.seek(begin)
        if (at := file.read(end - begin).rfind(b"\n")) >= 0:
            return begin + at + 1
        end = begin
    return 0


def read(path: Path, schema: Schema[Fields], of: Callable[[Fields], T]) -> list[T]:
    """Read the lines; none where there is no file, and not a last one that was torn off.

    Parameters
    ----------
    of
        Makes of a line what it says; may raise KeyError, TypeError or ValueError.

    Raises
    ------
    ArchiveError
        If the file cannot be read, or a line is of a newer version.
    IntegrityError
        If a whole line cannot be understood.
    """
    if not path.exists():
        return []
    with translated(Text("archive.jsonl_log.not_read"), path):
        *whole, _ = path.read_bytes().split(b"\n")
    found = []
    for number, line in enumerate(whole, 1):
        try:
            fields = json.loads(line)
            if not isinstance(fields, dict):
                raise ValueError
            found.append(of(read_fields(schema, fields, f"{path.name}, line {number}")))
        except (KeyError, TypeError, ValueError):
            raise IntegrityError(
                Problem("archive.jsonl_log.bad_line").at(file=path.name, line=number)
            ) from None
    return found
