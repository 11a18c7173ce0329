"""Examples:

  archiver compare --patient-id P-1042 --tooth iso:16 --view occlusal --out change.png
  archiver compare --patient-id P-1042 --tooth universal:3 --view occlusal --since 2023-01-01 --json
  archiver compare earlier.dcm later.dcm --out change.png --pdf change.pdf
  archiver compare --at clinic --patient-id P-1042 --tooth iso:16 --view occlusal --out change.png

Takes the newest photograph of the tooth and view and one prior a visit, or two DICOM files, turns
all to the display orientation, aligns the priors, and draws them. What cannot be aligned is
shown as it is. A pair that only fits when one is reflected is refused as mirror-reversed: that is
reported, kept for the audit (of an archive on this machine), and the exit status is 1.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.parameters import (
    DAY,
    FILE,
    FOLDER,
    PEER,
    REGION,
    TOOTH,
    VIEW,
    Box,
    KeyedRegion,
    Number,
)
from archiver.cli.progress import ProgressBar
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.store import Archive
    from archiver.network import Peer
    from archiver.priors import Comparison, ToothAsked
    from archiver.workflow import ComparedTooth, ComparisonRequest

_GREY = KeyedRegion("DAY", str)


@verb(
    argument(
        "files", nargs=-1, type=FILE, metavar="FILE.dcm", help="two photographs, in any order"
    ),
    Option("--archive", type=FOLDER, not_with=["at"], help="archive to take the pictures from"),
    Option("--at", type=PEER, help="fetch them from a peer in the settings"),
    Option("--patient-id", metavar="ID"),
    Option("--issuer", help="who issued the patient identifier"),
    Option("--tooth", type=TOOTH, metavar="iso:16"),
    Option("--view", type=VIEW, help="occlusal, buccal, upper occlusal arch, ..."),
    Option("--since", type=DAY, help="first day of a prior, such as 2024-01-01"),
    Option("--limit", type=Number(1), metavar="N", help="priors at most"),
    Option("--out", type=FILE, metavar="FILE.png", help="the picture; priors one below the other"),
    Option("--pdf", type=FILE, metavar="FILE.pdf", help="the same, a page for each prior"),
    Option("--json", is_flag=True, help="all figures"),
    Option(
        "--region",
        type=REGION,
        metavar=REGION.name,
        help="where colours are averaged, pixels of the newest picture as displayed",
    ),
    Option(
        "--grey",
        type=_GREY,
        multiple=True,
        metavar=_GREY.name,
        help="a grey card in the picture of a day; once for each picture",
    ),
    Option(
        "--match-light",
        is_flag=True,
        help="match the light of priors by what lies outside the teeth",
    ),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    if not (options.out or options.pdf or options.json):
        raise UsageError(Problem("cli.compare.nothing_to_write").at("archiver compare"))
    compared = _compared(options)
    for problem in compared.problems:
        print(problem, file=sys.stderr)
    if compared.left_out and not options.json:
        print(words_of()("cli.compare.left_out", n=compared.left_out))
    return _write(compared, options)


def _compared(options: Options) -> ComparedTooth:
    from archiver.archive.store import Archive
    from archiver.cli.context import header_folder, now
    from archiver.cli.settings import read_settings
    from archiver.workflow import compare

    request = _request(options)
    with ExitStack() as stack:
        source: Archive | Peer | None = None
        if not options.files:
            source = options.at
            if source is None:
                folder = options.archive or read_settings().archive
                source = stack.enter_context(Archive.open(folder, create=False, read_only=True))
        progress = stack.enter_context(ProgressBar("comparing", shown=not options.json))
        return compare(source, request, now(), headers=header_folder(), progress=progress)


def _request(options: Options) -> ComparisonRequest:
    from archiver.workflow import ComparisonRequest

    return ComparisonRequest(
        _two_files(options) if options.files else _asked(options),
        options.region,
        _by_day(options.grey),
        options.match_light,
    )


def _by_day(said: Sequence[tuple[str, Box]]) -> dict[str, Box]:
    days = [day for day, _ in said]
    if twice := [day for day in dict.fromkeys(days) if days.count(day) > 1]:
        raise UsageError(
            *(Problem("cli.option.repeated_for", option="--grey", key=day) for day in twice)
        )
    return dict(said)


def _two_files(options: Options) -> tuple[Path, Path]:
    asked = [options.patient_id, options.tooth, options.since, options.limit, options.archive]
    asked.append(options.at)
    if len(options.files) != 2 or any(one is not None for one in asked):
        raise UsageError(Problem("cli.compare.by_themselves").at("archiver compare"))
    first, second = options.files
    return first, second


def _asked(options: Options) -> ToothAsked:
    from archiver.priors import ToothAsked

    if not (options.patient_id and options.tooth and options.view):
        raise UsageError(Problem("cli.compare.too_little").at("archiver compare"))
    return ToothAsked(
        options.patient_id,
        options.tooth,
        options.view,
        options.issuer,
        options.since,
        options.limit,
    )


def _write(compared: ComparedTooth, options: Options) -> int:
    from archiver.priors import wording

    if options.out or options.pdf:
        _draw(compared, options)
    if options.json:
        print(json.dumps(wording.as_json(compared.comparison), ensure_ascii=False, indent=2))
    else:
        print_comparison(compared.comparison)
    return 1 if compared.is_wrong_way else 0


def _draw(compared: ComparedTooth, options: Options) -> None:
    from archiver import __version__
    from archiver.cli.context import now
    from archiver.sheets import Title, save_pdf, save_png

    view = options.view or compared.view
    made = f"archiver {__version__}, {now():%Y-%m-%d}"
    title = Title(compared.teeth, view.value if view is not None else "", made)
    if options.out:
        save_png(compared.comparison, title, options.out)
    if options.pdf:
        save_pdf(compared.comparison, title, options.pdf)


def print_comparison(comparison: Comparison) -> None:
    """Say what each prior is beside the newest picture, on standard output."""
    from archiver.priors import wording

    newest, words = comparison.newest, words_of()
    side = wording.side(newest.description)[0]
    now = {"day": wording.day(newest.description.study_date), "side": side}
    print(words("cli.compare.newest", **now, place=wording.place(newest)))
    for one in comparison.priors:
        d = one.shown.description
        span = wording.span(d.study_date, newest.description.study_date)
        then = {"day": wording.day(d.study_date), "side": wording.side(d)[0]}
        print(words("cli.compare.prior", **then, span=span))
        print(f"  {wording.place(one.shown)}")
        told = (one.relation, wording.alignment(one, newest))
        for line in (*told, wording.colour(one, newest)):
            if line:
                print(f"  {line}")
    print(wording.caution())
