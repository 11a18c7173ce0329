"""What the DICOMDIR of a medium lists (PS3.3 annex F), and where that lies in a file system.

File systems show the names of a disc differently: in small letters, with a dot or a version behind
them. The directory is a claim about the files and no more: what it leaves out is taken too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.errors import ObjectError, Problem
from archiver.objects import items, text

if TYPE_CHECKING:
    from pydicom import Dataset

_RECORDS = "DirectoryRecordSequence"


@dataclass(frozen=True)
class MediaDirectory:
    """A DICOMDIR that was read.

    Parameters
    ----------
    path
        Its file.
    listed
        File IDs with slashes, and the SOP Instance UID that each is said to hold.
    """

    path: Path
    listed: tuple[tuple[str, str], ...]

    @classmethod
    def of(cls, path: Path, records: Dataset) -> MediaDirectory:
        """Read the records of a directory.

        Raises
        ------
        ObjectError
            If they break off, or list nothing although there are some.
        """
        held = _holds_records(records)
        listed = []
        for record in items(records, _RECORDS):
            file_id = text(record, "ReferencedFileID").replace("\\", "/")
            if file_id:
                listed.append((file_id, text(record, "ReferencedSOPInstanceUIDInFile")))
        if held and not listed:
            raise _damaged()
        return cls(path, tuple(listed))

    @cached_property
    def places(self) -> dict[str, Path | None]:
        """The file of each file ID, however the file system shows its name; None if none."""
        listings: dict[Path, dict[str, Path]] = {}
        return {file_id: self._place_of(file_id, listings) for file_id, _ in self.listed}

    def _place_of(self, file_id: str, listings: dict[Path, dict[str, Path]]) -> Path | None:
        place = self.path.parent
        for component in file_id.split("/"):
            if place not in listings:
                below = place.iterdir() if place.is_dir() else ()
                listings[place] = {_plain(one.name): one for one in below}
            found = listings[place].get(_plain(component))
            if found is None:
                return None
            place = found
        return place

    @property
    def missing(self) -> list[tuple[Path, str]]:
        """Where files would lie that are listed and that nobody finds, with their UIDs."""
        return [
            (self.path.parent / file_id, uid)
            for file_id, uid in self.listed
            if self.places[file_id] is None
        ]

    def differences(self, found: Iterable[tuple[Path, str]]) -> tuple[Problem, ...]:
        """Say what the directory forgot or misnames.

        Parameters
        ----------
        found
            Objects that were read, with their SOP Instance UIDs.
        """
        folder, held = self.path.parent, dict(found)
        names = {self.places[file_id]: uid for file_id, uid in self.listed}
        told = []
        for path, uid in held.items():
            listed = names.get(path)
            if listed is None and folder in path.parents:
                told.append(Problem("archive.media_directory.forgotten").at(file=str(path)))
            elif listed is not None and listed != uid:
                other = Problem("archive.media_directory.other", listed=listed, uid=uid)
                told.append(other.at(file=str(path)))
        return tuple(told)


def _holds_records(directory: Dataset) -> bool:
    """Return whether a directory has any records; refuse one whose records break off."""
    from pydicom.dataelem import RawDataElement

    if _RECORDS not in directory:  # type 2 (PS3.3 F.3.2.2): they stand in an empty one, too
        raise _damaged()
    try:
        records = directory.get_item(_RECORDS)
    except NotImplementedError:  # of a value representation that the standard does not have
        raise _damaged() from None
    if not isinstance(records, RawDataElement):
        return bool(records.value)
    # pydicom keeps what is there where less is there than the length says.
    if len(records.value or b"") < records.length:
        raise _damaged()
    return records.length > 0


def _damaged() -> ObjectError:
    return ObjectError(Problem("archive.media_directory.damaged"))


def _plain(name: str) -> str:
    """Return a name as ISO 9660 has it, without version and trailing dot."""
    return name.partition(";")[0].rstrip(".").upper()
