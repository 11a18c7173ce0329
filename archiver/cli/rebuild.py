"""Example:

  archiver rebuild --archive photographs

Reads every object, compares it with the digest in the journal, checks the journal's chain, and
makes the index anew. Objects are never deleted or changed.
"""

from __future__ import annotations

import json
import sys
from dataclasses import fields

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER
from archiver.cli.progress import ProgressBar
from archiver.wording import words_of


@verb(Option("--archive", type=FOLDER, help="archive to rebuild"), JSON)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive import rebuild
    from archiver.cli.context import actor
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.settings import read_settings

    folder = writable_folder(options, read_settings())
    with ProgressBar("reading", shown=not options.json) as progress:
        report = rebuild(folder, actor=actor(), progress=progress)
    if options.json:
        told = {
            f.name: value if isinstance(value, int) else [str(problem) for problem in value]
            for f in fields(report)
            for value in [getattr(report, f.name)]
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        for problem in report.problems:
            print(problem, file=sys.stderr)
        key = "cli.rebuild.sound" if report.is_sound else "cli.rebuild.not_sound"
        counts = {"objects": report.objects, "indexed": report.indexed}
        print(words_of()(key, **counts, folder=folder))
    return 0 if report.is_sound else 1
