"""What is missing, for each set of rules that comes with the program.

The expectations stand here in full: which views a set demands, how many, and a picture that
fulfils each. Then pictures are taken away in every combination, from none to all, and what the
audit calls missing must be exactly what was taken away.

Sources of the lists: the guidelines that the sets name (orthodontic views: IMI National
Guidelines 2008 and American Board of Orthodontics; cosmetic views: AACD guide, from memory;
the others common practice).
"""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import product
from math import prod
from pathlib import Path

import pytest
from made_up_pictures import DAY, episode, picture

from archiver.records.audit import tally
from archiver.records.completeness import Demand, evaluate
from archiver.records.episodes import Episode
from archiver.records.model import Concern
from archiver.records.occasions import Album
from archiver.records.pictures import RecordPicture
from archiver.records.rules.rule_reader import read_rules, shipped

LATER = DAY + timedelta(days=14)
#: Of an implant: its placement, and a day while it heals.
PLACED, HEALING = DAY + timedelta(days=2), DAY + timedelta(days=9)
TODAY = date(2026, 9, 1)


@dataclass(frozen=True)
class Row:
    """A demand as the guideline has it, and a picture that fulfils it."""

    name: str
    view: str
    count: int = 1
    mirror: bool | None = None
    stage: str = ""
    day: date = DAY
    optional: bool = False
    teeth: tuple[str, ...] = ()
    frame: str = ""
    said: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Table:
    rules: str
    rows: tuple[Row, ...]
    description: str = ""
    treatment: str = ""
    teeth: tuple[str, ...] = ()
    other: str = "left profile"


def _orthodontic(mark: str = " in occlusion") -> tuple[Row, ...]:
    return (
        Row(f"frontal{mark}", "frontal"),
        Row(f"right buccal{mark}", "right buccal"),
        Row(f"left buccal{mark}", "left buccal"),
        Row("upper occlusal", "upper occlusal arch"),
        Row("lower occlusal", "lower occlusal arch"),
    )


def _cosmetic(word: str, stage: str, day: date) -> tuple[Row, ...]:
    # AACD guide: face 1:10; smile 1:2 from three sides; retracted at 1:2 and 1:1 from three sides;
    # both arches.
    rows = (
        ("face with smile, 1:10", "smile", "1:10", ""),
        ("smile from the front, 1:2", "smile", "1:2", ""),
        ("smile from the right, 1:2", "smile", "1:2", "right"),
        ("smile from the left, 1:2", "smile", "1:2", "left"),
        ("retracted from the front, 1:2", "frontal", "1:2", ""),
        ("retracted from the right, 1:2", "right buccal", "1:2", ""),
        ("retracted from the left, 1:2", "left buccal", "1:2", ""),
        ("retracted from the front, 1:1", "frontal", "1:1", ""),
        ("retracted from the right, 1:1", "right buccal", "1:1", ""),
        ("retracted from the left, 1:1", "left buccal", "1:1", ""),
        ("upper occlusal", "upper occlusal arch", "", ""),
        ("lower occlusal", "lower occlusal arch", "", ""),
    )
    return tuple(
        Row(
            f"{word}: {name}",
            view,
            stage=stage,
            day=day,
            said=(("magnification", scale), ("seen_from", side)),
        )
        for name, view, scale, side in rows
    )


def _implant(word: str, stage: str, day: date) -> tuple[Row, ...]:
    return (
        Row(f"{word}: from outside", "labial", 1, False, stage, day, teeth=("11",)),
        Row(f"{word}: from above", "incisal", 1, True, stage, day, teeth=("11",)),
    )


_REST = (("functional_state", "lips relaxed"),)
_APART = (("functional_state", "teeth apart"),)


def _faces() -> tuple[Row, ...]:
    return (
        Row("face, lips at rest", "face", said=_REST),
        Row("face, smiling", "smile"),
        Row("profile facing right, lips at rest", "right profile", said=_REST),
    )


def _sextants() -> tuple[Row, ...]:
    teeth = {"right": ("16", "46"), "anterior": ("11", "41"), "left": ("26", "36")}
    rows = []
    for part, (upper, lower) in teeth.items():
        for arch, iso, inside, name in (
            ("upper", upper, "palatal", "each upper sextant, palatal"),
            ("lower", lower, "lingual", "each lower sextant, lingual"),
        ):
            outside = "labial" if part == "anterior" else "buccal"
            target = f"{arch} {part} sextant"
            rows.append(
                Row(f"each sextant from outside | {target}", outside, 1, False, teeth=(iso,))
            )
            rows.append(Row(f"{name} | {target}", inside, 1, True, teeth=(iso,)))
    return tuple(rows)


def _whitening(word: str, stage: str, day: date) -> tuple[Row, ...]:
    first = f"{word}: front teeth with the shade tab"
    return (
        Row(first, "frontal", 1, False, stage, day, frame="shade tab"),
        Row(f"{word}: front teeth, retracted", "frontal", 1, False, stage, day),
        Row(f"{word}: smile", "smile", 1, False, stage, day),
    )


def _tooth(stage: str = "", day: date = DAY) -> tuple[Row, ...]:
    lead = f"{stage}: " if stage else ""
    return (
        Row(f"{lead}occlusal", "occlusal", 1, True, stage, day),
        Row(f"{lead}buccal", "buccal", 1, False, stage, day),
        Row(f"{lead}lingual", "palatal", 1, True, stage, day),
    )


TABLES = (
    Table("five-intraoral", (*_orthodontic(), Row("close-up smile", "smile", optional=True))),
    Table(
        "orthodontic-with-face",
        (
            Row("face at rest", "face"),
            Row("face smiling", "smile"),
            Row("profile facing right", "right profile"),
            *_orthodontic(),
        ),
        "Orthodontic check",
    ),
    Table(
        "initial-eight",
        (
            Row("smile", "smile"),
            *_orthodontic(""),
            Row("lingual of back teeth, right", "lingual", 1, True, teeth=("46", "47")),
            Row("lingual of back teeth, left", "lingual", 1, True, teeth=("36",)),
        ),
        "New patient",
        teeth=("36",),
    ),
    Table(
        "periodontal-full-mouth",
        (
            *_orthodontic(""),
            Row("upper palatal, front", "palatal", 1, True, teeth=("11", "21")),
            Row("upper palatal, right", "palatal", 1, True, teeth=("16",)),
            Row("upper palatal, left", "palatal", 1, True, teeth=("26",)),
            Row("lower lingual, front", "lingual", 1, True, teeth=("31", "41")),
            Row("lower lingual, right", "lingual", 1, True, teeth=("46",)),
            Row("lower lingual, left", "lingual", 1, True, teeth=("36",)),
        ),
        "Periodontal recall",
        teeth=("16",),
    ),
    Table(
        "shade-laboratory",
        (
            Row("shade tab beside the tooth", "buccal", teeth=("26",), frame="shade tab"),
            Row("surface and texture, without a tab", "buccal", teeth=("26",)),
            Row(
                "card or chart for the colours",
                "close-up",
                frame="neutral reference",
                optional=True,
            ),
            Row("cross-polarised", "buccal", teeth=("26",), frame="cross-polarised", optional=True),
            Row("retracted frontal", "frontal"),
            Row("smile", "smile"),
        ),
        "Shade 21",
        teeth=("21",),
    ),
    Table("cosmetic-twelve", _cosmetic("before", "start", DAY), treatment="Veneers"),
    Table("cosmetic-twelve", _cosmetic("after", "finished", LATER), treatment="Aesthetic bonding"),
    # A lingual picture without a mirror, which the set does not take, names the tooth.
    Table("posterior-tooth-visit", _tooth(), teeth=("16",), other="palatal"),
    Table(
        "posterior-tooth",
        tuple(
            replace(row, optional=not row.name.endswith("occlusal"))
            for row in (*_tooth("start"), *_tooth("prepared"), *_tooth("finished", LATER))
        ),
        treatment="Ceramic onlay",
        teeth=("16",),
    ),
    Table(
        "shade-posterior",
        (
            Row("shade tab beside the tooth", "buccal", frame="shade tab"),
            Row("surface and texture, without a tab", "occlusal", 1, True),
            Row("card or chart for the colours", "buccal", frame="colour chart", optional=True),
            Row("cross-polarised", "buccal", frame="cross-polarised", optional=True),
            Row("the teeth beside and opposite, in occlusion", "right buccal", optional=True),
        ),
        "Shade of 16",
        teeth=("16",),
        other="palatal",
    ),
    Table(
        "implant",
        (
            *_implant("before", "start", DAY),
            *_implant("placement", "prepared", PLACED),
            Row("healing: from above", "incisal", 1, True, "healing", HEALING, teeth=("11",)),
            *_implant("restored", "finished", LATER),
            Row("restored: smile", "smile", 1, False, "finished", LATER, optional=True),
        ),
        treatment="Implant",
        teeth=("11",),
    ),
    Table(
        "trauma",
        (
            Row("front teeth in occlusion", "frontal"),
            Row("front teeth apart", "frontal", optional=True, said=_APART),
            Row("each injured tooth from outside", "labial", 1, False, teeth=("11",)),
            Row("each injured tooth from the biting edge", "incisal", 1, True, teeth=("11",)),
            Row("face at rest", "face", optional=True),
            Row("smile", "smile", optional=True),
        ),
        "Dental trauma",
        teeth=("11",),
        other="palatal",
    ),
    Table(
        "periodontal-sextants",
        (Row("frontal", "frontal"), *_sextants()),
        "Periodontal recall",
    ),
    Table(
        "orthodontic-start",
        (
            *_faces(),
            *_orthodontic(),
            Row("front teeth apart", "frontal", optional=True, said=_APART),
        ),
        "Orthodontic start",
    ),
    Table(
        "orthodontic-progress",
        (
            *_orthodontic(),
            Row("front teeth apart", "frontal", optional=True, said=_APART),
            Row(
                "mandible forward, from the right",
                "right profile",
                optional=True,
                said=(("functional_state", "mandible forward"),),
            ),
        ),
        "Orthodontic review",
    ),
    Table(
        "orthodontic-finish",
        (
            *_faces(),
            *_orthodontic(),
            Row("front teeth apart", "frontal", optional=True, said=_APART),
        ),
        "Debonding",
    ),
    Table(
        "whitening",
        (*_whitening("before", "start", DAY), *_whitening("after", "finished", LATER)),
        treatment="Whitening",
    ),
)


def taken(table: Table, counts: tuple[int, ...]) -> Iterator[RecordPicture]:
    """The pictures of a record in which each row has so many."""
    number = 0
    for row, count in zip(table.rows, counts, strict=True):
        for _ in range(count):
            number += 1
            of_teeth = row.view in ("occlusal", "buccal", "palatal", "lingual", "incisal")
            teeth = row.teeth or (table.teeth if of_teeth else ())
            yield picture(
                number,
                row.view,
                teeth,
                row.day,
                mirror=row.mirror,
                stage=row.stage,
                description=table.description,
                frame=row.frame,
                **dict(row.said),  # type: ignore[arg-type]
            )


def treatments(table: Table) -> tuple[Episode, ...]:
    if not table.treatment:
        return ()
    prepared = PLACED if table.rules == "implant" else DAY
    return (episode(table.treatment, table.teeth, DAY, prepared, LATER),)


def judged(table: Table, pictures: list[RecordPicture]) -> tuple[list[Demand], list[Concern]]:
    rules = read_rules(shipped()[table.rules])
    demands, concerns = evaluate([rules], Album(pictures), treatments(table), TODAY)
    names = {row.name for row in table.rows}
    named = [replace(d, requirement=_name(d, table)) for d in demands]
    return [d for d in named if d.requirement in names], concerns


def _name(demand: Demand, table: Table) -> str:
    """The row of a demand; where a requirement is made of several parts, with its part."""
    whole = f"{demand.requirement} | {demand.target}"
    return whole if any(row.name == whole for row in table.rows) else demand.requirement


def combinations(table: Table) -> list[tuple[int, ...]]:
    """Every number of pictures of each row, from all to none; drawn where they are too many."""
    ranges = [range(row.count, -1, -1) for row in table.rows]
    if prod(map(len, ranges)) <= 600:
        return list(product(*ranges))
    drawn = random.Random(20)
    ends = [tuple(r[0] for r in ranges), tuple(r[-1] for r in ranges)]
    return ends + [tuple(map(drawn.choice, ranges)) for _ in range(250)]


@pytest.mark.parametrize("table", TABLES, ids=[f"{t.rules} {t.treatment}" for t in TABLES])
def test_what_is_missing_is_what_was_taken_away(table: Table) -> None:
    # A picture that no row asks for, so that a record without any is seen as a visit at all.
    other = picture(900, table.other, table.teeth, description=table.description, mirror=False)
    required = [row for row in table.rows if not row.optional]
    for counts in combinations(table):
        demands, concerns = judged(table, [*taken(table, counts), other])
        gone = {
            row.name
            for row, count in zip(table.rows, counts, strict=True)
            if count < row.count and not row.optional
        }
        assert {d.requirement for d in demands if d.status == "missing" and d.counts} == gone
        assert {d.requirement for d in demands} == {row.name for row in table.rows}
        total = tally(demands)
        assert (total.required, total.missing) == (len(required), len(gone))
        assert total.present == len(required) - len(gone)
        _kinds_agree(table, counts, concerns)


def _kinds_agree(table: Table, counts: tuple[int, ...], concerns: list[Concern]) -> None:
    """None of a row is missing, some are too few; recommended ones fail nothing."""
    told = {c.rule.rpartition(": ")[0] and _row_of(c): c.kind for c in concerns}
    if "episode-without-photographs" in told.values():
        assert not any(counts)
        return
    for row, count in zip(table.rows, counts, strict=True):
        if " | " in row.name:
            continue  # of a requirement of several parts, one finding hides another here
        if count == row.count:
            assert row.name not in told
        elif table.other == row.view and not count and not row.optional:
            assert told[row.name] == "mirror-not-allowed"
        elif row.optional:
            assert told[row.name] == "view-recommended"
        else:
            assert told[row.name] == ("view-too-few" if count else "view-missing")


def _row_of(concern: Concern) -> str:
    """The name of the row: what stands behind the set's name and version."""
    return re.split(r" 2026\.\d: ", concern.rule, maxsplit=1)[-1]


def test_every_shipped_set_has_its_table() -> None:
    alone = {"good-record"}
    assert {t.rules for t in TABLES} | alone == set(shipped())


def test_a_set_has_neither_more_nor_fewer_rows_than_its_table() -> None:
    rows: dict[str, set[str]] = {}
    for table in TABLES:
        named = {row.name.partition(" | ")[0] for row in table.rows}
        rows.setdefault(table.rules, set()).update(named)
    for key, names in rows.items():
        assert {one.name for one in read_rules(shipped()[key]).requirements} == names


# What a row's own words ask for is what counts

ASKED = (
    # set, (view, tooth, frame) of each picture, rows that are there
    ("shade-laboratory", [("close-up", "", "")] * 2, {"surface and texture, without a tab"}),
    (
        "shade-laboratory",
        [("buccal", "26", frame) for frame in ("neutral reference", "shade tab", "")],
        {
            "card or chart for the colours",
            "shade tab beside the tooth",
            "surface and texture, without a tab",
        },
    ),
    ("shade-laboratory", [("frontal", "", "neutral reference")], {"card or chart for the colours"}),
    ("periodontal-full-mouth", [("palatal", "16", "")] * 3, {"upper palatal, right"}),
    ("periodontal-full-mouth", [("palatal", "55", "")], {"upper palatal, right"}),
    (
        "initial-eight",
        [("lingual", "46", ""), ("lingual", "47", "")],
        {"lingual of back teeth, right"},
    ),
)


@pytest.mark.parametrize(("rules", "shots", "there"), ASKED)
def test_pictures_alike_fulfil_one_row(
    rules: str, shots: list[tuple[str, str, str]], there: set[str]
) -> None:
    table = next(t for t in TABLES if t.rules == rules)
    pictures = [
        picture(
            number,
            view,
            (tooth,) if tooth else (),
            description=table.description,
            mirror=view in ("palatal", "lingual"),
            frame=frame,
        )
        for number, (view, tooth, frame) in enumerate(shots)
    ]
    demands, _ = evaluate([read_rules(shipped()[rules])], Album(pictures), (), TODAY)
    assert {d.requirement for d in demands if d.status == "present"} == there


def test_what_frame_a_picture_is_is_not_held_against_it_where_objects_were_not_read() -> None:
    pictures = [picture(1, "close-up", description="Shade 21", frame=None)]
    demands, _ = evaluate([read_rules(shipped()["shade-laboratory"])], Album(pictures), (), TODAY)
    assert "shade tab beside the tooth" in {d.requirement for d in demands if d.status == "present"}


# What may stand in, what may not

POSTERIOR = read_rules(shipped()["posterior-tooth-visit"])
STANDING_IN = (
    # tooth, view taken, mirror, occlusal, buccal, lingual
    ("16", "upper occlusal arch", True, "substituted", "missing", "missing"),
    ("26", "upper occlusal arch", True, "substituted", "missing", "missing"),
    ("36", "upper occlusal arch", True, "missing", "missing", "missing"),
    ("36", "lower occlusal arch", True, "substituted", "missing", "missing"),
    ("46", "lower occlusal arch", True, "substituted", "missing", "missing"),
    ("16", "lower occlusal arch", True, "missing", "missing", "missing"),
    ("16", "upper occlusal arch", False, "missing", "missing", "missing"),
    ("16", "right buccal", False, "missing", "substituted", "missing"),
    ("46", "right buccal", True, "missing", "substituted", "missing"),
    ("16", "left buccal", False, "missing", "missing", "missing"),
    ("26", "left buccal", False, "missing", "substituted", "missing"),
    ("16", "frontal", False, "missing", "missing", "missing"),
)


@pytest.mark.parametrize(("iso", "view", "mirror", "occlusal", "buccal", "lingual"), STANDING_IN)
def test_an_arch_or_a_side_stands_in_only_where_it_shows_the_tooth(
    iso: str, view: str, mirror: bool, occlusal: str, buccal: str, lingual: str
) -> None:
    named = picture(1, "lingual", (iso,), mirror=False)
    demands, concerns = evaluate(
        [POSTERIOR], Album([named, picture(2, view, mirror=mirror)]), (), TODAY
    )
    assert [d.status for d in demands] == [occlusal, buccal, lingual]
    told = [c for c in concerns if c.kind == "view-substituted"]
    assert len(told) == [occlusal, buccal, lingual].count("substituted")
    assert all(view in str(c.found) for c in told)  # the substitution is named
    assert [d.by for d in demands if d.status == "substituted"] == [view] * len(told)


def test_each_tooth_of_a_visit_is_counted_by_itself() -> None:
    shots = [("occlusal", "16", True), ("palatal", "16", True), ("occlusal", "46", True)]
    pictures = [picture(n, v, (t,), mirror=m) for n, (v, t, m) in enumerate(shots)]
    demands, _ = evaluate([POSTERIOR], Album(pictures), (), TODAY)
    missing = {(d.target, d.requirement) for d in demands if d.status == "missing"}
    assert missing == {("16", "buccal"), ("46", "buccal"), ("46", "lingual")}
    assert len(demands) == 6


SCOPES = (
    # of, teeth treated, what is demanded of what
    ("tooth", ("16", "15", "36"), ["15", "16", "36"]),
    ("quadrant", ("16", "15", "36"), ["upper right quadrant", "lower left quadrant"]),
    ("arch", ("16", "25", "36"), ["upper arch", "lower arch"]),
    ("arch", ("11",), ["upper arch"]),
    ("mouth", ("16", "15", "36"), ["mouth"]),
    ("mouth", (), ["mouth"]),
    ("tooth", (), []),
)


@pytest.mark.parametrize(("of", "teeth", "targets"), SCOPES)
def test_a_demand_is_made_once_for_each_thing_that_it_is_about(
    of: str, teeth: tuple[str, ...], targets: list[str], tmp_path: Path
) -> None:
    view = "occlusal arch" if of == "arch" else "close-up"
    path = tmp_path / "rules.toml"
    path.write_text(
        'name = "N"\nversion = "1"\nsource = "S"\nstanding = "local"\n[applies]\n'
        f'to = "episodes"\n[[require]]\nname = "r"\nview = "{view}"\nof = "{of}"\n'
    )
    done = episode("Crown", teeth)
    demands, _ = evaluate([read_rules(path)], Album([picture(1, "face")]), (done,), TODAY)
    assert sorted(d.target for d in demands) == sorted(targets)
    if of == "quadrant":  # a picture of a neighbour in the quadrant fulfils it
        album = Album([picture(1, "close-up", ("17",)), picture(2, "close-up", ("46",))])
        demands, _ = evaluate([read_rules(path)], album, (done,), TODAY)
        states = {d.target: d.status for d in demands}
        assert states == {"upper right quadrant": "present", "lower left quadrant": "missing"}


# The way it was taken, stages, days

RESTORED = read_rules(shipped()["posterior-tooth"])


def _restored(*pictures: RecordPicture) -> tuple[dict[str, str], Counter[str]]:
    done = episode("Ceramic onlay", ("16",), DAY, DAY, LATER)
    demands, concerns = evaluate([RESTORED], Album(pictures), (done,), TODAY)
    return {d.requirement: d.status for d in demands}, Counter(c.kind for c in concerns)


@pytest.mark.parametrize(
    ("days", "status"), [(-61, "missing"), (-60, "present"), (0, "present"), (1, "missing")]
)
def test_a_start_counts_up_to_sixty_days_before_the_treatment(days: int, status: str) -> None:
    shot = picture(1, "occlusal", ("16",), DAY + timedelta(days=days), mirror=True, stage="start")
    other = picture(2, "buccal", ("16",), DAY, stage="prepared")
    demands, kinds = _restored(shot, other)
    assert demands["start: occlusal"] == status
    assert kinds["view-outside-window"] == (status == "missing")


@pytest.mark.parametrize(
    ("days", "status"), [(-1, "missing"), (0, "present"), (60, "present"), (61, "missing")]
)
def test_a_finish_counts_up_to_sixty_days_after_it(days: int, status: str) -> None:
    shot = picture(
        1, "buccal", ("16",), LATER + timedelta(days=days), mirror=False, stage="finished"
    )
    demands, _ = _restored(shot, picture(2, "occlusal", ("16",), DAY, mirror=True, stage="start"))
    assert demands["finished: buccal"] == status


def test_a_picture_of_another_stage_fulfils_nothing() -> None:
    demands, _ = _restored(picture(1, "occlusal", ("16",), DAY, mirror=True, stage="prepared"))
    assert [name for name, status in demands.items() if status == "present"] == [
        "prepared: occlusal"
    ]


def test_a_direct_occlusal_picture_is_told_as_taken_in_the_wrong_way() -> None:
    demands, kinds = _restored(picture(1, "occlusal", ("16",), DAY, mirror=False, stage="start"))
    assert demands["start: occlusal"] == "missing"
    assert kinds["mirror-not-allowed"] == 1


def test_a_stage_that_was_not_reached_is_not_due() -> None:
    done = episode("Ceramic onlay", ("16",), DAY)
    demands, _ = evaluate([RESTORED], Album([picture(1, "face")]), (done,), TODAY)
    assert Counter(d.status for d in demands) == {"missing": 3, "not due": 6}
    assert tally(demands).required == 1


def test_a_treatment_in_the_future_is_not_due() -> None:
    done = episode("Ceramic onlay", ("16",), TODAY + timedelta(days=1))
    demands, concerns = evaluate([RESTORED], Album([picture(1, "face")]), (done,), TODAY)
    assert {d.status for d in demands} == {"not due"} and not concerns


@pytest.mark.parametrize(
    ("treatment", "teeth", "due"),
    [
        ("Ceramic onlay", ("16",), 3),
        ("MOD filling", ("36", "37"), 6),
        ("Crown", ("11",), 0),  # a front tooth
        ("Scaling", ("16",), 0),
        ("Full crown", ("14", "21"), 3),
    ],
)
def test_a_rule_of_back_teeth_restored_applies_to_them_alone(
    treatment: str, teeth: tuple[str, ...], due: int
) -> None:
    done = episode(treatment, teeth, DAY, DAY, LATER)
    demands, _ = evaluate([RESTORED], Album([picture(1, "face")]), (done,), TODAY)
    assert tally(demands).required == due


@pytest.mark.parametrize(
    ("rules", "description", "applies"),
    [
        ("five-intraoral", "anything", True),
        ("orthodontic-with-face", "Orthodontic check", True),
        ("orthodontic-with-face", "recall", False),
        ("initial-eight", "First examination", True),
        ("initial-eight", "Recall", False),
        ("periodontal-full-mouth", "PERIODONTITIS review", True),
        ("shade-laboratory", "Shade 21", True),
        ("shade-laboratory", "onlay", False),
    ],
)
def test_a_set_of_visits_applies_by_the_description(
    rules: str, description: str, applies: bool
) -> None:
    album = Album([picture(1, "face", description=description)])
    demands, _ = evaluate([read_rules(shipped()[rules])], album, (), TODAY)
    assert bool(demands) == applies
