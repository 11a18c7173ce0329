"""The table of sides: what stands wrongly is counted as such, and one trial of each kind."""

from __future__ import annotations

import pytest

from tests.benchmarks.real_photographs import TEN, pictures
from tests.benchmarks.sides import STRANGERS, TAKE, VISIT, Trial, table, trials

TRUE = [90, 1, 2, 1, 3, 2, 1, 2]


def test_every_mouth_has_its_visits_and_a_photograph_never_the_same_one_twice() -> None:
    found = trials(pictures(TEN), each=12, most=5)

    visits = [one for one in found if one.kind == VISIT]
    assert [sum(one.newer.mouth == f"patient_{n}" for one in visits) for n in (0, 1)] == [12, 12]
    assert len({one.name for one in found}) == len(found)
    strangers = [one for one in found if one.kind == STRANGERS]
    assert len(strangers) == 5 and not [one for one in found if one.kind == TAKE]
    assert all(one.newer.mouth != one.prior.mouth for one in strangers)


@pytest.mark.parametrize(
    ("name", "told", "kept"),
    [
        ("second visits/a.frontal/a.frontal/0", TRUE, True),
        ("second visits/a.frontal/a.frontal/0", TRUE[4:] + TRUE[:4], False),
        ("second visits/a.frontal/a.frontal/0", [8, 1, 2, 1, 7, 2, 1, 2], False),
        ("real second takes/a.frontal.1/a.frontal.2/0", TRUE[2:4] + TRUE[:2] + TRUE[4:], False),
        ("other mouths/a.frontal/b.frontal/0", ["UNDECIDED", "UNDECIDED"], True),
        ("other mouths/a.frontal/b.frontal/0", ["SAME", "UNDECIDED"], False),
        ("other mouths/a.frontal/b.frontal/0", ["UNDECIDED", "TURNED"], False),
    ],
)
def test_a_table_with_one_fault_does_not_pass(name: str, told: list, kept: bool) -> None:
    assert table({name: told}) is kept


def test_a_second_visit_of_a_real_photograph_is_told() -> None:
    (one,) = (each for each in pictures(TEN) if each.name == "patient_1.frontal")
    trial = Trial(VISIT, one, one, 70)

    assert table({trial.name: trial.told()})
