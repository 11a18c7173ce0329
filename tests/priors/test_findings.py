"""What the wrong-way check tells the audit."""

from __future__ import annotations

import json
from datetime import datetime, timezone
from pathlib import Path

import pytest

from archiver.errors import ArchiveError
from archiver.priors.findings import SideFinding, outcomes
from archiver.priors.findings import keep_findings as keep
from archiver.records.checks.picture_findings import read_findings
from archiver.vision.wrong_way import Way
from archiver.wording import Text

NOON = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)
KEYS = {"by", "check", "detail", "outcome", "sop", "time", "version"}
S, R, T, U = Way.SAME, Way.REVERSED, Way.TURNED, Way.UNDECIDED


@pytest.mark.parametrize(
    ("ways", "expected"),
    [
        ([S], "passed passed"),
        ([R], "failed failed"),
        ([U], "undecided undecided"),
        ([S, R], "passed passed failed"),
        ([R, R], "failed passed passed"),
        ([S, R, R], "failed failed failed failed"),
        ([S, S, U], "passed passed passed undecided"),
        ([], "undecided"),
        ([T], "failed failed"),
        ([S, T], "passed passed failed"),
        ([R, T], "failed failed failed"),
        ([T, T], "failed passed passed"),
        ([T, T, R], "failed failed failed failed"),
    ],
)
def test_the_larger_group_of_one_handedness_passes(ways: list[Way], expected: str) -> None:
    told = outcomes("1.0", [(f"1.{n}", way) for n, way in enumerate(ways, start=1)])

    by_uid = {one.sop: one.outcome for one in told}
    assert " ".join(by_uid[f"1.{n}"] for n in range(len(ways) + 1)) == expected


def test_a_finding_says_how_many_pictures_stand_either_way() -> None:
    told = {one.sop: str(one.detail) for one in outcomes("1.0", [("1.1", S), ("1.2", R)])}
    assert told["1.0"] == "2 of 3 pictures compared are this way round, 1 as its reflection"
    assert told["1.2"] == "1 of 3 pictures compared is this way round, 2 as its reflection"
    (alike,) = {str(one.detail) for one in outcomes("1.0", [("1.1", S)])}
    assert alike == "2 of 2 pictures compared are this way round"


def test_the_audit_reads_what_was_kept(tmp_path: Path) -> None:
    keep(tmp_path, outcomes("1.0", [("1.1", R)]), time=NOON, by="compare 0.1.0")
    keep(
        tmp_path, [SideFinding("1.0", "passed", "again")], time=NOON.replace(hour=13), by="compare"
    )

    found = read_findings(tmp_path)

    assert [(one.sop, one.check, one.outcome) for one in found] == [
        ("1.0", "wrong-way", "failed"),
        ("1.1", "wrong-way", "failed"),
        ("1.0", "wrong-way", "passed"),
    ]
    assert found[0].time < found[2].time
    assert found[0].detail == Text(
        "priors.findings.with_others",
        stand=Text("priors.findings.this_way", n=1, count=2),
        others=[Text("priors.findings.reflected", count=1)],
    )
    assert str(found[2].detail) == "again"


def test_a_sentence_of_an_earlier_version_is_told_as_it_stands(tmp_path: Path) -> None:
    (tmp_path / "findings").mkdir()
    line = {
        "sop": "1.2",
        "check": "wrong-way",
        "outcome": "failed",
        "time": "",
        "detail": "flipped",
    }
    (tmp_path / "findings" / "old.jsonl").write_text(json.dumps(line) + "\n")
    (one,) = read_findings(tmp_path)
    assert str(one.detail) == "flipped"


def test_no_finding_leaves_no_file_and_a_line_holds_no_name(tmp_path: Path) -> None:
    assert keep(tmp_path, [], time=NOON, by="compare") is None
    assert not list(tmp_path.iterdir())
    path = keep(tmp_path, outcomes("1.0", [("1.1", S)]), time=NOON, by="compare")
    assert path is not None
    for line in path.read_text().splitlines():
        assert set(json.loads(line)) == KEYS


def test_a_finding_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    (tmp_path / "findings").write_text("in the way")

    with pytest.raises(ArchiveError, match="the finding cannot be kept"):
        keep(tmp_path, outcomes("1.0", [("1.1", R)]), time=NOON, by="compare")
