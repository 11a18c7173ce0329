"""Verbs run on a terminal, as somebody at a keyboard sees them."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from collections.abc import Mapping


def on_a_terminal(*words: object, env: Mapping[str, str] = os.environ) -> tuple[int, bytes]:
    """Run a verb on a terminal; return its status and what the terminal got."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "archiver", *map(str, words)],
        env=dict(env),
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    ) as process:
        os.close(theirs)
        got = b"".join(_pieces(ours))
    os.close(ours)
    return process.returncode, got


def _pieces(terminal: int) -> list[bytes]:
    pieces: list[bytes] = []
    while True:
        try:
            piece = os.read(terminal, 65536)
        except OSError:  # Linux: the other side was closed
            return pieces
        if not piece:
            return pieces
        pieces.append(piece)
