"""Whether two objects can be of one person, and how a person is called."""

from __future__ import annotations

from itertools import product

import pytest

from archiver.objects.person import Person, same_identifier

SPELLINGS = ("Müller^Jörg", "MUELLER^JOERG", "muller^jorg", "Jörg^Müller", "Müller^ Jörg^^")
OTHERS = ("Okafor^Nadia", "Müller^Jan", "Miller^Jorg")


#: With dots left out and with them written as letters, which agree only by way of the dots.
APART = {SPELLINGS[1], SPELLINGS[2]}


@pytest.mark.parametrize(
    ("one", "other"),
    [pair for pair in product(SPELLINGS, ("", *SPELLINGS)) if set(pair) != APART],
)
def test_spellings_of_a_name_and_a_name_that_is_not_said_agree(one: str, other: str) -> None:
    assert not Person(one).contradicts(Person(other))
    assert not Person(other).contradicts(Person(one))


@pytest.mark.parametrize(("one", "other"), list(product(SPELLINGS, OTHERS)))
def test_other_names_contradict_both_ways(one: str, other: str) -> None:
    assert Person(one).contradicts(Person(other)) and Person(other).contradicts(Person(one))


@pytest.mark.parametrize("what", ["birth_date", "sex"])
def test_births_and_sexes_contradict_where_both_are_said(what: str) -> None:
    said = {"birth_date": ("1988-02-17", "1988-02-18"), "sex": ("F", "M")}[what]
    a, b, nothing = (Person("A^B", **{what: one}) for one in (*said, ""))
    assert a.contradicts(b) and not a.contradicts(a)
    assert not a.contradicts(nothing) and not nothing.contradicts(b)


def test_a_person_is_called_by_the_alphabetic_form_and_by_what_is_said() -> None:
    whole = Person("Yamada^Tarou^^Dr=山田^太郎=やまだ^たろう", "1970-01-02", "M")
    assert str(whole) == "Yamada, Tarou Dr · 1970-01-02 · M"
    assert str(Person("Okafor")) == "Okafor"
    assert str(Person(sex="F")) == "F"
    assert str(Person()) == "—"


def test_only_names_that_agree_are_spelt_otherwise() -> None:
    spelt = [
        one
        for one in (*SPELLINGS, *OTHERS, "")
        if Person(one).is_spelt_otherwise(Person(SPELLINGS[0]))
    ]
    assert spelt == [*SPELLINGS[1:4], SPELLINGS[4]]
    assert not Person("A^B^^").is_spelt_otherwise(Person("A^B"))


def test_identifiers_differ_in_more_than_case_and_spaces() -> None:
    assert same_identifier("P 04 17", "p0417")
    assert not same_identifier("P-0417", "P0417")
