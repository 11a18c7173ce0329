"""A medium: a file set with its DICOMDIR, and a page that opens without DICOM software.

What names the patient stays where the medium is the patient's own or goes to who treats them, and
objects are the archive's then, byte for byte; else it is taken away as for a package. Places and
names are those of the general-purpose profiles (PS3.11), which every reader of media takes:
``DICOMDIR`` and ``README.TXT`` at the top, and, as the IHE profile for portable data asks (from
memory: RAD TF-2, 4.47), ``INDEX.HTM`` there and what it shows in ``IHE_PDI``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from pydicom import Dataset

from archiver.archive import Record
from archiver.archive.ingest import FileParts
from archiver.archive.store import Archive
from archiver.errors import InputError, IntegrityError, Problem
from archiver.handover.file_set import DICOMDIR, MediumDirectory, directory_of
from archiver.handover.frames import OutgoingFrame, frame_of, picture_file
from archiver.handover.medium_page import MediumPage, OtherObject, medium_text, page_of
from archiver.handover.order import (
    OrderedPictures,
    PackageOrder,
    approve,
    preview_package,
)
from archiver.handover.package import PackageMaker, making, note_package
from archiver.handover.picture_selection import OutgoingPicture
from archiver.handover.sheet import SheetPicture
from archiver.handover.sink import Sink, open_sink
from archiver.objects import (
    PhotographInstance,
    Purpose,
    demand_offset,
    open_dataset,
    part10,
    readable_name,
)

#: For whom whose pictures they are is no secret.
_KNOW_THE_PATIENT = (Purpose.PATIENT_COPY, Purpose.REFERRAL)
PAGE, README, SUMS, _PICTURES = "INDEX.HTM", "README.TXT", "SHA256.TXT", "IHE_PDI"
_LABEL = "PHOTOGRAPHS"


@dataclass(frozen=True)
class MediumOrder:
    """What a medium is to be.

    Parameters
    ----------
    package
        Which pictures, for whom, for what, and where: a folder, a file ``.zip``, or an image of a
        disc ``.iso``.
    with_identity
        Whether the patient's name and dates stay, and radiographs that the query finds go along.
    originals
        Whether photographs go along as they were shot, beside their corrected ones.

    Raises
    ------
    InputError
        If the purpose does not allow it.
    """

    package: PackageOrder
    with_identity: bool = False
    originals: bool = False

    def __post_init__(self) -> None:
        purpose = self.package.purpose
        if self.with_identity and purpose not in _KNOW_THE_PATIENT:
            known = tuple(one.value for one in _KNOW_THE_PATIENT)
            raise InputError(Problem("handover.medium.identity", purpose=purpose, purposes=known))
        if self.originals and not self.with_identity:
            raise InputError(Problem("handover.medium.originals"))


@dataclass(frozen=True)
class Medium:
    """A medium that has appeared.

    Parameters
    ----------
    target
        The folder or file.
    objects
        How many it holds.
    files
        Names with SHA-256 and size in bytes.
    left_out
        What was asked for and is not on it, and why.
    """

    target: Path
    case: str
    objects: int
    files: dict[str, tuple[str, int]]
    left_out: tuple[Problem, ...]


def make_medium(
    archive: Archive,
    order: MediumOrder,
    now: datetime,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Medium:
    """Make a medium of a patient's pictures.

    Consent and doubts are looked at as for a package, and the archive keeps what went to whom.

    Parameters
    ----------
    archive
        Open for writing.
    now
        For the consent and the register; nothing of it is on the medium.
    progress
        Told after each object how many of how many are done; what it raises ends the work.

    Raises
    ------
    InputError
        If something speaks against it; nothing was made.
    IntegrityError
        If an object's bytes are not those that were archived; nothing was made.
    ArchiveError
        If the disk refuses; nothing was made.
    """
    demand_offset(now)
    asked = order.package
    chosen = preview_package(archive, asked)
    if "objects" not in chosen.profile.holds:
        raise InputError(Problem("handover.medium.no_objects", purpose=asked.purpose))
    case = approve(archive, asked, chosen, now.date(), with_identity=order.with_identity)
    others = _others(archive, order, chosen)
    kind = asked.target.suffix.lower()
    sink = open_sink(asked.target, zipped=kind == ".zip", image=kind == ".iso")
    gone = [*(one.record for one in chosen.pictures), *others]
    with making(archive, asked, chosen, case, sink) as maker:
        digest = _Medium(order, maker, others, progress or _silent, len(gone)).write()
        note_package(archive, maker, gone, digest, now)
    return Medium(asked.target, case.number, len(gone), sink.files, chosen.left_out)


def _silent(done: int, total: int) -> None:
    """Tell nobody."""


def _others(archive: Archive, order: MediumOrder, chosen: OrderedPictures) -> list[Record]:
    """Return what goes along beside the pictures that are shown, in the order of the archive."""
    if not order.with_identity:
        return []
    shown = {one.record.sop_instance_uid for one in chosen.pictures}
    sources = {uid for one in chosen.pictures for uid in one.description.source_uids}
    wanted = order.package.uids
    return [
        one
        for one in archive.query(order.package.query)
        if one.rows
        and (not wanted or one.sop_instance_uid in wanted)
        and one.sop_instance_uid not in shown
        and (one.modality != "XC" or (order.originals and one.sop_instance_uid in sources))
    ]


@dataclass(frozen=True)
class _Medium:
    order: MediumOrder
    maker: PackageMaker
    others: list[Record]
    progress: Callable[[int, int], None]
    total: int

    @property
    def _sink(self) -> Sink:
        return self.maker.sink

    def write(self) -> str:
        """Write everything and return the digest of the list of digests."""
        directory = directory_of(self._headers(), _LABEL)
        shown = []
        for one in self.maker.chosen.pictures:
            shown.append(self._picture(one, directory))
            self.progress(len(shown), self.total)
        beside = []
        for record in self.others:
            beside.append(self._other(record, directory))
            self.progress(len(shown) + len(beside), self.total)
        self._sink.add(DICOMDIR, [directory.content])
        page = self._page(tuple(shown), tuple(beside))
        self._sink.add(PAGE, [page_of(page)])
        self._sink.add(README, [_readme(page)])
        return self._sink.add(SUMS, [self._sink.sums()]).sha256

    def _headers(self) -> Iterator[tuple[Dataset, str]]:
        # Places must be known before anything is written. What goes out without identity is made
        # twice rather than kept: a picture may be of tens of megabytes.
        for one in self.maker.chosen.pictures:
            if self.order.with_identity:
                yield _header(one.record)
            else:
                _, outgoing, frame = self.maker.outgoing(one)
                yield outgoing, frame.pixels.transfer_syntax
        yield from map(_header, self.others)

    def _picture(self, one: OutgoingPicture, directory: MediumDirectory) -> SheetPicture:
        if not self.order.with_identity:
            original, outgoing, frame = self.maker.outgoing(one)
            twin = part10.pieces(PhotographInstance(outgoing, frame.pixels))
            self._sink.add(directory.places[str(outgoing.SOPInstanceUID)], twin)
            file = self._shown(one.number, frame)
            return self.maker.described(one, frame, (original, outgoing), file).on_sheet
        self._copy(one.record, directory)
        kept = open_dataset(Path(one.record.path), pixels=True)
        frame = frame_of(kept, bytes(kept.get("ICCProfile") or b"") or None)
        file = self._shown(one.number, frame)
        on_sheet = self.maker.described(one, frame, (kept, kept), file).on_sheet
        return replace(on_sheet, day=one.record.study_date)

    def _shown(self, number: int, frame: OutgoingFrame) -> str:
        """Write a picture for who has no DICOM software."""
        suffix, parts = picture_file(frame)
        file = f"{_PICTURES}/PIC{number:05}{suffix.upper()}"
        self._sink.add(file, parts)
        return file

    def _other(self, record: Record, directory: MediumDirectory) -> OtherObject:
        self._copy(record, directory)
        place = directory.places[record.sop_instance_uid]
        words = record.series_description or record.study_description
        return OtherObject(record.study_date, record.modality, words, place)

    def _copy(self, record: Record, directory: MediumDirectory) -> None:
        """Write an object as the archive has it."""
        parts = FileParts(Path(record.path), record.size)
        written = self._sink.add(directory.places[record.sop_instance_uid], parts)
        if written.sha256 != record.sha256:
            raise IntegrityError(Problem("handover.medium.changed").at(file=record.path))

    def _page(self, shown: tuple[SheetPicture, ...], beside: tuple[OtherObject, ...]) -> MediumPage:
        asked, chosen = self.order.package, self.maker.chosen
        whose = ""
        if self.order.with_identity:
            name = readable_name(chosen.pictures[0].record.patient_name)
            whose = f"{name} ({chosen.patient[0]})"
        return MediumPage(asked.case, chosen.profile.title, asked.to, whose, shown, beside)


def _header(record: Record) -> tuple[Dataset, str]:
    header = open_dataset(Path(record.path))
    return header, str(header.file_meta.TransferSyntaxUID)


def _readme(page: MediumPage) -> bytes:
    """Write what a person reads who sees only files: ASCII, lines as every system ends them."""
    files = {"page": PAGE, "directory": DICOMDIR, "sums": SUMS}
    lines = medium_text("readme", case=page.case, n=len(page.pictures), **files)
    return lines.replace("\n", "\r\n").encode("ascii", "replace")
