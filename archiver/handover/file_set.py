"""A file set of PS3.10: file IDs that every medium takes, and the DICOMDIR that names them.

`pydicom.fileset` makes directory and names from stand-ins without pixels; whoever writes the medium
puts the objects themselves in their places, byte for byte.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePath

from pydicom import Dataset
from pydicom.fileset import FileSet
from pydicom.uid import UID

from archiver.objects import DerivedUids, part10, text

#: Where the directory lies on a medium (PS3.10 8.6).
DICOMDIR = "DICOMDIR"
#: What records of patients, studies, series and images say (PS3.3 F.5.1 to F.5.4).
_SAID = (
    *("SpecificCharacterSet", "SOPClassUID", "SOPInstanceUID", "PatientName", "PatientID"),
    *("StudyDate", "StudyTime", "StudyDescription", "StudyInstanceUID", "StudyID"),
    *("AccessionNumber", "Modality", "SeriesInstanceUID", "SeriesNumber", "InstanceNumber"),
)


@dataclass(frozen=True)
class MediumDirectory:
    """Where each object of a medium lies, and what says so.

    Parameters
    ----------
    places
        File IDs with slashes, by SOP Instance UID: up to eight components of up to eight capital
        letters and digits (PS3.10 8.2, 8.5).
    content
        The DICOMDIR file.
    """

    places: dict[str, str]
    content: bytes = field(repr=False)


def directory_of(headers: Iterable[tuple[Dataset, str]], label: str) -> MediumDirectory:
    """Make the directory of images.

    Parameters
    ----------
    headers
        Headers of images with the transfer syntaxes in which they lie on the medium; all of them
        name their patient, study and series.
    label
        File-set ID: up to 16 capital letters, digits, underscores and spaces.
    """
    made = FileSet()
    made.ID = label
    for number, (header, syntax) in enumerate(headers, 1):
        made.add(_stand_in(header, syntax, number))
    uids = sorted(str(one.SOPInstanceUID) for one in made)
    made.UID = UID(DerivedUids().uid("file set", {"instances": uids}))
    with tempfile.TemporaryDirectory(prefix="archiver-") as folder:
        made.write(folder)
        places = {
            str(one.SOPInstanceUID): PurePath(one.path).relative_to(folder).as_posix()
            for one in made
        }
        return MediumDirectory(places, Path(folder, DICOMDIR).read_bytes())


def _stand_in(header: Dataset, syntax: str, number: int) -> Dataset:
    """Return what the records are made from; what they must say and nobody said is filled in."""
    made = Dataset()
    for keyword in _SAID:
        if keyword in header:
            setattr(made, keyword, header[keyword].value)
    # Of type 1 in a record, of type 2 in the object (PS3.3 tables F.5-2 to F.5-4, C.7-3, C.7-5a).
    captured = text(header, "AcquisitionDateTime")
    made.StudyDate = text(header, "StudyDate") or captured[:8] or "19000101"
    made.StudyTime = text(header, "StudyTime") or captured[8:14] or "000000"
    made.StudyID = text(header, "StudyID") or "1"
    made.SeriesNumber = text(header, "SeriesNumber") or "1"
    made.InstanceNumber = text(header, "InstanceNumber") or str(number)
    made.file_meta = part10.file_meta(made, syntax)
    return made
