"""Hands over in a process of its own, so that it can be killed; waits for a line to begin."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from handover_samples import NOW, opened, order

from archiver.handover.package import hand_over

if __name__ == "__main__":
    folder, case, zipped = Path(sys.argv[1]), sys.argv[2], sys.argv[3] == "zip"
    target = folder / "out" / (f"{case}.zip" if zipped else case)
    print("ready", flush=True)
    sys.stdin.readline()
    with opened(folder) as archive:
        hand_over(archive, order(folder, case=case, target=target, zipped=zipped), NOW)
