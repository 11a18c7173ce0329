"""Everything at once, for long: ``python -m tests.soak --minutes 30``.

Senders, readers, page users, and each verb that writes once a minute, at one server; a backup in
the middle. At the end everything that was confirmed is there and valid, the backup restores sound,
and memory and open files of the server are flat. The status is 1 where any of it is not so.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.soak.soak import Soak, demand_flat


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--senders", type=int, default=8)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        report = Soak(Path(folder), senders=given.senders).run(60 * given.minutes)
    demand_flat(report)
    print("\n".join(report.lines()))
    return 1 if report.faults else 0


if __name__ == "__main__":
    sys.exit(main())
