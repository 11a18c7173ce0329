"""The memory that photographs under way may take stays bounded."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

from hypothesis import given, settings
from hypothesis import strategies as st

from archiver.archive.ingest.memory_budget import MemoryGate


@settings(max_examples=30, deadline=None)
@given(sizes=st.lists(st.integers(1, 150), min_size=1, max_size=20))
def test_what_is_inside_fits_or_is_alone_and_everything_gets_in(sizes: list[int]) -> None:
    gate, inside, guard = MemoryGate(100), [], threading.Lock()
    crowded = []

    def work(size: int) -> int:
        with gate.room_for(size):
            with guard:
                inside.append(size)
                if len(inside) > 1 and sum(inside) > 100:
                    crowded.append(list(inside))
            threading.Event().wait(0.001)
            with guard:
                inside.remove(size)
        return size

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(work, sizes)) == sizes
    assert crowded == []


def test_room_is_given_back_when_the_work_fails() -> None:
    gate = MemoryGate(100)
    try:
        with gate.room_for(100):
            raise ValueError
    except ValueError:
        pass
    with gate.room_for(100):
        pass
