"""A made-up tree whose truth is known: every file gets the reason that is true of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import pytest
from legacy_tree import TODAY, LegacyTree, make_tree
from pydicom import dcmread

from archiver.archive.ingest import IngestSettings
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Outcome
from archiver.legacy.decisions import Decider
from archiver.legacy.import_memory import ImportMemory
from archiver.legacy.patient_register import PatientRegister
from archiver.legacy.patient_table import read_patients
from archiver.legacy.reasons import KEPT_COPIES, FileFate, ImportReason
from archiver.legacy.rules_reader import read_import_rules
from archiver.legacy.survey import decide_all, look_at_all
from archiver.legacy.take_in import import_accepted


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> LegacyTree:
    return make_tree(tmp_path_factory.mktemp("legacy"), 180)


@pytest.fixture(scope="module")
def memory(tree: LegacyTree, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ImportMemory]:
    """What a dry run knows of the tree."""
    register = PatientRegister(read_patients(tree.people, today=TODAY))
    with ImportMemory(tmp_path_factory.mktemp("report")) as memory:
        look_at_all(tree.root, memory, workers=2)
        decide_all(memory, Decider(read_import_rules(tree.rules), register, TODAY), {})
        yield memory


def test_every_file_of_thirty_kinds_of_dirt_gets_its_reason(
    tree: LegacyTree, memory: ImportMemory
) -> None:
    found = {row.path: row.decision.reason for row in memory.rows() if row.decision is not None}
    assert len(set(tree.kinds.values())) >= 30
    told: Counter[ImportReason] = Counter(found.values())
    true: Counter[ImportReason] = Counter(tree.truth.values())
    hits = Counter(reason for path, reason in found.items() if tree.truth.get(path) is reason)
    wrong = {
        path: (one.name, found[path].name)
        for path, one in tree.truth.items()
        if one is not found[path]
    }
    assert not wrong
    scores = {reason: (hits[reason] / told[reason], hits[reason] / true[reason]) for reason in true}
    assert set(scores.values()) == {(1.0, 1.0)} and found.keys() == tree.truth.keys()


def digests(folder: Path) -> dict[str, tuple[bytes, int]]:
    """What lies in a folder, and when it was changed."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path): (path.read_bytes(), path.stat().st_mtime_ns) for path in files}


def test_what_was_accepted_is_archived_once_as_far_as_it_is_known_and_linked_to_its_original(
    tree: LegacyTree, memory: ImportMemory, tmp_path: Path
) -> None:
    lay = digests(tree.root)
    settings = IngestSettings(lambda: datetime(2026, 3, 4, 12, tzinfo=timezone.utc))
    with Archive.create(tmp_path / "archive") as archive:
        first = import_accepted(archive, tree.root, memory, settings, workers=2)
        again = import_accepted(archive, tree.root, memory, settings, workers=2)
        records = archive.query(Query())
    rows = list(memory.rows())
    refused = [row.decision for row in memory.rows("reason = 'archive refused'")]
    assert not refused
    taken = [
        one for one in tree.truth.values() if one.fate is FileFate.ACCEPTED or one in KEPT_COPIES
    ]
    assert first.counts == {Outcome.NEW: len(taken)} and again.counts == {Outcome.SAME: len(taken)}
    assert digests(tree.root) == lay
    of_uid = {one.sop_instance_uid: one for one in records}
    by_path = {row.path: row for row in rows}
    for path, reason in tree.truth.items():
        uid = by_path[path].uid
        if reason is ImportReason.OBJECT or not uid:
            assert uid or reason not in taken
            continue
        one, ds = of_uid[uid], dcmread(of_uid[uid].path, stop_before_pixels=True)
        assert not one.confirmed and one.role == "original"
        assert (one.view is None) == (reason is ImportReason.VIEW_UNKNOWN or reason in KEPT_COPIES)
        if reason is not ImportReason.WHOLE:
            assert not ds.PatientOrientation and "DeviceSequence" not in ds
        if reason in KEPT_COPIES:
            (link,) = ds.ReferencedImageSequence
            best = of_uid[link.ReferencedSOPInstanceUID]
            assert best.sop_instance_uid == memory.row(by_path[path].best).uid
