"""How a server that runs for months keeps its memory together, where the C library is glibc.

glibc gives threads arenas of their own, eight for each core, and what is freed in one is not used
by threads of another. A server makes threads for every association and request, so each arena came
to hold what the busiest moment had needed: memory grew for hours while Python held no object more.
"""

from __future__ import annotations

import ctypes
import sys
from contextlib import suppress

#: M_ARENA_MAX (mallopt(3)), as malloc.h of glibc 2.36 has it.
_ARENA_MAX = -8
#: One for the main thread, one for all others; what allocates much holds Python's lock anyway.
_ARENAS = 2


def share_arenas() -> None:
    """Have all threads that are started from now on share one arena; elsewhere do nothing."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):  # another C library has no such call
            ctypes.CDLL(None).mallopt(_ARENA_MAX, _ARENAS)
