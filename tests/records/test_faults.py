"""Faults of every kind in a made-up archive: all found, none invented, whatever the seed.

Other seeds: ``ARCHIVER_AUDIT_SEEDS=1,2,3``. The full table, on archives of 2,000 instances and
seeds drawn anew, comes from ``tests/records/scoring.py``.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from fault_scene import FAULTS
from scoring import audited, faulty, scored

from archiver.records.kinds import all_kinds, kind_of
from archiver.records.model import Concern

SEEDS = [int(s) for s in os.environ.get("ARCHIVER_AUDIT_SEEDS", "71830").split(",")]
#: Kinds that are about the whole archive, or need a table; tests of their own put them in.
WHOLE = {"index-behind", "index-damaged", "instance-twice", "journal-broken", "journal-shortened"}
WHOLE |= {"statements-broken", "package-outside", "settings-changed", "retention-held"}
WHOLE |= {
    "head-differs",
    "head-missing",
    "head-broken",
    "clock-set-back",
    "deleted-object-back",
    "episodes-overlap",
}


@pytest.mark.parametrize("seed", SEEDS)
def test_every_fault_is_found_and_none_invented(seed: int, tmp_path: Path) -> None:
    scene, root, count = faulty(seed, tmp_path, 0, list(FAULTS))
    score = scored(scene, audited(scene, root, tmp_path))
    told = [f"seed {seed}, {count} instances", *score.words]
    assert len(FAULTS) >= 40
    assert not score.missed, "\n".join(told)
    assert not score.invented, "\n".join(told)


def test_a_sound_archive_has_nothing_to_be_told(tmp_path: Path) -> None:
    scene, root, _ = faulty(SEEDS[0], tmp_path, 60, [])
    audit = audited(scene, root, tmp_path)
    assert [str(c) for c in audit.concerns] == []
    assert audit.passes
    assert audit.tally.required and audit.tally.percent == "100 %"


def test_every_kind_that_an_audit_knows_is_put_in() -> None:
    assert set(all_kinds()) - set(FAULTS) == WHOLE
    assert kind_of(Concern("object-missing", "")).fails
