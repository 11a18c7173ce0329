"""The same transforms by the program ``jpegtran``, for machines without libjpeg-turbo."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from typing import Final

from archiver.photo.jpeg_damage import refuse_damaged
from archiver.photo.turbo_3 import without_file_header
from archiver.photo.turning import Cut

_OPERATION: Final = {
    1: (),
    2: ("-flip", "horizontal"),
    3: ("-rotate", "180"),
    4: ("-flip", "vertical"),
    5: ("-transpose",),
    6: ("-rotate", "90"),
    7: ("-transverse",),
    8: ("-rotate", "270"),
}
_WARNINGS_ONLY: Final = 2


def find_jpegtran() -> str | None:
    """Return the path of ``jpegtran``, or None where it is not installed."""
    return shutil.which("jpegtran")


def transform_by_process(program: str, stream: bytes, cuts: Sequence[Cut]) -> tuple[bytes, ...]:
    """Make several pictures from the coefficients of one JPEG, one process for each.

    Parameters, result and errors are those of `archiver.photo.turbo.Turbo.transform`.

    Parameters
    ----------
    program
        Path of ``jpegtran``.
    stream, cuts
        As there.
    """
    made = tuple(_run(program, stream, cut) for cut in cuts or (Cut(),))
    return made if cuts else ()


def _run(program: str, stream: bytes, cut: Cut) -> bytes:
    command = [program, "-copy", "none", "-trim", *_OPERATION[cut.turn]]
    if cut.region is not None:
        box = cut.region
        command += ["-crop", f"{box.width}x{box.height}+{box.left}+{box.top}"]
    ran = subprocess.run(command, input=stream, capture_output=True, check=False)
    if ran.returncode != 0:
        words = " ".join(ran.stderr.decode("ascii", "replace").split())
        refuse_damaged(words, stream, fatal=ran.returncode != _WARNINGS_ONLY)
    return without_file_header(memoryview(ran.stdout))
