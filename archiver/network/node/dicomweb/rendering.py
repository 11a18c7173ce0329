"""Pictures of objects for browsers (PS3.18 8.3.5, 8.7.4, 10.4.1.1.5): JPEG, PNG or GIF."""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image
from pydicom import FileDataset

from archiver.archive import decoded_alone
from archiver.errors import ObjectError
from archiver.network.node.dicomweb.content_negotiation import MediaRange
from archiver.network.node.dicomweb.resources import RENDERED
from archiver.network.node.dicomweb.responses import refusal
from archiver.network.node.dicomweb.shown_values import FUNCTIONS, Window, shown_values
from archiver.objects import StoredFrames
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
        For grey pictures, None for what the object says.
    """

    media: str
    quality: int = 90
    viewport: tuple[int, int] | None = None
    window: Window | None = None


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
    levels = None if window is None else _window(window)
    return Rendition(media, int(quality[0]) if quality else 90, size, levels)


def _window(text: str) -> Window:
    """Read center, width and function (PS3.18 8.3.5.1.4)."""
    center, width, function = (*text.split(","), "", "")[:3] if text.count(",") == 2 else ("",) * 3
    if function not in FUNCTIONS:
        raise refusal(400, "network.web.window")
    window = Window(_number(center, "window"), _number(width, "window"), FUNCTIONS[function])
    if not window.is_one:
        raise refusal(400, "network.web.window")
    return window


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


def render(path: Path, how: Rendition, frame: int = 1) -> bytes:
    """Return a frame of an object as a picture file without any metadata.

    Raises
    ------
    HTTPException
        404 where there is no such frame; 406 where the object is no picture.
    ObjectError
        If it cannot be decoded, or takes more than is allowed.
    """
    try:
        frames = StoredFrames(path)
    except ObjectError as error:
        if error.problems[0].code != "objects.stored_frames.none":
            raise
        raise refusal(406, "network.web.no_picture") from None
    with frames:
        if frame > frames.count:
            raise refusal(404, "network.web.frames", count=frames.count)
        alone = frames.alone(frame)
    return _drawn(alone, how)


@confined(ObjectError)
def _drawn(frame: FileDataset, how: Rendition) -> bytes:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        picture = Image.fromarray(shown_values(decoded_alone(frame), how.window))
        if how.viewport is not None:
            picture.thumbnail(how.viewport, Image.Resampling.LANCZOS)
        buffer = io.BytesIO()
        options = {"quality": how.quality} if how.media == "image/jpeg" else {}
        picture.save(buffer, _FORMATS[how.media], **options)
        return buffer.getvalue()
