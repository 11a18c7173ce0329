"""Drafts: kept at every change, open to whoever takes in, hostile files refused in plain words."""

from __future__ import annotations

import http.client
import io
import json
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pytest
from PIL import Image
from taking import STUDIES, Taking, card, let_in
from web_serving import Served, serve

from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.errors import ArchiveError
from archiver.objects import PHOTO
from archiver.web.pages.take_in import upload
from archiver.web.pages.take_in.draft_store import Drafts, NoDraft, Open, write_json
from archiver.web.pages.take_in.drafts import ARCHIVED, Draft
from archiver.web.pages.take_in.step_words import describe_step, key_word
from archiver.web.pages.take_in.upload import Arrival, shown_name, small_picture
from archiver.wording import Words

NOON = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)
WORDS = Words(table="pages")
CARD = sorted((STUDIES / "P-1042" / "2024-02-13").glob("*.JPG"))


@pytest.fixture
def drafts(tmp_path: Path) -> Drafts:
    return Drafts(tmp_path, lambda: NOON)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = serve(tmp_path_factory.mktemp("drafts") / "archive")
    for name, role in (("Berg^Ida", "assistant"), ("Lund^Per", "dentist"), ("Aud^Itor", "auditor")):
        let_in(served.archive, name, role)
    yield served
    served.kill()


def test_a_draft_is_read_again_as_it_was_kept(drafts: Drafts, tmp_path: Path) -> None:
    opened = drafts.create("ida")
    with Arrival(opened) as arrival:
        arrival.take(CARD[0].read_bytes())
        photo = arrival.keep("IMG_1.JPG", NOON)
    kept = opened.change(opened.draft.with_said({photo.digest: {"view": "occlusal"}}), NOON)
    again = Drafts(tmp_path, lambda: NOON).get(opened.draft.id)
    assert again.draft == kept
    assert again.photos == {photo.digest: photo}
    assert again.path_of(photo).read_bytes() == CARD[0].read_bytes()


def test_a_draft_that_is_closed_while_its_picture_is_made_harms_nobody(
    drafts: Drafts, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = drafts.create("ida")
    with Arrival(opened) as arrival:
        arrival.take(CARD[0].read_bytes())
        photo = arrival.keep("IMG_1.JPG", NOON)
    make = upload.thumbnail

    def closing(*given: Any) -> bytes:
        drafts.discard(opened)
        return make(*given)

    monkeypatch.setattr(upload, "thumbnail", closing)
    assert small_picture(opened, photo, large=True).startswith(b"\xff\xd8")
    assert not opened.folder.exists()
    with pytest.raises(FileNotFoundError):  # which the page answers with 404
        small_picture(opened, photo, large=True)

    opened = drafts.create("ida")
    with Arrival(opened) as arrival, pytest.raises(ArchiveError):
        arrival.take(CARD[0].read_bytes())
        arrival.keep("IMG_1.JPG", NOON)


def test_what_an_ended_process_left_half_done_is_not_there(drafts: Drafts, tmp_path: Path) -> None:
    opened = drafts.create("ida")
    (opened.files / "0123456789abcdef.part").write_bytes(b"\xff\xd8 half a picture")
    (opened.folder / "draft.json.01234567.part").write_text('{"half')
    write_json(opened.files / f"{'0' * 64}.json", {"digest": "facts of a file that is not there"})
    again = Drafts(tmp_path, lambda: NOON)
    (opened.files / f"{'0' * 64}.json").unlink()
    found = again.get(opened.draft.id)
    assert found.photos == {}
    assert not list(opened.folder.rglob("*.part"))


def test_a_draft_without_its_table_is_none_and_goes(drafts: Drafts, tmp_path: Path) -> None:
    opened = drafts.create("ida")
    (opened.folder / "draft.json").unlink()
    with pytest.raises(NoDraft):
        Drafts(tmp_path, lambda: NOON).get(opened.draft.id)
    assert not opened.folder.exists()


@pytest.mark.parametrize("name", ["../../etc", "..", "", "A" * 32, "0" * 31, "0" * 32 + "/x"])
def test_a_name_that_is_no_draft_leads_nowhere(drafts: Drafts, name: str) -> None:
    with pytest.raises(NoDraft):
        drafts.get(name)


def test_a_change_can_be_taken_back_and_made_again(drafts: Drafts) -> None:
    opened = drafts.create("ida")
    opened.change(opened.draft.with_said({"a": {"view": "face"}}), NOON)
    opened.change(opened.draft.with_said({"a": {"view": "smile"}}), NOON)
    assert opened.undo(NOON).said["a"] == {"view": "face"}
    assert opened.undo(NOON).said == {}
    assert opened.undo(NOON).said == {}
    assert opened.undo(NOON, again=True).said["a"] == {"view": "face"}
    assert opened.draft.revision == 5


def test_a_change_that_changes_nothing_is_no_step(drafts: Drafts) -> None:
    opened = drafts.create("ida")
    opened.change(opened.draft.with_said({"a": {"view": "face"}}), NOON)
    opened.change(opened.draft.with_said({"a": {"view": "face"}}), NOON)
    assert opened.undo(NOON).said == {}


def test_what_was_changed_can_be_taken_back_and_made_again_after_the_server_began_anew(
    drafts: Drafts, tmp_path: Path
) -> None:
    def anew() -> Open:
        return Drafts(tmp_path, lambda: NOON).get(opened.draft.id)

    opened = drafts.create("ida")
    visit = {"date": "2026-03-04"}
    states = [opened.draft]
    for new in (
        opened.draft.with_said({"a": {"view": "face"}, "b": {"teeth": ["16", "17"]}}),
        replace(opened.draft, visit=visit, teeth=("16",), said={"b": {"view": "smile"}}),
        replace(opened.draft, patient={"id": "P-1"}, visit=visit, teeth=()),
    ):
        states.append(opened.change(new, NOON))
    for wanted in reversed(states[:-1]):
        assert _said(anew().undo(NOON)) == _said(wanted)
    assert not anew().undoable
    for wanted in states[1:]:
        assert _said(anew().undo(NOON, again=True)) == _said(wanted)
    assert not anew().redoable
    anew().undo(NOON)
    again = anew()
    again.change(again.draft.with_said({"c": {"view": "face"}}), NOON)
    assert not anew().redoable


def test_undo_tells_what_it_would_undo_and_where(drafts: Drafts) -> None:
    opened = drafts.create("ida")
    with Arrival(opened) as arrival:
        arrival.take(CARD[0].read_bytes())
        digest = arrival.keep("IMG_1.JPG", NOON).digest
    assert describe_step(WORDS, opened, opened.undoable) is None
    opened.change(opened.draft.with_said({digest: {"view": "occlusal", "mirror": True}}), NOON)
    confirmed = {**opened.draft.said[digest], "confirmed_by": "Berg^Ida", "shown": "7KQ2-M4"}
    opened.change(opened.draft.with_said({digest: confirmed}), NOON)
    opened.change(replace(opened.draft, teeth=("16",)), NOON)
    told = []
    for _ in range(3):
        told.append(describe_step(WORDS, opened, opened.undoable))
        opened.undo(NOON)
    visit, side, meaning = (one for one in told if one is not None)
    assert (visit["keys"], visit["pictures"]) == (("visit_teeth",), ())
    assert visit["words"] == "Teeth of the visit"
    assert (side["keys"], side["pictures"]) == (("confirmed_by",), (digest,))
    assert meaning["keys"] == ("mirror", "view")
    assert meaning["words"] == "direct or mirror, View (IMG_1.JPG)"
    again = describe_step(WORDS, opened, opened.redoable)
    assert again == meaning


def test_all_that_can_be_said_has_a_name_for_undo() -> None:
    fields = {f"visit_{key}" for key in ("patient", "visit", "study", "same_person", "consent")}
    fields |= {"visit_rules", "visit_teeth", "visit_stage", "left_out"}
    for key in {*PHOTO, *fields} - {"shown", "confirmed_at", "file"}:
        assert key_word(WORDS, key)


def _said(draft: Draft) -> dict[str, object]:
    table = draft.to_json()
    return {key: table[key] for key in table.keys() - {"revision", "changed"}}


def test_a_draft_that_knows_no_steps_is_read(drafts: Drafts, tmp_path: Path) -> None:
    opened = drafts.create("ida")
    table = {**opened.draft.to_json(), "undoable": "none", "redoable": [{"view": "face"}]}
    write_json(opened.folder / "draft.json", table)
    again = Drafts(tmp_path, lambda: NOON).get(opened.draft.id)
    assert (again.undoable, again.redoable) == ([], [])
    assert again.undo(NOON) == again.draft


def test_a_hundred_changes_can_be_taken_back(drafts: Drafts) -> None:
    opened = drafts.create("ida")
    for n in range(103):
        opened.change(opened.draft.with_said({"a": {"comment": str(n)}}), NOON)
    while opened.undoable:
        opened.undo(NOON)
    assert opened.draft.said == {"a": {"comment": "2"}}
    assert len(opened.redoable) == 100


def test_a_result_falls_where_something_else_is_said_and_not_beside_it(drafts: Drafts) -> None:
    opened = drafts.create("ida")
    both = opened.draft.with_said({"a": {"view": "face"}, "b": {"view": "face"}})
    done = {"a": {"status": "archived"}, "b": {"status": "archived"}}
    opened.save(replace(both, results=done), NOON)
    opened.change(opened.draft.with_said({"a": {"view": "smile"}}), NOON)
    assert opened.draft.results == {"b": {"status": "archived"}}
    assert opened.undo(NOON).results == {"b": {"status": "archived"}}


def test_a_draft_that_was_archived_goes_after_a_day(tmp_path: Path) -> None:
    now = [NOON]
    drafts = Drafts(tmp_path, lambda: now[0])
    done, going_on = drafts.create("ida"), drafts.create("ida")
    done.save(replace(done.draft, state=ARCHIVED), NOON)
    now[0] = NOON + timedelta(days=40)
    assert [one.draft.id for one in drafts.all()] == [going_on.draft.id]
    assert not done.folder.exists()


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("../../../etc/passwd", "passwd"),
        ("C:\\card\\IMG_1.JPG", "IMG_1.JPG"),
        ("a\x00b\n\u202ejpg.exe", "a_b__jpg.exe"),
        ("", "unnamed"),
        ("/", "unnamed"),
        ("x" * 500 + ".jpg", "x" * 196 + ".jpg"),
    ],
)
def test_a_name_from_a_browser_is_one_line_and_no_path(given: str, shown: str) -> None:
    assert shown_name(given) == shown


def png(columns: int, rows: int) -> bytes:
    """Return a PNG that tells a size and holds next to nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", columns, rows, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0")) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def small(kind: str) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (64, 48), (200, 120, 90)).save(out, kind)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "octets", "words"),
    [
        ("page.jpg", b"<html><script>alert(1)</script>", "of no known kind"),
        ("IMG_1.JPG", small("PNG"), "the name ends in .jpg, but the file is PNG"),
        ("IMG_1.PNG", small("JPEG"), "the name ends in .png, but the file is JPEG"),
        ("bomb.png", png(60_000, 60_000), "at most 120 megapixels"),
        ("long.png", png(70_000, 10), "at most 65535 on a side"),
        ("cut.jpg", CARD[0].read_bytes()[:20_000], "cut short"),
        ("empty.jpg", b"", "the file is empty"),
        ("macro.jpg", b"PK\x03\x04" + b"\0" * 100, "a ZIP archive"),
    ],
)
def test_a_hostile_file_is_refused_in_plain_words_and_leaves_nothing(
    running: Served, name: str, octets: bytes, words: str
) -> None:
    taking = Taking(running, "Berg^Ida")
    answer = taking.upload(octets, name)
    assert answer.status == 422
    assert words in json.loads(answer.body)["problems"][0]
    assert taking.state()["order"] == []
    folder = running.archive / "pages" / "drafts" / taking.id
    assert [p.name for p in folder.rglob("*") if p.is_file()] == ["draft.json"]


def test_the_same_file_twice_is_one_picture(running: Served) -> None:
    taking = Taking(running, "Berg^Ida")
    first = taking.take(CARD[:1])
    assert taking.take(CARD[:1]) == first
    assert taking.upload(CARD[0].read_bytes(), "copy of it.JPG").status == 201
    assert taking.state()["order"] == first


def test_a_name_with_markup_and_dots_is_only_shown(running: Served) -> None:
    taking = Taking(running, "Berg^Ida")
    name = '../../<img src=x onerror="alert(1)">.JPG'
    digest = json.loads(taking.upload(CARD[0].read_bytes(), name).body)["picture"]["digest"]
    assert taking.state()["pictures"][digest]["name"] == '<img src=x onerror="alert(1)">.JPG'
    folder = running.archive / "pages" / "drafts" / taking.id
    kept = [p.name for p in (folder / "files").iterdir()]
    assert sorted(kept) == [f"{digest}.jpg", f"{digest}.json"]


def test_a_draft_is_of_the_visit_so_that_the_dentist_confirms_what_the_assistant_took_in(
    running: Served, tmp_path: Path
) -> None:
    mine = Taking(running, "Berg^Ida")
    (digest,) = mine.take(card(tmp_path, 1))
    mine.change(patient={"id": "P-8"}, visit={"date": "2024-02-13"})
    mine.say(digest, view="occlusal", mirror=True, teeth="16")
    theirs = Taking(running, "Lund^Per", identity=mine.id)
    listed = theirs.client.ask("/take-in").text
    assert mine.id in listed and re.search(
        "begun by <bdi[^>]*>Berg, Ida</bdi>", " ".join(listed.split())
    )
    theirs.confirm(digest)
    assert mine.state()["pictures"][digest]["said"]["confirmed_by"] == "Lund^Per"
    # Whoever follows what another one archives sees it end, too.
    task = json.loads(theirs.ask("/archive", "POST", {}).body)["task"]
    assert mine.wait(task)["state"] == "done"


def test_drafts_that_were_there_stay_when_the_first_user_is_made(tmp_path: Path) -> None:
    served = serve(tmp_path / "archive")
    try:
        (digest,) = Taking(served).take(CARD[:1])
        let_in(served.archive, "Berg^Ida", "assistant")
        (draft,) = (served.archive / "pages" / "drafts").iterdir()
        taking = Taking(served, "Berg^Ida", identity=draft.name)
        assert draft.name in taking.client.ask("/take-in").text
        assert taking.state()["order"] == [digest]
    finally:
        served.kill()


def test_a_role_that_takes_nothing_in_is_refused(running: Served) -> None:
    from web_serving import Client

    draft = Taking(running, "Berg^Ida").id
    client = Client(running)
    client.log_in("Aud^Itor")
    assert client.ask(f"/take-in/{draft}").status == 403
    assert client.ask("/take-in").status == 403
    assert client.post("/take-in/new").status == 403


def test_without_the_token_of_the_session_nothing_is_changed(running: Served) -> None:
    taking = Taking(running, "Berg^Ida")
    taking.client.csrf = "guessed"
    assert taking.change(patient={"id": "X"}).status == 403
    assert taking.upload(CARD[0].read_bytes(), "a.jpg").status == 403
    assert taking.ask("/discard", "POST", {}).status == 403


@pytest.mark.parametrize(
    "digest", ["../draft.json", "..%2f..%2fdraft.json", "0" * 64, "draft.json", "%00"]
)
def test_a_guessed_picture_is_not_there(running: Served, digest: str) -> None:
    assert Taking(running, "Berg^Ida").ask(f"/pictures/{digest}").status == 404


@pytest.mark.parametrize(
    "change",
    [
        {"pictures": {"0" * 64: {"view": "face"}}},
        {"pictures": []},
        {"pictures": {"0" * 64: 7}},
        {"patient": {"id": "a\\b"}},
        {"patient": {"id": "x" * 65}},
        {"patient": {"nickname": "x"}},
        {"visit": {"date": "yesterday"}},
        {"visit": {"clock_offset": "a bit"}},
        {"study": {"study_uid": 7}},
        {"rules": "../../etc/passwd"},
        {"stage": "whenever"},
        {"teeth": "99"},
        {"confirm": {"picture": "0" * 64, "turn": 1}},
        {"numbering": "klingon"},
    ],
    ids=str,
)
def test_a_change_that_cannot_be_is_refused_whole(running: Served, change: object) -> None:
    taking = Taking(running, "Berg^Ida")
    before = taking.state()
    assert isinstance(change, dict)
    answer = taking.change(**change)
    assert answer.status == 422, answer.text
    assert taking.state() == before


def test_a_change_of_an_older_state_is_not_put_over_a_newer_one(running: Served) -> None:
    one = Taking(running, "Berg^Ida")
    other = Taking(running, "Berg^Ida", identity=one.id)
    assert one.change(patient={"id": "A"}).status == 200
    late = other.change(patient={"id": "B"})
    assert late.status == 409
    assert json.loads(late.body)["state"]["patient"] == {"id": "A"}


def test_a_side_is_confirmed_by_who_is_logged_in_as_shown_and_until_something_turns(
    running: Served,
) -> None:
    taking = Taking(running, "Berg^Ida")
    (digest,) = taking.take(CARD[:1])
    refused = taking.change(pictures={digest: {"confirmed_by": "Somebody^Else"}})
    assert refused.status == 422
    assert taking.change(confirm={"picture": digest, "turn": 1}).status == 422
    told = taking.say(digest, view="occlusal", mirror=True, teeth="16")
    wrong = taking.change(confirm={"picture": digest, "turn": told["turn"] % 8 + 1})
    assert wrong.status == 422
    taking.confirm(digest)
    assert taking.state()["pictures"][digest]["said"]["confirmed_by"] == "Berg^Ida"
    assert "confirmed_by" in taking.say(digest, comment="dry")["said"]
    assert "confirmed_by" not in taking.say(digest, operator="behind")["said"]


def test_a_draft_that_lacks_something_is_not_archived_and_tells_where(running: Served) -> None:
    taking = Taking(running, "Berg^Ida")
    first, second = taking.take(CARD[:2])
    taking.say(first, view="occlusal", mirror=True)
    answer = taking.ask("/archive", "POST", {})
    assert answer.status == 422
    told = json.loads(answer.body)
    assert any("id" in words for words in told["problems"])
    assert "needs its teeth" in told["pictures"][first][0]
    assert any("view" in words for words in told["pictures"][second])
    assert all(len(words) < 300 for lines in told["pictures"].values() for words in lines)


def test_a_file_that_says_it_is_too_large_is_refused_before_it_comes(running: Served) -> None:
    taking = Taking(running, "Berg^Ida")
    connection = http.client.HTTPConnection(*running.address, timeout=20)
    connection.putrequest("PUT", f"/take-in/{taking.id}/pictures")
    for name, value in (
        ("Cookie", taking.client.cookie),
        ("X-CSRF-Token", taking.client.csrf),
        ("Accept", "application/json"),
        ("Content-Length", str(600 << 20)),
    ):
        connection.putheader(name, value)
    connection.endheaders()
    answer = connection.getresponse()
    assert answer.status == 422
    assert b"too large" in answer.read()
    connection.close()


def test_patient_and_visit_come_from_the_worklist_with_its_study(
    tmp_path: Path, start: Callable[..., Served]
) -> None:
    today = datetime.now().astimezone().date().isoformat()
    table = tmp_path / "visits.csv"
    head = "patient_id,name,birth_date,sex,issuer,accession,date,time,description,study_uid"
    row = f"P-7,Brânză^Ilinca,1990-01-02,F,CLINIC,A-77,{today},09:30,Recall,1.2.3.4.5"
    other = "P-8,Else^Some,,,,A-78,2001-01-01,10:00,Old,1.2.3.4.6"
    bad = "P-9,Third^Man,,,,A-79,3/4/2026,10:00,Bad,1.2.3.4.7"
    table.write_text(f"{head}\n{row}\n{other}\n{bad}\n", encoding="utf-8")
    served = start(tmp_path / "archive", "--worklist", str(table))
    taking = Taking(served)
    asked = taking.client.ask("/take-in/scheduled?from=", headers={"Accept": "application/json"})
    told = json.loads(asked.body)
    (visit,) = told["visits"]
    assert len(told["left_out"]) == 1 and "line 4: date is no date" in told["left_out"][0]
    assert visit["patient"]["name"] == "Brânză^Ilinca"
    (digest,) = taking.take(CARD[:1])
    assert taking.change(**visit).status == 200
    taking.say(digest, view="occlusal", mirror=True, teeth="16")
    assert taking.archive()["state"] == "done"
    assert served.stop() == 0
    with Archive.open(tmp_path / "archive", read_only=True) as archive:
        found = archive.query(Query(patient_id="P-7", issuer="CLINIC"))
    assert {(r.study_uid, r.accession, r.study_date) for r in found} == {
        ("1.2.3.4.5", "A-77", today)
    }


def test_the_audit_trail_tells_the_work_on_a_draft_and_names_no_patient(running: Served) -> None:
    taking = Taking(running, "Berg^Ida")
    (digest,) = taking.take(CARD[:1])
    taking.change(patient={"id": "SECRET-1", "name": "Hidden^Name"}, visit={"date": "2024-02-13"})
    taking.say(digest, view="occlusal", mirror=True, teeth="16")
    taking.confirm(digest)
    assert taking.archive()["state"] == "done"
    taking.ask("/discard", "POST", {})
    # The trail is written in batches behind the answers.
    until = monotonic() + 60
    while "draft closed" not in (journal := (running.archive / "journal.jsonl").read_text("utf-8")):
        assert monotonic() < until
        sleep(0.05)
    for words in (
        "draft begun",
        "pictures into a draft",
        "draft changed",
        "side confirmed in a draft",
        "archiving of a draft; pictures: 1",
        "draft closed, all of it archived",
    ):
        assert words in journal, words
    assert "SECRET" not in journal
    assert "Hidden" not in journal
    assert CARD[0].name not in journal
