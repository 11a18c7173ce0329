"""Camera files: the bytes that a camera would leave on its card, EXIF and all.

Makers and models are invented.
"""

import io
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import piexif
from numpy.typing import NDArray
from PIL import Image, ImageCms


@dataclass(frozen=True)
class CameraModel:
    """An invented camera.

    Attributes
    ----------
    maker, model, serial, lens : str
    offset : str
        OffsetTimeOriginal, empty where the camera does not write it.
    profile : bool
        Whether it embeds an sRGB profile.
    subsampling : int
        0 for 4:4:4, 1 for 4:2:2, 2 for 4:2:0.
    """

    maker: str
    model: str
    serial: str
    lens: str
    offset: str = ""
    profile: bool = False
    subsampling: int = 1


@dataclass(frozen=True)
class Exposure:
    """Settings of one picture.

    Attributes
    ----------
    taken : datetime
        By the camera's own clock.
    f_number, iso : int
    orientation : int
        EXIF 274.
    place : tuple of float, optional
        Latitude and longitude in degrees, an invented position at sea.
    maker_note : bool
        Write an opaque maker note.
    """

    taken: datetime
    f_number: int = 25
    iso: int = 200
    orientation: int = 1
    place: tuple[float, float] | None = None
    maker_note: bool = False


def _degrees(value: float) -> tuple[tuple[int, int], ...]:
    whole = abs(value)
    degrees, minutes = int(whole), int(whole * 60) % 60
    seconds = round((whole * 3600 - degrees * 3600 - minutes * 60) * 100)
    return (degrees, 1), (minutes, 1), (seconds, 100)


def _first_tags(camera: CameraModel, exposure: Exposure, stamp: str) -> dict[int, object]:
    return {
        piexif.ImageIFD.Make: camera.maker,
        piexif.ImageIFD.Model: camera.model,
        piexif.ImageIFD.Orientation: exposure.orientation,
        piexif.ImageIFD.Software: "Firmware 1.4",
        piexif.ImageIFD.DateTime: stamp,
        piexif.ImageIFD.XResolution: (72, 1),
        piexif.ImageIFD.YResolution: (72, 1),
        piexif.ImageIFD.ResolutionUnit: 2,
    }


def _exif_tags(
    camera: CameraModel, exposure: Exposure, stamp: str, size: tuple[int, int]
) -> dict[int, object]:
    tags: dict[int, object] = {
        piexif.ExifIFD.ExifVersion: b"0232",
        piexif.ExifIFD.DateTimeOriginal: stamp,
        piexif.ExifIFD.DateTimeDigitized: stamp,
        piexif.ExifIFD.SubSecTimeOriginal: f"{exposure.taken.second * 7 % 100:02d}",
        piexif.ExifIFD.ExposureTime: (1, 125),
        piexif.ExifIFD.FNumber: (exposure.f_number, 1),
        piexif.ExifIFD.ISOSpeedRatings: exposure.iso,
        piexif.ExifIFD.ExposureProgram: 1,
        piexif.ExifIFD.MeteringMode: 5,
        piexif.ExifIFD.WhiteBalance: 1,
        piexif.ExifIFD.Flash: 9,
        piexif.ExifIFD.FocalLength: (100, 1),
        piexif.ExifIFD.LensModel: camera.lens,
        piexif.ExifIFD.BodySerialNumber: camera.serial,
        piexif.ExifIFD.ColorSpace: 1,
        piexif.ExifIFD.PixelXDimension: size[0],
        piexif.ExifIFD.PixelYDimension: size[1],
    }
    if camera.offset:
        tags[piexif.ExifIFD.OffsetTimeOriginal] = camera.offset
    if exposure.maker_note:
        tags[piexif.ExifIFD.MakerNote] = b"INVENTED\0" + bytes(range(256)) * 2
    return tags


def _exif(camera: CameraModel, exposure: Exposure, image: Image.Image, thumbnail: bool) -> bytes:
    stamp = exposure.taken.strftime("%Y:%m:%d %H:%M:%S")
    parts: dict[str, object] = {
        "0th": _first_tags(camera, exposure, stamp),
        "Exif": _exif_tags(camera, exposure, stamp, image.size),
    }
    if exposure.place:
        north, east = exposure.place
        parts["GPS"] = {
            piexif.GPSIFD.GPSVersionID: (2, 3, 0, 0),
            piexif.GPSIFD.GPSLatitudeRef: "N" if north >= 0 else "S",
            piexif.GPSIFD.GPSLatitude: _degrees(north),
            piexif.GPSIFD.GPSLongitudeRef: "E" if east >= 0 else "W",
            piexif.GPSIFD.GPSLongitude: _degrees(east),
        }
    if thumbnail:
        small = image.copy()
        small.thumbnail((160, 120))
        store = io.BytesIO()
        small.save(store, "JPEG", quality=60)
        parts["1st"] = {piexif.ImageIFD.Compression: 6}
        parts["thumbnail"] = store.getvalue()
    return piexif.dump(parts)


def encode(
    pixels: NDArray[np.uint8],
    camera: CameraModel,
    exposure: Exposure,
    *,
    form: str = "jpeg",
    quality: int = 91,
) -> bytes:
    """Encode stored pixels as ``"jpeg"``, ``"progressive"`` or ``"png"``, with EXIF."""
    image = Image.fromarray(pixels)
    store = io.BytesIO()
    exif = _exif(camera, exposure, image, form != "png")
    profile = (
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
        if camera.profile
        else None
    )
    if profile is not None:
        # the header's creation date (bytes 24 to 35) would make every run differ
        profile = profile[:24] + bytes((7, 232, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0)) + profile[36:]
    if form == "png":
        image.save(store, "PNG", optimize=True, exif=exif)
        return store.getvalue()
    more = {"icc_profile": profile} if profile else {}
    image.save(
        store, "JPEG", quality=quality, subsampling=camera.subsampling, optimize=form == "jpeg",
        progressive=form == "progressive", exif=exif, **more,
    )  # fmt: skip
    return store.getvalue()
