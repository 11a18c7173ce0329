"""A short soak; the long one is ``python -m tests.soak --minutes 30``."""

from __future__ import annotations

from pathlib import Path

from tests.soak.soak import Soak


def test_everything_at_once_loses_nothing_and_a_backup_of_it_restores_sound(
    tmp_path: Path,
) -> None:
    report = Soak(tmp_path, senders=3, every=20.0).run(20.0)
    assert not report.faults, "\n".join(report.lines())
    assert report.done["backup"] == 1 and report.confirmed > 5
