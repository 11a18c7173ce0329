"""Which pictures a package would hold, and what speaks against each."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

from pydicom import Dataset

from archiver.archive import Record
from archiver.dentition import FACE, may_identify
from archiver.objects import Description, describe, open_dataset, shown_parts, text
from archiver.priors import sight_of
from archiver.records.checks import failed_sides
from archiver.wording import Text


class Doubt(str, Enum):
    """Why a picture is not to be relied on; the value is what the object and the list say."""

    UNCONFIRMED = "SIDE NOT CONFIRMED"
    REVERSED = "MIRROR-REVERSED"
    UNKNOWN = "ORIENTATION NOT KNOWN"
    WRONG_WAY = "WRONG-WAY CHECK FAILED"

    @property
    def words(self) -> Text:
        """The doubt in a sentence."""
        return Text(f"handover.doubt.{self.name.lower()}")

    @property
    def stamp(self) -> Text:
        """What is stamped into the picture, and stands beside it on the sheet."""
        return Text(f"handover.stamp.{self.name.lower()}")


@dataclass(frozen=True)
class OutgoingPicture:
    """A picture that could go out.

    Parameters
    ----------
    number
        Its place in the package, from 1.
    record
        As the archive has it.
    description
        What it says of itself.
    doubts
        Why it is not to be relied on.
    shows_face
        Whether it shows more of the patient than the mouth.
    burned_in
        Whether words that identify are in its pixels.
    """

    number: int
    record: Record
    description: Description
    doubts: tuple[Doubt, ...]
    shows_face: bool
    burned_in: bool


def candidates(archive: Path, records: Iterable[Record]) -> list[OutgoingPicture]:
    """Look at records: photographs, corrected where there is a corrected one, in order of capture.

    Parameters
    ----------
    archive
        Its folder, for what comparisons found.
    records
        Answers to a query.

    Raises
    ------
    ObjectError
        If an object cannot be read.
    """
    seen = [_look(one) for one in records if one.modality == "XC"]
    replaced = {uid for one, _ in seen for uid in one.description.source_uids}
    kept = [one for one, _ in seen if one.record.sop_instance_uid not in replaced]
    kept.sort(key=_captured)
    failed = failed_sides(archive)
    return [
        replace(one, number=number, doubts=doubts_of(one.description, failed))
        for number, one in enumerate(kept, 1)
    ]


def _captured(one: OutgoingPicture) -> tuple[str, str, int, str]:
    description, record = one.description, one.record
    moment = description.acquired or description.study_date + description.study_time
    return record.study_date, moment, description.instance_number or 0, record.sop_instance_uid


def _look(record: Record) -> tuple[OutgoingPicture, Dataset]:
    header = open_dataset(Path(record.path))
    description = describe(header)
    parts = shown_parts(header)
    view = description.view
    shown = view is not None and may_identify(view, description.teeth)
    face = shown or FACE.value in parts or text(header, "RecognizableVisualFeatures") == "YES"
    burned = text(header, "BurnedInAnnotation") == "YES"
    return OutgoingPicture(0, record, description, (), face, burned), header


def doubts_of(description: Description, failed: Collection[str]) -> tuple[Doubt, ...]:
    """Say why a picture is not to be relied on.

    Parameters
    ----------
    failed
        UIDs of the instances whose last wrong-way check failed.
    """
    found = [] if description.confirmed else [Doubt.UNCONFIRMED]
    seen = sight_of(description)
    normal = description.orientation.normal if description.orientation is not None else None
    if description.mirror == "uncorrected" or (seen and normal is seen.looking.opposite):
        found.append(Doubt.REVERSED)
    elif seen is None or normal is not seen.looking:
        found.append(Doubt.UNKNOWN)
    if description.sop_instance_uid in failed:
        found.append(Doubt.WRONG_WAY)
    return tuple(found)


def renumbered(several: Sequence[OutgoingPicture]) -> list[OutgoingPicture]:
    """Return them with numbers from 1 on."""
    return [replace(one, number=number) for number, one in enumerate(several, 1)]
