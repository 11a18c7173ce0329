"""How well a made-up tree of old folders is read: precision and recall of each reason.

One command: ``python tests/legacy/legacy_scores.py [--files 5000]``. Fails where either is below 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from legacy_tree import TODAY, make_tree

from archiver.legacy.decisions import Decider
from archiver.legacy.import_memory import ImportMemory
from archiver.legacy.patient_register import PatientRegister
from archiver.legacy.patient_table import read_patients
from archiver.legacy.reasons import FileFate, ImportReason
from archiver.legacy.rules_reader import read_import_rules
from archiver.legacy.survey import decide_all, look_at_all


def main() -> int:
    """Make the tree, survey it and print the scores."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=5000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="legacy-") as name:
        tree = make_tree(Path(name), options.files)
        register = PatientRegister(read_patients(tree.people, today=TODAY))
        begun = time.perf_counter()
        with ImportMemory(Path(name) / "report") as memory:
            look_at_all(tree.root, memory, workers=2)
            looked = time.perf_counter()
            decide_all(memory, Decider(read_import_rules(tree.rules), register, TODAY), {})
            decided = time.perf_counter()
            found = {row.path: row.decision.reason for row in memory.rows() if row.decision}
    told: Counter[ImportReason] = Counter(found.values())
    true: Counter[ImportReason] = Counter(tree.truth.values())
    hits = Counter(reason for path, reason in found.items() if tree.truth.get(path) is reason)
    worst = 1.0
    for reason in sorted(told | true, key=list(ImportReason).index):
        precision = hits[reason] / told[reason] if told[reason] else 0.0
        recall = hits[reason] / true[reason] if true[reason] else 0.0
        worst = min(worst, precision, recall)
        print(f"{reason.value:22} {true[reason]:6}  precision {precision:.3f}  recall {recall:.3f}")
    fates = Counter(reason.fate for reason in found.values())
    print(f"{len(found)} files of {len(set(tree.kinds.values()))} kinds:", end=" ")
    print(", ".join(f"{fates[fate]} {fate.value}" for fate in FileFate))
    print(f"looked at in {looked - begun:.1f} s, decided in {decided - looked:.1f} s")
    return 0 if worst == 1.0 and found.keys() == tree.truth.keys() else 1


if __name__ == "__main__":
    sys.exit(main())
