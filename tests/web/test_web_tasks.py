"""Long work, pictures in memory, and the table of the settings, each by itself."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

import httpx
import pytest
from web_serving import carried_out, copy_of, door_of

from archiver.access.front_door import Caller
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import Numbering
from archiver.errors import ArchiverError, Problem, UsageError
from archiver.network.node.settings import NodeSettings
from archiver.web import pictures
from archiver.web.app import Site
from archiver.web.auth.sessions import LoginSession
from archiver.web.auth.visitor import Visitor
from archiver.web.http_errors import Refused
from archiver.web.settings import pages_settings_of
from archiver.web.tasks import CANCELLED, DONE, FAILED, Progress

NOW = datetime(2026, 3, 4, 8, 0, tzinfo=timezone.utc)
_SESSION = LoginSession("k", "anna", "", NOW, 0, 0)
ANNA = Visitor("anna", frozenset({"dentist"}), Caller("anna", frozenset()), "127.0.0.1", _SESSION)


@pytest.fixture(scope="module")
def site(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A site in this process, without a log-in."""
    folder = copy_of(demo, tmp_path_factory.mktemp("tasks") / "archive")
    with Archive.open(folder, actor="test") as archive:
        clock = lambda: datetime.now(timezone.utc)  # noqa: E731
        made = Site(archive, NodeSettings(), clock, "anna", lambda _: None, door_of(archive))
        yield made
        made.tasks.close()


def _events(site: Site, task: str) -> list[dict[str, object]]:
    async def asked() -> str:
        transport = httpx.ASGITransport(site, client=("127.0.0.1", 50_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return (await client.get(f"/tasks/{task}/events")).text

    lines = carried_out(asked()).splitlines()
    return [json.loads(line.removeprefix("data: ")) for line in lines if line.startswith("data: ")]


def test_work_is_followed_to_its_end_and_its_result_told(site: Site) -> None:
    going = threading.Event()

    def work(progress: Progress) -> object:
        progress(1, 3, "record.audit_reading")
        going.wait(10)
        progress(3, 3, "record.audit_judging")
        return {"where": "/record"}

    task = site.tasks.start(ANNA, work)
    threading.Timer(0.3, going.set).start()
    told = _events(site, task.id)
    assert told[0]["state"] == "running" and told[0]["total"] == 3
    assert told[-1] == {
        "state": DONE,
        "done": 3,
        "total": 3,
        "words": "Comparing with the rules",
        "problems": [],
        "result": {"where": "/record"},
    }


def test_work_that_is_cancelled_stops_where_it_tells_how_far_it_is(site: Site) -> None:
    begun = threading.Event()

    def work(progress: Progress) -> object:
        begun.set()
        for number in range(10_000):
            progress(number, 10_000)
            threading.Event().wait(0.005)
        return None

    task = site.tasks.start(ANNA, work)
    assert begun.wait(10)
    task.cancelled.set()
    assert task.ended.wait(10)
    assert task.state == CANCELLED
    assert task.done < 10_000


def test_work_that_fails_tells_its_problems_and_nothing_more(site: Site) -> None:
    def refused(progress: Progress) -> object:
        raise ArchiverError(Problem("archive.durable.disk_full"))

    def broken(progress: Progress) -> object:
        raise RuntimeError("Marchetti^Rowan")

    for work, told in ((refused, "the disk is full"), (broken, "unexpected")):
        task = site.tasks.start(ANNA, work)
        assert task.ended.wait(10)
        assert task.state == FAILED
        assert told in task.problems[0]
        assert "Marchetti" not in json.dumps(task.snapshot())


def test_one_person_has_only_so_much_going_on(site: Site) -> None:
    stop = threading.Event()
    tasks = [site.tasks.start(ANNA, lambda _: stop.wait(20)) for _ in range(4)]
    with pytest.raises(Refused):
        site.tasks.start(ANNA, lambda _: None)
    other = site.tasks.start(replace(ANNA, name="berg"), lambda _: None)
    stop.set()
    for task in (*tasks, other):
        assert task.ended.wait(10)


def test_pictures_in_memory_stay_within_their_bound(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pictures, "_PICTURES", 60_000)
    made = pictures.Pictures(site)
    for record in site.archive.query(Query(role="derived")):
        made.jpeg(record.sop_instance_uid, Path(record.path), 320)
        assert made._made.currsize <= 60_000
        assert made._made.currsize == sum(map(len, made._made.values()))
    assert made._made


def test_a_picture_is_made_once(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    record = site.archive.query(Query(role="derived", limit=1))[0]
    made = pictures.Pictures(site)
    first = made.jpeg(record.sop_instance_uid, Path(record.path), 160)
    monkeypatch.setattr(pictures, "_rendered", lambda *_: pytest.fail("made again"))
    assert made.jpeg(record.sop_instance_uid, Path(record.path), 160) is first


def test_a_picture_stands_as_its_letters_say(site: Site) -> None:
    """The corrected picture and the one as shot, turned to display, show the same."""
    import io

    import numpy as np
    from PIL import Image

    pairs = 0
    records = site.archive.query(Query(mirror="uncorrected"))
    derived = {
        r.source_sha256: r
        for r in site.archive.query(Query(role="derived"))
        if (r.rows, r.columns) in ((800, 1200), (1200, 800))
    }
    for shot in records:
        corrected = derived.get(shot.source_sha256)
        if corrected is None or {shot.rows, shot.columns} != {corrected.rows, corrected.columns}:
            continue
        arrays = []
        for one in (shot, corrected):
            data = site.pictures.jpeg(one.sop_instance_uid, Path(one.path), 160)
            arrays.append(np.asarray(Image.open(io.BytesIO(data)), float))
        labels = [site.pictures.label(one) for one in (shot, corrected)]
        assert (labels[0].top, labels[0].right) == (labels[1].top, labels[1].right)
        assert arrays[0].shape == arrays[1].shape
        apart = [np.abs(arrays[0] - other).mean() for other in (arrays[1], arrays[1][:, ::-1])]
        assert 3 * apart[0] < apart[1], apart
        pairs += 1
    assert pairs >= 3


def test_the_table_of_the_settings_is_read() -> None:
    found = pages_settings_of({"idle_minutes": 5, "numbering": "Universal", "session_hours": 8})
    assert found.idle.total_seconds() == 300
    assert found.longest.total_seconds() == 8 * 3600
    assert found.numbering is Numbering.UNIVERSAL
    assert pages_settings_of({}).idle.total_seconds() == 1800


@pytest.mark.parametrize(
    "table",
    [
        {"name": ["a.example"]},
        {"names": "a.example"},
        {"names": [3]},
        {"idle_minutes": 0},
        {"idle_minutes": True},
        {"session_hours": "8"},
        {"numbering": "Roman"},
        {"requests_at_once": -1},
    ],
)
def test_a_table_that_cannot_be_understood_is_told(table: dict[str, object]) -> None:
    with pytest.raises(UsageError) as told:
        pages_settings_of(table)
    assert "[pages]" in str(told.value)


def test_the_numbering_that_comes_first_is_chosen_by_the_settings(site: Site) -> None:
    record = site.archive.query(Query(role="derived", patient_id="P-1042", limit=1))[0]
    assert site.pictures.label(record).tooth.startswith("ISO ")
    settings = site.settings
    site.settings = replace(settings, numbering=Numbering.UNIVERSAL)
    try:
        assert site.pictures.label(record).tooth.startswith("Univ. ")
    finally:
        site.settings = settings
