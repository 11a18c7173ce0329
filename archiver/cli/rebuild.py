"""Examples:

  archiver rebuild --archive photographs
  archiver rebuild --archive photographs --verify

Reads every object, compares it with the digest in the journal, checks the journal's chain, and
makes the index anew. Objects are never deleted or changed. While the archive is served, the server
does it, and goes on serving. With --verify nothing is written.
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


@verb(
    Option("--archive", type=FOLDER, help="archive to rebuild"),
    Option("--verify", is_flag=True, help="only say what is wrong"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive import rebuild, verify
    from archiver.cli.context import actor
    from archiver.cli.practice_archive import alone_or_served, writable_folder
    from archiver.cli.settings import read_settings

    folder = writable_folder(options, read_settings())
    with ProgressBar("reading", shown=not options.json) as progress:
        if options.verify:
            report = verify(folder, progress=progress)
        else:
            report = alone_or_served(
                folder,
                lambda: rebuild(folder, actor=actor(), progress=progress),
                lambda served: served.rebuild(progress),
            )
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
        key = "sound" if report.is_sound else "not_sound"
        counts = {"objects": report.objects, "indexed": report.indexed}
        if options.verify:
            print(words_of()(f"cli.rebuild.verified.{key}", objects=report.objects, folder=folder))
        else:
            print(words_of()(f"cli.rebuild.{key}", **counts, folder=folder))
    return 0 if report.is_sound else 1
