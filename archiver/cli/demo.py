"""Example:

  archiver demo               into a new folder "archiver-demo" here
  archiver demo somewhere     into the new folder "somewhere"

Takes the invented patients of demo_studies through the whole job: session sheets are wrapped,
validated, archived and queried, each session is drawn on a contact sheet, and a package of a shade
case is made for a laboratory.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.cli.command import Options, argument, verb
from archiver.cli.parameters import FOLDER
from archiver.cli.progress import ProgressBar
from archiver.errors import ArchiverError, Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.ingest import WrappedPhotograph
    from archiver.archive.store import Archive
    from archiver.objects import Session


#: A chart and a tab whose spectra are known, below the other sessions.
_SHADE_CASE = "shade_case/P-1180/2026-05-12"


@verb(argument("folder", required=False, type=FOLDER, help="a folder that does not exist yet"))
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.archive.store import Archive

    folder = _fresh(options.folder)
    sheets = _sheets(folder / "sessions")
    words = words_of()
    print(f"{words('cli.demo.begun', visits=len(sheets), folder=folder)}\n")
    begun = time.perf_counter()
    refused = 0
    with Archive.create(folder / "archive", actor="demo") as archive:
        with ProgressBar("taking_in") as progress:
            for number, sheet in enumerate(sheets, start=1):
                refused += _visit(sheet, archive, folder, progress)
                progress(number, len(sheets))
        seconds = time.perf_counter() - begun
        errors = _validate(folder / "archive")
        again = _second_run(sheets, archive)
        patient, tooth = _busiest(archive)
        _questions(archive, patient, tooth)
        package = _hand_over(archive, folder / "for-the-laboratory")
    print(f"\n{words('cli.demo.took', seconds=f'{seconds:.1f}', again=again)}")
    print(words("cli.demo.contact_sheets", folder=folder / "contact-sheets"))
    print(words("cli.demo.laboratory", package=package))
    print(words("cli.demo.objects", folder=folder / "archive" / "objects"))
    print(words("cli.demo.sheets", folder=folder / "sessions"))
    print(f"\n{words('cli.demo.caution')}")
    return 1 if refused or errors or again else 0


def _fresh(wanted: Path | None) -> Path:
    if wanted is not None:
        if wanted.exists():
            raise UsageError(Problem("cli.demo.exists").at(file=str(wanted)))
        folder = wanted
    else:
        names = (Path("archiver-demo"), *(Path(f"archiver-demo-{n}") for n in range(2, 1000)))
        folder = next(p for p in names if not p.exists())
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        said = error.strerror or str(error)
        raise ArchiverError(
            Problem("cli.demo.not_made", reason=said).at(file=str(folder))
        ) from None
    return folder


def _studies() -> Path:
    """Return the demo sessions: beside the package in a checkout, inside it once installed."""
    package = Path(__file__).resolve().parent.parent
    for place in (package / "_demo_studies", package.parent / "demo_studies"):
        if any(place.glob("*/*/sheet.toml")):
            return place
    raise ArchiverError(Problem("cli.demo.not_installed"))


def _sheets(target: Path) -> list[Path]:
    """Copy the sessions, so that a user can play with them."""
    studies = _studies()
    found = (
        sheet for depth in ("*/*", _SHADE_CASE) for sheet in studies.glob(f"{depth}/sheet.toml")
    )
    copied = []
    for sheet in sorted(found, key=lambda one: one.parts[-3:]):
        place = target.joinpath(*sheet.parts[-3:-1])
        shutil.copytree(sheet.parent, place, ignore=shutil.ignore_patterns("__pycache__"))
        copied.append(place / sheet.name)
    return copied


def _wrapped(sheet: Path, archive: Archive) -> tuple[Session, tuple[WrappedPhotograph, ...]]:
    from archiver.archive.ingest import IngestSettings
    from archiver.archive.ingest import wrap as ingest
    from archiver.cli.context import now
    from archiver.objects import CHART_FRAME, read_sheet
    from archiver.workflow import wrap

    session = read_sheet(sheet)
    # Weighing what the archive has of the patient takes longer than all the rest; a chart needs it.
    charted = any(one.circumstances.colour_frame == CHART_FRAME for one in session.photographs)
    way = wrap if charted else ingest
    return session, way(archive, session, IngestSettings(now)).photographs


def _visit(sheet: Path, archive: Archive, folder: Path, progress: ProgressBar) -> int:
    """Take one visit in, tell it, draw it; return how many photographs were refused."""
    from archiver.archive.store import Outcome
    from archiver.sheets import write_contact_sheet

    session, taken = _wrapped(sheet, archive)
    progress.clear()
    patient, visit = session.patient, session.visit
    kept = [one for one in taken if one.status is not Outcome.REFUSED]
    mirror = sum(one.photograph.mirror for one in kept)
    unconfirmed = sum(not one.photograph.confirmed_by for one in kept)
    print(f"{visit.date}  {patient.id}  {visit.description}")
    counts = {"photographs": len(taken), "mirror": mirror}
    counts["instances"] = sum(len(one.instances) for one in kept)
    if unconfirmed:
        told = words_of()("cli.demo.visit_unconfirmed", **counts, unconfirmed=unconfirmed)
    else:
        told = words_of()("cli.demo.visit", **counts)
    print(f"    {told}")
    for line in _worth_a_word(taken):
        print(f"    {line}")
    picture = folder / "contact-sheets" / f"{visit.date}-{patient.id}.png"
    picture.parent.mkdir(exist_ok=True)
    write_contact_sheet(session, taken, picture)
    return len(taken) - len(kept)


def _worth_a_word(taken: Sequence[WrappedPhotograph]) -> Iterator[str]:
    words = words_of()
    for one in taken:
        for problem in one.problems:
            yield words("cli.demo.refused", problem=problem)
        for warning in one.warnings:
            text = str(warning)
            name = one.photograph.file.name
            yield words("cli.demo.look", warning=text if name in text else f"{name}: {text}")


def _validate(archive: Path) -> int:
    from archiver.standard import validate

    with ProgressBar("validating") as progress:
        summary = validate([archive / "objects"], progress=progress)
    counts = {"errors": summary.errors, "warnings": summary.warnings}
    print(f"\n{words_of()('cli.demo.validated', objects=summary.objects, **counts)}")
    return summary.errors


def _second_run(sheets: list[Path], archive: Archive) -> int:
    before = len(archive)
    with ProgressBar("a_second_time") as progress:
        for number, sheet in enumerate(sheets, start=1):
            _wrapped(sheet, archive)
            progress(number, len(sheets))
    return len(archive) - before


def _busiest(archive: Archive) -> tuple[str, str]:
    """Return the patient and the tooth that was photographed at most visits."""
    from archiver.archive import Query

    named: dict[str, set[str]] = {}
    for record in archive.query(Query(role="original")):
        for tooth in record.teeth:
            named.setdefault(f"{record.patient_id} {tooth}", set()).add(record.study_date)
    patient, tooth = max(named, key=lambda key: (len(named[key]), key)).split(" ")
    return patient, tooth


def _hand_over(archive: Archive, target: Path) -> Path:
    """Note a consent and make a package of the shade case; return the sheet to print."""
    from archiver.archive import Query
    from archiver.archive.statements import note, patient_of
    from archiver.cli.context import now
    from archiver.handover import PackageOrder as Wanted
    from archiver.handover import hand_over
    from archiver.objects import Purpose

    patient, day = _SHADE_CASE.split("/")[1:]
    whose = patient_of(archive, patient, None)
    note(archive, whose, Purpose.LABORATORY, by="Vuorinen^Maia", now=now())
    query = Query(patient_id=patient, since=day, until=day)
    wanted = Wanted(query, Purpose.LABORATORY, "1187", "North laboratory", target)
    made = hand_over(archive, wanted, now())
    return made.target / "1187.pdf"


def _questions(archive: Archive, patient: str, tooth: str) -> None:
    """Ask what a dentist would: every picture of a tooth, oldest first."""
    from archiver.archive import Query, RecordOrder
    from archiver.dentition import parse_tooth

    question = Query(
        patient_id=patient, teeth=(parse_tooth(f"iso:{tooth}"),), order=RecordOrder.OLDEST
    )
    words = words_of()
    print(f"\n{words('cli.demo.query', patient=patient, tooth=tooth)}")
    shown = [r for r in archive.query(question) if r.tooth_found == "named"]
    for record in [r for r in shown if r.mirror != "uncorrected"]:
        side = words(f"cli.demo.side.{'' if record.confirmed else 'un'}confirmed")
        print(f"    {record.study_date}  {record.view:<10} {record.mirror:<10} {side}")
