"""Examples:

  archiver backup /mnt/backup/photographs
  archiver backup /mnt/backup/photographs --archive /srv/clinic/photographs --verify

Nobody has to stop working: everything that was confirmed before it began is in the backup, with
statements, users, drafts, outbox, quarantine and the archive's secret. TARGET is a folder that is
new, empty, or holds earlier backups of this archive; only what is new is added. It is to be kept as
safe as the archive: its files are for their owner alone. Settings, certificates and keys lie
elsewhere and are not in it. With --verify, all of TARGET is read again, and what is damaged there
is brought anew. If it is killed, the previous backup stays good.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER
from archiver.cli.progress import ProgressBar
from archiver.errors import ArchiverError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.backup import BackupReport


@verb(
    argument("target", type=FOLDER, help="folder that holds the backups"),
    Option("--archive", type=FOLDER, help="archive to back up"),
    Option("--verify", is_flag=True, help="read all that the target holds"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.backup import back_up
    from archiver.cli.context import now
    from archiver.cli.practice_archive import writable_folder
    from archiver.cli.settings import read_settings

    folder = writable_folder(options, read_settings())
    with ProgressBar("backing_up", shown=not options.json) as progress:
        report = back_up(
            folder, options.target, time=now(), verify=options.verify, progress=progress
        )
    _note(folder, report)
    if options.json:
        told = {
            "number": report.number,
            "time": report.time.isoformat(),
            "objects": report.objects,
            "added": report.added,
            "added_bytes": report.added_bytes,
            "problems": [str(problem) for problem in report.problems],
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        for problem in report.problems:
            print(problem, file=sys.stderr)
        counts = {"number": report.number, "objects": report.objects, "added": report.added}
        megabytes = f"{report.added_bytes / 1e6:.1f}"
        told_of = words_of()(
            "cli.backup.done", **counts, megabytes=megabytes, folder=options.target
        )
        print(told_of)
    return 1 if report.problems else 0


def _note(folder: Path, report: BackupReport) -> None:
    """Tell the archive, so that its server knows when it was backed up."""
    from archiver.archive.statements import Operation, OperationKind, note_operation
    from archiver.cli.practice_archive import open_for_writing

    note = f"backup {report.number}: {report.objects} objects, {report.added} new"
    done = Operation(OperationKind.BACKUP, report.time.isoformat(), not report.problems, note)
    try:
        with open_for_writing(folder) as archive:
            note_operation(archive, done)
    except ArchiverError as error:
        print(words_of()("cli.backup.not_noted", reason=error.problems[0]), file=sys.stderr)
