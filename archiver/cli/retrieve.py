"""Examples:

  archiver retrieve --at clinic --patient-id P-0417 --tooth iso:16 --view occlusal
  archiver retrieve --at clinic --study 1.2.3.4 --to export

What matches is fetched as it is kept there and added to our archive, or left as files in a
folder. NAME is one of the [[peer]] tables of the settings.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.query import add_selectors, question

if TYPE_CHECKING:
    from archiver.archive.store import Archive


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    add = parser.add_argument
    add("--at", required=True, metavar="NAME", help="a peer in the settings")
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--archive", type=Path, metavar="FOLDER", help="archive to add them to")
    place.add_argument("--to", type=Path, metavar="FOLDER", help="leave them as files in a folder")
    add_selectors(parser)
    add("--json", action="store_true", help="report as JSON")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    from archiver.cli.context import header_cache
    from archiver.cli.settings import read_settings
    from archiver.network import find_peer
    from archiver.network.client import ask, fetch_records
    from archiver.network.outbox import note_holder

    practice = read_settings()
    peer = find_peer(practice.peers, options.at)
    with ExitStack() as stack:
        archive: Archive | None = None
        target = options.to or options.archive or practice.archive
        if options.to is None:
            # First, so that nothing is fetched where it could not be added.
            archive = stack.enter_context(_opened(target))
        with header_cache() as cache:
            found = ask(peer, question(options), cache)
        scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="archiver-retrieve-"))
        folder = options.to or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        fetched = fetch_records(peer, found.records, folder)
        problems = list(fetched.problems)
        if archive is not None:
            problems += _add(archive, list(fetched.files.values()))
            note_holder(archive.layout.root, peer.name, fetched.files)
    if options.json:
        told = {
            "peer": peer.name,
            "way": found.way,
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
        print(f"{len(fetched.files)} of {len(found.records)} fetched, into {target}")
    return 1 if problems else 0


def _opened(folder: Path) -> Archive:
    from archiver.archive.store import Archive
    from archiver.cli.context import actor

    return Archive.open(folder, actor=actor())


def _add(archive: Archive, files: list[Path]) -> list[str]:
    from archiver.archive.ingest import add_files

    return [str(problem) for problem in add_files(archive, files).problems]
