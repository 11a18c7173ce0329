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

import argparse
import json
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.errors import MeaningError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from archiver.archive import Query, Record
    from archiver.workflow import QueryAnswer


def day_of(words: str) -> date:
    """Read a day of the command line."""
    try:
        return date.fromisoformat(words)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{words}" is no day such as 2026-03-04') from None


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    add = parser.add_argument
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--archive", type=Path, metavar="FOLDER", help="archive to ask")
    place.add_argument("--at", metavar="NAME", help="ask another archive")
    add_selectors(parser)
    add("--limit", type=int, metavar="N")
    add("--contact-sheet", type=Path, metavar="FILE.png", help="draw what was found on one page")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="a list of objects")
    form.add_argument("--csv", action="store_true", help="comma-separated values")


def add_selectors(parser: argparse.ArgumentParser) -> None:
    """Add the arguments by which instances are chosen."""
    add = parser.add_argument
    add("--patient-id", metavar="ID")
    add("--issuer", help="who issued the patient identifier")
    add("--patient-name", metavar="NAME", help="with * and ? as wildcards")
    add("--since", type=day_of, metavar="DAY", help="first day of the study, such as 2024-01-01")
    add("--until", type=day_of, metavar="DAY", help="last day of the study")
    add("--tooth", action="append", default=[], metavar="iso:16", help="may be given repeatedly")
    add("--view", help="occlusal, buccal, upper occlusal arch, ...")
    add("--surface", help="occlusal, vestibular, lingual, ...")
    add("--mirror", choices=("direct", "uncorrected", "corrected"))
    side = parser.add_mutually_exclusive_group()
    side.add_argument("--confirmed", action="store_true", default=None, dest="confirmed")
    side.add_argument("--unconfirmed", action="store_false", default=None, dest="confirmed")
    add("--role", choices=("original", "derived"), help="as shot, or corrected")
    add("--modality", metavar="XC", help="XC photographs, IO and others radiographs")
    add("--study", metavar="UID")
    add("--include-rejected", action="store_true", help="also what a rejection note names")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    answer = _answer(options, question(options))
    if answer.way:
        print(f"{options.at}: {answer.way}", file=sys.stderr)
    records, known_by = answer.records, answer.known_by
    if options.contact_sheet is not None:
        from archiver.sheets import write_record_sheet

        write_record_sheet(records, options.contact_sheet)
    if options.json:
        told = [
            {**r.to_json(), **({"known_by": known_by[r.sop_instance_uid]} if known_by else {})}
            for r in records
        ]
        print(json.dumps(told, ensure_ascii=False, indent=2))
    elif options.csv:
        _write_csv(records)
    else:
        _write_table(records)
    return 0


def _answer(options: argparse.Namespace, asked: Query) -> QueryAnswer:
    from archiver.archive.store import Archive
    from archiver.cli.context import header_folder
    from archiver.cli.settings import read_settings
    from archiver.network import find_peer
    from archiver.workflow import query

    practice = read_settings()
    if options.at is None:
        folder = options.archive or practice.archive
        with Archive.open(folder, create=False, read_only=True) as archive:
            return query(archive, asked)
    if options.contact_sheet is not None:
        raise UsageError("archiver query: --contact-sheet draws objects that are here; retrieve")
    return query(find_peer(practice.peers, options.at), asked, headers=header_folder())


def question(options: argparse.Namespace) -> Query:
    """Return what the selectors ask for.

    Raises
    ------
    UsageError
        If a tooth, a view or a limit cannot be understood.
    """
    from archiver.archive import Query
    from archiver.dentition import parse_teeth, view_of

    try:
        teeth = tuple(tooth for words in options.tooth for tooth in parse_teeth(words))
        view = view_of(options.view).value if options.view else None
    except MeaningError as error:
        raise UsageError(*error.problems) from None
    limit = getattr(options, "limit", None)
    if limit is not None and limit < 1:
        raise UsageError("archiver query: --limit takes a number from 1")
    return Query(
        patient_id=options.patient_id,
        issuer=options.issuer,
        name=options.patient_name,
        since=options.since,
        until=options.until,
        teeth=teeth,
        view=view,
        surface=options.surface,
        mirror=options.mirror,
        confirmed=options.confirmed,
        role=options.role,
        modality=options.modality,
        study_uid=options.study,
        limit=limit,
        include_rejected=getattr(options, "include_rejected", False),
    )


def _write_csv(records: Sequence[Record]) -> None:
    import csv

    from archiver.archive import CSV_HEADER

    writer = csv.writer(sys.stdout)
    writer.writerow(CSV_HEADER)
    writer.writerows(record.csv_row() for record in records)


_HEADINGS = ("date", "patient", "kind", "teeth", "view", "mirror", "side", "path")


def _write_table(records: Sequence[Record]) -> None:
    if not records:
        print("nothing found")
        return
    rows = [_HEADINGS, *(_row(record) for record in records)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(_HEADINGS) - 1)]
    for row in rows:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        print("  ".join([*cells, row[-1]]).rstrip())
    print(f"{len(records)} found")


def _row(record: Record) -> tuple[str, ...]:
    side = {True: "confirmed", False: "UNCONFIRMED", None: ""}[record.confirmed]
    if record.rejected is not None:
        side = record.rejected.upper()
    kind = f"{record.modality} {record.role}" if record.role else record.modality
    teeth = " ".join(record.teeth) or ("(in view)" if record.tooth_found else "")
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
