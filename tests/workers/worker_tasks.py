"""What the tests have workers do."""

from __future__ import annotations

import os
import signal
import time

import numpy as np

from archiver.errors import ObjectError, PhotoError
from archiver.workers.pool import confined


def double(number: int) -> int:
    return 2 * number


def process() -> int:
    return os.getpid()


def swallow(megabytes: int) -> int:
    return len(bytearray(megabytes << 20))


def picture(rows: int, columns: int) -> np.ndarray:
    return np.full((rows, columns, 3), 7, np.uint8)


def spin(seconds: float) -> None:
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass


def nap(seconds: float) -> None:
    time.sleep(seconds)


def crash() -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def stumble() -> None:
    raise KeyError("Okafor^Nadia")


def refuse() -> None:
    raise PhotoError("photo.jpeg.no_stream")


@confined(ObjectError)
def where(*, of: str) -> tuple[str, int, int]:
    """Call another function that is confined from within a worker."""
    return of, os.getpid(), inner()


@confined(ObjectError)
def inner() -> int:
    return os.getpid()
