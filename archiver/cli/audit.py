"""Examples:

  archiver audit --rules five-intraoral --out report
  archiver audit --rules posterior-tooth --rules good-record --episodes done.csv --out report
  archiver audit --visit P-0417 --rules five-intraoral
  archiver audit --explain posterior-tooth
  archiver audit --rules five-intraoral --out report folder-of-dicom-files
  archiver audit --at clinic --since 2026-03-01 --rules five-intraoral --out report

Rules are files (TOML) or the names of sets that come with the program; --list-rules lists them.
Before the patient leaves, --visit shows on one screen which views are still missing. The report
holds a page for the browser, tables and JSON. Nothing in the archive is changed. What is
remembered beside the report makes the next audit read only what changed; --full reads all, and
only then is a bit that flipped under an unchanged date and size sure to be found. Of another
archive (--at) headers are judged, not pixels; name a patient or a time.

A report that is signed (--key) is verified by --verify, or without this program:

  sha256sum -c report.sha256
  openssl pkeyutl -verify -pubin -inkey report.pem -rawin -in report.sha256 -sigfile report.sig
"""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import teeth
from archiver.cli.parameters import DAY, FILE, FOLDER, NUMBERING, PEER, RULES, Choice
from archiver.cli.progress import ProgressBar
from archiver.errors import ArchiveError, InputError, Problem, UsageError
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.archive.witness import Signer
    from archiver.network import Peer
    from archiver.records import Audit, Episodes, Vouching
    from archiver.records.rules import RuleSet
    from archiver.workflow import AuditRequest, AuditSource

_DEPTHS = ("index", "digests", "objects", "pictures")


@verb(
    argument(
        "paths", nargs=-1, type=FILE, metavar="PATH", help="DICOM files instead of the archive"
    ),
    Option("--archive", type=FOLDER, help="archive to audit"),
    Option("--at", type=PEER, help="another archive of the settings instead of ours"),
    Option("--patient-id", metavar="ID", help="with --at, of this patient"),
    Option("--since", type=DAY, help="with --at, of visits from this day on"),
    Option("--until", type=DAY, help="with --at, of visits up to this day"),
    Option("--rules", type=RULES, multiple=True, help="file or shipped set"),
    Option(
        "--episodes", type=FILE, metavar="FILE", help="table of what was done: .csv, .xlsx, .ods"
    ),
    Option(
        "--codes",
        type=FILE,
        metavar="FILE",
        help="table of what its codes stand for",
    ),
    Option(
        "--contacts",
        type=FILE,
        metavar="FILE",
        help="table of last contacts, capacity and legal holds, for keeping times",
    ),
    Option("--numbering", type=NUMBERING, help="of teeth in the table that name none"),
    Option(
        "--dates",
        type=Choice(("day-first", "month-first")),
        help="of dates such as 3/4/2026",
    ),
    Option(
        "--witness",
        type=FOLDER,
        multiple=True,
        help="signed heads of the journal, as `archiver witness` hands them out",
    ),
    Option("--signer", type=FILE, metavar="FILE", help="the public key that is trusted (PEM)"),
    Option(
        "--authorities",
        type=FILE,
        metavar="FILE",
        help="certificates of whose time stamps are trusted (PEM)",
    ),
    Option("--out", type=FOLDER, help="where the report is written"),
    Option("--key", type=FILE, metavar="FILE", help="sign the report with this private key (PEM)"),
    Option("--verify", type=FOLDER, help="verify a signed report against its archive"),
    Option("--depth", type=Choice(_DEPTHS), default="objects", help="how far to look (objects)"),
    Option("--full", is_flag=True, help="read everything again"),
    Option("--memory", type=FILE, help="what is remembered (in the report's folder)"),
    Option("--json", is_flag=True, help="print the report as JSON"),
    Option("--explain", type=RULES, help="say in plain words what rules demand"),
    Option("--new-rules", type=FILE, metavar="FILE", help="write rules of your own"),
    Option("--list-rules", is_flag=True, help="list the sets that come with the program"),
    Option("--visit", metavar="PATIENT-ID", help="show which views of a visit are missing"),
    Option("--date", type=DAY, help="of the visit; the last one otherwise"),
    teeth("treated in the visit"),
    Option(
        "--stage",
        type=Choice(("start", "prepared", "healing", "finished")),
        help="of the treatment",
    ),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    if options.list_rules:
        return _list_rules()
    if options.new_rules:
        import click

        from archiver.cli.new_rules import new_rules

        told = new_rules(
            options.new_rules,
            lambda question, default: str(click.prompt(question, default=default, err=True)),
        )
        print("\n".join(told))
        return 0
    if options.explain:
        from archiver.records.rules import explain

        print("\n".join(explain(options.explain)))
        return 0
    if options.verify:
        return _verify(options)
    if not options.rules:
        raise UsageError(Problem("cli.audit.no_rules").at("archiver audit"))
    sets = tuple({rules.digest: rules for rules in options.rules}.values())
    if options.visit:
        return _visit(options, sets)
    if options.out is None and not options.json:
        raise UsageError(Problem("cli.audit.no_target").at("archiver audit"))
    return _audit(options, sets)


def _list_rules() -> int:
    from archiver.records.rules import read_rules, shipped

    for key, path in shipped().items():
        print(f"{key:<24} {read_rules(path).name}")
    return 0


def _visit(options: Options, sets: tuple[RuleSet, ...]) -> int:
    from archiver.records.report import lines_of
    from archiver.workflow import VisitAsked, audit_visit

    day = options.date.isoformat() if options.date else ""
    asked = VisitAsked(options.visit, day, options.tooth, options.stage or "")
    report = audit_visit(_source(options), _request(options, sets), asked)
    _print_way(options, report.way)
    if options.json:
        print(json.dumps(report.to_json(), ensure_ascii=False, indent=2))
    else:
        print("\n".join(lines_of(report)))
    return 0 if report.is_complete else 1


def _audit(options: Options, sets: tuple[RuleSet, ...]) -> int:
    from archiver.workflow import audit

    request = _request(options, sets)
    signer = _report_signer(options)
    if options.out is not None:
        _make_folder(options.out)
    with ProgressBar("auditing", shown=not options.json) as progress:
        found = audit(_source(options), request, progress=progress)
    _print_way(options, found.survey.way)
    if options.out is not None:
        _write(found, options.out)
        if signer is not None:
            from archiver.records.report import sign_report

            sign_report(options.out, signer)
        if not options.at and not options.paths:
            _note(_source(options), request.run.when.isoformat())
    if options.json:
        from archiver.records.report import json_lines, summarise

        sys.stdout.writelines(json_lines(summarise(found)))
    else:
        _print_summary(found, options.out)
    return 0 if found.passes else 1


def _report_signer(options: Options) -> Signer | None:
    """Return who signs the report, where a key is named or set; before hours of reading."""
    from archiver.cli.settings import read_settings

    practice = read_settings()
    key = options.key or practice.witness.key
    if key is None or options.out is None:
        return None
    from archiver.archive.witness import Signer

    return Signer.of(key, outside=options.archive or practice.archive)


def _note(source: AuditSource, when: str) -> None:
    """Tell the server of the archive, where there is one, when it was audited.

    Without one nothing is written: an audit changes nothing.
    """
    from archiver.archive.statements import Operation, OperationKind, note_operation
    from archiver.cli.context import actor
    from archiver.service import ServedArchive

    assert isinstance(source, Path)
    with suppress(ArchiveError):
        served = ServedArchive.reach(source, actor=actor())
        if served is not None:
            with served:
                note_operation(served, Operation(OperationKind.AUDIT, when, True, "by the verb"))


def _print_way(options: Options, way: object) -> None:
    if way:
        print(f"{options.at.name}: {way}", file=sys.stderr)


def _request(options: Options, sets: tuple[RuleSet, ...]) -> AuditRequest:
    from archiver import __version__
    from archiver.archive import Query
    from archiver.cli.context import actor, contacts_of, header_folder, now
    from archiver.cli.settings import read_settings
    from archiver.records import FILE, AuditRun, Depth
    from archiver.vision import QualityLimits
    from archiver.workflow import AuditRequest

    when = now()
    patient = options.visit or options.patient_id
    looked = options.depth == "pictures"
    return AuditRequest(
        sets,
        AuditRun(when, actor(), __version__),
        _episodes(options, when.date(), sets),
        Depth[options.depth.upper()],
        QualityLimits.changed(read_settings().quality if looked else {}),
        options.memory or (options.out / FILE if options.out is not None else None),
        options.full,
        Query(patient_id=patient, since=options.since, until=options.until),
        header_folder(),
        contacts_of(options.contacts, when.date()) if options.contacts else None,
        _vouching(options),
    )


def _source(options: Options) -> AuditSource:
    """Return what is audited: an archive of ours, DICOM files, or another archive."""
    from archiver.cli.settings import read_settings

    if not options.at and (options.patient_id or options.since or options.until):
        raise UsageError(Problem("cli.audit.belong_to_at").at("archiver audit"))
    if options.at and (options.paths or options.archive):
        raise UsageError(Problem("cli.audit.three_things").at("archiver audit"))
    if options.at:
        peer: Peer = options.at
        return peer
    if options.paths:
        paths: list[Path] = options.paths
        return paths
    folder: Path = options.archive or read_settings().archive
    return folder


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        problem = Problem("cli.audit.no_folder", reason=error.strerror)
        raise UsageError(problem.at(file=str(folder))) from None


def _episodes(options: Options, today: date, sets: tuple[RuleSet, ...]) -> Episodes | None:
    if options.episodes is None:
        return None
    from archiver.records import read_episodes, read_treatment_codes, unmatched_words

    order = {"day-first": "day", "month-first": "month"}.get(options.dates or "")
    try:
        codes = read_treatment_codes(options.codes) if options.codes else None
        read = read_episodes(
            options.episodes, today=today, numbering=options.numbering, order=order, codes=codes
        )
    except InputError as error:
        raise UsageError(*error.problems) from None
    for problem in unmatched_words(sets, read):
        print(problem, file=sys.stderr)
    return read


def _verify(options: Options) -> int:
    from archiver.cli.settings import read_settings
    from archiver.records.report import verify_report

    folder = options.archive or read_settings().archive
    archive = folder if folder.is_dir() else None
    problems = list(verify_report(options.verify, _signer(options), archive))
    for problem in problems:
        print(problem, file=sys.stderr)
    if not problems:
        print(words_of()(f"cli.audit.{'verified' if archive else 'verified_alone'}"))
    return 1 if problems else 0


def _signer(options: Options) -> bytes | None:
    """Return the public key that is trusted; None where none is named."""
    try:
        return options.signer.read_bytes() if options.signer else None
    except OSError as error:
        problem = Problem("cli.audit.no_signer", reason=error.strerror)
        raise UsageError(problem.at(file=str(options.signer))) from None


def _vouching(options: Options) -> Vouching | None:
    """Return the witnesses that are named, else those of the settings."""
    from archiver.cli.settings import read_settings
    from archiver.records import Vouching

    set_up = read_settings().witness
    folders = tuple(options.witness) or (() if options.archive else set_up.folders)
    if not folders or options.paths or options.at:
        return None
    return Vouching(folders, _signer(options), options.authorities or set_up.authorities)


def _write(audit: Audit, folder: Path) -> None:
    from archiver.archive.store import translated
    from archiver.records.report import write_report

    with translated(Text("cli.audit.not_written"), folder):
        write_report(audit, folder)


def _print_summary(audit: Audit, folder: Path) -> None:
    from archiver.records.report import next_steps

    total, survey, words = audit.tally, audit.survey, words_of()
    counts = {"instances": len(survey.instances), "photographs": audit.photographs}
    print(words("cli.audit.seen", **counts, read=survey.read, unchanged=survey.remembered))
    filled = total.present + total.substituted
    views = {"filled": filled, "required": total.required}
    print(words("cli.audit.complete", share=total.percent, **views))
    for step in next_steps(audit)[:12]:
        print(f"  {step.kind.severity:<7} {step.count:>5}  {step.kind.title} ({step.by_whom})")
    print(words("cli.audit.passes" if audit.passes else "cli.audit.wanting"))
    print(words("cli.audit.report", file=folder / "audit.html"))
