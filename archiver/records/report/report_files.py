"""The files of a report: the page, and its facts as separated values and as JSON."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path

from archiver.archive import harmless_row
from archiver.records.audit import Audit
from archiver.records.instance_reader import without_collection
from archiver.records.report.report_page import write_page
from archiver.records.report.summary import (
    CONCERN_COLUMNS,
    DEMAND_COLUMNS,
    AuditSummary,
    concern_rows,
    demand_rows,
    summarise,
)


@without_collection()
def write_report(audit: Audit, folder: Path) -> AuditSummary:
    """Write a report in every form that it has; return its facts."""
    write_page(audit, folder)
    summary = summarise(audit)
    _write_csv(audit, folder)
    with (folder / "audit.json").open("w", encoding="utf-8") as file:
        file.writelines(json_lines(summary))
    return summary


def _write_csv(audit: Audit, folder: Path) -> None:
    """Write concerns and demands as separated values; a leading sign is made harmless."""
    for name, columns, rows in (
        ("findings.csv", CONCERN_COLUMNS, concern_rows(audit)),
        ("required-views.csv", DEMAND_COLUMNS, demand_rows(audit)),
    ):
        # The mark of order tells spreadsheet programs that it is UTF-8.
        with (folder / name).open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(columns)
            writer.writerows(map(harmless_row, rows))


def json_lines(summary: AuditSummary) -> Iterator[str]:
    """Yield the report as JSON, piece by piece: each finding and each view is a line."""
    between = "{\n"
    for key, value in summary.heads.items():
        yield f'{between}"{key}": {json.dumps(value, ensure_ascii=False, indent=1)}'
        between = ",\n"
    as_line = json.JSONEncoder(ensure_ascii=False).encode
    for key, rows in summary.lists().items():
        yield f'{between}"{key}": ['
        inner = "\n"
        for row in rows:
            yield inner + as_line(row)
            inner = ",\n"
        yield "\n]"
    yield "\n}\n"
