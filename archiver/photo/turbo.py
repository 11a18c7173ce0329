"""Where libjpeg-turbo is found: the system's own first, then the one in a wheel.

Of the wheel ``turbojpeg`` only the library inside it is used: its binding holds the GIL while it
works, and says of no licence of its own.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import functools
import importlib.util
from collections.abc import Iterator
from pathlib import Path

from archiver.photo.turbo_2 import Turbo2
from archiver.photo.turbo_3 import Turbo


@functools.cache
def load_turbo() -> Turbo | None:
    """Load libjpeg-turbo 3 or 2.1, or return None where there is neither on this machine."""
    return choose_turbo(system_libraries(), bundled_libraries())


def choose_turbo(system: Iterator[str], bundled: Iterator[str]) -> Turbo | None:
    """Load the first library that can be used: of the system, of either release, else of a wheel.

    Parameters
    ----------
    system, bundled
        Paths to try.
    """
    old: ctypes.CDLL | None = None
    for path in system:
        try:
            library = ctypes.CDLL(path)
        except OSError:
            continue
        if hasattr(library, "tj3Transform"):
            return Turbo(library)
        if hasattr(library, "tjTransform") and hasattr(library, "tjGetErrorStr2"):
            old = old or library
    new = next(_release_3(bundled), None)
    return new if old is None else Turbo2(old, new)


def _release_3(paths: Iterator[str]) -> Iterator[Turbo]:
    for path in paths:
        try:
            yield Turbo(ctypes.CDLL(path))
        except (OSError, AttributeError):
            continue  # not loadable here, or a release before 3.0


def system_libraries() -> Iterator[str]:
    """Yield the library that the system's linker finds."""
    found = ctypes.util.find_library("turbojpeg")
    if found is not None:
        yield found


def bundled_libraries() -> Iterator[str]:
    """Yield where the library lies in the wheel, beside its module."""
    spec = importlib.util.find_spec("turbojpeg")
    if spec is None or not spec.origin:
        return
    beside = Path(spec.origin).parent
    # auditwheel (Linux), delocate (macOS), and the flat layout of the Windows wheel.
    for pattern in (
        "turbojpeg.libs/*turbojpeg*",
        "turbojpeg.dylibs/*turbojpeg*",
        "turbojpeg-*.dll",
    ):
        yield from (str(path) for path in sorted(beside.glob(pattern)))
