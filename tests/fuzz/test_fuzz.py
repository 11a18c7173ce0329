"""Some hundred of the requests of ``python -m tests.fuzz``."""

from __future__ import annotations

from pathlib import Path

from tests.fuzz.campaign import run


def test_requests_that_nobody_should_send_are_answered_or_refused(tmp_path: Path) -> None:
    told = run(tmp_path, 7, 300, rounds=1)
    assert not told.faults, "\n".join(told.lines())
    assert told.sessions.sessions == 150 and told.cases > 70
    assert len(told.sessions.answered) > 3
