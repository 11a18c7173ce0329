"""What is made once stays as it was made."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator

import pytest

#: What is collected while something is read or worked through, by the module that does so.
COLLECTED = {
    "archiver.archive.kept_objects.RebuildFindings",
    "archiver.archive.store.ingest_decision.Decided",
    "archiver.archive.store.writer.WriterHealth",
    "archiver.objects.sheet_reader.SheetReader",
    "archiver.objects.table_reader.TableReader",
}
ROOMS = ("dentition", "objects", "standard", "archive")


def dataclasses_of(room: str) -> Iterator[type]:
    package = importlib.import_module(f"archiver.{room}")
    for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
        for value in vars(importlib.import_module(found.name)).values():
            is_of = isinstance(value, type) and value.__module__ == found.name
            if is_of and hasattr(value, "__dataclass_params__"):
                yield value


@pytest.mark.parametrize("room", ROOMS)
def test_a_dataclass_is_frozen_unless_it_collects(room: str) -> None:
    thawed = {
        f"{one.__module__}.{one.__qualname__}"
        for one in dataclasses_of(room)
        if not one.__dataclass_params__.frozen  # type: ignore[attr-defined]
    }
    assert thawed == {name for name in COLLECTED if name.split(".")[1] == room}
