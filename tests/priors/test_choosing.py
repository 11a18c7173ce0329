"""Which priors are chosen, from records as the index gives them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from archiver.archive.query import Record
from archiver.dentition.teeth import Tooth
from archiver.dentition.views import View
from archiver.errors import ArchiveError, UsageError
from archiver.priors.choosing import SAME, Candidate, ToothAsked, choose, relation

ASKED = ToothAsked("P-0417", Tooth(2, 5), View.OCCLUSAL)
PLAIN = Record(
    "P-0417", "RIVERBEND", "Okafor^Nadia", "2026-03-04", "14:20:00", "XC", "1.2.9", "1.2.2",
    "1.2.1", "1.2.840.10008.5.1.4.1.1.77.1.4", ("25",), "named", "occlusal", "occlusal",
    "corrected", True, "derived", "L", "upper", 4000, 6000, None, "", "", "", "/a/9.dcm", 1,
    "", None, "",
)  # fmt: skip


ARCH = {"view": "upper occlusal arch", "tooth_found": "covered"}


def record(uid: int, day: str, **changes: object) -> Record:
    made = {
        "study_date": day,
        "study_uid": f"1.{day.replace('-', '')}",
        "sop_instance_uid": f"1.2.{uid}",
        "path": f"/a/{uid}.dcm",
        "source_sha256": f"{uid}",
        **changes,
    }
    return replace(PLAIN, **made)  # type: ignore[arg-type]


def chosen(
    *records: Record, asked: ToothAsked = ASKED, blurs: dict[str, float] | None = None
) -> list:
    def blur(path: Path) -> float:
        return (blurs or {})[path.name]

    found = choose(lambda question: records, asked, blur)
    return [one.record.sop_instance_uid for one in (found.newest, *found.priors)]


def test_the_newest_is_compared_with_one_picture_a_visit() -> None:
    visits = [record(n, f"202{n}-01-15") for n in range(3)]

    assert chosen(*visits) == ["1.2.2", "1.2.1", "1.2.0"]


def test_the_sharpest_of_a_visit_is_taken() -> None:
    newer, old = record(1, "2026-01-02"), record(2, "2024-01-02")
    softer = record(3, "2024-01-02", study_uid=old.study_uid)

    assert chosen(newer, softer, old, blurs={"2.dcm": 1.0, "3.dcm": 2.5}) == ["1.2.1", "1.2.2"]
    assert chosen(newer, softer, old, blurs={"2.dcm": 2.0, "3.dcm": 1.5}) == ["1.2.1", "1.2.3"]


def test_the_same_view_comes_before_a_picture_that_contains_the_tooth() -> None:
    arch = {"view": "upper occlusal arch", "tooth_found": "covered", "teeth": ()}
    newest, old = record(1, "2026-01-02"), record(2, "2022-01-02")
    containing = record(3, "2025-01-02", **arch)

    assert chosen(newest, containing, old) == ["1.2.1", "1.2.2", "1.2.3"]
    limited = replace(ASKED, limit=1)
    assert chosen(newest, containing, old, asked=limited) == ["1.2.1", "1.2.2"]


def test_a_newer_picture_that_only_contains_the_tooth_is_not_the_newest_of_it() -> None:
    arch = {"view": "upper occlusal arch", "tooth_found": "covered", "teeth": ()}

    newest, old = record(1, "2025-01-02"), record(2, "2024-01-02")
    assert chosen(newest, old, record(3, "2026-01-02", **arch)) == ["1.2.1", "1.2.2"]


def test_the_corrected_picture_stands_for_the_one_as_shot() -> None:
    shot = {"role": "original", "mirror": "uncorrected", "source_sha256": "same"}
    one = record(1, "2026-01-02")
    pair = (record(2, "2024-01-02", **shot), record(3, "2024-01-02", source_sha256="same"))

    assert chosen(one, *pair) == ["1.2.1", "1.2.3"]


def test_a_file_that_was_archived_for_another_day_too_is_compared_there() -> None:
    shot = {"role": "original", "mirror": "direct", "source_sha256": "same"}
    once = record(3, "2024-01-02", source_sha256="same")
    again = record(2, "2025-01-02", **shot)

    assert chosen(record(1, "2026-01-02"), once, again) == ["1.2.1", "1.2.2", "1.2.3"]


def test_priors_before_a_day_are_left_out_and_none_left_is_told() -> None:
    visits = [record(n, f"202{n}-01-15") for n in range(4)]

    assert len(chosen(*visits, asked=replace(ASKED, since=date(2021, 1, 1)))) == 3
    with pytest.raises(ArchiveError, match="no earlier photograph of tooth 25, occlusal since"):
        chosen(*visits, asked=replace(ASKED, since=date(2023, 1, 15)))
    with pytest.raises(ArchiveError, match="no photograph shows tooth 25, occlusal"):
        chosen()


def test_two_patients_with_one_identifier_are_never_mixed() -> None:
    with pytest.raises(UsageError, match="two patients have the identifier P-0417"):
        chosen(record(1, "2026-01-02"), record(2, "2025-01-02", issuer="ELSEWHERE"))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "same tooth and view"),
        ({"teeth": ("24", "25", "26")}, "same tooth and view"),
        ({"teeth": ("14", "15", "16", "25")}, "quadrant picture that names the tooth"),
        (ARCH, "upper occlusal arch picture that contains the tooth"),
        ({"view": None, "tooth_found": "covered"}, "picture that contains the tooth"),
    ],
)  # fmt: skip
def test_why_a_picture_is_here_is_said_plainly(changes: dict[str, object], words: str) -> None:
    said = relation(replace(PLAIN, **changes), View.OCCLUSAL)  # type: ignore[arg-type]
    assert str(said) == words


def test_a_candidate_tells_its_visit() -> None:
    assert Candidate(PLAIN, SAME).when == ("2026-03-04", "14:20:00")
