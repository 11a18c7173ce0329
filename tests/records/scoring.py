"""How well an audit finds what is wrong: precision and recall by kind of fault.

::

    .venv/bin/python tests/records/scoring.py                     # a fresh seed, 2,000 instances
    .venv/bin/python tests/records/scoring.py --instances 600 --seed 11 --seed 12
"""

# ruff: noqa: E402 - run as a script, it finds the samples of other rooms by itself
from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

for _room in ("objects", "archive"):
    sys.path.append(str(Path(__file__).parents[1] / _room))

import faults_of_meaning
import faults_of_pictures
import faults_of_storage
from fault_scene import FAULTS, Put, Scene
from made_up_archive import AUDITED, EPISODE_RULES, RULES, World, fill, write_episodes

from archiver.archive.store.layout import Layout
from archiver.priors.findings import SideFinding
from archiver.priors.findings import keep_findings as keep
from archiver.records.archive_survey import survey_archive
from archiver.records.audit import Audit, AuditRun, run_audit
from archiver.records.audit_memory import Memory
from archiver.records.episodes import read_episodes
from archiver.records.examination import Depth
from archiver.records.model import Concern
from archiver.records.rules.rule_reader import read_rules
from archiver.records.rules.rule_set import RuleSet
from archiver.vision import QualityLimits

assert faults_of_meaning.FAULTS is faults_of_pictures.FAULTS is FAULTS


def rules(folder: Path) -> tuple[RuleSet, ...]:
    """The rule sets of the made-up archive."""
    sets = []
    for name, text in (("visits", RULES), ("episodes", EPISODE_RULES)):
        path = folder / f"{name}.toml"
        path.write_text(text, "utf-8")
        sets.append(read_rules(path))
    return tuple(sets)


def faulty(
    seed: int, folder: Path, instances: int, kinds: Sequence[str], each: int = 1
) -> tuple[Scene, Path, int]:
    """Make an archive with faults of the kinds, and sound patients up to the number."""
    scene = Scene(World(seed))
    for kind in scene.world.rng.permutation(list(kinds) * each):
        FAULTS[str(kind)](scene)
    faulted = {label for put in scene.put for label in put.patients}
    planned = sum(len(s.photograph.view.value) > 14 for c in scene.cases for s in c.shots)
    planned += sum(len(c.shots) for c in scene.cases)
    while planned < instances:
        scene.cases.append(scene.world.case())
        planned += 5
    sound = [case for case in scene.cases if case.label not in faulted and case.rows]
    for case in sound[:: max(1, len(sound) // 10)]:
        scene.radiograph(case)
    root = folder / "archive"
    shots = [shot for case in scene.cases for shot in case.shots]
    order = scene.world.rng.permutation(len(shots))
    count = fill(
        root, [shots[n] for n in order], scene.others, scene.notes, unheeded=scene.unheeded
    )
    for change in scene.after:
        change(root)
    faults_of_storage.fill_outbox(scene, root)
    _note_findings(scene, root)
    return scene, root, count


def _note_findings(scene: Scene, root: Path) -> None:
    """Keep findings as comparing does: every picture passed once, and the last check counts."""
    shots = [case.shots[0] for case in scene.cases]
    passed = [SideFinding(shot.uids[0], "passed", "") for shot in shots if shot.uids]
    last = [
        SideFinding(found["shot"].uids[0], str(found["outcome"]), "")  # type: ignore[attr-defined]
        for found in scene.findings
    ]
    first = [SideFinding(one.sop, "failed", "") for one in passed]
    for hours, told in ((3, first), (2, passed), (1, last)):
        keep(root, told, time=AUDITED - timedelta(hours=hours), by="compare")


def audited(scene: Scene, root: Path, folder: Path) -> Audit:
    """Audit the archive as the verb does at its greatest depth."""
    write_episodes(folder / "done.csv", _rows(scene))
    survey = survey_archive(Layout(root), Depth.PICTURES, Memory(None, ""), AUDITED)
    return run_audit(
        survey,
        rules(folder),
        read_episodes(folder / "done.csv", today=AUDITED.date()),
        AuditRun(AUDITED, "auditor", "0"),
        quality=QualityLimits(),
        archive=root,
    )


def _rows(scene: Scene) -> list[list[str]]:
    return [r for case in scene.cases for r in case.rows] + scene.rows


def _is_at(concern: Concern, put: Put, lines: dict[str, str]) -> bool:
    """Whether a concern is about the very thing to which a fault was done."""
    if concern.path in put.paths or any(lines.get(path) == concern.path for path in put.paths):
        return True
    if put.shots:
        return bool(put.uids & set(concern.uids))
    return concern.patient in put.patients


_LAPSED = ("side-unconfirmed", "confirmer-not-allowed")


@dataclass
class Score:
    """Faults found and missed, and findings invented, by kind."""

    found: Counter[str]
    missed: Counter[str]
    invented: Counter[str]
    words: list[str]

    def lines(self) -> list[str]:
        """The table, one line a kind."""
        rows = [f"{'kind':<30} {'put in':>6} {'found':>6} {'invented':>8} {'precision':>9} recall"]
        for kind in sorted(FAULTS.keys() | self.invented.keys()):
            hits, lost, extra = self.found[kind], self.missed[kind], self.invented[kind]
            precision = f"{hits / (hits + extra):.3f}" if hits + extra else "-"
            recall = f"{hits / (hits + lost):.3f}" if hits + lost else "-"
            rows.append(
                f"{kind:<30} {hits + lost:>6} {hits:>6} {extra:>8} {precision:>9} {recall:>6}"
            )
        return rows


def scored(scene: Scene, audit: Audit) -> Score:
    """Compare what was put in with what was found.

    A finding is no invention where a fault of its kind lies at its place and has not been told
    of often enough yet, or where it follows from another fault of the same patient.
    """
    lines = {f"row of {r[0]}": f"done.csv, line {n}" for n, r in enumerate(_rows(scene), start=2)}
    score = Score(Counter(), Counter(), Counter(), [])
    left = {id(put): put.times for put in scene.put}
    # What was changed after somebody had looked at it is confirmed no more.
    tweaked = {uid for case in scene.cases for s in case.shots if s.tweaks for uid in s.uids}
    for concern in audit.concerns:
        mine = [p for p in scene.put if p.kind == concern.kind and _is_at(concern, p, lines)]
        due = next((p for p in mine if left[id(p)] > 0), None)
        if due is not None:
            left[id(due)] -= 1
        elif not any(concern.kind in p.also and _follows(concern, p) for p in scene.put) and not (
            concern.kind in _LAPSED and tweaked & set(concern.uids)
        ):
            score.invented[concern.kind] += 1
            score.words.append(str(concern))
    for put in scene.put:
        if left[id(put)] > 0:
            score.missed[put.kind] += 1
            score.words.append(f"MISSED {left[id(put)]} of {put.times}: {put.kind} {put.patients}")
        else:
            score.found[put.kind] += 1
    return score


def _follows(concern: Concern, put: Put) -> bool:
    return concern.patient in put.patients or concern.path in put.paths


def main() -> int:
    """Print the table for each seed; fail where anything is missed or invented."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, action="append", default=[])
    parser.add_argument("--instances", type=int, default=2000)
    parser.add_argument("--each", type=int, default=3, help="faults of each kind")
    options = parser.parse_args()
    worst = 0
    for seed in options.seed or [secrets.randbelow(10**6)]:
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder)
            scene, root, count = faulty(seed, place, options.instances, [*FAULTS], options.each)
            score = scored(scene, audited(scene, root, place))
        print(f"seed {seed}: {count} instances, {len(FAULTS)} kinds, {len(scene.put)} faults")
        print("\n".join(score.lines() + score.words[:30]), flush=True)
        worst |= bool(score.missed or score.invented)
    return worst


if __name__ == "__main__":
    sys.exit(main())
