"""A draft that cannot be read is listed with its folder and why, and stays as it is."""

from __future__ import annotations

import json
import secrets
import shutil
from collections.abc import Callable, Iterator
from datetime import datetime, timezone
from pathlib import Path

import pytest
from taking import Taking, let_in
from web_serving import Served, serve

from archiver.web.pages.take_in.draft_store import Drafts, NoDraft, UnreadableDraft

NOON = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)


@pytest.fixture
def drafts(tmp_path: Path) -> Drafts:
    return Drafts(tmp_path, lambda: NOON)


def tear(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:20])


def empty(path: Path) -> None:
    path.write_text("{}")


def raise_version(path: Path) -> None:
    path.write_text(json.dumps({**json.loads(path.read_text()), "version": 9}))


def strip_changed(path: Path) -> None:
    path.write_text(json.dumps({**json.loads(path.read_text()), "changed": "?"}))


@pytest.mark.parametrize(
    ("spoil", "version"), [(tear, 0), (empty, 0), (raise_version, 9), (strip_changed, 0)]
)
def test_a_draft_that_cannot_be_read_is_listed_and_left_alone(
    drafts: Drafts, tmp_path: Path, spoil: Callable[[Path], None], version: int
) -> None:
    folder = drafts.create("ida").folder
    whole = drafts.create("ida").draft.id
    spoil(folder / "draft.json")
    before = (folder / "draft.json").read_bytes()
    again = Drafts(tmp_path, lambda: NOON)
    assert [one.draft.id for one in again.all()] == [whole]
    listed = UnreadableDraft(folder.name, "draft.json", version)
    assert again.unreadable() == [listed]
    with pytest.raises(NoDraft):
        again.get(folder.name)
    assert (folder / "draft.json").read_bytes() == before


def test_a_draft_with_unreadable_facts_of_a_picture_is_listed(
    drafts: Drafts, tmp_path: Path
) -> None:
    opened = drafts.create("ida")
    facts = opened.files / f"{'0' * 64}.json"
    facts.write_text('{"digest"')
    listed = UnreadableDraft(opened.folder.name, f"files/{facts.name}", 0)
    assert Drafts(tmp_path, lambda: NOON).unreadable() == [listed]
    facts.write_text('{"version": 9}')
    (one,) = Drafts(tmp_path, lambda: NOON).unreadable()
    assert one.version == 9


def test_camera_files_whose_draft_has_lost_its_table_are_kept_and_listed(
    drafts: Drafts, tmp_path: Path
) -> None:
    opened = drafts.create("ida")
    picture = opened.files / f"{'0' * 64}.jpg"
    picture.write_bytes(b"\xff\xd8")
    (opened.folder / "draft.json").unlink()
    again = Drafts(tmp_path, lambda: NOON)
    assert [one.file for one in again.unreadable()] == ["draft.json"]
    assert picture.exists()


def test_a_draft_thrown_away_by_half_goes_when_the_server_starts(
    drafts: Drafts, tmp_path: Path
) -> None:
    opened = drafts.create("ida")
    (opened.files / "0.jpg").write_bytes(b"\xff\xd8")
    opened.folder.rename(tmp_path / f"{opened.draft.id}.gone")
    again = Drafts(tmp_path, lambda: NOON)
    assert again.unreadable() == [] == list(tmp_path.iterdir())


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = serve(tmp_path_factory.mktemp("drafts") / "archive")
    let_in(served.archive, "Berg^Ida", "assistant")
    yield served
    served.kill()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [(tear, "draft.json is damaged"), (raise_version, "draft.json is of version 9")],
)
def test_the_page_shows_a_draft_that_cannot_be_read(
    running: Served, spoil: Callable[[Path], None], words: str
) -> None:
    taking = Taking(running, "Berg^Ida")
    folder = running.archive / "pages" / "drafts" / secrets.token_hex(16)
    shutil.copytree(folder.with_name(taking.id), folder)
    spoil(folder / "draft.json")
    page = taking.client.ask("/take-in").text
    assert f"pages/drafts/{folder.name}" in page and words in page
    assert taking.client.ask(f"/take-in/{folder.name}").status == 404
    assert folder.is_dir()
