"""A file of lines that only grows: one JSON object a line, flushed before it counts.

What a kill tore off at its end was never promised and is cut away by the next writer. Who
appends holds the archive's writer lock.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from archiver.archive.store.durable import flush_folder, translated
from archiver.errors import IntegrityError, Problem


def append(path: Path, line: Mapping[str, object]) -> bytes:
    """Append a line and flush it.

    Returns
    -------
    bytes
        The line as it stands in the file.

    Raises
    ------
    ArchiveError
        If the disk refuses; the file is then as it was.
    """
    text = json.dumps(line, sort_keys=True, ensure_ascii=True).encode() + b"\n"
    with translated("nothing was noted", path):
        is_new = not path.exists()
        with path.open("ab+", buffering=0) as file:
            end = _end_of_whole_lines(file)
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
    return text


def _end_of_whole_lines(file: BinaryIO) -> int:
    end = file.seek(0, os.SEEK_END)
    while end:
        begin = max(0, end - 8192)
        file.seek(begin)
        if (at := file.read(end - begin).rfind(b"\n")) >= 0:
            return begin + at + 1
        end = begin
    return 0


def read(path: Path) -> list[dict[str, Any]]:
    """Read the lines; none where there is no file, and not a last one that was torn off.

    Raises
    ------
    ArchiveError
        If the file cannot be read.
    IntegrityError
        If a whole line cannot be understood.
    """
    if not path.exists():
        return []
    with translated("the notes were not read", path):
        *whole, _ = path.read_bytes().split(b"\n")
    found = []
    for number, line in enumerate(whole, 1):
        try:
            fields = json.loads(line)
            if not isinstance(fields, dict):
                raise ValueError
        except ValueError:
            raise IntegrityError(
                Problem("the line cannot be read", f"{path.name}, line {number}")
            ) from None
        found.append(fields)
    return found
