"""How many one-token mutants the tests let live.

    python -m tests.mutation --seed 1 --count 300

Chooses mutants of the rooms that decide what an object says and how it is kept (cosmic-ray makes
them), puts one after the other into a copy of the checkout and runs the tests that the trace of one
run over all of them found to reach the line. Kept in `.mutation`: the copy, the trace, and one line
of results a mutant, so that a run that was ended goes on. Give `--afresh` when anything changed.

Left out are the tests that kill processes, and all that lie outside the folders named below: what
only they could notice counts as survived.
"""

from __future__ import annotations

import argparse
import difflib
import json
import os
import shutil
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path

from tests.mutation.covering import Covering
from tests.mutation.mutants import Mutant, choose
from tests.mutation.tracing import Tracer
from tests.mutation.trial import Chosen, load_libraries, run

REPOSITORY = Path(__file__).resolve().parents[2]
FOLDER = REPOSITORY / ".mutation"
TREE = FOLDER / "tree"
MUTATED = (
    "archiver/dentition/*.py",
    "archiver/objects/*.py",
    "archiver/standard/*.py",
    "archiver/archive/**/*.py",
)
TESTS = (
    "tests/dentition",
    "tests/objects",
    "tests/standard",
    "tests/test_library.py",
    "tests/archive",
    "tests/cli/test_wrap.py",
    "tests/cli/test_amend.py",
    "--ignore-glob=*killed*",
)


def copy() -> None:
    """Make the copy: what git knows of the checkout, as it stands."""
    shutil.rmtree(FOLDER, ignore_errors=True)
    listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    names = subprocess.run(listed, cwd=REPOSITORY, capture_output=True, check=True, text=True)
    for name in filter(None, names.stdout.split("\0")):
        if (REPOSITORY / name).is_file():
            (TREE / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(REPOSITORY / name, TREE / name)


def trace() -> None:
    """Run all tests once, and note which lines each of them reaches."""
    print("tracing the tests, once", file=sys.stderr)
    tracer = Tracer(FOLDER, [str(TREE / pattern) for pattern in MUTATED])
    run(TREE, list(TESTS), tracer, FOLDER / "trace.log", 7200)
    print((FOLDER / "trace.log").read_text("utf-8")[-300:], file=sys.stderr)


def judge(mutant: Mutant, covering: Covering, budget: float) -> dict[str, object]:
    """Put one mutant in, run its tests, take it out; the budget is in seconds of the trace."""
    file, note = TREE / mutant.path, FOLDER / "failed"
    text = file.read_text("utf-8")
    tests = covering.tests(mutant.path, text, mutant.line, budget)
    limit = 20 + 3 * sum(map(covering.seconds.__getitem__, tests))
    changed = mutant.applied(text)
    note.unlink(missing_ok=True)
    begun = time.monotonic()
    try:
        file.write_text(changed, "utf-8")
        names = list(dict.fromkeys(test.partition("::")[0] for test in tests))
        words = ["-x", *names]
        status = run(TREE, words, Chosen(tests, note), FOLDER / "log", limit) if tests else 0
    finally:
        file.write_text(text, "utf-8")
    diff = [*difflib.unified_diff(text.splitlines(), changed.splitlines(), lineterm="", n=0)][3:]
    return {
        **asdict(mutant),
        "outcome": {0: "survived", None: "timeout"}.get(status, "killed"),
        "by": note.read_text("utf-8") if note.exists() else f"status {status}",
        "tests": len(tests),
        "seconds": round(time.monotonic() - begun, 1),
        "diff": diff,
    }


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--budget", type=float, default=60, help="seconds of tests for a mutant")
    parser.add_argument("--afresh", action="store_true", help="copy and trace again first")
    options = parser.parse_args()
    if options.afresh or not (FOLDER / "tests.json").exists():
        copy()
        trace()
    covering = Covering.read(FOLDER, TREE)
    paths = sorted({p.relative_to(TREE).as_posix() for one in MUTATED for p in TREE.glob(one)})
    results = FOLDER / f"results-{options.seed}.jsonl"
    known = [json.loads(line) for line in results.open()] if results.exists() else []
    done = {(one["path"], one["operator"], one["occurrence"]) for one in known}
    # What was compiled of the original stays; nothing of a mutant does.
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.dont_write_bytecode = True
    load_libraries()
    for mutant in choose(TREE, paths, options.seed, options.count):
        if (mutant.path, mutant.operator, mutant.occurrence) in done:
            continue
        found = judge(mutant, covering, options.budget)
        known.append(found)
        with results.open("a") as file:
            file.write(json.dumps(found) + "\n")
        print(f"{len(known)} {found['outcome']} {mutant.path}:{mutant.line}", file=sys.stderr)
    lived = [one for one in known if one["outcome"] == "survived"]
    for one in lived:
        print(f"{one['path']}:{one['line']}", *one["diff"], "", sep="\n")
    print(f"seed {options.seed}: {len(known)} mutants, {len(lived)} survived")
    return 0 if len(lived) <= len(known) / 10 else 1


if __name__ == "__main__":
    sys.exit(main())
