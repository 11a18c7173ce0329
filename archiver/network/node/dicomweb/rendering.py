"""Pictures of objects for browsers (PS3.18 8.3.5, 8.7.4, 10.4.1.1.5): JPEG, PNG or GIF."""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image
from pydicom import Dataset
from pydicom.pixels.processing import apply_modality_lut, apply_voi_lut

from archiver.archive import decoded_frame
from archiver.errors import ObjectError
from archiver.network.node.dicomweb.content_negotiation import MediaRange
from archiver.network.node.dicomweb.resources import RENDERED
from archiver.network.node.dicomweb.responses import refusal
from archiver.objects import open_dataset
from archiver.workers import confined

_FORMATS = dict(zip(RENDERED, ("JPEG", "PNG", "GIF"), strict=True))
_THUMBNAIL = 256
_LARGEST_SIDE = 16_384


@dataclass(frozen=True)
class Rendition:
    """How a picture is asked for.

    Parameters
    ----------
    media
        Media type of the picture.
    quality
        Of a JPEG, 1 to 100.
    viewport
        Largest width and height, None for the picture's own.
    window
        Center and width for grey pictures, None for the object's own.
    """

    media: str
    quality: int = 90
    viewport: tuple[int, int] | None = None
    window: tuple[float, float] | None = None


def rendition(
    parameters: Mapping[str, str], wished: list[MediaRange], *, thumbnail: bool
) -> Rendition:
    """Read how a picture is asked for.

    Raises
    ------
    HTTPException
        400 for a malformed parameter, 406 where no media type that is taken can be made.
    """
    media = _media(wished)
    quality = _numbers(parameters, "quality", 1)
    viewport = _numbers(parameters, "viewport", 2)
    window = parameters.get("window")
    if quality and not 1 <= quality[0] <= 100:
        raise refusal(400, "network.web.quality")
    if viewport and not all(1 <= side <= _LARGEST_SIDE for side in viewport):
        raise refusal(400, "network.web.viewport")
    size = (int(viewport[0]), int(viewport[1])) if viewport else None
    if thumbnail and size is None:
        size = (_THUMBNAIL, _THUMBNAIL)
    levels = None
    if window is not None:
        center, _, rest = window.partition(",")
        width, _, function = rest.partition(",")
        if function not in ("linear", "linear-exact", "sigmoid"):
            raise refusal(400, "network.web.window")
        levels = (_number(center, "window"), _number(width, "window"))
    return Rendition(media, int(quality[0]) if quality else 90, size, levels)


def _media(wished: list[MediaRange]) -> str:
    for wish in wished:
        if wish.is_any or wish.name == "image/*":
            return "image/jpeg"
        if wish.name in _FORMATS:
            return wish.name
    raise refusal(406, "network.web.pictures", kinds=tuple(_FORMATS))


def _numbers(parameters: Mapping[str, str], name: str, count: int) -> list[float]:
    if name not in parameters:
        return []
    found = [_number(part, name) for part in parameters[name].split(",")]
    if len(found) != count:
        raise refusal(400, "network.web.count", name=name, count=count)
    return found


def _number(text: str, name: str) -> float:
    try:
        number = float(text)
    except ValueError:
        raise refusal(400, "network.web.numbers", name=name) from None
    if not np.isfinite(number):
        raise refusal(400, "network.web.numbers", name=name)
    return number


def ready() -> None:
    """Do nothing: a worker that was asked for it has imported what the first picture needs."""


@confined(ObjectError)
def render(path: Path, how: Rendition, frame: int = 1) -> bytes:
    """Return a frame of an object as a picture file without any metadata.

    Raises
    ------
    HTTPException
        404 where there is no such frame; 406 where the object is no picture.
    ObjectError
        If it cannot be decoded, or takes more than is allowed.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _check_frame(path, frame)
        picture = _picture(decoded_frame(path, frame), how)
        if how.viewport is not None:
            picture.thumbnail(how.viewport, Image.Resampling.LANCZOS)
        buffer = io.BytesIO()
        options = {"quality": how.quality} if how.media == "image/jpeg" else {}
        picture.save(buffer, _FORMATS[how.media], **options)
        return buffer.getvalue()


def _check_frame(path: Path, frame: int) -> None:
    header = open_dataset(path)
    if "Rows" not in header:
        raise refusal(406, "network.web.no_picture")
    count = int(header.get("NumberOfFrames") or 1)
    if frame > count:
        raise refusal(404, "network.web.frames", count=count)


def _picture(dataset: Dataset, how: Rendition) -> Image.Image:
    pixels = dataset.pixel_array
    if int(dataset.SamplesPerPixel) == 3:
        return Image.fromarray(np.ascontiguousarray(pixels.astype(np.uint8)), "RGB")
    return Image.fromarray(_grey(dataset, pixels, how.window), "L")


def _grey(dataset: Dataset, pixels: np.ndarray, window: tuple[float, float] | None) -> np.ndarray:
    """Bring grey values through modality and VOI transformation (PS3.3 C.11.1, C.11.2)."""
    values = apply_modality_lut(pixels, dataset)
    if window is None:
        values = apply_voi_lut(values, dataset).astype(np.float64)
        low, high = float(values.min()), float(values.max())
        if dataset.BitsAllocated == 8 and "WindowCenter" not in dataset:
            low, high = 0.0, 255.0
    else:
        low, high = window[0] - window[1] / 2, window[0] + window[1] / 2
    scaled = (values.astype(np.float64) - low) / max(high - low, 1e-9)
    shown = (np.clip(scaled, 0, 1) * 255).round().astype(np.uint8)
    return 255 - shown if dataset.PhotometricInterpretation == "MONOCHROME1" else shown
