"""Examples:

  archiver compare --patient-id P-1042 --tooth iso:16 --view occlusal --out change.png
  archiver compare --patient-id P-1042 --tooth universal:3 --view occlusal --since 2023-01-01 --json
  archiver compare earlier.dcm later.dcm --out change.png --pdf change.pdf
  archiver compare --at clinic --patient-id P-1042 --tooth iso:16 --view occlusal --out change.png

Takes the newest photograph of the tooth and view and one prior a visit, or two DICOM files, turns
all to the display orientation, aligns the priors, and draws them. What cannot be aligned is
shown as it is. A pair that only fits when one is reflected is refused as mirror-reversed: that is
told, kept for the audit (of an archive on this machine), and the exit status is 1.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.errors import MeaningError, Problem, UsageError

if TYPE_CHECKING:
    from archiver.archive import Query, Record
    from archiver.archive.store import Archive
    from archiver.dentition import Tooth, View
    from archiver.priors import Ask, Chosen, Comparison, Wishes

Box = tuple[int, int, int, int]


def _day(words: str) -> date:
    try:
        return date.fromisoformat(words)
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{words}" is no day such as 2026-03-04') from None


def _box(words: str) -> Box:
    try:
        left, top, width, height = (int(part) for part in words.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f'"{words}" is no left,top,width,height') from None
    return left, top, width, height


def _card(words: str) -> tuple[str, Box]:
    day, equals, box = words.partition("=")
    if not equals:
        raise argparse.ArgumentTypeError(f'"{words}" is no DAY=left,top,width,height')
    return day, _box(box)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    add = parser.add_argument
    add("files", nargs="*", type=Path, metavar="FILE.dcm", help="two photographs, in any order")
    place = parser.add_mutually_exclusive_group()
    folder = "archive to take the pictures from"
    place.add_argument("--archive", type=Path, metavar="FOLDER", help=folder)
    place.add_argument("--at", metavar="NAME", help="fetch them from a peer in the settings")
    add("--patient-id", metavar="ID")
    add("--issuer", help="who issued the patient identifier")
    add("--tooth", metavar="iso:16")
    add("--view", help="occlusal, buccal, upper occlusal arch, ...")
    add("--since", type=_day, metavar="DAY", help="first day of a prior, such as 2024-01-01")
    add("--limit", type=int, metavar="N", help="priors at most")
    add("--out", type=Path, metavar="FILE.png", help="the picture; priors one below the other")
    add("--pdf", type=Path, metavar="FILE.pdf", help="the same, a page for each prior")
    add("--json", action="store_true", help="all figures")
    box = "left,top,width,height"
    region = "where colours are averaged, pixels of the newest picture as displayed"
    add("--region", type=_box, metavar=box, help=region)
    card = "a grey card in the picture of a day; once for each picture"
    add("--grey", type=_card, action="append", default=[], metavar=f"DAY={box}", help=card)
    light = "match the light of priors by what lies outside the teeth"
    add("--match-light", action="store_true", help=light)


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    if options.limit is not None and options.limit < 1:
        raise UsageError("archiver compare: --limit takes a number from 1")
    if not (options.out or options.pdf or options.json):
        raise UsageError(
            Problem("archiver compare: nothing is to be written", hint="--out, --pdf or --json")
        )
    if options.files:
        return _compare_files(options)
    return _compare_archived(options)


def _compare_files(options: argparse.Namespace) -> int:
    asked = [options.patient_id, options.tooth, options.since, options.limit, options.archive]
    asked.append(options.at)
    if len(options.files) != 2 or any(one is not None for one in asked):
        raise UsageError(
            Problem(
                "archiver compare: files are compared by themselves",
                expected="two files, or a patient, tooth and view",
            )
        )
    from archiver.archive.store import describe_file
    from archiver.priors import compare

    told = {path: describe_file(path) for path in options.files}
    first, second = options.files
    patients = {(d.patient_id, d.issuer) for d in told.values()}
    relation = "" if len(patients) == 1 else "another patient's picture, by its identifier"
    older, newer = (
        (first, second)
        if (told[first].study_date, told[first].study_time)
        <= (told[second].study_date, told[second].study_time)
        else (second, first)
    )
    days = {path: d.study_date for path, d in told.items()}
    comparison = compare(newer, [(older, relation)], _wishes(options, days))
    named = comparison.newest.description
    view = _view(options.view).value if options.view else (named.view.value if named.view else "")
    return _write(comparison, named.teeth, view, options)


def _compare_archived(options: argparse.Namespace) -> int:
    if not (options.patient_id and options.tooth and options.view):
        raise UsageError(
            Problem(
                "archiver compare: too little is said",
                expected="--patient-id, --tooth and --view, or two files",
            )
        )
    tooth, view = _tooth(options.tooth), _view(options.view)
    if options.at:
        with tempfile.TemporaryDirectory(prefix="archiver-compare-") as scratch:
            chosen = _chosen(_remote(options.at, Path(scratch)), (tooth, view), options)
            comparison = _compared(chosen, options)
    else:
        chosen, comparison = _from_archive((tooth, view), options)
    if chosen.left_out and not options.json:
        several = "visit is" if chosen.left_out == 1 else "visits are"
        print(f"{chosen.left_out} older {several} left out (--limit)")
    return _write(comparison, (tooth,), view.value, options)


def _from_archive(
    shows: tuple[Tooth, View], options: argparse.Namespace
) -> tuple[Chosen, Comparison]:
    from archiver.archive.store import Archive
    from archiver.cli.settings import read_settings

    folder = options.archive or read_settings().archive
    with Archive.open(folder, create=False, read_only=True) as archive:
        chosen = _chosen(archive.query, shows, options)
        comparison = _compared(chosen, options)
        _keep_findings(archive, chosen, comparison)
    return chosen, comparison


def _remote(name: str, folder: Path) -> Ask:
    """Questions to a peer; what answers is fetched, as its pixels are needed."""
    from archiver.cli.context import header_cache
    from archiver.cli.settings import read_settings
    from archiver.network import find_peer
    from archiver.network.client import ask, fetch_records

    peer = find_peer(read_settings().peers, name)

    def answered(question: Query) -> list[Record]:
        with header_cache() as cache:
            found = ask(peer, question, cache)
        fetched = fetch_records(peer, found.records, folder)
        for problem in fetched.problems:
            print(problem, file=sys.stderr)
        files = fetched.files
        return [
            replace(record, path=str(files[record.sop_instance_uid]))
            for record in found.records
            if record.sop_instance_uid in files
        ]

    return answered


def _chosen(ask: Ask, shows: tuple[Tooth, View], options: argparse.Namespace) -> Chosen:
    from archiver.priors import Asked, choose, softness

    who, issuer = options.patient_id, options.issuer
    asked = Asked(who, *shows, issuer, options.since, options.limit)
    return choose(ask, asked, softness)


def _compared(chosen: Chosen, options: argparse.Namespace) -> Comparison:
    from archiver.priors import compare

    pictures = [chosen.newest, *chosen.priors]
    days = {Path(one.record.path): one.record.study_date for one in pictures}
    priors = [(Path(one.record.path), one.relation) for one in chosen.priors]
    return compare(Path(chosen.newest.record.path), priors, _wishes(options, days))


def _keep_findings(archive: Archive, chosen: Chosen, comparison: Comparison) -> None:
    """Tell the audit how pictures of one view came out; others are no test of a side."""
    from archiver import __version__
    from archiver.cli.context import now
    from archiver.priors import keep, outcomes

    if not chosen.newest.is_same:
        return
    pairs = [
        (one.shown.description.sop_instance_uid, one.checked.way)
        for candidate, one in zip(chosen.priors, comparison.priors, strict=True)
        if candidate.is_same
    ]
    told = outcomes(comparison.newest.description.sop_instance_uid, pairs)
    keep(archive.layout.root, told, time=now(), by=f"compare {__version__}")


def _wishes(options: argparse.Namespace, days: dict[Path, str]) -> Wishes:
    from archiver.priors import Wishes

    cards: dict[Path, Box] = {}
    for day, box in options.grey:
        found = [path for path, of in days.items() if of.replace("-", "") == day.replace("-", "")]
        if not found:
            raise UsageError(Problem(f"no picture is of {day}", "--grey", ", ".join(days.values())))
        cards.update(dict.fromkeys(found, box))
    return Wishes(options.region, cards, options.match_light)


def _tooth(words: str) -> Tooth:
    from archiver.dentition import parse_tooth

    try:
        return parse_tooth(words)
    except MeaningError as error:
        raise UsageError(*error.problems) from None


def _view(words: str) -> View:
    from archiver.dentition import view_of

    try:
        return view_of(words)
    except MeaningError as error:
        raise UsageError(*error.problems) from None


def _write(
    comparison: Comparison, teeth: tuple[Tooth, ...], view: str, options: argparse.Namespace
) -> int:
    from archiver.priors import wording
    from archiver.vision import Way

    if options.out or options.pdf:
        _draw(comparison, teeth, view, options)
    if options.json:
        print(json.dumps(wording.as_json(comparison), ensure_ascii=False, indent=2))
    else:
        _print(comparison)
    reversed_ = any(one.checked.way is Way.REVERSED for one in comparison.priors)
    return 1 if reversed_ else 0


def _draw(
    comparison: Comparison, teeth: tuple[Tooth, ...], view: str, options: argparse.Namespace
) -> None:
    from archiver import __version__
    from archiver.cli.context import now
    from archiver.sheets import Title, save_pdf, save_png

    made = f"archiver {__version__}, {now():%Y-%m-%d}"
    title = Title(teeth, view, made)
    if options.out:
        save_png(comparison, title, options.out)
    if options.pdf:
        save_pdf(comparison, title, options.pdf)


def _print(comparison: Comparison) -> None:
    from archiver.priors import wording

    newest = comparison.newest
    now = wording.day(newest.description.study_date)
    print(f"newest {now}  {wording.side(newest.description)[0]}  {wording.place(newest)}")
    for one in comparison.priors:
        d = one.shown.description
        span = wording.span(d.study_date, newest.description.study_date)
        print(f"prior  {wording.day(d.study_date)}  {span} before  {wording.side(d)[0]}")
        print(f"  {wording.place(one.shown)}")
        told = (one.relation, wording.alignment(one, newest))
        for line in (*told, wording.colour(one.colour, newest, one.shown, one.light)):
            if line:
                print(f"  {line}")
    print(wording.CAUTION)
