"""Examples:

  archiver media --patient-id P-0417 --with-identity --to "the patient" --case CD-31 --out cd31.iso
  archiver media --patient-id P-0417 --purpose laboratory --to "North laboratory" --case 1187 \\
      --out stick
  archiver media --patient-id P-0417 --with-identity --tooth iso:25 --originals \\
      --purpose referral --to "Dr. Adeyemi" --case 1188 --out 1188.zip

Makes a medium for people and for DICOM software: a file set with its DICOMDIR (PS3.10, PS3.11), a
page that opens in any browser, checksums. The name of --out says what it is: a folder to be copied
to a stick, an image of a disc (.iso), one file (.zip). Consent to the purpose is needed, and
pictures whose side nobody confirmed are refused unless --insist-by says who takes them upon
themselves, as with archiver handover.

--with-identity is for the patient's own copy and for who treats the patient: objects go as the
archive has them, byte for byte, radiographs too. Without it, identity is taken away as the purpose
says, and only the case number ties the medium to the patient.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON, SELECTORS
from archiver.cli.parameters import FOLDER, PURPOSE
from archiver.cli.progress import ProgressBar
from archiver.cli.query import question
from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.handover import Medium, MediumOrder


@verb(
    Option("--archive", type=FOLDER, help="archive to take the pictures from"),
    SELECTORS,
    Option("--purpose", type=PURPOSE, default="patient-copy"),
    Option("--to", required=True, metavar="WORDS", help="for whom"),
    Option("--case", required=True, metavar="NUMBER", help="names the medium in the register"),
    Option(
        "--out", type=FOLDER, required=True, help="a folder, FILE.iso or FILE.zip; not there yet"
    ),
    Option("--with-identity", is_flag=True, help="the patient's name and dates stay"),
    Option("--originals", is_flag=True, help="with identity: pictures as they were shot, too"),
    Option(
        "--insist-by",
        default="",
        metavar="NAME",
        not_with=["without_doubtful"],
        help="take doubtful pictures too",
    ),
    Option("--without-doubtful", is_flag=True, help="leave them out"),
    Option("--with-faces", is_flag=True, help="take pictures that show a face too"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    if not options.patient_id:
        raise UsageError(Problem("cli.handover.whose").at("archiver media"))
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.handover import make_medium

    order = _order(options)
    folder = writable_folder(options, read_settings())
    with (
        open_for_writing(folder) as archive,
        ProgressBar("packing", shown=not options.json) as progress,
    ):
        made = make_medium(archive, order, now(), progress=progress)
    return _report(made, options)


def _order(options: Options) -> MediumOrder:
    from archiver.handover import MediumOrder, PackageOrder

    package = PackageOrder(
        question(options),
        options.purpose,
        options.case,
        " ".join(options.to.split()),
        options.out.absolute(),
        insisted_by=options.insist_by.strip(),
        without_doubtful=options.without_doubtful,
        with_faces=options.with_faces,
    )
    return MediumOrder(package, options.with_identity, options.originals)


def _report(made: Medium, options: Options) -> int:
    if options.json:
        told = {
            "medium": str(made.target),
            "case": made.case,
            "objects": made.objects,
            "files": {name: {"sha256": d, "bytes": n} for name, (d, n) in made.files.items()},
            "left_out": list(map(str, made.left_out)),
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
        return 0
    for line in made.left_out:
        print(words_of()("cli.handover.left_out", problem=line), file=sys.stderr)
    size = f"{sum(n for _, n in made.files.values()) / 1e6:.1f}"
    print(words_of()("cli.media.made", n=made.objects, target=made.target, size=size))
    return 0
