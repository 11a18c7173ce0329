"""A small request costs the node a little memory and time, and nobody else anything.

``python -m tests.network.bomb_table`` throws the same at full size and prints what each costs.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator

import pytest

from tests.network.bomb_watch import Watch, exchange, set_off
from tests.network.bombs import Request, bombs
from tests.network.node_serving import TITLE, Served

#: Megabytes that the node and its workers may take above what they have when idle.
_MOST = 300
_BOMBS = bombs(brief=True)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with Served(tmp_path_factory.mktemp("bombs") / "archive") as one:
        yield one


def idle_wait(port: int) -> float:
    """Return how long a question takes on this machine now, in seconds."""
    waits = []
    for _ in range(5):
        began = time.monotonic()
        exchange(port, Request("GET", "/health"), root="")
        waits.append(time.monotonic() - began)
    return statistics.median(waits)


@pytest.mark.parametrize("name", _BOMBS)
def test_a_bomb_is_refused_and_nobody_else_waits(served: Served, name: str) -> None:
    web = int(served.web.rpartition(":")[2])
    patience = max(1.0, 50 * idle_wait(web))
    watch = Watch(served.process.pid, web, served.port, TITLE)
    cost = set_off(watch, web, _BOMBS[name]())
    assert served.process.poll() is None
    assert cost.node < _MOST
    assert cost.node + cost.workers < _MOST
    assert cost.descriptors < 200
    assert max(cost.health, cost.echo) < patience
    assert all(status < 500 for status in cost.statuses), cost.statuses
    if not name.endswith("held open"):
        assert cost.statuses[-1] >= 400, "the last request is refused"
