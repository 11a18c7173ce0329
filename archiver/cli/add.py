"""Example:

  archiver add export/ radiograph.dcm --archive photographs

Objects are kept byte for byte, whatever their kind; nothing in them is changed.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="FILE-OR-FOLDER")
    parser.add_argument("--archive", type=Path, metavar="FOLDER", help="archive to keep them in")
    parser.add_argument("--json", action="store_true", help="report as JSON")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    from archiver.archive.ingest import Fate, add_files
    from archiver.archive.store import Archive
    from archiver.cli.context import actor
    from archiver.cli.settings import read_settings

    folder = options.archive or read_settings().archive
    with Archive.open(folder, actor=actor()) as archive:
        report = add_files(archive, options.paths)
    if options.json:
        rows = [
            {
                "path": str(result.path),
                "fate": result.fate.value,
                "sop_instance_uid": result.sop_instance_uid,
                "problem": str(result.problem) if result.problem else None,
            }
            for result in report.results
        ]
        print(json.dumps({"archive": str(folder), "files": rows}, ensure_ascii=False, indent=2))
    else:
        for result in report.results:
            if result.problem is not None:
                print(f"{result.fate.value}: {result.problem}", file=sys.stderr)
        counts = ", ".join(f"{report.count(fate)} {fate.value}" for fate in Fate)
        print(f"{report.seen} files seen: {counts}; in {folder}")
    return 1 if report.count(Fate.REFUSED) else 0
