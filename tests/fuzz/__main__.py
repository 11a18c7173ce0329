"""Many requests that nobody should send: ``python -m tests.fuzz --requests 20000 --seed 1``.

The status is 1 where one of them is answered with 5xx, hangs, makes the node fail or grow.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.fuzz.campaign import run


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--requests", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        told = run(Path(folder), given.seed, given.requests)
    print("\n".join(told.lines()))
    return 1 if told.faults else 0


if __name__ == "__main__":
    sys.exit(main())
