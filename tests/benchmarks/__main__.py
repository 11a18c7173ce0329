"""Runs every benchmark: ``python -m tests.benchmarks [--brief] [--check]``.

Ratios are taken inside one run of one script, so that a busy machine slows both sides of them.
``--check`` fails where a limit of the project is passed; ``--brief`` measures less.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def main() -> int:
    """Run each ``bench_*.py`` and `real_photographs` with the same arguments; fail if one fails."""
    worst = 0
    here = Path(__file__).parent
    for script in (*sorted(here.glob("bench_*.py")), here / "real_photographs.py"):
        print(f"== {script.stem}", flush=True)
        worst |= subprocess.run([sys.executable, str(script), *sys.argv[1:]]).returncode
    return worst


if __name__ == "__main__":
    sys.exit(main())
