"""The files of a report: the page, and its facts as separated values and as JSON."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from archiver.archive import harmless_row
from archiver.records.audit import Audit
from archiver.records.instance_reader import without_collection
from archiver.records.report.report_page import write_page
from archiver.records.report.summary import (
    CONCERN_COLUMNS,
    DEMAND_COLUMNS,
    STATISTICS_COLUMNS,
    AuditSummary,
    statistics_rows,
    summarise,
)


@without_collection()
def write_report(audit: Audit, folder: Path) -> AuditSummary:
    """Write a report in every form that it has; return its facts."""
    write_page(audit, folder)
    summary = summarise(audit)
    with (
        _separated(folder / "findings.csv", CONCERN_COLUMNS) as concern,
        _separated(folder / "required-views.csv", DEMAND_COLUMNS) as demand,
        (folder / "audit.json").open("w", encoding="utf-8") as file,
    ):
        file.writelines(json_lines(summary, {"concerns": concern, "demands": demand}))
    with _separated(folder / "statistics.csv", STATISTICS_COLUMNS) as statistic:
        for row in statistics_rows(audit):
            statistic(row)
    return summary


@contextmanager
def _separated(path: Path, columns: Sequence[str]) -> Iterator[Callable[[list[str]], object]]:
    """Take rows to be written as separated values; a leading sign is made harmless."""
    # The mark of order tells spreadsheet programs that it is UTF-8.
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        yield lambda row: writer.writerow(harmless_row(row))


def json_lines(
    summary: AuditSummary, beside: Mapping[str, Callable[[list[str]], object]] | None = None
) -> Iterator[str]:
    """Yield the report as JSON, piece by piece: each finding and each view is a line.

    Parameters
    ----------
    beside
        By the name of each of the two long lists: takes its rows, too.
    """
    between = "{\n"
    for key, value in summary.heads.items():
        yield f'{between}"{key}": {json.dumps(value, ensure_ascii=False, indent=1)}'
        between = ",\n"
    as_line = json.JSONEncoder(ensure_ascii=False).encode
    for key, rows in summary.lists(beside).items():
        yield f'{between}"{key}": ['
        inner = "\n"
        for row in rows:
            yield inner + as_line(row)
            inner = ",\n"
        yield "\n]"
    yield "\n}\n"
