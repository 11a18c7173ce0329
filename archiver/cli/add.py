"""Examples:

  archiver add export/ radiograph.dcm --archive photographs
  archiver add /media/disc/DICOMDIR --as-patient P-0417 \\
      --same-person-checked-by "Haugen^Liv" --reason "the disc was in the patient's hand"
  archiver add photographs/quarantine --same-person-checked-by "Haugen^Liv" --reason "has married"

Objects are kept byte for byte, whatever their kind; nothing in them is changed. One whose patient
identifier is known under another name, birth date or sex, or whose study holds another patient,
lies in the archive's folder quarantine until somebody has looked. Of a medium, what its DICOMDIR
lists is taken and what it forgot is taken too; both, and what is missing, are told. --as-patient
gives objects from elsewhere the name and identifier that the archive knows; what they came with
stays in their Original Attributes.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import FILE, FOLDER
from archiver.cli.progress import ProgressBar
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from datetime import datetime

    from archiver.archive.statements import NewPatient
    from archiver.objects import SamePerson


@verb(
    argument("paths", nargs=-1, required=True, type=FILE, metavar="FILE-OR-FOLDER"),
    Option("--archive", type=FOLDER, help="archive to keep them in"),
    Option(
        "--same-person-checked-by",
        metavar="NAME",
        help="who checked that an identifier known otherwise is the same person's",
    ),
    Option("--reason", metavar="WORDS", help="why it is the same person"),
    Option("--as-patient", metavar="ID", help="whose they are here, whatever they say"),
    Option("--issuer", help="who issued that identifier"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.ingest import FILE_NAMES, add_files
    from archiver.archive.store import QUARANTINE
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings

    same_person = _checked(options)
    settings = read_settings()
    folder = writable_folder(options, settings, may_be_new=True)
    with (
        open_for_writing(folder) as archive,
        ProgressBar("adding", shown=not options.json) as progress,
    ):
        report = add_files(
            archive,
            options.paths,
            same_person=same_person,
            as_patient=_here(options),
            more_classes=settings.node.storage_classes,
            progress=progress,
        )
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
        told = {"archive": str(folder), "files": rows, "notes": list(map(str, report.notes))}
        print(json.dumps(told, ensure_ascii=False, indent=2))
    else:
        for result in report.results:
            if result.problem is not None:
                words = words_of()(f"cli.add.{FILE_NAMES[result.outcome]}", problem=result.problem)
                print(words, file=sys.stderr)
        for note in report.notes:
            print(note, file=sys.stderr)
        counts = report.by_name()
        aside = counts.pop("quarantined")
        print(words_of()("cli.add.seen", files=report.seen, folder=folder, **counts))
        if aside:
            print(words_of()("cli.add.aside", count=aside, folder=folder / QUARANTINE))
    return 1 if report.refused or report.quarantined else 0


def _here(options: Options) -> NewPatient | None:
    """Return whose the objects are in the clinic, if that was said."""
    from archiver.archive.statements import NewPatient

    if options.as_patient is None:
        return None
    if options.same_person_checked_by is None:
        raise UsageError(Problem("cli.add.who_looked").at("archiver add"))
    return NewPatient(options.as_patient, options.issuer)


def _checked(options: Options) -> tuple[SamePerson, datetime] | None:
    """Return who has looked at the patients, and why they are the same."""
    from archiver.cli.context import now
    from archiver.objects import SAME_PERSON, SamePerson, Unfit

    by, reason = options.same_person_checked_by, options.reason
    if by is None and reason is None:
        return None
    read = {}
    for name, option, value in zip(
        SAME_PERSON, ("--same-person-checked-by", "--reason"), (by, reason), strict=True
    ):
        try:
            read[name] = SAME_PERSON[name].convert(value or "")
        except Unfit as unfit:
            raise UsageError(unfit.problem(name, value).at(option=option)) from None
        if not read[name]:
            raise UsageError(Problem("cli.add.both", option=option).at("archiver add"))
    return SamePerson(*map(str, read.values())), now()
