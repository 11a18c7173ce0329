"""Small pictures for a screen, decoded at reduced size."""

from __future__ import annotations

import io

from PIL import Image

from archiver.errors import PhotoError
from archiver.photo.camera_file import CameraFile
from archiver.photo.pixels import reduced
from archiver.photo.turbo import load_turbo
from archiver.workers import confined

#: An embedded profile longer than this would outweigh the small picture.
_LONGEST_PROFILE = 8192


@confined(PhotoError)
def thumbnail(photo: CameraFile, longer: int, *, quality: int = 80) -> bytes:
    """Return a small JPEG of a camera file, in stored orientation.

    Parameters
    ----------
    photo
        The camera file. A JPEG is decoded at an eighth, a quarter or a half of its size, the
        smallest that reaches `longer`.
    longer
        Pixels of the longer side, at most; a smaller picture is not enlarged.
    quality
        Of the small picture, 1 to 95.

    Raises
    ------
    PhotoError
        If the picture is damaged.
    """
    picture = _small(photo, longer)
    out = io.BytesIO()
    profile = photo.colour.embedded
    if profile is not None and len(profile) > _LONGEST_PROFILE:
        profile = None
    picture.save(out, "JPEG", quality=quality, subsampling="4:2:0", icc_profile=profile)
    return out.getvalue()


def _small(photo: CameraFile, longer: int) -> Image.Image:
    turbo = load_turbo()
    structure = photo.structure
    if turbo is None or structure is None or len(structure.components) not in (1, 3):
        return reduced(photo, longer)
    side = max(photo.columns, photo.rows)
    reduction = next((r for r in (8, 4, 2) if side >= longer * r), 1)
    picture = Image.fromarray(turbo.decode(photo.data, reduction))
    if max(picture.size) > longer:
        picture.thumbnail((longer, longer), Image.Resampling.BICUBIC, reducing_gap=1.5)
    return picture
