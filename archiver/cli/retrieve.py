"""Examples:

  archiver retrieve --at clinic --patient-id P-0417 --tooth iso:16 --view occlusal
  archiver retrieve --at clinic --study 1.2.3.4 --to export

What matches is fetched as it is kept there and added to our archive, or left as files in a
folder. NAME is one of the [[peer]] tables of the settings.
"""

from __future__ import annotations

import json
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import INCLUDE_REJECTED, JSON, SELECTORS
from archiver.cli.parameters import FOLDER, PEER
from archiver.cli.progress import ProgressBar
from archiver.cli.query import question
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.store import Archive


@verb(
    Option("--at", required=True, type=PEER, help="a peer in the settings"),
    Option("--archive", type=FOLDER, not_with=["to"], help="archive to add them to"),
    Option("--to", type=FOLDER, help="leave them as files in a folder"),
    SELECTORS,
    INCLUDE_REJECTED,
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.context import header_cache
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.network.client import ask, fetch_records
    from archiver.network.outbox import note_holder

    peer = options.at
    with ExitStack() as stack:
        archive: Archive | None = None
        classes: tuple[str, ...] = ()
        target = options.to
        if options.to is None:
            # First, so that nothing is fetched where it could not be added.
            settings = read_settings()
            target = writable_folder(options, settings, may_be_new=True)
            classes = settings.node.storage_classes
            archive = stack.enter_context(open_for_writing(target))
        with header_cache() as cache:
            found = ask(peer, question(options), cache)
        scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="archiver-retrieve-"))
        folder = options.to or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        with ProgressBar("fetching", shown=not options.json) as progress:
            fetched = fetch_records(peer, found.records, folder, progress)
        problems = list(fetched.problems)
        if archive is not None:
            problems += _add(archive, list(fetched.files.values()), classes, options)
            note_holder(archive.layout.root, peer.name, fetched.files)
    if options.json:
        told = {
            "peer": peer.name,
            "way": str(found.way),
            "matched": len(found.records),
            "fetched": sorted(fetched.files),
            "into": str(target),
            "problems": problems,
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        for problem in problems:
            print(problem, file=sys.stderr)
        print(f"{peer.name}: {found.way}")
        counts = {"count": len(fetched.files), "matched": len(found.records)}
        print(words_of()("cli.retrieve.fetched", **counts, folder=target))
    return 1 if problems else 0


def _add(
    archive: Archive, files: list[Path], classes: tuple[str, ...], options: Options
) -> list[str]:
    from archiver.archive.ingest import add_files

    with ProgressBar("adding", shown=not options.json) as progress:
        added = add_files(archive, files, more_classes=classes, progress=progress)
    return [str(problem) for problem in added.problems]
