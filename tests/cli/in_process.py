"""The command line run within the process of the test, which spares a start of Python."""

from __future__ import annotations

import contextlib
import io
import subprocess

from archiver.cli.main import main


def archiver(*words: object) -> subprocess.CompletedProcess[str]:
    """Run a verb; return its status and what it said."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([str(word) for word in words])
    return subprocess.CompletedProcess(words, status, out.getvalue(), err.getvalue())
