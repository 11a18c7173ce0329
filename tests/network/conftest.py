"""What holds for every test of the network.

pynetdicom, which plays the peer in many of these tests, leaves the socket of an association that
was aborted to the garbage collector; when that happens is chance, and Python then warns. Only
that warning is let pass here, and what is left over is collected before another room's tests run.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from pathlib import Path

import pytest

_HERE = Path(__file__).parent
_LEFT_SOCKETS = pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <socket.socket:pytest.PytestUnraisableExceptionWarning"
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.is_relative_to(_HERE):
            item.add_marker(_LEFT_SOCKETS)


@pytest.fixture(scope="module", autouse=True)
def nothing_left_behind() -> Iterator[None]:
    yield
    gc.collect()
