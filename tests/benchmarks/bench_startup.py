"""What ``archiver --help`` takes beside ``python -c "import click"``, in turns in one run.

One command: ``python tests/benchmarks/bench_startup.py [--brief] [--check]``

Prints medians of processor time in milliseconds, which a busy machine does not stretch, and the
median of the ratios of pairs that ran one after the other.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys

LIMIT = 1.3

HELP = ["-m", "archiver", "--help"]
CLICK = ["-c", "import click"]


def cost_ms(words: list[str]) -> float:
    """Return the processor time of a new interpreter."""
    process = subprocess.Popen([sys.executable, *words], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, words
    return (usage.ru_utime + usage.ru_stime) * 1000


def main() -> int:
    """Measure, print, and with ``--check`` fail above the limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--brief", action="store_true", help="fewer repetitions")
    parser.add_argument("--check", action="store_true", help="exit 1 where the limit is passed")
    options = parser.parse_args()
    for words in (HELP, CLICK):
        cost_ms(words)  # compiles what was not compiled yet
    pairs = [(cost_ms(HELP), cost_ms(CLICK)) for _ in range(21 if options.brief else 101)]
    ratio = statistics.median(ours / theirs for ours, theirs in pairs)
    print(f"archiver --help  {statistics.median(ours for ours, _ in pairs):6.1f} ms")
    print(f"import click     {statistics.median(theirs for _, theirs in pairs):6.1f} ms")
    print(f"ratio            {ratio:6.2f}  (limit {LIMIT})")
    return 1 if options.check and ratio > LIMIT else 0


if __name__ == "__main__":
    sys.exit(main())
