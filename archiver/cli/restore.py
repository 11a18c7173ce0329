"""Examples:

  archiver restore /mnt/backup/photographs /srv/clinic/photographs

Makes an archive, in a new or empty FOLDER, of the last complete backup in TARGET, verifies every
object and makes the index. It has the identity of the archive that was backed up: let only one of
the two go on. What came after the backup is not in it; the outbox sends again what it does not know
to have arrived. If it is killed, FOLDER is no archive yet, and the same command continues.
"""

from __future__ import annotations

import json
import sys

from archiver.cli.command import Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER
from archiver.cli.progress import ProgressBar
from archiver.wording import words_of


@verb(
    argument("target", type=FOLDER, help="folder that holds the backups"),
    argument("folder", type=FOLDER, help="a new or an empty folder"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.backup import restore
    from archiver.cli.context import actor, now

    with ProgressBar("restoring", shown=not options.json) as progress:
        done = restore(options.target, options.folder, time=now(), actor=actor(), progress=progress)
    if options.json:
        told = {
            "number": done.number,
            "time": done.time,
            "objects": done.found.indexed,
            "problems": [str(problem) for problem in done.problems],
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        for problem in done.problems:
            print(problem, file=sys.stderr)
        given = {"number": done.number, "time": done.time, "objects": done.found.indexed}
        key = "cli.restore.not_sound" if done.problems else "cli.restore.done"
        print(words_of()(key, **given, folder=options.folder))
    return 1 if done.problems else 0
