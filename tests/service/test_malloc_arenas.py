"""The server's memory: threads that come and go share what others gave back."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

from tests.network.node_serving import Served

#: HEAP_MAX_SIZE of glibc's arena.c on 64 bits: an arena is reserved, and aligned, by so much.
_HEAP = 64 << 20


def arenas_of(pid: int) -> int:
    """Count the arenas of a process beside its first: what they use, and the rest reserved."""
    maps = Path(f"/proc/{pid}/maps").read_text().splitlines()
    found = [re.match(r"([0-9a-f]+)-([0-9a-f]+) (\S+) \S+ \S+ 0\s*$", line) for line in maps]
    parts = [(int(one[1], 16), int(one[2], 16), one[3]) for one in found if one]
    return sum(
        begin % _HEAP == 0 and (middle, reserved) == (end, "---p") and last <= begin + _HEAP
        for (begin, end, _), (middle, last, reserved) in pairwise(parts)
    )


def test_all_threads_of_a_server_share_one_arena(tmp_path: Path) -> None:
    with Served(tmp_path / "archive") as served:
        threads = len(list(Path(f"/proc/{served.process.pid}/task").iterdir()))
        assert threads > 4
        assert arenas_of(served.process.pid) == 1
