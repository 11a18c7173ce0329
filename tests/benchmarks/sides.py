"""Which way round real photographs are told to lie: the side verdict alone, in numbers that count.

    python -m tests.benchmarks.sides FOLDER --kept FILE [--visits 50] [--strangers 150] [--jobs 1]

FOLDER as `real_photographs` has it. Of every mouth N second visits are made by known warps, turn
about of its photographs, and stand as they are, reflected and turned by half; real second takes of
one view likewise; pairs of two mouths stand as they are and reflected. Each trial is a line of
FILE, so that an interrupted run goes on where it stopped; the table is of all of them.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from archiver.vision.prepared import prepare
from archiver.vision.registration import Subject
from archiver.vision.turns import turns
from archiver.vision.wrong_way import Way, check
from tests.benchmarks.real_photographs import Picture, pictures, ready, told, ways
from tests.vision.second_visits import second_visit

VISIT, TAKE, STRANGERS = "second visits", "real second takes", "other mouths"
#: Least share of the visits and takes that stand wrongly of which it has to be told.
RECOGNISED = {VISIT: 0.97, TAKE: 0.85}


@dataclass(frozen=True)
class Trial:
    """A pair to be told: two photographs, or one and its second visit of a number."""

    kind: str
    newer: Picture
    prior: Picture
    number: int = 0

    @property
    def name(self) -> str:
        """What its line begins with."""
        return f"{self.kind}/{self.newer.name}/{self.prior.name}/{self.number}"

    def told(self) -> list[int] | list[str]:
        """Agreeing features of each turn; of strangers the verdicts, as they are and reflected."""
        cv2.setNumThreads(1)
        prior = ready(self.prior)
        if self.kind == STRANGERS:
            newer, alike = ready(self.newer), Subject(single=False)
            return [check(newer, one, alike).way.name for one in (prior, prior.reflected())]
        if self.kind == VISIT:
            newer = prepare(second_visit(self.newer.pixels, self.number).pixels)
        else:
            newer = ready(self.newer)
        counts = turns(newer, prior).counts
        if self.kind == TAKE and counts[2] > counts[0]:  # the camera was held the other way
            counts = np.concatenate([np.roll(counts[:4], -2), np.roll(counts[4:], -2)])
        return [int(one) for one in counts]


def trials(several: list[Picture], each: int, most: int) -> list[Trial]:
    """Every trial of a folder, those of one photograph after each other."""
    found = []
    for mouth in sorted({one.mouth for one in several}):
        its = [one for one in several if one.mouth == mouth]
        places = [(n % len(its), n // len(its)) for n in range(each)]
        for place, k in sorted(places):
            number = 1000 * several.index(its[place]) + k
            found.append(Trial(VISIT, its[place], its[place], number))
    pairs = list(itertools.combinations(several, 2))
    alike = [(one, other) for one, other in pairs if one.view == other.view]
    found += [Trial(TAKE, *pair) for pair in alike if pair[0].mouth == pair[1].mouth]
    strangers = [pair for pair in alike if pair[0].mouth != pair[1].mouth]
    step = max(1, len(strangers) // max(most, 1))
    return found + [Trial(STRANGERS, *pair) for pair in strangers[::step][:most]]


def _line(trial: Trial) -> str:
    return json.dumps([trial.name, trial.told()])


def table(done: dict[str, list[int] | list[str]]) -> bool:
    """Print what came of all trials; return whether the limits are kept."""
    kept = True
    for kind, least in RECOGNISED.items():
        mouths: dict[str, list[dict[str, Way]]] = {}
        for name, counts in done.items():
            if name.startswith(kind):
                mouth = name.split("/")[1].split(".")[0]
                mouths.setdefault(mouth, []).append(ways(np.array(counts, int)))
        found = [one for several in mouths.values() for one in several]
        for given, way in (("reflected", Way.REVERSED), ("half turned", Way.TURNED)):
            by_mouth = {m: sum(one[given] is way for one in its) for m, its in mouths.items()}
            note = ", ".join(f"{m} {n}" for m, n in by_mouth.items())
            seen = sum(by_mouth.values())
            told(f"{kind}: {given}, recognised", seen, len(found), note)
            kept &= seen >= least * len(found)
        alarms = sum(one["as it is"].contradicts for one in found)
        told(f"{kind}: false alarms as they are", alarms, len(found))
        kept &= alarms == 0
    verdicts = [way for name, both in done.items() if name.startswith(STRANGERS) for way in both]
    passed = sum(way == Way.SAME.name for way in verdicts)
    alarms = sum(way in (Way.REVERSED.name, Way.TURNED.name) for way in verdicts)
    told(f"{STRANGERS}: passed as the same", passed, len(verdicts))
    told(f"{STRANGERS}: told as reflected or turned", alarms, len(verdicts))
    return kept and passed + alarms == 0


def main() -> int:
    """Do what is left of the trials and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kept", type=Path, required=True)
    parser.add_argument("--visits", type=int, default=50)
    parser.add_argument("--strangers", type=int, default=150)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    wanted = trials(pictures(options.folder), options.visits, options.strangers)
    lines = options.kept.read_text("utf-8").splitlines() if options.kept.exists() else []
    done = dict(map(json.loads, lines))
    left = [one for one in wanted if one.name not in done]
    with (
        ProcessPoolExecutor(options.jobs) as pool,
        options.kept.open("a", encoding="utf-8") as file,
    ):
        for line in pool.map(_line, left, chunksize=8):
            print(line, file=file, flush=True)
            name, told_of = json.loads(line)
            done[name] = told_of
    kept = table({one.name: done[one.name] for one in wanted})
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
