"""Examples:

  archiver sample --count 30 --seed 2026-I --into sample      draw, then judge one after the other
  archiver sample --into sample                               go on where you stopped
  archiver sample --into sample --result                      how far record and judgement agree

An auditor's own look at a record: pictures are drawn by a seed that anybody can use again, and
shown one by one without what the record says. You say which view each shows; only then is the
record asked. What you said lies in judgements.csv, which may as well be filled in with a
spreadsheet. The result is the share of agreement and Cohen's kappa, which leaves out what chance
would give. It says how far a record can be relied on, not which of the two is right: look at the
pictures on which you differ.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER, Number
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.workflow import DrawnSample


@verb(
    Option("--into", type=FOLDER, required=True, help="folder of the sample"),
    Option("--count", type=Number(1), metavar="N", help="how many pictures are drawn"),
    Option("--seed", default="", metavar="WORD", help="from which the draw follows"),
    Option("--result", is_flag=True, help="hold the judgements against the record"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.settings import read_settings
    from archiver.workflow import draw_sample, read_sample

    root: Path = (options.archive or read_settings().archive).absolute()
    if bool(options.count) is not bool(options.seed):
        raise UsageError(Problem("cli.sample.count_and_seed").at("archiver sample"))
    if options.count:
        sample = draw_sample(root, options.into, options.count, options.seed)
    else:
        sample = read_sample(options.into)
    if options.result:
        return _result(options, root)
    words = words_of()
    drawn = {"count": len(sample.drawn), "population": sample.population, "seed": sample.seed}
    if options.json:
        print(json.dumps(asdict(sample), indent=1))
        return 0
    print(words("cli.sample.drawn", **drawn, folder=options.into))
    if sys.stdin.isatty():
        _judge(options.into, sample)
    return 0


def _judge(folder: Path, sample: DrawnSample) -> None:
    """Show one picture after the other that is not judged yet, and ask."""
    import click

    from archiver.workflow import note_judgement, picture_file, read_judgements

    said, words = read_judgements(folder), words_of()
    for place, view in enumerate(sample.categories, start=1):
        print(f"{place:>3}  {view}")
    for number in range(1, len(sample.drawn) + 1):
        if number in said:
            continue
        path = picture_file(folder, number)
        click.launch(str(path))
        given = {"number": number, "count": len(sample.drawn), "file": path}
        choice = click.IntRange(1, len(sample.categories))
        chosen: int = click.prompt(words("cli.sample.which", **given), type=choice)
        note_judgement(folder, number, sample.categories[chosen - 1])


def _result(options: Options, root: Path) -> int:
    from archiver.workflow import compare_judgements

    judged, found = compare_judgements(root, options.into)
    if found is None:
        raise UsageError(Problem("cli.sample.nothing_judged").at("archiver sample"))
    differing = [one for one in judged if one.record != one.auditor]
    if options.json:
        told: dict[str, Any] = {**asdict(found), "kappa": found.kappa}
        told |= {"standard_error": found.standard_error, "pictures": [asdict(j) for j in judged]}
        print(json.dumps(told, indent=1))
        return 1 if differing else 0
    words = words_of()
    same = {"same": len(judged) - len(differing), "count": len(judged)}
    kappa = "-" if found.kappa is None else f"{found.kappa:.2f}"
    error = "-" if found.standard_error is None else f"{found.standard_error:.2f}"
    print(words("cli.sample.agreement", **same, kappa=kappa, error=error))
    for one in differing:
        print(words("cli.sample.differs", **asdict(one)))
    return 1 if differing else 0
