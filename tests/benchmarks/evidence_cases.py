"""Camera files and what programs make of them, for ``bench_evidence``.

A photograph is stored as cameras of several habits would: tables, thumbnail, note, orientation. An
outside program then flips or turns it, or does not. Nothing here uses code of the package, so that
truth comes from elsewhere.
"""

from __future__ import annotations

import io
import random
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import piexif
from PIL import Image, ImageEnhance, ImageOps
from PIL.JpegImagePlugin import JpegImageFile

from tests.photo.camera_files import CHROMINANCE, LUMINANCE, camera_exif, without_jfif
from tests.photo.further_pictures import UNDEFINED, VGA, heif, multi_picture

T, Resampling = Image.Transpose, Image.Resampling
#: EXIF's number of each turn: Pillow's, jpegtran's and ImageMagick's way to it.
PILLOW = {
    2: T.FLIP_LEFT_RIGHT,
    3: T.ROTATE_180,
    4: T.FLIP_TOP_BOTTOM,
    5: T.TRANSPOSE,
    6: T.ROTATE_270,
    7: T.TRANSVERSE,
    8: T.ROTATE_90,
}
JPEGTRAN = {
    2: ("-flip", "horizontal"),
    3: ("-rotate", "180"),
    4: ("-flip", "vertical"),
    5: ("-transpose",),
    6: ("-rotate", "90"),
    7: ("-transverse",),
    8: ("-rotate", "270"),
}
MOGRIFY = {
    2: ("-flop",),
    3: ("-rotate", "180"),
    4: ("-flip",),
    5: ("-transpose",),
    6: ("-rotate", "90"),
    7: ("-transverse",),
    8: ("-rotate", "270"),
}


@dataclass(frozen=True)
class Camera:
    """How a camera stores what it takes.

    Parameters
    ----------
    shape
        Width to height of its pictures.
    small
        Largest width and height of the thumbnail; None where it writes none.
    fit
        ``bars`` round the thumbnail, ``own`` shape, or ``cut`` to fill.
    telephone
        The common library's tables and 4:2:0, no maker's note.
    own_tag
        Whether the thumbnail has an orientation of its own.
    preview
        Where another picture stands: ``note``, ``large``, ``second`` or None.
    jfif
        Whether it writes a JFIF segment as well, as some telephones do.
    """

    shape: tuple[int, int] = (3, 2)
    small: tuple[int, int] | None = (160, 120)
    fit: str = "bars"
    telephone: bool = False
    own_tag: bool = False
    preview: str | None = None
    jfif: bool = False


#: With a thumbnail of EXIF.
CAMERAS = (
    Camera(),
    Camera((4, 3)),
    Camera((16, 9)),
    Camera((3, 2), fit="own"),
    Camera((16, 9), fit="cut"),
    Camera((1, 1), fit="cut"),
    Camera((4, 3), (512, 384), "own", telephone=True),
    Camera((4, 3), (320, 240), "own", telephone=True, own_tag=True),
    Camera((4, 3), (160, 120), "own", telephone=True, jfif=True),
    Camera((16, 9), (320, 240), "bars"),
)
#: With other pictures alone.
PREVIEWS = (
    Camera((3, 2), None, preview="note"),
    Camera((4, 3), None, preview="note"),
    Camera((3, 2), None, preview="large"),
    Camera((4, 3), None, preview="second"),
)


@dataclass(frozen=True)
class Shot:
    """A photograph as its camera stored it.

    Parameters
    ----------
    pixels
        As stored, before compression.
    file
        The camera's.
    small
        Its embedded picture, compressed; empty where there is none.
    orientation
        EXIF's.
    """

    camera: Camera
    pixels: Image.Image
    file: bytes
    small: bytes
    orientation: int


@cache
def opened(path: Path, side: int = 1280) -> Image.Image:
    """Read a picture, at most `side` long."""
    with Image.open(path) as file:
        picture = file.convert("RGB")
    picture.thumbnail((side, side), Resampling.LANCZOS)
    return picture


def shot(path: Path, camera: Camera, chance: random.Random, orientation: int = 1) -> Shot:
    """Take a photograph of a picture, framed by chance."""
    whole = opened(path)
    share = chance.uniform(0.75, 1.0)
    across = min(whole.width, whole.height * camera.shape[0] / camera.shape[1]) * share
    down = across * camera.shape[1] / camera.shape[0]
    left, top = chance.uniform(0, whole.width - across), chance.uniform(0, whole.height - down)
    width = 16 * round(across / 16) + chance.choice((0, 0, 4, 8))
    size = (width, round(width * camera.shape[1] / camera.shape[0]))
    # A sensor's frame is a little larger than what is stored; small pictures may be made of it.
    rim = chance.uniform(0, 0.012) * across
    box = (left, top, left + across, top + down)
    wide = (max(left - rim, 0), max(top - rim, 0), min(left + across + rim, whole.width))
    pixels = whole.resize(size, Resampling.BICUBIC, box=box)
    frame = whole.crop((*map(round, wide), round(min(top + down + rim, whole.height))))
    small = small_picture(frame, camera, chance) if camera.small or camera.preview else b""
    return Shot(
        camera, pixels, stored(pixels, small, camera, chance, orientation), small, orientation
    )


def small_picture(frame: Image.Image, camera: Camera, chance: random.Random) -> bytes:
    """Make it as a camera does: quickly, with a tone of its own, strongly compressed."""
    size = camera.small or (640, 480)
    quick = chance.choice((Resampling.BOX, Resampling.BILINEAR, Resampling.NEAREST))
    if camera.fit == "cut":
        small = ImageOps.fit(frame, size, quick)
    elif camera.fit == "bars":
        small = ImageOps.pad(frame, size, quick)
    else:
        small = ImageOps.contain(frame, size, quick)
    small = ImageEnhance.Brightness(small).enhance(chance.uniform(0.9, 1.1))
    small = ImageEnhance.Color(small).enhance(chance.uniform(0.8, 1.2))
    stream = jpeg(small, quality=chance.choice((50, 70, 85)), subsampling="4:2:2")
    return stream if camera.jfif else without_jfif(stream)


def jpeg(picture: Image.Image, **options: Any) -> bytes:
    """Compress as the common library does."""
    out = io.BytesIO()
    picture.save(out, "JPEG", **options)
    return out.getvalue()


def stored(
    pixels: Image.Image, small: bytes, camera: Camera, chance: random.Random, orientation: int
) -> bytes:
    """The file that a camera with such pixels would write."""
    thumb = small if camera.small else None
    note = {37500: b"Lumora\0" + small} if camera.preview == "note" else {}
    tags = piexif.load(camera_exif(pixels, thumb, orientation, exif=note))
    tags["0th"][305] = b"Firmware 1.4"
    if camera.own_tag:
        tags["1st"][274] = orientation
    if camera.telephone:
        del tags["Exif"][37500]
        look = {"quality": chance.choice((92, 95)), "subsampling": "4:2:0"}
        look["optimize"] = chance.random() < 0.5
    else:
        look = {"qtables": [LUMINANCE, CHROMINANCE], "subsampling": "4:2:2"}
    file = jpeg(pixels, exif=piexif.dump(tags), **look)
    file = file if camera.jfif else without_jfif(file)
    if camera.preview in ("large", "second"):
        return multi_picture(file, small, VGA if camera.preview == "large" else UNDEFINED)
    return file


# What outside programs do. Each takes the shot, the turn (1: none) and a folder to work in.
Program = Callable[[Shot, int, Path], bytes]


def ran(file: bytes, folder: Path, *command: str, out: bool = False) -> bytes:
    """Run a program over a file in place, or with a second file for its result."""
    path, other = folder / "in.jpg", folder / "out.jpg"
    path.write_bytes(file)
    words = [*command, *(("-outfile", str(other)) if out else ()), str(path)]
    subprocess.run(words, check=True, capture_output=True)
    return (other if out else path).read_bytes()


def exiftool(file: bytes, folder: Path, *arguments: str) -> bytes:
    """Let exiftool write into a file."""
    return ran(file, folder, "exiftool", "-q", "-m", "-overwrite_original", *arguments)


def painted(shot: Shot, turn: int) -> Image.Image:
    """The pixels, decoded and turned by Pillow."""
    # The first picture alone: programs that know of one only read files of several so, too.
    picture = JpegImageFile(io.BytesIO(shot.file)).convert("RGB")
    return picture.transpose(PILLOW[turn]) if turn > 1 else picture


def exif_of(file: bytes) -> bytes:
    """EXIF as it stands in a file."""
    return bytes(piexif.dump(piexif.load(file)))


def by_jpegtran(shot: Shot, turn: int, folder: Path) -> bytes:
    """Turned on coefficients, everything else kept."""
    how = JPEGTRAN[turn] if turn > 1 else ("-optimize",)
    return ran(shot.file, folder, "jpegtran", "-copy", "all", *how, out=True)


def by_mogrify(shot: Shot, turn: int, folder: Path) -> bytes:
    """ImageMagick keeps EXIF with its thumbnail."""
    return ran(shot.file, folder, "mogrify", *(MOGRIFY[turn] if turn > 1 else ("-quality", "90")))


def by_pillow(shot: Shot, turn: int, folder: Path) -> bytes:
    """Painted anew, EXIF kept."""
    return jpeg(painted(shot, turn), quality=90, exif=exif_of(shot.file))


def by_exiftool(shot: Shot, turn: int, folder: Path) -> bytes:
    """Painted anew without EXIF; exiftool then copies all that the camera told, thumbnail too."""
    source = folder / "camera.jpg"
    source.write_bytes(shot.file)
    bare = jpeg(painted(shot, turn), quality=92)
    copied = ("-TagsFromFile", str(source), "-all:all", "-ThumbnailImage", "-unsafe")
    return exiftool(bare, folder, *copied)


def with_captions(shot: Shot, turn: int, folder: Path) -> bytes:
    """Not turned at all: exiftool writes a caption and a rating."""
    return exiftool(shot.file, folder, "-ImageDescription=16", "-XMP:Rating=4")


def as_it_is(shot: Shot, turn: int, folder: Path) -> bytes:
    """The camera's own file."""
    return shot.file


def kept_beside(shot: Shot, turn: int, folder: Path) -> bytes:
    """An editor that writes the first picture anew and leaves EXIF, notes and what follows."""
    pixels = painted(shot, turn)
    tags = exif_of(shot.file)
    file = without_jfif(jpeg(pixels, quality=91, exif=tags))
    if shot.camera.preview in ("large", "second"):
        return multi_picture(file, shot.small)
    return file


def heif_kept(shot: Shot, turn: int, folder: Path) -> bytes:
    """A HEIF file; a program writes the picture anew and keeps the thumbnail item."""
    small = shot.pixels.resize((480, 320))
    exif = camera_exif(small, None)
    if turn == 1:
        return heif(small, None, exif)
    return heif(small.transpose(PILLOW[turn]), small, exif)


# Editors that drop the thumbnail or make it anew.


def made_anew(file: bytes, folder: Path, *more: str) -> bytes:
    """Let exiftool put a thumbnail of the picture as it now is into a file."""
    with Image.open(io.BytesIO(file)) as picture:
        small = picture.convert("RGB")
    small.thumbnail((160, 120))
    path = folder / "small.jpg"
    path.write_bytes(jpeg(small))
    return exiftool(file, folder, f"-ThumbnailImage<={path}", *more)


def saved_bare(shot: Shot, turn: int, folder: Path) -> bytes:
    """A painting program that writes pixels alone."""
    return jpeg(painted(shot, turn), quality=80)


def saved_without_thumbnail(shot: Shot, turn: int, folder: Path) -> bytes:
    """One that keeps what the camera told and drops its thumbnail."""
    tags = piexif.load(shot.file)
    exif = piexif.dump({**tags, "1st": {}, "thumbnail": None})
    return jpeg(painted(shot, turn), quality=92, exif=exif)


def saved_with_thumbnail(shot: Shot, turn: int, folder: Path) -> bytes:
    """One that keeps what the camera told, its note too, and makes the thumbnail anew."""
    return made_anew(by_pillow(shot, turn, folder), folder)


def stripped(shot: Shot, turn: int, folder: Path) -> bytes:
    """ImageMagick told to leave nothing but the picture."""
    return ran(shot.file, folder, "mogrify", *MOGRIFY[turn], "-strip")


def bare_coefficients(shot: Shot, turn: int, folder: Path) -> bytes:
    """jpegtran as it is without an option: the camera's metadata go."""
    return ran(shot.file, folder, "jpegtran", "-copy", "none", *JPEGTRAN[turn], out=True)


def retouched(shot: Shot, turn: int, folder: Path) -> bytes:
    """A retouching program: full colour, its own name, a history, a thumbnail of its own."""
    tags = piexif.load(shot.file)
    tags["Exif"].pop(37500, None)
    file = jpeg(painted(shot, turn), quality=95, subsampling="4:4:4", exif=piexif.dump(tags))
    history = ("-XMP-xmpMM:HistoryAction=saved", "-XMP-xmpMM:HistoryWhen=2026:03:05 10:00:00")
    name = ("-Software=Adobe Photoshop 24.0", "-XMP:CreatorTool=Adobe Photoshop 24.0")
    return made_anew(file, folder, *name, *history)


def viewed(shot: Shot, turn: int, folder: Path) -> bytes:
    """A viewer: turned on coefficients, thumbnail made anew, its name and the time left behind."""
    file = by_jpegtran(shot, turn, folder)
    return made_anew(
        file, folder, "-Software=Windows Photo Viewer 10", "-ModifyDate=2026:03:05 10:00:00"
    )


def photographed_screen(shot: Shot, turn: int, folder: Path) -> bytes:
    """A copy of what the screen shows."""
    out = io.BytesIO()
    painted(shot, turn).save(out, "PNG")
    return out.getvalue()


def shared(shot: Shot, turn: int, folder: Path) -> bytes:
    """What a messenger passes on: smaller, progressive, without metadata."""
    picture = painted(shot, turn)
    picture.thumbnail((1000, 1000))
    return jpeg(picture, quality=75, progressive=True)


def without_trace(shot: Shot, turn: int, folder: Path) -> bytes:
    """Turned on coefficients, thumbnail made anew, nothing said: no file can tell."""
    size = ("-ExifImageWidth<ImageWidth", "-ExifImageHeight<ImageHeight")
    return made_anew(by_jpegtran(shot, turn, folder), folder, *size)
