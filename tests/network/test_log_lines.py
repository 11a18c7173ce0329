"""A log that nobody reads costs lines, and not the server."""

from __future__ import annotations

import fcntl
import json
import os
from pathlib import Path

import httpx

from archiver.network.node.log_lines import LogLines
from tests.fuzz import dimse
from tests.network.node_serving import Served

#: The least that a pipe of Linux holds: fcntl(2), F_SETPIPE_SZ.
_SMALL = 4096


def test_lines_that_nobody_reads_are_dropped_and_counted() -> None:
    reading, writing = os.pipe()
    fcntl.fcntl(writing, fcntl.F_SETPIPE_SZ, _SMALL)
    lines = LogLines(writing)
    for number in range(3000):
        lines.put(f"line {number}", lambda count: f"dropped {count}")
    assert lines.dropped > 500
    told = b""
    while b"last" not in told:
        if b"line 500" in told:  # the reader has come back
            lines.put("last", lambda count: f"dropped {count}")
        told += os.read(reading, 65536)
    found = told.decode().splitlines()
    assert [one for one in found if one[:4] != "drop"][:2] == ["line 0", "line 1"]
    assert sum(int(one[8:]) for one in found if one.startswith("dropped")) == lines.dropped
    os.close(reading)
    lines.put("nobody", str)
    lines.wait(10)
    assert not lines._waiting.unfinished_tasks


def test_a_server_whose_log_nobody_reads_serves_on_and_ends(tmp_path: Path) -> None:
    with Served(tmp_path / "archive", "[node.limits]\nnegotiation_seconds = 1.0\n") as one:
        assert one.process.stderr is not None
        fcntl.fcntl(one.process.stderr, fcntl.F_SETPIPE_SZ, _SMALL)
        told = dimse.fuzz(one.port, 3, 80)  # each has a line or more
        assert not told.hung
        assert httpx.get(one.web + "/health").status_code == 200
        assert "archiver_log_lines_dropped 0.0" in httpx.get(one.web + "/metrics").text
        one.process.terminate()
        assert one.process.wait(60) == 0
        _, log = one.process.communicate()
    assert 2000 < len(log) <= _SMALL
    assert [json.loads(line)["event"] for line in log.splitlines()[:2]]
