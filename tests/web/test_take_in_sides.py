"""Two windows, one draft: a Yes holds for what was shown when it was given, and no longer."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from taking import Taking, card, let_in
from web_serving import Served, serve

WHOM = {"patient": {"id": "P-0417", "name": "Okafor^Nadia"}, "visit": {"date": "2026-03-04"}}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = serve(tmp_path_factory.mktemp("sides") / "archive")
    let_in(served.archive, "Berg^Ida", "assistant")
    yield served
    served.kill()


@pytest.fixture
def windows(running: Served, tmp_path: Path) -> tuple[Taking, Taking, str]:
    """Two windows of one person on a draft with a picture of the left side."""
    one = Taking(running, "Berg^Ida")
    (digest,) = one.take(card(tmp_path / "card", 1))
    assert one.change(**WHOM).status == 200
    one.say(digest, view="left buccal", mirror=False)
    return one, Taking(running, "Berg^Ida", identity=one.id), digest


def seen(taking: Taking, digest: str) -> dict[str, Any]:
    told = taking.state()["pictures"][digest]
    return {"picture": digest, "turn": told["turn"], "shown": told["shown"]}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"view": "right buccal"}, "the view was left buccal, it is now right buccal"),
        ({"view": "buccal", "teeth": "26"}, "the teeth were not named, they are now 26"),
        ({"crop": {"left": 0, "top": 0, "width": 320, "height": 240}}, "the crop was not named"),
        ({"mirror": True}, "it is now said to be taken through a mirror"),
    ],
    ids=["view", "teeth", "crop", "mirror"],
)
def test_a_yes_is_refused_where_another_window_has_changed_what_was_shown(
    windows: tuple[Taking, Taking, str], change: dict[str, Any], words: str
) -> None:
    asked, other, digest = windows
    looked = seen(asked, digest)
    other.state()
    other.say(digest, **change)
    asked.state()
    looked["turn"] = asked.state()["pictures"][digest]["turn"]
    answer = asked.change(confirm=looked)
    assert answer.status == 422 and words in answer.text, answer.text
    assert "confirmed_by" not in asked.state()["pictures"][digest]["said"]


def test_a_yes_is_refused_where_the_patient_has_become_another(
    windows: tuple[Taking, Taking, str],
) -> None:
    asked, other, digest = windows
    looked = seen(asked, digest)
    other.state()
    assert other.change(patient={"id": "P-0418"}).status == 200
    asked.state()
    answer = asked.change(confirm=looked)
    assert answer.status == 422 and "of another patient" in answer.text


def test_a_yes_that_does_not_say_what_was_shown_is_none(
    windows: tuple[Taking, Taking, str],
) -> None:
    asked, _, digest = windows
    looked = seen(asked, digest)
    del looked["shown"]
    assert asked.change(confirm=looked).status == 422


def test_a_confirmation_falls_with_whatever_is_shown_otherwise(
    windows: tuple[Taking, Taking, str],
) -> None:
    asked, _, digest = windows

    def confirmed() -> bool:
        return "confirmed_by" in asked.state()["pictures"][digest]["said"]

    asked.confirm(digest)
    asked.say(digest, comment="dry")
    assert confirmed()
    asked.say(digest, crop={"left": 0, "top": 0, "width": 320, "height": 240})
    assert not confirmed()
    asked.confirm(digest)
    assert asked.change(patient={"id": "P-0417", "name": "Okafor^Nadine"}).status == 200
    assert not confirmed()


def test_what_is_offered_can_be_seen_and_confirmed_in_one_answer(
    windows: tuple[Taking, Taking, str],
) -> None:
    asked, _, digest = windows
    given = {digest: {"view": "frontal"}}
    told = json.loads(asked.ask("/shown", "POST", {"pictures": given}).body)
    shown = told["pictures"][digest]
    assert shown["facts"]["view"] == "frontal" and len(shown["code"]) == 7
    assert asked.state()["pictures"][digest]["said"]["view"] == "left buccal"
    answer = asked.change(
        pictures=given, confirm={"picture": digest, "turn": shown["facts"]["turn"], "shown": shown}
    )
    assert answer.status == 200, answer.text
    assert asked.state()["pictures"][digest]["said"]["shown"] == shown["digest"]


def test_a_window_that_is_behind_is_told_what_it_would_put_something_else_over(
    windows: tuple[Taking, Taking, str],
) -> None:
    behind, other, digest = windows
    behind.state()
    other.state()
    other.say(digest, view="right buccal", stage="start")
    late = behind.change(pictures={digest: {"view": "frontal", "comment": "dry"}})
    assert late.status == 409
    (over,) = json.loads(late.body)["conflicts"]
    assert (over["key"], over["before"], over["now"]) == ("view", "left buccal", "right buccal")
    late = behind.change(pictures={digest: {"comment": "dry"}})
    assert (late.status, json.loads(late.body)["conflicts"]) == (409, [])


def test_what_was_confirmed_by_looking_is_archived_so(
    windows: tuple[Taking, Taking, str], running: Served
) -> None:
    asked, _, digest = windows
    asked.confirm(digest)
    shown = asked.state()["pictures"][digest]["shown"]
    task = asked.archive()
    assert task["state"] == "done", task
    journal = (running.archive / "journal.jsonl").read_text("utf-8")
    assert "side confirmed by Berg^Ida at " in journal and shown["digest"] in journal
