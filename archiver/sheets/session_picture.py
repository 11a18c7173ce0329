"""The contact sheet of what the archive holds: of a session, or of what a question found.

Every picture and every letter at its edges comes from the objects as they are kept, not from
what was meant to be kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from pydicom import Dataset
from pydicom.encaps import generate_frames

from archiver import __version__
from archiver.dentition import Numbering, Tooth, Turn, in_arch_order, shortened
from archiver.errors import ArchiveError, PhotoError, Problem
from archiver.objects import Description, code_of, concepts, describe, open_dataset, shown_digest
from archiver.photo import Limits, check_budget, reduced
from archiver.sheets.contact_sheet import contact_sheet, save_pages
from archiver.sheets.lettering import sheet_words
from archiver.sheets.sheet_cells import CellPicture, Edges, SheetCell, SheetHead
from archiver.workers import confined

if TYPE_CHECKING:
    from archiver.archive import Record
    from archiver.archive.ingest import WrappedPhotograph
    from archiver.objects import Session

#: Longer side of the pictures on the sheet (pixels), twice what a plate shows.
_SIDE = 1000
#: A block at an edge may be left out when a picture is turned; more than that is a crop.
_BLOCK = 16
_MISSING = Image.new("RGB", (300, 200), "#596268")


@dataclass(frozen=True)
class _Seen:
    """An object as it lies in the archive."""

    description: Description
    picture: CellPicture
    fault: str = ""
    source: str | None = None

    @property
    def code(self) -> str:
        """The code of what is shown; empty where it is shown as another instance has it."""
        digest = shown_digest(self.description, self.source)
        return code_of(digest) if digest else ""


def write_contact_sheet(
    session: Session, taken: Sequence[WrappedPhotograph], path: Path
) -> list[Path]:
    """Draw a session as it was taken in.

    Parameters
    ----------
    session
        As its sheet told it.
    taken
        What became of its photographs.
    path
        A PNG file; for several pages their numbers are put behind its name.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ArchiveError
        If the file cannot be written.
    """
    patient, visit = session.patient, session.visit
    head = SheetHead(
        _readable(patient.name) or patient.id,
        _details(
            patient.id,
            patient.issuer,
            patient.birth_date.isoformat() if patient.birth_date else "",
            patient.sex,
        ),
        _visit(visit.date, f"{visit.time:%H:%M}" if visit.time else ""),
        " · ".join(t for t in (visit.description, visit.accession) if t),
        f"archiver {__version__}",
    )
    cells = [
        replace(_taken_cell(one), first=_written(one.photograph.teeth, session.numbering))
        for one in taken
    ]
    return _saved(head, cells, path)


def write_record_sheet(records: Sequence[Record], path: Path) -> list[Path]:
    """Draw the photographs among records, each as shot beside what was made of it.

    A picture whose twin is not among the records is drawn alone; one that was rejected for another
    reason than its quality is not drawn.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ArchiveError
        If a file cannot be written.
    """
    shown = [r for r in records if r.modality == "XC" and r.rejected not in concepts.WITHHELD]
    seen = [_see(Path(r.path), r.source_sha256) for r in shown]
    patients = {(s.description.patient_id, s.description.issuer) for s in seen}
    days = sorted({s.description.study_date for s in seen})
    alone = len(patients) == 1
    made = f"archiver {__version__}"
    if alone:
        d = seen[0].description
        head = SheetHead(
            _readable(d.patient_name) or d.patient_id,
            _details(d.patient_id, d.issuer, _day(d.birth_date), d.sex),
            _visits(days),
            d.study_description if len(days) == 1 else "",
            made,
        )
    else:
        head = SheetHead(
            sheet_words("session.patients", n=len(patients)), "", _visits(days), "", made
        )
    return _saved(head, [_record_cell(pair, alone, len(days)) for pair in _pairs(seen)], path)


def _saved(head: SheetHead, cells: Sequence[SheetCell], path: Path) -> list[Path]:
    try:
        return save_pages(contact_sheet(head, cells), path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        problem = Problem("sheets.contact_sheet.not_written", reason=reason)
        raise ArchiveError(problem.at(file=str(path))) from error


def _see(path: Path, source: str | None) -> _Seen:
    """Read an object; one that cannot be shown is shown as a grey picture that says so."""
    dataset = open_dataset(path, pixels=True)
    description = describe(dataset)
    edges = Edges.around(description.teeth, description.orientation)
    try:
        return _Seen(description, CellPicture(_picture(dataset), edges), "", source)
    except PhotoError as error:
        return _Seen(description, CellPicture(_MISSING, edges), error.problems[0].found)


def _picture(dataset: Dataset) -> Image.Image:
    """The first frame of an object, small."""
    try:
        if dataset.file_meta.TransferSyntaxUID.is_encapsulated:
            return reduced(next(generate_frames(dataset.PixelData, number_of_frames=1)), _SIDE)
        picture = Image.fromarray(_native(dataset))
    except (AttributeError, NotImplementedError, TypeError, ValueError) as error:
        raise PhotoError(Problem("sheets.contact_sheet.unreadable", error=error)) from error
    picture.thumbnail((_SIDE, _SIDE))
    return picture


@confined(PhotoError)
def _native(dataset: Dataset) -> NDArray[np.uint8]:
    check_budget(int(dataset.Columns), int(dataset.Rows), Limits())
    return dataset.pixel_array


def _taken_cell(taken: WrappedPhotograph) -> SheetCell:
    name = taken.photograph.file.name
    source = taken.examined.picture if taken.examined is not None else None
    by_role = {kept.role: _see(Path(kept.path), source) for kept in taken.instances}
    original, derived = by_role.get("original"), by_role.get("derived")
    warnings = tuple(problem.found for problem in taken.warnings)
    if original is not None:
        return _cell(original, derived, name, warnings)
    refused = tuple(sheet_words("session.refused", why=problem.found) for problem in taken.problems)
    return SheetCell(
        taken.photograph.view.value,
        shortened(taken.photograph.teeth),
        _universal(taken.photograph.teeth),
        _subject(taken.photograph.teeth),
        sheet_words("session.not_kept"),
        None,
        None,
        _readable(taken.photograph.confirmed_by),
        name,
        refused + warnings,
        sheet_words("session.photograph_not_kept"),
    )


def _pairs(seen: Sequence[_Seen]) -> list[tuple[_Seen, _Seen | None]]:
    """Put each original with what was derived from it, in the order of the originals."""
    derived = {uid: s for s in seen if s.description.role == "derived" for uid in _sources(s)}
    originals = {s.description.sop_instance_uid for s in seen if s.description.role != "derived"}
    pairs: list[tuple[_Seen, _Seen | None]] = []
    for one in seen:
        if one.description.role != "derived":
            pairs.append((one, derived.get(one.description.sop_instance_uid)))
        elif not originals & set(_sources(one)):
            pairs.append((one, None))
    return pairs


def _sources(seen: _Seen) -> tuple[str, ...]:
    return seen.description.source_uids


def _record_cell(pair: tuple[_Seen, _Seen | None], alone: bool, days: int) -> SheetCell:
    d = pair[0].description
    told = [] if alone else [_readable(d.patient_name), d.patient_id]
    if days > 1 or not alone:
        told.append(_day(d.study_date))
    return _cell(*pair, ", ".join(t for t in told if t), ())


def _cell(
    original: _Seen, derived: _Seen | None, source: str, warnings: tuple[str, ...]
) -> SheetCell:
    d = original.description
    faults = tuple(s.fault for s in (original, derived) if s is not None and s.fault)
    lone = d.role == "derived"
    if d.mirror == "uncorrected" and derived is None and not lone:
        faults += (sheet_words("session.reversed"),)
    return SheetCell(
        d.view.value if d.view else sheet_words("session.no_view"),
        shortened(d.teeth),
        _universal(d.teeth),
        _subject(d.teeth),
        _mirror(original, derived),
        None if lone else original.picture,
        original.picture if lone else (derived.picture if derived else None),
        _readable(d.confirmed_by),
        source,
        faults + warnings,
        sheet_words("session.lone") if lone else "",
        (derived or original).code,
    )


def _mirror(original: _Seen, derived: _Seen | None) -> str:
    """Say whether a mirror was used, and what was done about it."""
    d = original.description
    done = [sheet_words("session.no_mirror" if d.mirror == "direct" else "session.mirror")]
    if d.role == "derived":
        back = d.mirror == "corrected"
        done.append(sheet_words("session.turned_back" if back else "session.corrected"))
    elif derived is None:
        done += [sheet_words("session.not_turned_back")] if d.mirror == "uncorrected" else []
    else:
        turn = derived.description.turn
        if turn is None:
            done.append(sheet_words("session.corrected"))
        elif turn is not Turn.IDENTITY:
            how = "turned_back_by" if d.mirror == "uncorrected" else "turned_by"
            done.append(sheet_words(f"session.{how}", turn=turn.text))
        if _is_cropped(d, derived.description):
            done.append(sheet_words("session.cropped"))
    return "; ".join(done)


def _is_cropped(original: Description, derived: Description) -> bool:
    sizes = (original.rows, original.columns, derived.rows, derived.columns)
    if None in sizes:
        return False
    before = sorted(n for n in sizes[:2] if n is not None)
    after = sorted(n for n in sizes[2:] if n is not None)
    return any(b - a >= _BLOCK for b, a in zip(before, after, strict=True))


def _written(teeth: Sequence[Tooth], numbering: Numbering) -> tuple[str, str]:
    """Return a numbering and the teeth in it, where that is not ISO 3950."""
    if numbering is Numbering.ISO:
        return "", ""
    if numbering is Numbering.UNIVERSAL:
        return numbering.value, _universal(teeth)
    return numbering.value, ", ".join(tooth.palmer for tooth in in_arch_order(tuple(teeth)))


def _universal(teeth: Sequence[Tooth]) -> str:
    """Universal numbers in rising order; runs within a quadrant are drawn together."""
    runs: list[list[Tooth]] = []
    for tooth in sorted(teeth, key=lambda t: (t.is_deciduous, len(t.universal), t.universal)):
        last = runs[-1][-1] if runs else None
        joins = last is not None and last.quadrant == tooth.quadrant
        if joins and last is not None and abs(last.position - tooth.position) == 1:
            runs[-1].append(tooth)
        else:
            runs.append([tooth])
    parts = []
    for run in runs:
        ends = [run[0].universal, run[-1].universal]
        parts.append("-".join(ends) if len(run) > 2 else ", ".join(t.universal for t in run))
    return ", ".join(parts)


def _subject(teeth: Sequence[Tooth]) -> str:
    if len(teeth) == 1:
        return teeth[0].name
    return sheet_words("session.teeth", n=len(teeth)) if teeth else sheet_words("session.whole")


def _readable(name: str) -> str:
    """A person's name (PS3.5 6.2.1) as it is read: family, given; the other spelling behind."""
    groups = []
    for group in name.split("=")[:2]:
        family, *given = group.split("^")
        rest = " ".join(part for part in given[:2] if part)
        groups.append(", ".join(part for part in (family, rest) if part))
    spelt = [g for g in groups if g]
    return f"{spelt[0]} ({spelt[1]})" if len(spelt) == 2 else "".join(spelt)


def _details(patient_id: str, issuer: str, birth_date: str, sex: str) -> str:
    born = sheet_words("born", day=birth_date) if birth_date else ""
    return " · ".join(t for t in (patient_id, issuer, born, sex) if t)


def _day(text: str) -> str:
    """A DICOM date as ISO 8601."""
    return f"{text[:4]}-{text[4:6]}-{text[6:]}" if len(text) == 8 and text.isdigit() else text


def _visit(day: date, time: str) -> str:
    told = sheet_words("session.visit", day=day.isoformat())
    return f"{told}, {time}" if time else told


def _visits(days: Sequence[str]) -> str:
    if len(days) == 1:
        return sheet_words("session.visit", day=_day(days[0])) if days[0] else ""
    if not days:
        return ""
    first, last = _day(days[0]), _day(days[-1])
    return sheet_words("session.days", count=len(days), first=first, last=last)
