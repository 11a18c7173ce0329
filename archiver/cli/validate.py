"""Examples:

  archiver validate photographs/objects
  archiver validate picture.dcm --json

Any DICOM file can be validated; photographs get the clinical rules too. Passing says that an
object is well formed, not that tooth, side, view or patient are right.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    parser.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="files and folders")
    parser.add_argument("--json", action="store_true", help="report as JSON")
    parser.add_argument("--quiet", action="store_true", help="errors and warnings only, no notes")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    from archiver.standard import validate

    summary = validate(options.paths)
    if options.json:
        print(json.dumps(summary.as_json(), ensure_ascii=False, indent=2))
    else:
        for finding in summary.findings:
            if not (options.quiet and finding.severity.value == "note"):
                print(finding)
        print(f"{summary.objects} objects: {summary.errors} errors, {summary.warnings} warnings")
    return 1 if summary.errors else 0
