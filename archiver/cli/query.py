"""Examples:

  archiver query --patient-id P-0417
  archiver query --tooth iso:16 --view occlusal --since 2024-01-01
  archiver query --tooth universal:3 --mirror corrected --json
  archiver query --at clinic --patient-id P-0417 --tooth iso:16 --view occlusal

A tooth is also found in the pictures of ranges, quadrants and arches that contain it, and under
the codes of earlier years. With --at another archive is asked, one of the [[peer]] tables of the
settings; where it does not know teeth and views, the photographs' headers are read here.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import INCLUDE_REJECTED, SELECTORS
from archiver.cli.parameters import FILE, FOLDER, PEER, Number
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from collections.abc import Collection, Container, Iterable, Sequence

    from archiver.archive import Query, Record
    from archiver.workflow import QueryAnswer

_NOTHING: Mapping[str, str] = MappingProxyType({})


@verb(
    Option("--archive", type=FOLDER, not_with=["at"], help="archive to ask"),
    Option("--at", type=PEER, help="ask another archive"),
    SELECTORS,
    INCLUDE_REJECTED,
    Option("--limit", type=Number(1), metavar="N"),
    Option(
        "--contact-sheet", type=FILE, metavar="FILE.png", help="draw what was found on one page"
    ),
    Option("--json", is_flag=True, not_with=["csv"], help="a list of objects"),
    Option("--csv", is_flag=True, help="comma-separated values"),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    if options.at is None and options.contact_sheet is None and (options.json or options.csv):
        return _stream(options, question(options))
    answer = _answer(options, question(options))
    if answer.way:
        print(f"{options.at.name}: {answer.way}", file=sys.stderr)
    records, known_by = answer.records, answer.known_by
    if options.contact_sheet is not None:
        from archiver.sheets import write_record_sheet

        write_record_sheet(records, options.contact_sheet)
    if options.json:
        _write_json(_as_json(one, answer.wrong_way, known_by) for one in records)
    elif options.csv:
        _write_csv(records)
    else:
        _write_table(records, answer.wrong_way)
    return 0


def _stream(options: Options, asked: Query) -> int:
    """Write all that our own archive answers, however much it is, in little memory."""
    from archiver.archive.store import Archive
    from archiver.cli.settings import read_settings
    from archiver.records.checks import failed_sides

    folder = options.archive or read_settings().archive
    with Archive.open(folder, create=False, read_only=True) as archive:
        found = archive.query_each(asked)
        if options.json:
            wrong = failed_sides(archive.layout.root)
            _write_json(_as_json(one, wrong) for one in found)
        else:
            _write_csv(found)
    return 0


def _as_json(
    record: Record, wrong_way: Container[str], known_by: Mapping[str, str] = _NOTHING
) -> dict[str, Any]:
    uid = record.sop_instance_uid
    return {
        **record.to_json(),
        **({"known_by": known_by[uid]} if known_by else {}),
        **({"wrong_way": True} if uid in wrong_way else {}),
    }


def _write_json(rows: Iterable[dict[str, Any]]) -> None:
    """Print a list, one item after the other."""
    before = "["
    for row in rows:
        text = json.dumps(row, ensure_ascii=False, indent=2).replace("\n", "\n  ")
        sys.stdout.write(f"{before}\n  {text}")
        before = ","
    print("[]" if before == "[" else "\n]")


def _answer(options: Options, asked: Query) -> QueryAnswer:
    from archiver.archive.store import Archive
    from archiver.cli.context import header_folder
    from archiver.cli.settings import read_settings
    from archiver.workflow import query

    if options.at is None:
        folder = options.archive or read_settings().archive
        with Archive.open(folder, create=False, read_only=True) as archive:
            return query(archive, asked)
    if options.contact_sheet is not None:
        raise UsageError(Problem("cli.query.not_here").at("archiver query"))
    return query(options.at, asked, headers=header_folder())


def question(options: Options) -> Query:
    """Return what the selectors ask for."""
    from archiver.archive import Query

    return Query(
        patient_id=options.patient_id,
        issuer=options.issuer,
        name=options.patient_name,
        since=options.since,
        until=options.until,
        teeth=options.tooth,
        view=options.view.value if options.view else None,
        surface=options.surface,
        mirror=options.mirror,
        confirmed=True if options.confirmed else False if options.unconfirmed else None,
        role=options.role,
        modality=options.modality,
        study_uid=options.study,
        limit=getattr(options, "limit", None),
        include_rejected=getattr(options, "include_rejected", False),
    )


def _write_csv(records: Iterable[Record]) -> None:
    import csv

    from archiver.archive import CSV_HEADER

    writer = csv.writer(sys.stdout)
    writer.writerow(CSV_HEADER)
    writer.writerows(record.csv_row() for record in records)


_COLUMNS = ("date", "patient", "kind", "teeth", "view", "mirror", "side", "path")


def _write_table(records: Sequence[Record], wrong_way: Collection[str]) -> None:
    if not records:
        print(words_of()("cli.query.nothing"))
        return
    headings = tuple(words_of()(f"cli.query.columns.{column}") for column in _COLUMNS)
    rows = [headings, *(_row(record, wrong_way) for record in records)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(_COLUMNS) - 1)]
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        print("  ".join([*cells, row[-1]]).rstrip())
    print(words_of()("cli.query.count", count=len(records)))


def _row(record: Record, wrong_way: Collection[str]) -> tuple[str, ...]:
    words = words_of()
    side = ""
    if record.confirmed is not None:
        side = words(f"cli.query.{'' if record.confirmed else 'un'}confirmed")
    if record.sop_instance_uid in wrong_way:
        side = words("cli.query.wrong_way")
    if record.rejected is not None:
        side = record.rejected.upper()
    kind = f"{record.modality} {record.role}" if record.role else record.modality
    teeth = " ".join(record.teeth) or (words("cli.query.in_view") if record.tooth_found else "")
    return (
        record.study_date,
        record.patient_id,
        kind,
        teeth,
        # Of a note its title is told, of what it rejects the reason.
        record.view or (record.series_description if record.modality == "KO" else ""),
        record.mirror or "",
        side,
        str(record.path),
    )
