"""How many one-token mutants the tests let live.

    python -m tests.mutation --seed 1 --count 300
    python -m tests.mutation --seed 1 --rooms dentition objects   # by the tests of these rooms
    python -m tests.mutation --seed 1 --retry          # the survivors, by the tests of now
    python -m tests.mutation --seed 1 --retry tests/standard/test_values.py

Chooses mutants of the rooms that decide what an object says and how it is kept (cosmic-ray makes
them), puts one after the other into a copy of the checkout and runs the tests that the trace of one
run over all of them found to reach the line. Kept in `.mutation`: the copy, the trace, and one line
of results a mutant, so that a run that was ended goes on, while it traces, too. Tests are those of
now, and only files of tests that changed are traced again; give `--afresh` when sources changed.

Left out are the tests that kill processes, and all that lie outside the folders named below: what
only they could notice counts as survived.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections import Counter
from pathlib import Path

from tests.mutation.campaign import Campaign
from tests.mutation.trial import load_libraries

REPOSITORY = Path(__file__).resolve().parents[2]
#: What is mutated of each room, and the tests that judge it.
ROOMS = {
    "dentition": ("archiver/dentition/*.py", ("tests/dentition",)),
    "objects": ("archiver/objects/*.py", ("tests/objects",)),
    "standard": ("archiver/standard/*.py", ("tests/standard",)),
    "archive": (
        "archiver/archive/**/*.py",
        ("tests/archive", "tests/cli/test_wrap.py", "tests/cli/test_amend.py"),
    ),
}
WITH_ALL = ("tests/test_library.py",)
LOOKING = ("tests/test_dataclasses.py", "tests/archive/test_index_tables.py")


def main() -> int:
    """Run the command."""
    words = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser("tests.mutation", description=__doc__, formatter_class=words)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--budget", type=float, default=60, help="seconds of tests for a mutant")
    parser.add_argument("--afresh", action="store_true", help="copy and trace again first")
    parser.add_argument("--retry", nargs="*", metavar="TEST", help="judge survivors again")
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=list(ROOMS), metavar="ROOM")
    options = parser.parse_args()
    rooms = [name for name in ROOMS if name in options.rooms]
    mutated = tuple(ROOMS[name][0] for name in rooms)
    tests = tuple(test for name in rooms for test in ROOMS[name][1])
    part = "".join(f"-{name}" for name in rooms)
    if len(rooms) == len(ROOMS):
        tests, part = (*tests, *WITH_ALL), ""
    tests = (*tests, "--ignore-glob=*killed*")
    campaign = Campaign(REPOSITORY, mutated, tests, options.seed, LOOKING, part)
    if options.afresh or not campaign.is_begun:
        campaign.begin()
    # What was compiled of the original stays; nothing of a mutant does.
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.dont_write_bytecode = True
    # Ended in order: no test goes on, and the mutant is taken out.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    load_libraries()
    if options.retry is None:
        campaign.judge(options.count, options.budget)
    else:
        campaign.retry(options.retry, options.budget)
    judged = campaign.judged()
    lived = [one for one in judged if one.outcome == "survived"]
    print(*lived, sep="\n\n")
    counts = ", ".join(f"{n} {name}" for name, n in Counter(o.outcome for o in judged).items())
    print(f"seed {options.seed}: {len(judged)} mutants: {counts}")
    return 0 if len(lived) <= len(judged) / 10 else 1


if __name__ == "__main__":
    sys.exit(main())
