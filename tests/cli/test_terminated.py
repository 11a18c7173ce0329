"""A verb that is asked to end keeps what it has done."""

from __future__ import annotations

import signal
import subprocess
import sys

PROGRAM = """
import sys, time
from archiver.cli import main as module

def run(words):
    kept = []
    try:
        print("begun", flush=True)
        time.sleep(60)
    finally:
        print("kept", flush=True)

sys.modules["archiver.cli.main"]._run = run
sys.exit(sys.modules["archiver.cli.main"].main())
"""


def test_sigterm_ends_a_verb_as_ctrl_c_does() -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "audit"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "begun\n"
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=30)
    assert out == "kept\n" and process.returncode == 1
    assert err.startswith("archiver: stopped") and len(err.splitlines()) == 1
