"""What one look at a file tells, whatever it is; it is read once, by a worker process."""

from __future__ import annotations

import io
import stat
from dataclasses import dataclass
from datetime import date
from enum import Enum
from pathlib import Path

from archiver.errors import ObjectError, PhotoError
from archiver.legacy.reasons import ImportReason
from archiver.workers import confined

_HEAD = 4096
#: What a file begins with that is no picture.
_KINDS = (
    (b"%PDF", ImportReason.DOCUMENT),
    (b"\xd0\xcf\x11\xe0", ImportReason.DOCUMENT),
    (b"{\\rtf", ImportReason.DOCUMENT),
    (b"PK\x03\x04", ImportReason.PACKED),
    (b"7z\xbc\xaf", ImportReason.PACKED),
    (b"\x1f\x8b", ImportReason.PACKED),
    (b"Rar!", ImportReason.PACKED),
    (b"\0\x05\x16\x07", ImportReason.SYSTEM),  # what one system keeps of files on others' disks
    (b"\0\0\0\x01Bud1", ImportReason.SYSTEM),
    (b"MZ", ImportReason.SYSTEM),
)
_FILMS = (b"\x1aE\xdf\xa3", b"\0\0\x01\xba", b"\0\0\x01\xb3")
#: Names that systems give, in small letters.
_SYSTEM_NAMES = ("thumbs.db", "ehthumbs.db", "desktop.ini", ".ds_store", ".picasa.ini")
_SMALL_SIDE = 256
_COMPARED = 32
_SHOWN = 192
#: Mean difference of the channels below which a picture is grey.
_GREY = 3.0


class FileKind(str, Enum):
    """What a file is."""

    PICTURE = "picture"
    OBJECT = "object"
    NEITHER = "neither"


@dataclass(frozen=True)
class PictureSeen:
    """What a look at a picture told.

    Parameters
    ----------
    hashes
        Perceptual hashes in the eight positions, as stored; empty where it is too even.
    small
        The picture in grey, 32 by 32, as stored.
    captured
        Time of capture as ISO 8601; empty where the camera does not say.
    camera
        Make and model.
    edited
        Whether an editor's marks are in the file, or its embedded picture shows it otherwise.
    thumbnail
        The picture as a viewer shows it, as JPEG.
    """

    columns: int
    rows: int
    orientation: int
    hashes: tuple[str, ...]
    small: bytes
    captured: str
    camera: str
    edited: bool
    grey: bool
    thumbnail: bytes

    @property
    def day(self) -> date | None:
        """The day of capture."""
        return date.fromisoformat(self.captured[:10]) if self.captured else None


@dataclass(frozen=True)
class ObjectSeen:
    """What a DICOM object says of its patient; texts as stored."""

    patient_id: str
    issuer: str
    patient_name: str
    birth_date: str
    sop_instance_uid: str
    modality: str


@dataclass(frozen=True)
class LookedAt:
    """What one look at a file told.

    Parameters
    ----------
    reason
        Why it cannot be taken; None where nothing about the file itself speaks against it.
    problem
        The same in words.
    """

    kind: FileKind
    sha256: str = ""
    reason: ImportReason | None = None
    problem: str = ""
    picture: PictureSeen | None = None
    object: ObjectSeen | None = None


def look_at(path: Path) -> LookedAt:
    """Look at a file; whatever is wrong with it is told, never raised."""
    try:
        status = path.lstat()
        if stat.S_ISLNK(status.st_mode) or not stat.S_ISREG(status.st_mode):
            return LookedAt(FileKind.NEITHER, reason=ImportReason.LINK)
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        return LookedAt(
            FileKind.NEITHER, reason=ImportReason.UNREADABLE, problem=error.strerror or ""
        )
    named = _is_named_a_picture(path)
    reason = _no_picture(path.name, head, named)
    if reason is not None:
        return LookedAt(FileKind.NEITHER, reason=reason)
    if head[128:132] == b"DICM":
        return _object(path)
    try:
        return _picture(path)
    except PhotoError as error:
        return _refused(error, named)


def _is_named_a_picture(path: Path) -> bool:
    from archiver.photo import EXTENSIONS

    return path.suffix.lower() in EXTENSIONS


def _no_picture(name: str, head: bytes, named: bool) -> ImportReason | None:
    if name.lower() in _SYSTEM_NAMES:
        return ImportReason.SYSTEM
    if not head:
        # What is called a picture and has nothing in it is a picture that was lost.
        return ImportReason.DAMAGED if named else ImportReason.EMPTY
    if head.startswith(_FILMS) or (head[:4] == b"RIFF" and head[8:12] == b"AVI "):
        return ImportReason.FILM
    return next((reason for start, reason in _KINDS if head.startswith(start)), None)


def _refused(error: PhotoError, named: bool) -> LookedAt:
    """Tell what a picture's reader refused: another kind of file, or a picture that is damaged."""
    problem = error.problems[0]
    code = problem.code.removeprefix("photo.format_detection.")
    told = str(problem)
    if code == "film":
        return LookedAt(FileKind.NEITHER, reason=ImportReason.FILM)
    if code in ("other_kind", "avif"):
        return LookedAt(FileKind.NEITHER, reason=ImportReason.KIND_NOT_TAKEN, problem=told)
    if code in ("unknown", "zeros", "empty") and not named:
        return LookedAt(FileKind.NEITHER, reason=ImportReason.OTHER)
    return LookedAt(FileKind.PICTURE, reason=ImportReason.DAMAGED, problem=told)


def _object(path: Path) -> LookedAt:
    from archiver.archive.ingest import examine_object
    from archiver.archive.store import digest_file

    try:
        looked = examine_object(path)
    except ObjectError as error:
        told = str(error.problems[0].with_places())
        return LookedAt(FileKind.OBJECT, reason=ImportReason.OBJECT_REFUSED, problem=told)
    if looked is None:
        return LookedAt(FileKind.OBJECT, reason=ImportReason.DIRECTORY)
    seen = ObjectSeen(
        looked.patient_id,
        looked.issuer,
        looked.patient_name,
        looked.birth_date,
        looked.sop_instance_uid,
        looked.modality,
    )
    return LookedAt(FileKind.OBJECT, digest_file(path).sha256, object=seen)


@confined(PhotoError)
def _picture(path: Path) -> LookedAt:
    import numpy as np
    from PIL import Image

    from archiver.photo import DoubtKind, file_doubts, read_camera_file, reduced, turned
    from archiver.vision import hashes_of

    photo = read_camera_file(path)
    picture = reduced(photo, _SMALL_SIDE)
    colours = np.asarray(picture.convert("RGB"), np.int16)
    spread = float((colours.max(axis=2) - colours.min(axis=2)).mean())
    grey = picture.convert("L").resize((_COMPARED, _COMPARED), Image.Resampling.BOX)
    shown = Image.fromarray(
        np.ascontiguousarray(turned(colours.astype(np.uint8), photo.exif_orientation))
    )
    shown.thumbnail((_SHOWN, _SHOWN))
    buffer = io.BytesIO()
    shown.save(buffer, "JPEG", quality=70)
    doubts = {doubt.kind for doubt in file_doubts(photo)}
    captured = photo.claims.captured
    when = captured.when if captured is not None else None
    camera = " ".join(filter(None, (photo.claims.make, photo.claims.model)))
    seen = PictureSeen(
        photo.columns,
        photo.rows,
        photo.exif_orientation,
        hashes_of(picture),
        grey.tobytes(),
        when.isoformat() if when is not None else "",
        camera,
        bool(doubts & {DoubtKind.EDITOR, DoubtKind.EMBEDDED}),
        spread < _GREY,
        buffer.getvalue(),
    )
    return LookedAt(FileKind.PICTURE, photo.sha256, picture=seen)
