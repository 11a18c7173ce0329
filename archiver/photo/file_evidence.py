"""All that a camera file itself says against its being as the camera took it."""

from __future__ import annotations

import re

from archiver.photo.camera_file import CameraFile, Format
from archiver.photo.doubts import DoubtKind, PictureDoubt
from archiver.photo.editor_marks import editor_doubts
from archiver.photo.embedded_check import check_embedded
from archiver.photo.exif import directories
from archiver.photo.exif_rows import words
from archiver.wording import Text

_LENS, _ELEVATION = 42036, 37893
#: Telephones name their cameras in the lens: words of those that look at their holder.
_FRONT = re.compile(r"\b(front|selfie|truedepth|user.facing|face camera)\b", re.IGNORECASE)
#: Degrees from the horizon beyond which a sensor of gravity cannot tell which way is up.
_STEEP = 60.0
_TURNED, _MIRRORED = (3, 6, 8), (2, 4, 5, 7)


def file_doubts(photo: CameraFile, *, looks_up_or_down: bool = False) -> tuple[PictureDoubt, ...]:
    """Weigh a camera file.

    Parameters
    ----------
    looks_up_or_down
        Whether the camera must have looked so for the picture that it is said to be.
    """
    embedded = check_embedded(photo)
    return (
        *((embedded.doubt,) if embedded.doubt is not None else ()),
        *editor_doubts(photo, thumbnail_agrees=embedded.agrees),
        *_selfie(photo),
        *_orientation(photo, looks_up_or_down),
    )


def _selfie(photo: CameraFile) -> tuple[PictureDoubt, ...]:
    """Telephones may store what their front camera takes as a mirror would show it."""
    octets = directories(photo.exif)[1].octets(_LENS)
    lens = (words(octets) or "") if octets else ""
    front = _FRONT.search(lens) is not None
    mirrored = photo.exif_orientation in _MIRRORED
    if not front and not mirrored:
        return ()
    evidence = {"lens": lens if front else None, "orientation": photo.exif_orientation}
    if front:
        text = Text("photo.doubt.front_camera", lens=lens)
    else:
        text = Text("photo.doubt.mirrored_tag", orientation=photo.exif_orientation)
    return (PictureDoubt(DoubtKind.SELFIE, text, evidence),)


def _orientation(photo: CameraFile, looks_up_or_down: bool) -> tuple[PictureDoubt, ...]:
    """A sensor of gravity says nothing about a camera that looks up or down (common practice)."""
    if photo.exif_orientation not in _TURNED or photo.format is Format.HEIF:
        return ()
    angle = _elevation(photo)
    steep = looks_up_or_down if angle is None else abs(angle) > _STEEP
    if not steep:
        return ()
    orientation = photo.exif_orientation
    text = Text("photo.doubt.orientation", orientation=orientation)
    return (
        PictureDoubt(DoubtKind.ORIENTATION, text, {"orientation": orientation, "elevation": angle}),
    )


def _elevation(photo: CameraFile) -> float | None:
    """Degrees above the horizon at which the camera looked (EXIF 2.31, tag 37893)."""
    value = directories(photo.exif)[1].tags.get(_ELEVATION)
    if not isinstance(value, tuple) or not value or not isinstance(value[0], tuple):
        return None
    top, bottom = value[0]
    return top / bottom if bottom not in (0, 0xFFFFFFFF, -1) else None
