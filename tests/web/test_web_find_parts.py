"""The parts of Find without a browser: the drawing, paging, and whom a word stands for."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom import Dataset

from archiver.archive.query import Query, Record, without_twins
from archiver.dentition.numbering import Numbering
from archiver.dentition.teeth import ALL_TEETH, Arch, Side
from archiver.objects.description import describe
from archiver.web.labels import label_of
from archiver.web.pages.find.answers import (
    PAGE,
    RADIOGRAPHS,
    answers,
    pictures_of_teeth,
)
from archiver.web.pages.find.dentition_drawing import Crown, draw_dentition
from archiver.web.pages.find.patient_tokens import PatientTokens, Whom, whom
from archiver.web.pages.find.question import FindQuestion, question_of
from archiver.wording import Words

CROWNS = [c for young in (False, True) for c in draw_dentition(deciduous=young).crowns]


def test_every_tooth_is_drawn_once() -> None:
    assert sorted(c.tooth for c in CROWNS) == sorted(ALL_TEETH)


@pytest.mark.parametrize("crown", CROWNS, ids=lambda c: c.tooth.iso)
def test_a_tooth_stands_where_someone_who_faces_the_patient_sees_it(crown: Crown) -> None:
    assert (crown.x < 0) is (crown.tooth.side is Side.RIGHT)
    assert (crown.y < 0) is (crown.tooth.arch is Arch.UPPER)


def test_incisors_stand_at_the_top_of_the_upper_and_the_bottom_of_the_lower_arch() -> None:
    for young in (False, True):
        crowns = draw_dentition(deciduous=young).crowns
        for arch, farthest in ((Arch.UPPER, min), (Arch.LOWER, max)):
            ends = farthest((c for c in crowns if c.tooth.arch is arch), key=lambda c: c.y)
            assert ends.tooth.position == 1


def test_the_two_sides_mirror_each_other() -> None:
    there = {c.tooth: c for c in CROWNS}
    for crown in CROWNS:
        opposite = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}[crown.tooth.quadrant]
        twin = next(
            c
            for t, c in there.items()
            if (t.quadrant, t.position) == (opposite, crown.tooth.position)
        )
        assert twin.x == pytest.approx(-crown.x) and twin.y == pytest.approx(crown.y)


def test_neighbours_touch_and_do_not_cover_each_other() -> None:
    for young in (False, True):
        crowns = draw_dentition(deciduous=young).crowns
        for one, other in itertools.pairwise(crowns):
            if one.tooth.arch is other.tooth.arch:
                apart = ((one.x - other.x) ** 2 + (one.y - other.y) ** 2) ** 0.5
                assert 6.5 < apart < 13


def test_outlines_are_paths_within_the_drawing() -> None:
    for young in (False, True):
        drawing = draw_dentition(deciduous=young)
        left, top, wide, high = drawing.box
        for crown in drawing.crowns:
            assert re.fullmatch(r"M[-\d. ]+(Q[-\d. ]+)+Z", crown.outline)
            numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*", crown.outline)]
            assert all(left < x < left + wide for x in numbers[::2])
            assert all(top < y < top + high for y in numbers[1::2])


# -- answers


def record(n: int, **said: object) -> Record:
    """A photograph, the older the larger `n` is."""
    values: dict[str, object] = dict.fromkeys((f.name for f in fields(Record)), "")
    values |= {
        "patient_id": "P-1",
        "study_date": f"{2500 - n:04}-03-04",
        "study_uid": f"2.25.{n}",
        "sop_instance_uid": f"2.25.1{n}",
        "teeth": ("16",),
        "role": "derived",
        "modality": "XC",
        "source_sha256": f"digest {n}",
        "rejected": None,
    }
    return Record(**{**values, **said})  # type: ignore[arg-type]


class Asked:
    """Answers from a list, and remembers what it was asked."""

    def __init__(self, records: Sequence[Record]) -> None:
        self.records, self.queries = records, list[Query]()

    def __call__(self, query: Query) -> list[Record]:
        self.queries.append(query)
        found = [r for r in self.records if query.modality in (None, r.modality)]
        return found[: query.limit]


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 170))
def test_every_photograph_is_on_exactly_one_page(count: int) -> None:
    both = []
    for n in range(count):
        both += [record(n), record(n, role="original", sop_instance_uid=f"2.25.2{n}")]
    ask = Asked(both)
    seen: list[str] = []
    page = 1
    while True:
        found = answers(ask, FindQuestion(page=page), Whom())
        seen += [r.sop_instance_uid for p in found.patients for v in p.visits for r in v.records]
        assert found.count <= PAGE
        if not found.more:
            break
        page += 1
    assert seen == [f"2.25.1{n}" for n in range(count)]
    assert not any(query.include_rejected for query in ask.queries)


def test_patients_of_one_identifier_and_two_issuers_are_two() -> None:
    found = answers(Asked([record(1), record(2, issuer="ELSEWHERE")]), FindQuestion(), Whom())
    assert [one.issuer for one in found.patients] == ["", "ELSEWHERE"]


def test_a_photograph_as_shot_without_a_corrected_twin_stays() -> None:
    alone = record(3, role="original", source_sha256="other")
    twin = record(1, role="original", sop_instance_uid="x")
    elsewhere = record(9, role="original", source_sha256="digest 1")
    assert without_twins([record(1), twin, alone, elsewhere]) == [record(1), alone, elsewhere]


def test_teeth_are_counted_for_one_patient_only() -> None:
    mine = [record(1), record(2, teeth=("16", "15")), record(2, role="original")]
    assert pictures_of_teeth(Asked(mine), Whom("P-1")) == {"16": 2, "15": 1}
    assert pictures_of_teeth(Asked([*mine, record(4, patient_id="P-2")]), Whom("", "a*")) == {}
    assert pictures_of_teeth(Asked(mine), Whom()) == {}


def test_radiographs_that_show_the_tooth_come_first() -> None:
    shows = record(5, modality="IO", rows=10)
    newer = record(4, modality="PX", rows=10)
    report = record(3, modality="IO", rows=None)

    def ask(query: Query) -> list[Record]:
        if query.teeth and query.modality is None:
            return [shows]
        return [r for r in (record(1), newer, shows, report) if query.modality == r.modality]

    found = answers(ask, question_of([("tooth", "iso:16")]), Whom())
    beside = found.patients[0].radiographs
    assert [(one.record.modality, one.shows) for one in beside] == [("IO", True), ("PX", False)]


# -- questions


def test_a_radiograph_is_called_one_and_not_by_its_code() -> None:
    words = Words(table="pages")
    for modality in RADIOGRAPHS:
        assert words.has(f"modalities.{modality}"), modality
    dataset = Dataset()
    dataset.Modality, dataset.SeriesDescription = "IO", "Bitewing"
    label = label_of(describe(dataset), None, (10, 10), words, Numbering.ISO)
    assert label.view == "radiograph, Bitewing"


def test_a_question_survives_its_address() -> None:
    from urllib.parse import parse_qsl, urlsplit

    fields = [("tooth", "iso:16"), ("tooth", "universal:K"), ("view", "occlusal")]
    asked = question_of([*fields, ("since", "2024-02-29"), ("until", "2025-01-01"), ("page", "3")])
    assert not asked.faults
    assert question_of(parse_qsl(urlsplit(asked.path).query)) == asked


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["tooth", "view", "since", "page", "who"]), st.text())))
def test_no_address_breaks_a_question(pairs: list[tuple[str, str]]) -> None:
    asked = question_of(pairs)
    assert 1 <= asked.page <= 500
    assert question_of([]).path == "/find"


@pytest.mark.parametrize(
    ("typed", "pattern", "parts"),
    [
        ("Okafor", None, ("Okafor",)),
        ("n, oka", None, ("n", "oka")),
        ("Okafor , Nadia P-0417", None, ("Okafor", "Nadia", "P-0417")),
        ("Okafor, N*", "Okafor^N*", ()),
        ("?kafor", "?kafor", ()),
        ("  ", None, ()),
        (",,", None, ()),
    ],
)
def test_a_typed_name_is_asked_by_its_parts_or_by_its_pattern(
    typed: str, pattern: str | None, parts: tuple[str, ...]
) -> None:
    assert (whom("", typed).pattern, whom("", typed).parts) == (pattern, parts)


def test_a_word_stands_for_a_patient_to_who_asked_only() -> None:
    kept = PatientTokens()
    word = kept.word_for("anna", Whom("P-1"))
    assert kept.meant("anna", word) == Whom("P-1")
    assert kept.meant("ben", word) is None
    assert kept.meant("anna", "guess") is None
    assert kept.word_for("anna", Whom("P-1")) == word
    assert kept.word_for("ben", Whom("P-1")) != word
    assert kept.word_for("anna", Whom()) == ""
    for n in range(3000):
        kept.word_for("ben", Whom(f"P-{n}"))
    assert kept.meant("anna", word) is None
    assert len(kept._words) <= 2000
