"""An archived photograph as it is kept: the instance as shot, and all that was made from it."""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydicom import Dataset
from pydicom.encaps import get_frame
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLSLossless,
    RLELossless,
)
from sqlalchemy import select

from archiver.archive.store import tables as t
from archiver.archive.store.archive import Archive
from archiver.archive.store.metadata_reader import describe_file
from archiver.errors import ObjectError, Problem
from archiver.objects import describe, misread, open_dataset, reason_of, set_pixels, text
from archiver.photo import (
    JPEG_BASELINE,
    JPEG_LOSSLESS,
    EncodedPixels,
    Limits,
    check_budget,
    encode_lossless,
)
from archiver.wording import Text
from archiver.workers import confined

#: Transfer syntaxes that lose nothing.
_LOSSLESS = {
    ImplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    RLELossless,
    JPEGLossless,
    JPEGLSLossless,
    JPEG2000Lossless,
}
#: What decodes to RGB or grey without rounding; the two of JPEG 2000 belong to its coding (PS3.5
#: 8.2.4), and what a JPEG of another process holds is RGB for pydicom all the same.
_EXACT = {"RGB", "MONOCHROME2", "YBR_RCT", "YBR_ICT"}


@dataclass(frozen=True)
class HeldInstance:
    """An instance of a photograph.

    Parameters
    ----------
    dataset
        Without its pixel data; texts decoded.
    pixels
        Its frame as kept.
    source
        SHA-256 of the camera file, None where it is not known.
    """

    dataset: Dataset
    pixels: EncodedPixels
    source: str | None

    @property
    def uid(self) -> str:
        """SOP Instance UID."""
        return text(self.dataset, "SOPInstanceUID")

    @property
    def picture(self) -> str:
        """SHA-256 of the camera file; of the frame where no camera file is known."""
        return self.source or hashlib.sha256(self.pixels.stream).hexdigest()


def successor_of(archive: Archive, uid: str) -> str | None:
    """Return the instance that came in the place of another, None if none did."""
    i = t.instances.c
    with archive.reading() as connection:
        return connection.execute(
            select(i.sop_instance_uid).where(i.predecessor == uid).order_by(i.journal_seq)
        ).scalar()


def find_photograph(archive: Archive, uid: str) -> tuple[HeldInstance, list[HeldInstance]]:
    """Return the instance as shot and the corrected ones, whichever of them was named.

    Raises
    ------
    ObjectError
        If there is none, it is rejected, no photograph, or cannot be read, or if the
        photograph as shot is missing.
    """
    named = _read(archive, uid)
    d = describe(named.dataset)
    if not d.is_photograph or d.role is None:
        raise ObjectError(Problem("archive.held_photograph.no_meaning", uid=uid))
    shot = named
    if d.role == "derived":
        if not d.source_uids:
            raise ObjectError(Problem("archive.held_photograph.no_source_named", uid=uid))
        shot = _read(archive, d.source_uids[0], shot_of=uid)
    i = t.instances.c
    with archive.reading() as connection:
        rows = connection.execute(
            select(i.sop_instance_uid, i.path)
            .where(
                i.study_uid == text(shot.dataset, "StudyInstanceUID"),
                i.role == "derived",
                i.rejected.is_(None),
            )
            .order_by(i.journal_seq)
        )
        derived = [(row.sop_instance_uid, archive.layout.path_of(row.path)) for row in rows]
    # Headers first: a study holds many pictures, of which one or two are this photograph's.
    made = [other for other, path in derived if shot.uid in describe_file(path).source_uids]
    return shot, [named if other == uid else _read(archive, other) for other in made]


def _read(archive: Archive, uid: str, shot_of: str = "") -> HeldInstance:
    i = t.instances.c
    with archive.reading() as connection:
        row = connection.execute(
            select(i.path, i.rejected, i.source_digest, i.digest).where(i.sop_instance_uid == uid)
        ).one_or_none()
    if row is None and shot_of:
        raise ObjectError(Problem("archive.held_photograph.no_as_shot", uid=uid, shot_of=shot_of))
    if row is None:
        raise ObjectError(Problem("archive.held_photograph.no_such_instance", uid=uid))
    if row.rejected is not None:
        after = successor_of(archive, uid)
        raise ObjectError(
            Problem(
                "archive.held_photograph.rejected",
                uid=uid,
                reason=row.rejected.lower(),
                after=after or None,
            )
        )
    path = archive.layout.path_of(row.path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ObjectError(
            Problem("archive.held_photograph.unreadable", reason=error.strerror).at(file=path.name)
        ) from error
    if hashlib.sha256(data).hexdigest() != row.digest:
        raise ObjectError(Problem("archive.held_photograph.not_what_was_kept").at(file=path.name))
    return _load(data, path, row.source_digest)


def _load(data: bytes, path: Path, source: str | None) -> HeldInstance:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            ds = open_dataset(data, pixels=True)
            syntax = str(ds.file_meta.TransferSyntaxUID)
            if wrong := misread(ds):
                raise ObjectError(
                    Problem("archive.held_photograph.misread", attributes=wrong[:8]).at(
                        file=path.name
                    )
                )
            ds.decode()
            if text(ds, "Modality") != "XC":
                raise ObjectError(
                    Problem("archive.held_photograph.no_photograph").at(file=path.name)
                )
            if syntax in (JPEG_BASELINE, JPEG_LOSSLESS):
                pixels = EncodedPixels(
                    get_frame(ds.PixelData, 0, number_of_frames=1),
                    syntax,
                    str(ds.PhotometricInterpretation),
                    int(ds.SamplesPerPixel),
                    int(ds.Rows),
                    int(ds.Columns),
                )
            else:
                pixels = _without_loss(ds, path.name)
                set_pixels(ds, pixels)
            del ds.PixelData
    except ObjectError:
        raise
    except Exception as error:
        # pydicom raises whatever the bytes lead it to.
        raise ObjectError(
            Problem("archive.held_photograph.no_dicom", error=reason_of(error)).at(file=path.name)
        ) from error
    return HeldInstance(ds, pixels, source)


def _without_loss(ds: Dataset, name: str) -> EncodedPixels:
    """Encode a picture of another program anew, each sample as it was.

    Raises
    ------
    ObjectError
        If that cannot be done, or it would no longer be known that something was lost before.
    """
    syntax = UID(str(ds.file_meta.TransferSyntaxUID))
    said = str(ds.PhotometricInterpretation)
    reasons = {
        Text("archive.held_photograph.frames", n=ds.get("NumberOfFrames")): int(
            ds.get("NumberOfFrames") or 1
        )
        != 1,
        Text("archive.held_photograph.bits", n=ds.BitsAllocated): ds.BitsAllocated != 8
        or ds.BitsStored != 8,
        Text("archive.held_photograph.samples", colours=said): said not in _EXACT,
        Text("archive.held_photograph.undeclared_loss"): syntax not in _LOSSLESS
        and text(ds, "LossyImageCompression") != "01",
    }
    against = [words for words, holds in reasons.items() if holds]
    if against:
        raise ObjectError(
            Problem(
                "archive.held_photograph.not_amendable", against=tuple(against), name=syntax.name
            ).at(file=name)
        )
    try:
        return _decoded(ds)
    except Exception as error:
        # pydicom and its decoders raise whatever the bytes lead them to.
        raise ObjectError(
            Problem("archive.held_photograph.undecodable", name=syntax.name, error=error).at(
                file=name
            )
        ) from error


@confined(ObjectError)
def _decoded(ds: Dataset) -> EncodedPixels:
    check_budget(int(ds.Columns), int(ds.Rows), Limits())
    return encode_lossless(np.ascontiguousarray(ds.pixel_array, np.uint8))
