"""Example:

  archiver add export/ radiograph.dcm --archive photographs

Objects are kept byte for byte, whatever their kind; nothing in them is changed.
"""

from __future__ import annotations

import json
import sys

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE, FOLDER
from archiver.cli.progress import ProgressBar
from archiver.wording import words_of


@verb(
    argument("paths", nargs=-1, required=True, type=FILE, metavar="FILE-OR-FOLDER"),
    Option("--archive", type=FOLDER, help="archive to keep them in"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.ingest import FILE_NAMES, add_files
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings

    folder = writable_folder(options, read_settings(), may_be_new=True)
    with (
        open_for_writing(folder) as archive,
        ProgressBar("adding", shown=not options.json) as progress,
    ):
        report = add_files(archive, options.paths, progress=progress)
    if options.json:
        rows = [
            {
                "path": str(result.path),
                "fate": FILE_NAMES[result.outcome],
                "sop_instance_uid": result.sop_instance_uid,
                "problem": str(result.problem) if result.problem else None,
            }
            for result in report.results
        ]
        print(json.dumps({"archive": str(folder), "files": rows}, ensure_ascii=False, indent=2))
    else:
        for result in report.results:
            if result.problem is not None:
                words = words_of()(f"cli.add.{FILE_NAMES[result.outcome]}", problem=result.problem)
                print(words, file=sys.stderr)
        print(words_of()("cli.add.seen", files=report.seen, folder=folder, **report.by_name()))
    return 1 if report.refused else 0
