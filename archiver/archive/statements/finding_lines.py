"""What checks of pictures found: lines about instances, beside the archive's objects.

They lie in ``<archive>/findings/<anything>.jsonl``, and go by the version here. Only identifiers of
instances stand in them, no name and no text of a person.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path

from archiver.archive.statements.jsonl_log import last_version
from archiver.archive.store.schema import Fields, Schema, mark_fields, read_fields, unchanged
from archiver.errors import ArchiveError, Problem, restored
from archiver.wording import Text

FOLDER = "findings"


def _coded(line: Fields) -> Fields:
    """Lead from a detail that was a sentence to a code with its values."""
    detail = line.get("detail")
    if not isinstance(detail, str) or not detail:
        return line
    return {**line, "detail": asdict(Text("archive.findings.earlier", sentence=detail))}


FINDING_LINES: Schema[Fields] = Schema(Text("archive.schema.findings"), (unchanged, _coded))


def read_findings_of(path: Path) -> Iterator[Fields]:
    """Yield the lines of a file of findings that can be read, a detail of our own as a text.

    They are findings, not promises: one that cannot be read is passed over.

    Raises
    ------
    ArchiveError
        If one is of a newer version.
    """
    try:
        lines = path.read_text("utf-8", errors="replace").splitlines()
    except OSError:
        return
    for line in lines:
        try:
            given = read_fields(FINDING_LINES, dict(json.loads(line)), path)
            if "detail" in given:
                given["detail"] = restored(given["detail"])
        except (KeyError, ValueError, TypeError, RecursionError):
            continue
        yield given


def append_findings(
    archive: Path, name: str, lines: Sequence[Mapping[str, object]], *, time: datetime, by: str
) -> Path | None:
    """Append lines to a file of findings, each with its time and who found it.

    Returns
    -------
    Path or None
        The file; None where there is nothing to append.

    Raises
    ------
    ArchiveError
        If it cannot be written, or a newer program has written to it.
    """
    if not lines:
        return None
    stamp = {"time": time.isoformat(timespec="milliseconds"), "by": by}
    text = "".join(
        json.dumps(mark_fields(FINDING_LINES, {**one, **stamp}), sort_keys=True) + "\n"
        for one in lines
    )
    path = archive / FOLDER / name
    try:
        FINDING_LINES.check(last_version(path), path)
        path.parent.mkdir(exist_ok=True)
        with path.open("a", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ArchiveError(
            Problem("archive.findings.not_kept", reason=reason).at(file=str(path))
        ) from error
    return path
