"""The server killed while a card of 40 pictures is taken in: the draft is there, nothing by half.

``ARCHIVER_KILLS`` sets how often it is killed; twenty times with
``ARCHIVER_KILLS=20 python -m pytest -s tests/web/test_take_in_killed.py``.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import random
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from taking import Taking, card
from web_serving import Served

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive

KILLS = int(os.environ.get("ARCHIVER_KILLS", "2"))
PICTURES = 40
#: Seconds after which the server is killed, at the latest.
_LATEST = 2.5
_GONE = (OSError, http.client.HTTPException, ValueError, AssertionError, KeyError)


def work_on(taking: Taking, files: list[Path]) -> None:
    """Carry on with a draft from wherever it is, to its end."""
    state = taking.state()
    there = {one["name"] for one in state["pictures"].values()}
    for file in files:
        if file.name not in there:
            taking.take([file])
    state = taking.state()
    if not state["patient"]:
        taking.change(patient={"id": "P-40"}, visit={"date": "2026-03-04"}, rules="five-intraoral")
    for digest in state["order"]:
        if not state["pictures"][digest]["said"]:
            taking.say(digest, view="upper occlusal arch", mirror=True)
    taking.archive()


def check(draft: Taking, said: dict[str, Any], arrived: set[str]) -> int:
    """All that was answered before the kill is in the draft; return how many are archived."""
    state = draft.state()
    assert arrived <= set(state["order"])
    for digest, view in said.items():
        assert state["pictures"][digest]["said"]["view"] == view
    for digest in state["order"]:
        answer = draft.ask(f"/pictures/{digest}")
        assert answer.status == 200
        assert answer.body.startswith(b"\xff\xd8")
    return sum(one["result"] is not None for one in state["pictures"].values())


def one_card(
    start: Callable[..., Served], folder: Path, files: list[Path], chance: random.Random, most: int
) -> list[tuple[int, int, int]]:
    """Take a card in, killed at most so often; return what was there after each kill."""
    archive, seen = folder / "archive", []
    served = start(archive)
    taking = Taking(served)
    while len(seen) < most:
        timer = threading.Timer(chance.uniform(0.05, _LATEST), served.process.kill)
        timer.start()
        with contextlib.suppress(*_GONE):
            work_on(taking, files)
        timer.cancel()
        served.kill()
        draft = archive / "pages" / "drafts" / taking.id
        table = json.loads((draft / "draft.json").read_text("utf-8"))
        arrived = {one.stem for one in (draft / "files").glob("*.json")}
        said = {digest: one["view"] for digest, one in table["said"].items()}
        served = start(archive)
        taking = Taking(served, identity=taking.id)
        seen.append((len(arrived), len(said), check(taking, said, arrived)))
        if table["state"] == "archived":
            break
    if taking.state()["state"] == "open":
        work_on(taking, files)
    assert taking.state()["state"] == "archived"
    assert served.stop() == 0
    return seen


def check_archive(archive: Path) -> None:
    """Every picture is there once, as shot and corrected, and whole."""
    with Archive.open(archive) as opened:
        assert not opened.recovery.aside_removed
        records = opened.query(Query(patient_id="P-40"))
    assert len(records) == 2 * PICTURES
    assert len({(r.source_sha256, r.role) for r in records}) == 2 * PICTURES
    kept = list((archive / "objects").rglob("*.dcm"))
    assert len(kept) == 2 * PICTURES
    for file in kept:
        assert file.read_bytes().endswith(b"\xfe\xff\xdd\xe0\0\0\0\0")  # sequence delimiter


def test_a_server_killed_at_any_moment_loses_nothing_of_a_draft(
    start: Callable[..., Served], tmp_path: Path
) -> None:
    seed = random.SystemRandom().randrange(1 << 32)
    chance = random.Random(seed)
    print(f"\nseed {seed}; pictures arrived, said, archived after each kill:")
    files = card(tmp_path / "card", PICTURES)
    kills = 0
    while kills < KILLS:
        folder = tmp_path / f"after-{kills}"
        seen = one_card(start, folder, files, chance, KILLS - kills)
        check_archive(folder / "archive")
        kills += len(seen)
        print(seen)
