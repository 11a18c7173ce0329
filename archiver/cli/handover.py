"""Examples:

  archiver handover --patient-id P-0417 --tooth iso:25 --to "North laboratory" --case 1187 \\
      --out 1187
  archiver handover --patient-id P-0417 --purpose referral --to "Dr. Adeyemi" --case 1188 \\
      --out 1188.zip --zip
  archiver handover --patient-id P-0417 --tooth iso:25 --case 1187 --list

Makes a package that opens without DICOM software: the corrected pictures, a sheet to print and one
for the browser, the DICOM objects, a manifest. Only the case number ties it to the patient. --list
shows what would be in it, numbered, and what speaks against it; --list --risk also what of it could
single the patient out for somebody who knows a little. Faces that a purpose wants masked go once
somebody has looked: --list --mask ... --review FOLDER shows them with their codes.

Pictures whose side nobody confirmed, that are mirror-reversed or that failed the comparison with
earlier ones are refused; --insist-by has them stamped, and the journal names who insisted.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import JSON, SELECTORS
from archiver.cli.parameters import FOLDER, NUMBERING, PURPOSE, Box, Choice, KeyedRegion
from archiver.cli.progress import ProgressBar
from archiver.cli.query import question
from archiver.errors import Problem, UsageError
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.dentition import Numbering
    from archiver.handover import OrderedPictures, Package, PackageOrder

_NUMBERED = KeyedRegion("N", int)


@verb(
    Option("--archive", type=FOLDER, help="archive to take the pictures from"),
    SELECTORS,
    Option("--sop", multiple=True, metavar="UID", help="only these instances"),
    Option("--purpose", type=PURPOSE, default="laboratory"),
    Option("--to", metavar="WORDS", help="for whom; printed on the sheet"),
    Option("--case", required=True, metavar="NUMBER", help="ties the package to the patient"),
    Option("--out", type=FOLDER, help="the package; must not be there yet"),
    Option("--zip", is_flag=True, help="one ZIP file in place of a folder"),
    Option("--png", is_flag=True, help="pictures as PNG; JPEG keeps the camera's own data"),
    Option("--paper", type=Choice(("a4", "letter")), default="a4", help="of the printed sheet"),
    Option("--language", type=Choice(("en", "de")), default="en", help="of the sheet"),
    Option("--numbering", type=NUMBERING, help="of teeth, first on the sheet; else as the pages"),
    Option(
        "--insist-by",
        default="",
        metavar="NAME",
        not_with=["without_doubtful"],
        help="stamp doubtful pictures",
    ),
    Option("--without-doubtful", is_flag=True, help="leave them out"),
    Option("--with-faces", is_flag=True, help="take pictures that show a face too"),
    Option(
        "--mask",
        type=_NUMBERED,
        multiple=True,
        metavar=_NUMBERED.name,
        help="cover a part of picture N, pixels as stored; may be given repeatedly",
    ),
    Option(
        "--mark",
        type=_NUMBERED,
        multiple=True,
        metavar=_NUMBERED.name,
        help="compare the colour of a region of picture N with the other marked ones, of the "
        "same picture too; may be given repeatedly",
    ),
    Option(
        "--review",
        type=FOLDER,
        metavar="FOLDER",
        help="with --list: put masked pictures there, to be looked at, and print their codes",
    ),
    Option(
        "--seen",
        multiple=True,
        metavar="CODE",
        help="of a masked picture in which nobody is recognised; may be given repeatedly",
    ),
    Option("--seen-by", default="", metavar="NAME", help="who has looked, as family^given"),
    Option("--list", is_flag=True, help="show what would be in it, and stop"),
    Option(
        "--risk",
        is_flag=True,
        help="with --list: what of it could single the patient out: age, sex, dates, rare findings",
    ),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    if not options.patient_id:
        raise UsageError(Problem("cli.handover.whose").at("archiver handover"))
    options.list = options.list or options.risk
    if not options.list and not (options.to and options.to.strip() and options.out):
        raise UsageError(Problem("cli.handover.for_whom").at("archiver handover"))
    from archiver.archive.store import Archive
    from archiver.cli.context import now
    from archiver.cli.practice_archive import open_for_writing, writable_folder
    from archiver.cli.settings import read_settings
    from archiver.handover import hand_over, missing_consent, preview_package

    practice = read_settings()
    order = _order(options, options.numbering or practice.pages.numbering)
    if options.list:
        with Archive.open(options.archive or practice.archive, read_only=True) as archive:
            chosen = preview_package(archive, order)
            missing = missing_consent(archive, order, chosen, now().date())
            return _list(chosen, order, missing, options)
    with open_for_writing(writable_folder(options, practice)) as archive:
        with ProgressBar("packing", shown=not options.json) as progress:
            made = hand_over(archive, order, now(), progress=progress)
        return _report_package(made, options)


def _order(options: Options, numbering: Numbering) -> PackageOrder:
    from archiver.handover import PackageOrder
    from archiver.objects import read_shown

    out = options.out or Path("package")
    if options.zip and out.suffix != ".zip":
        out = out.with_name(f"{out.name}.zip")
    return PackageOrder(
        question(options),
        options.purpose,
        options.case,
        " ".join((options.to or "").split()),
        out.absolute(),
        options.zip,
        options.png,
        options.paper,
        options.insist_by.strip(),
        options.without_doubtful,
        options.with_faces,
        frozenset(options.sop),
        _by_picture(options.mask),
        _by_picture(options.mark),
        frozenset(map(read_shown, options.seen)),
        options.seen_by.strip(),
        options.language,
        numbering,
    )


def _by_picture(said: Sequence[tuple[int, Box]]) -> dict[int, list[Box]]:
    regions: dict[int, list[Box]] = {}
    for number, box in said:
        regions.setdefault(number, []).append(box)
    return regions


def _reviewed(
    chosen: OrderedPictures, masks: Mapping[int, Sequence[Box]], folder: Path
) -> dict[str, str]:
    """Put masked pictures into a folder and return their codes by the files' names."""
    from archiver.archive.store import translated
    from archiver.handover import mask_code, masked_preview

    codes = {}
    for one in chosen.pictures:
        if boxes := masks.get(one.number):
            name = f"masked-{one.number:02}.png"
            with translated(Text("cli.handover.not_reviewed"), folder / name):
                folder.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(masked_preview(one, boxes))
            codes[name] = mask_code(one, boxes)
    return codes


def _list(
    chosen: OrderedPictures, order: PackageOrder, missing: Problem | None, options: Options
) -> int:
    from archiver.handover import risks_of

    codes = _reviewed(chosen, order.masks, options.review) if options.review else {}
    risks = risks_of(chosen) if options.risk else ()
    rows = [
        {
            "number": one.number,
            "date": one.record.study_date,
            "teeth": list(one.record.teeth),
            "view": one.record.view,
            "mirror": one.record.mirror,
            "shows_face": one.shows_face,
            "doubts": [str(doubt.words) for doubt in one.doubts],
            "columns": one.record.columns,
            "rows": one.record.rows,
            "sop_instance_uid": one.record.sop_instance_uid,
        }
        for one in chosen.pictures
    ]
    if options.json:
        told: dict[str, Any] = {"pictures": rows, "left_out": list(map(str, chosen.left_out))}
        told["consent_missing"] = str(missing) if missing is not None else None
        if options.risk:
            told["risk"] = [
                {"kind": one.kind, "goes_out": one.goes_out, "told": str(one.told)} for one in risks
            ]
        if options.review:
            told["masked"] = codes
        print(json.dumps(told, ensure_ascii=False, indent=2))
        return 0
    for one in chosen.pictures:
        record = one.record
        teeth = " ".join(record.teeth) or "-"
        size = f"{record.columns}x{record.rows}"
        print(f"{one.number:3} {record.study_date} {teeth} {record.view or '-'} {size}", end="")
        face = f"  {words_of()('cli.handover.face')}" if one.shows_face else ""
        print(f"  {record.mirror}{face}  {record.sop_instance_uid}")
        for doubt in one.doubts:
            print(f"      {words_of()('cli.handover.doubtful', doubt=doubt.words)}")
    for line in chosen.left_out:
        print(words_of()("cli.handover.left_out", problem=line))
    if missing is not None:
        print(missing)
    for risk in risks:
        print(risk.told)
    for name, code in codes.items():
        print(words_of()("cli.handover.review", file=options.review / name, code=code))
    return 0


def _report_package(made: Package, options: Options) -> int:
    if options.json:
        told = {
            "package": str(made.target),
            "case": made.case,
            "files": {name: {"sha256": d, "bytes": n} for name, (d, n) in made.files.items()},
            "instances": [one.record.sop_instance_uid for one in made.chosen.pictures],
            "left_out": list(map(str, made.left_out)),
        }
        print(json.dumps(told, ensure_ascii=False, indent=2))
        return 0
    for line in made.left_out:
        print(words_of()("cli.handover.left_out", problem=line), file=sys.stderr)
    size = sum(n for _, n in made.files.values()) / 1e6
    pictures, files = len(made.chosen.pictures), len(made.files)
    given = {"target": made.target, "case": made.case, "files": files, "size": f"{size:.1f}"}
    print(words_of()("cli.handover.made", n=pictures, **given))
    stamped = sum(bool(one.doubts) for one in made.chosen.pictures)
    if stamped:
        print(words_of()("cli.handover.stamped", count=stamped))
    return 0
