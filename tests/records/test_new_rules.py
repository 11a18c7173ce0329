"""Rules of a practice's own, from answers to questions in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.cli.new_rules import new_rules
from archiver.errors import ArchiverError
from archiver.records.rules import read_rules


def answering(answers: dict[str, list[str]], asked: list[str]) -> object:
    """A person who answers questions by a word in them; nothing else is changed."""

    def ask(question: str, default: str) -> str:
        asked.append(question)
        for word, said in answers.items():
            if word in question and said:
                return said.pop(0)
        return default

    return ask


def test_views_are_asked_for_until_there_are_no_more(tmp_path: Path) -> None:
    path, asked = tmp_path / "own.toml", []
    answers = {
        "called": ["Our recall"],
        "description or kind": ["recall, check"],
        "next picture": ["smile from the right", "palatal, each part", ""],
        "Which view": ["smile", "palatal"],
        "Through a mirror": ["direct", "mirror"],
        "From where": ["right"],
        "magnification": ["1:2"],
        "Of which sextants": ["", "upper right sextant, upper left sextant"],
        "Only recommended": ["no", "yes"],
    }
    told = "\n".join(new_rules(path, answering(answers, asked)))  # type: ignore[arg-type]
    rules = read_rules(path)
    assert (rules.name, rules.standing) == ("Our recall", "local")
    assert rules.applies.descriptions == ("recall", "check")
    smile, palatal = rules.requirements
    assert (smile.side, smile.magnification, smile.mirror) == ("right", ("1:2",), "direct")
    assert palatal.each and palatal.optional and len(palatal.sextants) == 2
    assert "For each of upper right sextant and upper left sextant: palatal" in told
    with pytest.raises(ArchiverError, match="there is a file already"):
        new_rules(path, answering({}, []))  # type: ignore[arg-type]


def test_keeping_times_are_asked_for_with_place_source_and_date(tmp_path: Path) -> None:
    path = tmp_path / "keeping.toml"
    answers = {
        "About views": ["keeping"],
        "law or advice": ["Act 7"],
        "date or year": ["2023"],
        "place where": ["Harbour"],
        "adult's record": ["15"],
        "child's record is kept; nothing": ["15"],
        "birthday": ["25"],
    }
    told = "\n".join(new_rules(path, answering(answers, [])))  # type: ignore[arg-type]
    adults, children, incapable = read_rules(path).retention
    assert (adults.years, adults.from_age, adults.cited) == (15, 18, "Act 7, Harbour, 2023")
    assert (children.years, children.until_age) == (15, 25) and incapable.for_ever
    assert "whichever is later" in told


def test_answers_that_make_no_rules_are_told_and_nothing_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    answers = {"next picture": ["one", ""], "Which view": ["sideways"]}
    with pytest.raises(ArchiverError, match="sideways"):
        new_rules(path, answering(answers, []))  # type: ignore[arg-type]
    assert not path.exists()
