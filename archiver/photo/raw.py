"""Camera raw, through the optional package rawpy.

A raw file holds no picture yet but what the sensor gave. It is rendered once, always alike:
white balance of the camera, no automatic brightening, sRGB, 8 bits. The pixels stay as the sensor
has them; what the camera says of its orientation remains to be done.
"""

from __future__ import annotations

import io
from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from archiver.errors import PhotoError, Problem
from archiver.photo.camera_file import Limits
from archiver.photo.colour import StatedColour
from archiver.photo.exif import ExifBlock, read_directories
from archiver.photo.header import PictureHeader, check_budget
from archiver.photo.icc import SRGB
from archiver.photo.ifd import TiffLayout
from archiver.wording import Text
from archiver.workers import confined

# The decoder's codes for half turn, quarter turn anticlockwise and clockwise, as EXIF's.
_ORIENTATIONS = {0: 1, 3: 3, 5: 8, 6: 6}
_SRGB_CURVE = (2.4, 12.92)


def open_raw(data: bytes) -> Any:
    """Open a raw file; nothing is rendered yet.

    Raises
    ------
    PhotoError
        If the file is damaged or of an unknown camera.
    """
    import rawpy

    try:
        return rawpy.imread(io.BytesIO(data))
    except Exception as error:
        # The library's own errors come in many classes; all mean the same to the caller.
        raise PhotoError(Problem("photo.raw.damaged")) from error


def read_raw(data: bytes, limits: Limits) -> PictureHeader:
    """Read the header of a raw file.

    Raises
    ------
    PhotoError
        As `open_raw`, or if the decoder is not installed or the picture is too large.
    """
    if find_spec("rawpy") is None:
        raise PhotoError(Problem("photo.raw.needs_decoder"))
    return _read(data, limits)


@confined(PhotoError)
def _read(data: bytes, limits: Limits) -> PictureHeader:
    with open_raw(data) as raw:
        sizes = raw.sizes
    check_budget(sizes.iwidth, sizes.iheight, limits)
    exif, notes = _exif(data)
    notes += (Problem("photo.raw.rendered"),)
    return PictureHeader(
        sizes.iwidth,
        sizes.iheight,
        3,
        exif=exif,
        stated=StatedColour(SRGB, Text("photo.colour.rendering")),
        orientation=_ORIENTATIONS.get(sizes.flip, 1),
        notes=notes,
    )


def decode_raw(data: bytes) -> NDArray[np.uint8]:
    """Render a raw file.

    Returns
    -------
    ndarray
        (rows, columns, 3), as the sensor has them.

    Raises
    ------
    PhotoError
        If it cannot be rendered.
    """
    import rawpy

    with open_raw(data) as raw:
        try:
            pixels: NDArray[np.uint8] = raw.postprocess(
                use_camera_wb=True,
                no_auto_bright=True,
                output_color=rawpy.ColorSpace.sRGB,
                gamma=_SRGB_CURVE,
                output_bps=8,
                user_flip=0,
            )
        except Exception as error:
            raise PhotoError(Problem("photo.raw.unrenderable")) from error
    return np.ascontiguousarray(pixels)


def _exif(data: bytes) -> tuple[ExifBlock, tuple[Problem, ...]]:
    try:
        layout = TiffLayout(data)
        main = layout.directory(layout.first)
    except ValueError:
        main = None
    if main is None:
        return ExifBlock(), (Problem("photo.raw.metadata_unread"),)
    return read_directories(layout, main), ()
