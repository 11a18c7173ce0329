"""A package: pictures, sheet, DICOM twins and manifest; there whole, or not there.

The archive is told first (selection note, register, journal), and then the package appears by
one rename. So no package is ever outside that the archive does not know.
"""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pydicom import Dataset

from archiver.archive import Record
from archiver.archive.ingest import Ingest
from archiver.archive.statements import HandedOver, register
from archiver.archive.store import Archive
from archiver.errors import InputError, Problem
from archiver.handover import confidentiality
from archiver.handover.case import Case
from archiver.handover.case_facts import case_facts
from archiver.handover.colour_table import ColourFrame, after_drying, marked_mean, table_of
from archiver.handover.confidentiality import ConfidentialityOption
from archiver.handover.deidentify import Removal, declare_cleaned, demand_whole
from archiver.handover.facts import drying, facts_of, in_words, shade_of, sheet_text, written_in
from archiver.handover.frames import (
    Box,
    OutgoingFrame,
    altered,
    frame_of,
    picture_file,
    set_frame,
)
from archiver.handover.identifying_words import Identifying
from archiver.handover.masks import mask_code
from archiver.handover.order import (
    OrderedPictures,
    PackageOrder,
    approve,
    first_visit,
    known_words,
    patient_token,
    preview_package,
)
from archiver.handover.picture_selection import OutgoingPicture
from archiver.handover.selection_note import selection_notes
from archiver.handover.sheet import ColourTable, Sheet, SheetPicture, cautions, thumbnail
from archiver.handover.sheet_html import html_of
from archiver.handover.sheet_pdf import pdf_of
from archiver.handover.sink import Sink, open_sink
from archiver.handover.tab_comparison import tab_lines, tab_picture
from archiver.objects import PhotographInstance, demand_offset, octets, open_dataset, part10
from archiver.wording import Text

#: Pictures worked on at once.
WORKERS = min(4, os.cpu_count() or 1)


@dataclass(frozen=True)
class Package:
    """A package that has appeared.

    Parameters
    ----------
    target
        The folder or the ZIP file.
    files
        Names with SHA-256 and size in bytes.
    left_out
        What was asked for and is not in it, and why.
    """

    target: Path
    case: str
    files: dict[str, tuple[str, int]]
    chosen: OrderedPictures
    left_out: tuple[Problem, ...]


@dataclass(frozen=True)
class PackedPicture:
    """A picture that is in the package, with what the sheet and the manifest say of it."""

    on_sheet: SheetPicture
    colour: ColourFrame
    row: dict[str, Any]
    lost: tuple[Problem, ...]


@dataclass(frozen=True)
class PackageMaker:
    """What makes the pictures of an order; `picture` may be called from several threads."""

    order: PackageOrder
    chosen: OrderedPictures
    case: Case
    sink: Sink
    first: str
    known: Identifying

    def picture(self, one: OutgoingPicture) -> PackedPicture:
        """Write a picture and its twin, and return what is told of them."""
        try:
            with written_in(self.order.language, self.order.numbering):
                return self._picture(one)
        except InputError as error:
            raise type(error)(*(p.at(f"picture {one.number}") for p in error.problems)) from error

    def _picture(self, one: OutgoingPicture) -> PackedPicture:
        original, outgoing, frame = self.outgoing(one)
        name = f"{self.case.number}-{one.number:02}"
        suffix, parts = picture_file(frame, png=self.order.png)
        file = f"{name}{suffix}"
        holds = self.chosen.profile.holds
        if "pictures" in holds:
            self.sink.add(file, parts)
        if "objects" in holds:
            twin = part10.pieces(PhotographInstance(outgoing, frame.pixels))
            self.sink.add(f"{name}.dcm", twin)
        return self.described(one, frame, (original, outgoing), file)

    def outgoing(self, one: OutgoingPicture) -> tuple[Dataset, Dataset, OutgoingFrame]:
        """Return the archive's object, the one that goes out for it, and its picture."""
        original = open_dataset(Path(one.record.path), pixels=True)
        outgoing = Removal(self.case, self.chosen.profile).of(original, self.known)
        demand_whole(outgoing)
        profile = octets(outgoing, "ICCProfile") or None
        masks = self.order.masks.get(one.number, ())
        frame = altered(
            frame_of(original, profile), masks, [in_words(doubt.stamp) for doubt in one.doubts]
        )
        set_frame(outgoing, frame)
        self._note_changes(outgoing, one, masks)
        return original, outgoing, frame

    def _note_changes(self, outgoing: Dataset, one: OutgoingPicture, masks: Sequence[Box]) -> None:
        if one.doubts:
            words = ", ".join(doubt.value for doubt in one.doubts)
            outgoing.ImageComments = f"{words}. {outgoing.get('ImageComments', '')}".strip()
        if masks and one.burned_in:
            outgoing.BurnedInAnnotation = "NO"
            declare_cleaned(outgoing, confidentiality.CLEAN_PIXEL_DATA)
        # What is covered is no proof: somebody has seen that nobody is recognised.
        if masks and one.shows_face and mask_code(one, masks) in self.order.masks_seen:
            outgoing.RecognizableVisualFeatures = "NO"
            declare_cleaned(outgoing, confidentiality.CLEAN_FEATURES)

    def described(
        self,
        one: OutgoingPicture,
        frame: OutgoingFrame,
        objects: tuple[Dataset, Dataset],
        file: str,
    ) -> PackedPicture:
        """Say what sheet and manifest say of a picture."""
        original, outgoing = objects
        facts = facts_of(outgoing, original)
        jpeg, size = thumbnail(frame)
        masked = bool(self.order.masks.get(one.number))
        day = self._day(one.record.study_date)
        on_sheet = SheetPicture(one.number, file, facts, day, one.doubts, masked, jpeg, size)
        marks = self.order.marks.get(one.number, ())
        means = tuple(marked_mean(frame, mark) for mark in marks)
        marked = tab_picture(one.number, outgoing, one.description)
        tab = tab_lines(marked, frame, facts.colour) if marked is not None else ()
        colour = ColourFrame(
            one.number, one.record.study_uid, facts.colour, drying(original), means, tab
        )
        row = _row(on_sheet, file in self.sink.written)
        return PackedPicture(on_sheet, colour, row, self._lost(one.number, original, facts.shade))

    def _lost(
        self, number: int, original: Dataset, shade: Mapping[str, str]
    ) -> tuple[Problem, ...]:
        """Tell what was typed for whoever makes a tooth and does not go out."""
        if not self.chosen.profile.colour:
            return ()
        lost = [Text(f"handover.sheet.shade.{k}") for k in shade_of(original) if k not in shade]
        problems = [Problem("handover.package.names_patient", what=what) for what in lost]
        return tuple(problem.at(f"picture {number}") for problem in problems)

    def _day(self, day: str) -> str:
        """Say when it was, as far as the purpose lets that out."""
        options = self.chosen.profile.options
        visits = sorted({one.record.study_date for one in self.chosen.pictures})
        if not options & {ConfidentialityOption.FULL_DATES, ConfidentialityOption.MODIFIED_DATES}:
            return sheet_text("visit", number=visits.index(day) + 1)
        try:
            days = (date.fromisoformat(day) - date.fromisoformat(self.first)).days
        except ValueError:
            return sheet_text("no_day")
        words = sheet_text("day_after", days=days) if days else sheet_text("day_first")
        return f"{day}, {words}" if ConfidentialityOption.FULL_DATES in options else words


def _row(one: SheetPicture, has_file: bool) -> dict[str, Any]:
    description = one.facts.description
    orientation = description.orientation
    return {
        "number": one.number,
        "file": one.file if has_file else None,
        "teeth_iso_3950": [tooth.iso for tooth in description.teeth],
        "places": {tooth.iso: kind for tooth, kind in description.places},
        "teeth_universal": [tooth.universal for tooth in description.teeth],
        "arches": list(one.facts.arches),
        "view": one.facts.view,
        "surface": description.surface.value if description.surface else None,
        "patient_orientation": (
            [orientation.rows.value, orientation.columns.value] if orientation else None
        ),
        "edges": dict(one.facts.edges.words),
        "mirror": description.mirror,
        "side_confirmed": bool(description.confirmed),
        "stamped": [doubt.value for doubt in one.doubts],
        "masked": one.masked,
        "day": one.day,
        "colour": one.facts.colour.words,
        "shade": dict(one.facts.shade),
    }


def hand_over(
    archive: Archive,
    order: PackageOrder,
    now: datetime,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Package:
    """Make a package of pictures for somebody outside the clinic.

    The patient must have consented to the purpose; what names the patient is taken away as the
    purpose says. The name of the room, `archiver.handover`, is taken, hence the verb's two words.

    Parameters
    ----------
    archive
        Open for writing: it keeps what went out, to whom, and who insisted.
    order
        Which pictures, for whom, for what, and where the package is to appear.
    now
        For the consent, the register and the selection note; nothing of it is in the package.
    progress
        Told after each picture how many of how many are done; what it raises ends the work.

    Raises
    ------
    InputError
        If something speaks against it; nothing was made.
    ArchiveError
        If the disk refuses; nothing was made.

    Examples
    --------
    >>> from datetime import datetime, timezone
    >>> from pathlib import Path
    >>> from archiver import Archive, PackageOrder, Purpose, Query, hand_over
    >>> asked = Query(patient_id="P-0417")
    >>> order = PackageOrder(asked, Purpose.LABORATORY, "1187", "North laboratory", Path("1187"))
    >>> with Archive.open(Path("photographs"), actor="liv") as archive:
    ...     hand_over(archive, order, datetime(2026, 3, 5, tzinfo=timezone.utc))
    Traceback (most recent call last):
    archiver.errors.InputError: ...
    """
    demand_offset(now)
    chosen = preview_package(archive, order)
    case = approve(archive, order, chosen, now.date())
    sink = open_sink(order.target, zipped=order.zipped)
    with making(archive, order, chosen, case, sink) as maker:
        with ThreadPoolExecutor(WORKERS, "handover") as pool:
            pictures: list[PackedPicture] = []
            for one in pool.map(maker.picture, chosen.pictures):
                pictures.append(one)
                if progress is not None:
                    progress(len(pictures), len(chosen.pictures))
        with written_in(order.language, order.numbering):
            _write_sheet(maker, pictures)
        digest = _write_manifest(maker, pictures)
        note_package(archive, maker, [one.record for one in chosen.pictures], digest, now)
    lost = [problem for one in pictures for problem in one.lost]
    return Package(order.target, case.number, sink.files, chosen, (*chosen.left_out, *lost))


@contextmanager
def making(
    archive: Archive, order: PackageOrder, chosen: OrderedPictures, case: Case, sink: Sink
) -> Iterator[PackageMaker]:
    """Give what makes the pictures of an order; what was made appears at the end, or is gone."""
    try:
        first = first_visit(archive, chosen.patient)
        with warnings.catch_warnings():
            # What pydicom thinks of single values is the validator's business.
            warnings.simplefilter("ignore")
            yield PackageMaker(order, chosen, case, sink, first, known_words(chosen))
        sink.appear()
    except BaseException:
        sink.discard()
        raise


def _write_sheet(maker: PackageMaker, pictures: Sequence[PackedPicture]) -> None:
    if "sheet" not in maker.chosen.profile.holds:
        return
    colours = [one.colour for one in pictures]
    dried = after_drying([c.visit for c in colours], [c.after_drying for c in colours])
    colours = [replace(c, after_drying=d) for c, d in zip(colours, dried, strict=True)]
    table = table_of(colours) if maker.chosen.profile.colour else ColourTable((), (), ())
    profile, numbered = maker.chosen.profile, [one.on_sheet for one in pictures]
    sheet = Sheet(
        maker.case.number,
        sheet_text("case_page.title") if profile.colour else profile.title,
        maker.order.to,
        tuple(numbered),
        table,
        case_facts([(one.number, one.facts) for one in numbered]) if profile.colour else None,
        cautions(scaled=any(one.facts.scale for one in numbered)),
    )
    maker.sink.add(f"{maker.case.number}.pdf", [pdf_of(sheet, maker.order.paper)])
    maker.sink.add(f"{maker.case.number}.html", [html_of(sheet)])


def _write_manifest(maker: PackageMaker, pictures: Sequence[PackedPicture]) -> str:
    """Write the manifest and a list that ``sha256sum -c`` reads; return the manifest's digest."""
    sink, profile = maker.sink, maker.chosen.profile
    manifest = {
        "format": 1,
        "case": maker.case.number,
        "purpose": maker.order.purpose.value,
        "to": maker.order.to,
        "deidentification": [
            confidentiality.BASIC_PROFILE[0],
            *(
                confidentiality.METHOD[one][0]
                for one in ConfidentialityOption
                if one in profile.options
            ),
        ],
        "pictures": [one.row for one in pictures],
        "files": [
            {"name": name, "bytes": size, "sha256": sha256}
            for name, (sha256, size) in sink.files.items()
        ],
    }
    text = json.dumps(manifest, ensure_ascii=False, indent=2) + "\n"
    digest = sink.add(f"{maker.case.number}-manifest.json", [text.encode("utf-8")]).sha256
    sink.add(f"{maker.case.number}.sha256", [sink.sums()])
    return digest


def note_package(
    archive: Archive, maker: PackageMaker, records: Sequence[Record], digest: str, now: datetime
) -> None:
    """Let the archive know of a package, before it is outside.

    Parameters
    ----------
    records
        What it holds.
    digest
        SHA-256 of what lists its files.
    """
    # What the disk refuses is refused before the archive is told.
    maker.sink.settle()
    order = maker.order
    Ingest.of(archive).accept(selection_notes(order, records, now))
    package = HandedOver(
        maker.case.number,
        order.purpose.value,
        order.to,
        now.isoformat(timespec="seconds"),
        order.target.name,
        digest,
        tuple(one.sop_instance_uid for one in records),
        patient_token(archive.secret(), maker.chosen.patient),
        order.insisted_by if any(one.doubts for one in maker.chosen.pictures) else "",
        order.masks_seen_by if order.masks_seen else "",
    )
    register(archive, package, {one.sop_instance_uid: one.sha256 for one in records})
