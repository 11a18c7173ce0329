"""What one task on bytes from outside may take; the program sets it once, from its settings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True)
class Allowance:
    """Limits of one task.

    Parameters
    ----------
    memory
        Bytes above those of an idle worker.
    seconds
        Of the processor.
    pixels
        Rows x columns of one picture or frame, as its header tells them.
    scans
        Of one JPEG. A decoder goes over all pixels once for each; encoders write ten or so.
    inflated
        Bytes of an object in Deflated Explicit VR Little Endian, once inflated.
    """

    memory: int = 2 << 30
    seconds: float = 60.0
    pixels: int = 120_000_000
    scans: int = 100
    inflated: int = 64 << 20


_now: Allowance | Callable[[], Allowance] = Allowance()


def allowance() -> Allowance:
    """Return what holds in this process."""
    global _now
    if not isinstance(_now, Allowance):
        _now = _now()
    return _now


def allow(one: Allowance) -> None:
    """Set what holds in this process from now on."""
    global _now
    _now = one


@contextmanager
def allowed(source: Callable[[], Allowance]) -> Iterator[None]:
    """Let hold, in this process and its workers, what is only asked for when it is needed."""
    global _now
    before, _now = _now, source
    try:
        yield
    finally:
        _now = before
