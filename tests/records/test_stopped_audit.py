"""An audit that is stopped keeps what it has read."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest
from archive_samples import NOON, Clock, incoming

from archiver.archive.store.archive import Archive
from archiver.archive.store.layout import Layout
from archiver.records.archive_survey import survey_archive
from archiver.records.audit_memory import Memory
from archiver.records.examination import Depth
from archiver.records.survey import Survey


def test_the_next_audit_goes_on_where_a_stopped_one_had_come(tmp_path: Path) -> None:
    root, memory = tmp_path / "archive", tmp_path / "memory.sqlite"
    with Archive.open(root, clock=Clock()) as archive:
        archive.put([incoming(number, teeth=("36",), view="occlusal") for number in range(12)])

    def audit(stop_at: int = 0) -> Survey:
        def each(count: int, total: int) -> None:
            assert total == 12
            if count == stop_at:
                raise KeyboardInterrupt  # as SIGTERM does

        with closing(Memory(memory, str(root))) as kept:
            return survey_archive(Layout(root), Depth.OBJECTS, kept, NOON, each=each)

    with pytest.raises(KeyboardInterrupt):
        audit(stop_at=7)
    then = audit()
    assert (then.remembered, then.read) == (7, 5)
    assert {c.kind for c in then.concerns} <= {"settings-changed"}
    assert len(then.facts) == len(then.instances) == 12
