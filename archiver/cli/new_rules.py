"""Asking a practice in words for rules of its own (`archiver audit --new-rules`)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from archiver.wording import words_of

#: Asks one question: its text, and what an empty answer means.
Ask = Callable[[str, str], str]


def new_rules(path: Path, ask: Ask) -> list[str]:
    """Ask for a set of rules, write it and return it in plain words.

    Parameters
    ----------
    ask
        Asks one question.

    Raises
    ------
    ArchiverError
        If the answers make no rules, or the file cannot be written.
    """
    from archiver.records.rules import explain, write_rules

    say = _asking(ask)
    head = {"name": say("name", path.stem), "version": say("version", "1")}
    head["source"] = say("source", "the practice's own")
    head["standing"] = "local"
    tables = _keeping(say) if say("what", "views").startswith("k") else _views(say)
    return explain(write_rules(path, head, tables))


def _asking(ask: Ask) -> Callable[[str, str], str]:
    words = words_of()
    return lambda question, default: ask(words(f"cli.new_rules.{question}"), default).strip()


def _views(say: Callable[[str, str], str]) -> dict[str, Any]:
    """Ask for the views that are demanded, until an empty name."""
    from archiver.records.rules import listed

    to = "episodes" if say("applies", "visits").startswith("e") else "visits"
    applies: dict[str, Any] = {"to": to}
    if holding := listed(say("holding", "")):
        applies["treatments" if to == "episodes" else "descriptions"] = holding
    rows = []
    while name := say("row", ""):
        row: dict[str, Any] = {"name": name, "view": listed(say("view", "frontal"))}
        row["of"] = say("of", "mouth")
        optional = {"mirror": say("mirror", "either"), "side": say("side", "")}
        optional |= {"stage": say("stage", "") if to == "episodes" else ""}
        row |= {key: value for key, value in optional.items() if value}
        lists = {"functional_state": listed(say("functional_state", ""))}
        lists |= {"magnification": listed(say("magnification", ""))}
        lists |= {"frames": listed(say("frames", "")), "sextants": listed(say("sextants", ""))}
        row |= {key: value for key, value in lists.items() if value}
        if len(lists["sextants"]) > 1:
            row["each"] = _yes(say("each", "yes"))
        if _yes(say("optional", "no")):
            row["optional"] = True
        rows.append(row)
    return {"applies": applies, "require": rows}


def _keeping(say: Callable[[str, str], str]) -> dict[str, Any]:
    """Ask how long records are kept: where, by which source, and of what date that is."""
    cited = {"source": say("kept_source", ""), "source_date": say("kept_date", "")}
    cited["place"] = say("kept_place", "")
    cited = {key: value for key, value in cited.items() if value}
    age = _number(say("kept_age", "18"))
    adults = {"name": "adults", "from_age": age, "years": _number(say("kept_years", "")), **cited}
    rows: list[dict[str, Any]] = [adults]
    child = {"name": "children", "below_age": age, **cited}
    child["years"] = _number(say("kept_child_years", ""))
    child["until_age"] = _number(say("kept_birthday", ""))
    rows.append({key: value for key, value in child.items() if value != ""})
    if _yes(say("kept_capacity", "yes")):
        rows.append(
            {"name": "lacking capacity", "lacking_capacity": True, "for_ever": True} | cited
        )
    return {"retention": rows}


def _number(answer: str) -> int | str:
    """Return a number where the answer is one; else the answer, which the rules' reader refuses."""
    return int(answer) if answer.isdecimal() else answer


def _yes(answer: str) -> bool:
    return answer.casefold().startswith("y")
