"""A practice's own rules, written from answers; what is written is read again before it counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from archiver.errors import ArchiveError, Problem
from archiver.records.rules.rule_reader import read_rules
from archiver.records.rules.rule_set import RuleSet


def write_rules(path: Path, head: Mapping[str, Any], tables: Mapping[str, Any]) -> RuleSet:
    """Write a rules file where there is none yet, and return it as it is read.

    Parameters
    ----------
    head
        Name, version, source and standing.
    tables
        ``applies``, and lists ``require`` or ``retention``.

    Raises
    ------
    ArchiveError
        If there is a file already, or the disk refuses.
    SheetError
        With every problem of what was answered; the file is not kept then.
    """
    import tomli_w

    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(tomli_w.dumps({**head, **tables}))
    except FileExistsError:
        raise ArchiveError(Problem("records.rule_writer.there").at(file=str(path))) from None
    except OSError as error:
        problem = Problem("records.rule_writer.not_written", reason=error.strerror)
        raise ArchiveError(problem.at(file=str(path))) from None
    try:
        return read_rules(path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def listed(answer: str) -> Sequence[str]:
    """Return the parts of an answer that are separated by commas."""
    return [part.strip() for part in answer.split(",") if part.strip()]
