"""Archiving that a person stops and takes up again."""

from __future__ import annotations

import json
from pathlib import Path

from taking import JSON, Taking, card
from web_serving import serve

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive

PICTURES = 30


def test_archiving_is_stopped_by_the_person_and_goes_on_with_the_rest(tmp_path: Path) -> None:
    served = serve(tmp_path / "archive")
    taking = Taking(served)
    digests = taking.take(card(tmp_path / "card", PICTURES, columns=320, rows=216))
    taking.change(patient={"id": "P-30"}, visit={"date": "2026-03-04"})
    for n, digest in enumerate(digests):
        taking.say(digest, view="face", mirror=False, comment=f"picture {n}")

    task = json.loads(taking.ask("/archive", "POST", {}).body)["task"]
    headers = {**JSON, "X-CSRF-Token": taking.client.csrf}
    assert taking.client.ask(f"/tasks/{task}/cancel", "POST", b"{}", headers).status == 200
    assert taking.wait(task)["state"] == "cancelled"
    state = taking.state()
    done = [one for one in state["pictures"].values() if one["result"]]
    assert (state["state"], state["task"]) == ("open", None)
    assert len(done) < PICTURES

    told = taking.archive()
    assert (told["state"], told["done"], told["total"]) == ("done", PICTURES, PICTURES)
    assert told["result"] == {"archived": PICTURES, "refused": 0, "consent": []}
    assert taking.state()["state"] == "archived"
    assert served.stop() == 0
    with Archive.open(tmp_path / "archive", read_only=True) as archive:
        found = archive.query(Query(patient_id="P-30"))
    assert len({one.source_sha256 for one in found}) == PICTURES
    assert len({one.sop_instance_uid for one in found}) == len(found)
