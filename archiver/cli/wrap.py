"""Examples:

  archiver wrap sheet.toml                          into the practice's archive
  archiver wrap sheet.toml --archive photographs    into a folder
  archiver wrap sheet.toml --like radiograph.dcm    same patient and study as the radiograph
  archiver wrap sheet.toml --from-worklist clinic --scheduled P-0417
  archiver wrap --new-sheet CARD                    write a starter sheet for a folder

Each photograph becomes an instance as shot and, where a mirror, a turn or a crop asks for it, a
second one that is the right way round. Running the same sheet twice adds nothing. Whether the teeth
are in focus and well lit is told before archiving, by --review and in Take in, and by the audit.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON, edges
from archiver.cli.parameters import FILE, FOLDER, WORKLIST_PEER, Number
from archiver.cli.progress import ProgressBar
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.ingest import IngestSettings, WrappedPhotograph, WrappedSession
    from archiver.dentition import Numbering
    from archiver.objects import Patient, Session, Visit


@verb(
    argument("sheet", required=False, type=FILE, metavar="SHEET.toml", help="session sheet"),
    Option("--new-sheet", type=FOLDER, help="write a starter sheet for a folder"),
    Option("--archive", type=FOLDER, help="archive to keep them in"),
    Option(
        "--like",
        type=FILE,
        not_with=["from_worklist"],
        metavar="FILE.dcm",
        help="take patient and study from this object",
    ),
    Option(
        "--from-worklist",
        type=WORKLIST_PEER,
        metavar="NAME",
        help="take patient and visit from a peer's worklist",
    ),
    Option(
        "--scheduled",
        metavar="WORDS",
        help="patient identifier, accession number or step of today's entry, where there are "
        "several",
    ),
    Option(
        "--workers",
        type=Number(1),
        default=1,
        metavar="N",
        help="photographs worked on at once",
    ),
    edges(
        "an incomplete block at an edge that must move: left out, or kept by a lossless codec",
    ),
    Option("--contact-sheet", type=FILE, metavar="FILE.png", help="draw the session on one page"),
    Option(
        "--review",
        type=FILE,
        metavar="FILE.png",
        not_with=["contact_sheet"],
        help="draw it with the codes for confirmed_by, tell how good it is, archive nothing",
    ),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    if options.new_sheet is not None:
        if options.sheet is not None:
            raise UsageError(Problem("cli.wrap.sheet_or_new").at("archiver wrap"))
        return _new_sheet(options.new_sheet)
    if options.sheet is None:
        raise UsageError(Problem("cli.wrap.no_sheet").at("archiver wrap"))
    if options.scheduled is not None and options.from_worklist is None:
        raise UsageError(Problem("cli.wrap.needs_worklist").at("archiver wrap"))
    return _wrap(options)


def _wrap(options: Options) -> int:
    from archiver.archive.ingest import IngestSettings
    from archiver.archive.store import Outcome
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.objects import read_context, read_sheet
    from archiver.vision import QualityLimits
    from archiver.workflow import wrap

    practice = read_settings()
    limits = QualityLimits.changed(practice.quality)
    like = read_context(options.like) if options.like is not None else None
    if options.from_worklist is not None:
        like = _scheduled(options)
    session = read_sheet(options.sheet, like=like, habits=practice.defaults)
    settings = IngestSettings(
        now,
        edges=options.edges or practice.edges,
        workers=options.workers,
    )
    if options.review is not None:
        return _review(options, session, replace(settings, quality=limits))
    folder = writable_folder(options, practice, may_be_new=True)
    with (
        open_for_writing(folder) as archive,
        ProgressBar("wrapping", shown=not options.json) as progress,
    ):

        def report_photograph(one: WrappedPhotograph) -> None:
            if not options.json:
                progress.clear()
                _report_photograph(one, len(session.photographs), session.numbering)
                progress(one.number, len(session.photographs))

        wrapped = wrap(archive, session, settings, progress=report_photograph)
    for note in wrapped.notes:
        print(words_of()("cli.wrap.look", warning=note), file=sys.stderr)
    for line in wrapped.withdrawn:
        print(line, file=sys.stderr)
    if options.contact_sheet is not None:
        from archiver.sheets import write_contact_sheet

        write_contact_sheet(session, wrapped.photographs, options.contact_sheet)
    if options.json:
        print(json.dumps(report(wrapped, folder), ensure_ascii=False, indent=2))
    else:
        _sum_up(wrapped, folder, options.contact_sheet)
    return 1 if wrapped.count(Outcome.REFUSED) else 0


def _review(options: Options, session: Session, settings: IngestSettings) -> int:
    """Draw a session as it would be archived."""
    from archiver.archive.store import Outcome
    from archiver.workflow import review

    reviewed = review(session, settings, options.review)
    wrapped = reviewed.wrapped
    if options.json:
        told = [_photograph(one) for one in wrapped.photographs]
        pictures = [str(path) for path in reviewed.pictures]
        table = {"pictures": pictures, "photographs": told}
        print(json.dumps(table, ensure_ascii=False, indent=2))
    else:
        for one in wrapped.photographs:
            _report_photograph(one, len(session.photographs), session.numbering)
        for path in reviewed.pictures:
            print(words_of()("cli.wrap.review", picture=path))
    return 1 if wrapped.count(Outcome.REFUSED) else 0


def _scheduled(options: Options) -> tuple[Patient, Visit]:
    """Return the patient and visit of today's entry of a worklist."""
    from archiver.cli.context import now
    from archiver.cli.worklist import line_of
    from archiver.network.client.dimse import ask_worklist, choose

    peer = options.from_worklist
    today = now().date()
    chosen = choose(ask_worklist(peer, day=today), options.scheduled, peer.place, line_of)
    if not options.json:
        print(words_of()("cli.wrap.scheduled", entry=line_of(chosen)))
    return chosen.context(today)


def _report_photograph(one: WrappedPhotograph, of: int, numbering: Numbering) -> None:
    from archiver.archive.store import Outcome
    from archiver.objects import subject

    what = subject(one.plan, numbering) if one.plan is not None else one.photograph.view.value
    print(f"{one.number}/{of} {one.photograph.file.name}: {what}: {_done(one)}")
    for problem in one.problems:
        print(f"    {problem}", file=sys.stderr)
    if one.status is not Outcome.REFUSED:
        for doubt in one.unanswered:
            print(f"    {words_of()('cli.wrap.doubt', doubt=doubt.text)}")
        for warning in one.warnings:
            print(f"    {words_of()('cli.wrap.look', warning=warning)}")


def _done(one: WrappedPhotograph) -> str:
    from archiver.archive.store import Outcome

    words = words_of()
    if one.status is Outcome.REFUSED:
        return words("cli.wrap.refused")
    if one.status is Outcome.SAME:
        return words("cli.wrap.archived_before")
    assert one.plan is not None
    corrected = any(kept.role == "derived" for kept in one.instances)
    side = words(f"cli.wrap.side.{'' if one.photograph.confirmed_by else 'un'}confirmed")
    if not corrected:
        return words("cli.wrap.as_shot", side=side)
    how = one.plan.correction.text
    if one.photograph.crop is not None:
        return words("cli.wrap.cropped", how=how, side=side)
    return words("cli.wrap.corrected", how=how, side=side)


def _sum_up(wrapped: WrappedSession, folder: Path, sheet: Path | None) -> None:
    from archiver.archive.store import Outcome

    kept = [one for one in wrapped.photographs if one.status is not Outcome.REFUSED]
    archived = [one for one in kept if one.status is Outcome.NEW]
    instances = sum(len(one.instances) for one in archived)
    unconfirmed = sum(not one.photograph.confirmed_by for one in kept)
    words = words_of()
    counts = {
        "archived": len(archived),
        "instances": instances,
        "before": wrapped.count(Outcome.SAME),
        "refused": wrapped.count(Outcome.REFUSED),
    }
    print(words("cli.wrap.archived", **counts, folder=folder))
    if unconfirmed:
        print(words("cli.wrap.unconfirmed", count=unconfirmed))
    if sheet is not None:
        print(words("cli.wrap.contact_sheet", sheet=sheet))


def report(wrapped: WrappedSession, folder: Path) -> dict[str, Any]:
    """Return what became of a session as values that JSON has."""
    return {
        "archive": str(folder),
        "patient": [str(note) for note in wrapped.notes],
        "photographs": [_photograph(one) for one in wrapped.photographs],
    }


def _photograph(one: WrappedPhotograph) -> dict[str, Any]:
    from dataclasses import asdict

    from archiver.archive.ingest import STATUS_NAMES

    plan = one.plan
    return {
        "file": one.photograph.file.name,
        "number": one.number,
        "status": STATUS_NAMES[one.status],
        "view": plan.sight.view.value if plan else one.photograph.view.value,
        "teeth": [tooth.iso for tooth in one.photograph.teeth],
        "mirror": one.photograph.mirror,
        "confirmed": bool(one.photograph.confirmed_by),
        "correction": plan.correction.value if plan else None,
        "instances": [asdict(kept) for kept in one.instances],
        "problems": [str(problem) for problem in one.problems],
        "warnings": [str(warning) for warning in one.warnings],
        "doubts": [
            {**doubt.to_json(), "answered": doubt not in one.unanswered} for doubt in one.doubts
        ],
        "findings": [str(finding) for finding in one.findings],
        "figures": asdict(one.figures) if one.figures is not None else None,
    }


def _new_sheet(folder: Path) -> int:
    from archiver.cli.context import now
    from archiver.objects import write_starter_sheet

    made = write_starter_sheet(folder, now())
    for error in made.left_out:
        print(words_of()("cli.wrap.left_out", problem=error), file=sys.stderr)
    counts = {"path": made.path, "count": made.photographs}
    if made.left_out:
        print(words_of()("cli.wrap.new_sheet_without", **counts, left=len(made.left_out)))
    else:
        print(words_of()("cli.wrap.new_sheet", **counts))
    return 0
