"""Examples:

  archiver import /mnt/old --propose rules.toml
  archiver import /mnt/old --rules rules.toml --people patients.csv --report review
  archiver import /mnt/old --rules rules.toml --people patients.csv --report review \\
      --mends mends.json
  archiver import /mnt/old --rules rules.toml --people patients.csv --report review \\
      --mends mends.json --accept

Nothing in the folder is changed, and without --accept nothing is archived: each file is looked at,
and the report's page, import.html, shows what would become of it and why. There a person mends
many at once, and saves what was said as a file for --mends. Who somebody is says a table of
patients (.csv, .xlsx, .ods), or another archive or worklist of the settings, never a name alone.
What nobody tells of view, mirror and flips goes in as not known. A run that was stopped is gone on
with by the same command.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON, edges
from archiver.cli.parameters import FILE, FOLDER, PEER, WORKLIST_PEER, Number
from archiver.cli.progress import ProgressBar
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.legacy import Imported, ImportMemory, ImportRules, PatientRegister

_HERE = "archiver import"
#: Examples that the terminal shows of each reason; the page has all files.
_EXAMPLES = 3


@verb(
    argument("folder", type=FOLDER, help="old folders; nothing there is changed"),
    Option(
        "--propose",
        type=FILE,
        metavar="RULES.toml",
        not_with=["rules", "report", "accept"],
        help="write rules that fit the folder, to be looked over",
    ),
    Option("--rules", type=FILE, metavar="RULES.toml", help="what paths and names mean here"),
    Option("--people", type=FILE, multiple=True, help="a table of patients"),
    Option("--people-at", type=PEER, metavar="NAME", help="a peer that knows the patients"),
    Option("--worklist-at", type=WORKLIST_PEER, metavar="NAME", help="or its worklist"),
    Option("--mends", type=FILE, multiple=True, metavar="MENDS.json", help="what the page made"),
    Option("--report", type=FOLDER, help="folder for the page and what is known of the files"),
    Option("--accept", is_flag=True, help="archive what the dry run accepts"),
    Option("--archive", type=FOLDER, help="archive to keep it in"),
    Option("--workers", type=Number(1), metavar="N", help="files worked on at once; else cores"),
    edges("an incomplete block at an edge that must move: left out, or kept by a lossless codec"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    folder: Path = options.folder
    if not folder.is_dir():
        raise UsageError(Problem("cli.import.no_folder").at(_HERE, file=str(folder)))
    if options.propose is not None:
        return _propose(options)
    if options.rules is None or options.report is None:
        raise UsageError(Problem("cli.import.needs").at(_HERE))
    if not (options.people or options.people_at or options.worklist_at):
        raise UsageError(Problem("cli.import.needs_people").at(_HERE))
    return _import(options)


def _propose(options: Options) -> int:
    from archiver.legacy import propose_rules

    made = propose_rules(options.folder, options.propose)
    print(words_of()("cli.import.proposed", rules=options.propose, fit=made.fit, files=made.files))
    return 0


def _import(options: Options) -> int:
    from archiver.cli.context import now
    from archiver.legacy import (
        Decider,
        ImportMemory,
        decide_all,
        look_at_all,
        read_import_rules,
        read_mends,
        write_import_report,
    )

    rules, mends = read_import_rules(options.rules), read_mends(options.mends)
    workers = options.workers or os.cpu_count() or 1
    root, report = options.folder.absolute(), options.report.absolute()
    with ImportMemory(report) as memory:
        with ProgressBar("looking", shown=not options.json) as progress:
            look_at_all(root, memory, workers=workers, without=report, progress=progress)
        today = now().date()
        register = _register(options, memory, rules)
        decide_all(memory, Decider(rules, register, today), mends)
        imported = _accepted(options, root, memory, workers) if options.accept else None
        page = write_import_report(memory, report, root=root, register=register, when=now())
        return _tell(options, memory, page, imported)


def _register(options: Options, memory: ImportMemory, rules: ImportRules) -> PatientRegister:
    """Return whom the sources know that were named."""
    from archiver.cli.context import now
    from archiver.legacy import PatientRegister, names_in, read_patients

    today = now().date()
    found = [one for path in options.people for one in read_patients(path, today=today)]
    if options.people_at is not None:
        from archiver.network.client import patients_at

        found += patients_at(options.people_at, *names_in(memory, rules, today))
    if options.worklist_at is not None:
        from archiver.network.client import patients_scheduled

        found += patients_scheduled(options.worklist_at)
    return PatientRegister(found)


def _accepted(options: Options, root: Path, memory: ImportMemory, workers: int) -> Imported:
    from archiver.archive.ingest import IngestSettings
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.legacy import import_accepted

    practice = read_settings()
    settings = IngestSettings(now, edges=options.edges or practice.edges)
    folder = writable_folder(options, practice, may_be_new=True)
    with (
        open_for_writing(folder) as archive,
        ProgressBar("taking_in", shown=not options.json) as progress,
    ):
        return import_accepted(archive, root, memory, settings, workers=workers, progress=progress)


def _tell(options: Options, memory: ImportMemory, page: Path, imported: Imported | None) -> int:
    told = _Told(memory)
    if options.json:
        table: dict[str, Any] = {
            "files": len(memory),
            "fates": told.by_fate,
            "reasons": told.by_reason,
            "page": str(page),
            "imported": {one.value: n for one, n in imported.counts.items()} if imported else None,
        }
        print(json.dumps(table, ensure_ascii=False, indent=2))
    else:
        told.print()
        words = words_of()
        if imported is not None:
            new, same = imported.new, imported.same
            print(words("cli.import.archived", new=new, same=same, refused=imported.refused))
        print(words("cli.import.page", page=page))
    return 1 if told.by_fate.get("quarantined") else 0


@dataclass
class _Told:
    """Counts by fate and reason, with examples."""

    memory: ImportMemory

    @property
    def by_reason(self) -> dict[str, int]:
        return {reason.value: count for reason, count in self.memory.counts().items()}

    @property
    def by_fate(self) -> dict[str, int]:
        from archiver.legacy import FileFate

        counts = self.memory.counts()
        return {
            fate.value: sum(count for reason, count in counts.items() if reason.fate is fate)
            for fate in FileFate
        }

    def print(self) -> None:
        from archiver.legacy import FileFate

        words = words_of()
        counts = self.memory.counts()
        print(words("cli.import.seen", files=len(self.memory)))
        for fate in FileFate:
            of_fate = {reason: n for reason, n in counts.items() if reason.fate is fate}
            print(f"{sum(of_fate.values()):7} {fate.text}")
            for reason, count in of_fate.items():
                print(f"{count:11} {reason.text}")
                for row in self.memory.examples(reason, _EXAMPLES):
                    why = row.decision.problem if row.decision is not None else None
                    line = f"{' ' * 12}{row.path}" + (f": {why}" if why else "")
                    print(line, file=sys.stdout)
