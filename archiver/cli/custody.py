"""Examples:

  archiver custody SOP-UID --into evidence            everything that happened to one picture
  archiver custody --patient-id P-0417                who looked at this patient's pictures

The first writes custody.pdf and custody.json: from which camera file the picture came, each line
of the journal that speaks of it or of its visit, whether its objects are still what was kept, and
whether the journal's chain is whole. The second answers a patient's request in plain words. Nothing
in the archive is changed. For pages and DICOM services the journal tells who asked; verbs, and
whoever reads the archive's folder, leave no line.
"""

from __future__ import annotations

import json
from pathlib import Path

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FOLDER
from archiver.errors import Problem, UsageError
from archiver.wording import Text, words_of


@verb(
    argument("uid", required=False, metavar="SOP-UID", help="of any instance of the picture"),
    Option("--into", type=FOLDER, help="where custody.pdf and custody.json are written"),
    Option("--patient-id", metavar="ID", help="tell who looked at this patient's pictures"),
    Option("--issuer", default="", metavar="NAME", help="of the patient identifier"),
    Option("--archive", type=FOLDER),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.settings import read_settings

    root: Path = (options.archive or read_settings().archive).absolute()
    if bool(options.uid) == bool(options.patient_id):
        raise UsageError(Problem("cli.custody.one").at("archiver custody"))
    if options.patient_id:
        return _accesses(options, root)
    if options.into is None and not options.json:
        raise UsageError(Problem("cli.custody.no_target").at("archiver custody"))
    return _custody(options, root)


def _custody(options: Options, root: Path) -> int:
    from archiver.archive.store import translated
    from archiver.workflow import custody, custody_pdf, custody_text

    found = custody(root, options.uid)
    if options.into is not None:
        with translated(Text("cli.custody.not_written"), options.into):
            options.into.mkdir(parents=True, exist_ok=True)
            (options.into / "custody.json").write_text(custody_text(found), "utf-8")
            (options.into / "custody.pdf").write_bytes(custody_pdf(found))
    if options.json:
        print(custody_text(found), end="")
    else:
        words = "whole" if found.is_whole else "not_whole"
        print(words_of()(f"cli.custody.{words}", count=len(found.steps), folder=options.into))
    return 0 if found.is_whole else 1


def _accesses(options: Options, root: Path) -> int:
    from dataclasses import asdict

    from archiver.workflow import accesses

    found = accesses(root, options.patient_id, options.issuer)
    if options.json:
        print(json.dumps([asdict(one) for one in found], ensure_ascii=False, indent=1))
    else:
        print("\n".join(one.sentence for one in found) or words_of()("cli.custody.nobody"))
    return 0
