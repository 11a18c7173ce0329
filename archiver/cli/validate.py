"""Examples:

  archiver validate photographs/objects
  archiver validate picture.dcm --json

Any DICOM file can be validated; photographs get the clinical rules too. Passing says that an
object is well formed, not that tooth, side, view or patient are right.
"""

from __future__ import annotations

import json

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE
from archiver.cli.progress import ProgressBar
from archiver.wording import words_of


@verb(
    argument("paths", nargs=-1, required=True, type=FILE, metavar="PATH"),
    JSON,
    Option("--quiet", is_flag=True, help="errors and warnings only, no notes"),
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.standard import validate

    with ProgressBar("validating", shown=not options.json) as progress:
        summary = validate(options.paths, progress=progress)
    if options.json:
        print(json.dumps(summary.as_json(), ensure_ascii=False, indent=2))
    else:
        for finding in summary.findings:
            if not (options.quiet and finding.severity.value == "note"):
                print(finding)
        counts = {"errors": summary.errors, "warnings": summary.warnings}
        print(words_of()("cli.validate.counts", objects=summary.objects, **counts))
    return 1 if summary.errors else 0
