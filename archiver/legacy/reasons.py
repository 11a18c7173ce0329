"""What becomes of a file, and why: every file has one fate and one reason."""

from __future__ import annotations

from enum import Enum

from archiver.wording import Text


class FileFate(str, Enum):
    """What becomes of a file; the four make up all files that were seen."""

    ACCEPTED = "accepted"
    QUARANTINED = "quarantined"
    DUPLICATE = "duplicate"
    NO_PICTURE = "not a picture"

    @property
    def text(self) -> Text:
        """The fate in words."""
        return Text(f"legacy.fate.{self.name.lower()}")


class ImportReason(str, Enum):
    """Why a file has its fate."""

    WHOLE = "whole"
    SIDE_UNKNOWN = "side unknown"
    VIEW_UNKNOWN = "view unknown"
    OBJECT = "dicom"

    NO_RULE = "no rule"
    NO_PATIENT = "no patient"
    NAME_ALONE = "name alone"
    PATIENT_UNKNOWN = "patient unknown"
    SEVERAL_PATIENTS = "several patients"
    NAME_DIFFERS = "name differs"
    BIRTH_DATE_DIFFERS = "birth date differs"
    DAY_UNREADABLE = "day unreadable"
    NO_DAY = "no day"
    DAYS_DIFFER = "days differ"
    DAY_IN_FUTURE = "day in the future"
    BORN_LATER = "born later"
    CONTRADICTION = "contradiction"
    NOT_UNDERSTOOD = "not understood"
    DAMAGED = "damaged"
    UNREADABLE = "unreadable"
    KIND_NOT_TAKEN = "kind not taken"
    THUMBNAIL = "thumbnail"
    GREY = "grey"
    OTHER_PATIENTS_TOO = "other patients too"
    COPIES_DIFFER = "copies differ"
    OBJECT_REFUSED = "dicom refused"
    LEFT_OUT = "left out"
    ARCHIVE_REFUSED = "archive refused"

    SAME_BYTES = "same bytes"
    RE_ENCODED = "re-encoded"
    SMALLER = "smaller"
    FLIPPED = "flipped"
    TURNED = "turned"

    EMPTY = "empty"
    DOCUMENT = "document"
    FILM = "film"
    PACKED = "packed"
    SYSTEM = "system"
    LINK = "link"
    DIRECTORY = "dicom directory"
    OTHER = "other"

    @property
    def fate(self) -> FileFate:
        """Which fate it belongs to."""
        return _FATES[self]

    @property
    def text(self) -> Text:
        """The reason in words."""
        return Text(f"legacy.reason.{self.name.lower()}")


_ORDER = list(ImportReason)


def _between(
    first: ImportReason, last: ImportReason, fate: FileFate
) -> dict[ImportReason, FileFate]:
    return dict.fromkeys(_ORDER[_ORDER.index(first) : _ORDER.index(last) + 1], fate)


_FATES: dict[ImportReason, FileFate] = {
    **_between(ImportReason.WHOLE, ImportReason.OBJECT, FileFate.ACCEPTED),
    **_between(ImportReason.NO_RULE, ImportReason.ARCHIVE_REFUSED, FileFate.QUARANTINED),
    **_between(ImportReason.SAME_BYTES, ImportReason.TURNED, FileFate.DUPLICATE),
    **_between(ImportReason.EMPTY, ImportReason.OTHER, FileFate.NO_PICTURE),
}
#: Copies of a picture that are not the same file: kept as what they are, beside the best original.
KEPT_COPIES = (
    ImportReason.RE_ENCODED,
    ImportReason.SMALLER,
    ImportReason.FLIPPED,
    ImportReason.TURNED,
)
