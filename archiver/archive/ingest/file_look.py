"""What a camera file looks like before anything is said of it.

Whoever asks loads neither numpy nor OpenCV for it: only the worker process that looks does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from archiver.errors import PhotoError
from archiver.vision import ViewKind
from archiver.workers import confined


@dataclass(frozen=True)
class CameraFileSeen:
    """What one look at a camera file told.

    Parameters
    ----------
    numbers
        Figures of the teeth, by name; None where there are none to judge.
    kind
        Which view it looks like; None where that is not clear.
    code
        What a QR code in it says; empty where there is none.
    """

    numbers: Mapping[str, float] | None = None
    kind: ViewKind | None = None
    code: str = ""


@confined(PhotoError)
def look_at_file(octets: bytes, name: str) -> CameraFileSeen:
    """Look at a camera file, whole and as it is stored.

    Raises
    ------
    PhotoError
        If it is damaged, or takes too much.
    """
    import numpy as np

    from archiver.archive.ingest.picture_quality import assess
    from archiver.photo import read_camera_bytes, reduced
    from archiver.vision import LOOKED_AT, read_code

    picture = np.asarray(reduced(read_camera_bytes(octets, name), LOOKED_AT))
    code = read_code(picture)
    if code:
        return CameraFileSeen(code=code)
    seen = assess(picture)
    return CameraFileSeen(seen.figures.numbers if seen.figures is not None else None, seen.kind)
