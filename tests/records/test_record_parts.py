"""An archive is judged in parts, and what is found does not depend on how large they are."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parents[1] / "benchmarks"))

from bench_audit import NOW, make_index, make_treatments

from archiver.archive.store.layout import Layout
from archiver.records import record_parts
from archiver.records.archive_survey import survey_archive
from archiver.records.audit import Audit, AuditRun, run_audit
from archiver.records.audit_memory import Memory
from archiver.records.episodes import read_episodes
from archiver.records.examination import Depth
from archiver.records.model import Instance, ObjectFacts, RecordPerson
from archiver.records.record_parts import divided
from archiver.records.rules.rule_reader import read_rules, shipped
from archiver.records.survey import Survey

SETS = ("five-intraoral", "posterior-tooth-visit", "posterior-tooth", "good-record")


def audited(folder: Path) -> tuple[Audit, Survey]:
    survey = survey_archive(Layout(folder), Depth.INDEX, Memory(None, ""), NOW)
    treatments = read_episodes(folder / "done.csv", today=NOW.date())
    sets = [read_rules(shipped()[name]) for name in SETS]
    return run_audit(survey, sets, treatments, AuditRun(NOW, "Haugen^Liv", "0")), survey


def test_parts_of_an_archive_give_what_the_whole_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_index(tmp_path, 300)
    with make_treatments(tmp_path, 300).open("a", encoding="utf-8") as table:
        table.write("P-unknown;RIVERBEND;16;ISO 3950;Ceramic onlay;2026-01-05;2026-01-05;\n")
    whole, survey = audited(tmp_path)
    assert len(list(survey.parts())) == 1
    monkeypatch.setattr(record_parts, "PART", 40)
    parts, survey = audited(tmp_path)
    assert len(list(survey.parts())) > 3
    assert sum(len(some) for some, _, _ in survey.parts()) == len(survey.instances) == 300
    assert list(parts.concerns) == list(whole.concerns)
    assert parts.by_kind == whole.by_kind and len(parts.concerns) > 20
    assert sorted(map(str, parts.demands)) == sorted(map(str, whole.demands))
    assert (parts.tallies, parts.photographs) == (whole.tallies, whole.photographs)
    assert "episode-unknown-patient" in {c.kind for c in parts.concerns}


def instance(number: int, **more: object) -> Instance:
    person = RecordPerson(f"P-{number}", "", f"N^{number}", "1990-01-01", "")
    plain = Instance(
        uid=f"1.3.{number}", series=f"1.2.{number}", study=f"1.1.{number}", sop_class="",
        person=person, modality="XC", date="", time="", acquired="", description="", teeth=(),
        view="", surface="", mirror="", confirmed=None, role="", laterality="", rows=None,
        columns=None, path="", size=0, digest="", source=f"s{number}", seq=number, added="",
    )  # fmt: skip
    return replace(plain, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "more",
    [
        {"study": "1.1.0"},
        {"series": "1.2.0"},
        {"source": "s0"},
        {"predecessor": "1.3.0"},
        {"person": RecordPerson("P-0", "elsewhere", "", "", "")},
        {"person": RecordPerson("P-other", "", "n^0", "1990-01-01", "")},
    ],
    ids=lambda more: next(iter(more)),
)
def test_what_is_held_against_one_another_is_in_one_part(
    more: dict[str, object], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_parts, "PART", 2)
    plain = [(instance(n), None) for n in range(9)]
    assert len(set(divided(9, plain))) > 3
    parts = divided(9, [*plain[:8], (instance(8, **more), None)])
    assert parts[8] == parts[0]


@pytest.mark.parametrize("name", ["sources", "rejects"])
def test_what_an_object_names_is_in_its_part(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record_parts, "PART", 2)
    known = replace(ObjectFacts("", 0), **{name: ("1.3.0",)})
    some = [*((instance(n), None) for n in range(8)), (instance(8), known)]
    parts = divided(9, some)
    assert parts[8] == parts[0]
