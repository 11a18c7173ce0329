"""Every route of every room, asked by people who may not and with values that mean nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timezone
from pathlib import Path

import httpx
import pytest
from starlette.routing import Route
from web_serving import PASSWORD, carried_out, copy_of, door_of

from archiver.access.users import users_of
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_tooth
from archiver.network.node.audit import Happening
from archiver.network.node.settings import NodeSettings
from archiver.web.app import Site

#: What is shown to people who have not logged in.
OPEN = {"/login", "/theme", "/static/{name:path}", "/words.js", "/telephone/{token:str}"}
STRANGE = (
    "x",
    "..",
    "..%2f..%2fetc%2fpasswd",
    "1.2.3",
    "-1",
    "0",
    "9" * 80,
    "%00",
    "%f0%9f%a6%b7",
    "<script>",
    "iso:36",
    "1e309",
    "NaN",
    "%27%20OR%201=1--",
)


class Asking:
    """A client of an application in this process, with its cookies."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._cookies = httpx.Cookies()

    def request(self, method: str, path: str, **words: object) -> httpx.Response:
        return carried_out(self._request(method, path, **words))

    def get(self, path: str) -> httpx.Response:
        return self.request("GET", path)

    def post(self, path: str, data: dict[str, str]) -> httpx.Response:
        return self.request("POST", path, data=data)

    async def _request(self, method: str, path: str, **words: object) -> httpx.Response:
        transport = httpx.ASGITransport(self._site, client=("127.0.0.1", 50_000))
        async with httpx.AsyncClient(
            transport=transport, base_url="http://localhost:8080", cookies=self._cookies
        ) as client:
            answer = await client.request(method, path, **words)
            self._cookies = client.cookies
        return answer


class Kept:
    """A site in this process, with the events that it told."""

    def __init__(self, archive: Archive) -> None:
        self.told: list[Happening] = []
        self.site = Site(
            archive,
            NodeSettings(),
            lambda: datetime.now(timezone.utc),
            "tester",
            self.told.append,
            door_of(archive),
        )

    def client(self, name: str = "") -> Asking:
        client = Asking(self.site)
        if name:
            page = client.get("/login")
            fields = {"csrf": token_of(page.text), "name": name, "password": PASSWORD}
            assert client.post("/login", data=fields).status_code == 303
        return client

    def routes(self) -> Iterator[tuple[str, str]]:
        for route in self.site.routes:
            assert isinstance(route, Route), route
            for method in sorted(route.methods or ()):
                if method != "HEAD":
                    yield method, route.path


def token_of(text: str) -> str:
    """The token of a page."""
    found = re.search(r'<meta name="csrf" content="([^"]+)"', text)
    assert found
    return found[1]


def _filled(path: str, value: str) -> str:
    return re.sub(r"\{[^}]*\}", lambda _: value, path)


@pytest.fixture(scope="module")
def kept(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    """A site whose people log in."""
    folder = copy_of(demo, tmp_path_factory.mktemp("routes") / "archive")
    users = users_of(folder)
    for name, role in (("anna", "assistant"), ("berg", "dentist"), ("dana", "IT")):
        users.add(name, frozenset({role}), PASSWORD)
    with Archive.open(folder, actor="test") as archive:
        made = Kept(archive)
        yield made
        made.site.tasks.close()


def test_every_room_has_routes(kept: Kept) -> None:
    paths = {path for _, path in kept.routes()}
    assert {"/", "/take-in", "/find", "/compare", "/record", "/picture/{uid}"} <= paths


def test_every_route_but_those_of_log_in_asks_who_it_is(kept: Kept) -> None:
    client = kept.client()
    for method, path in kept.routes():
        if path in OPEN:
            continue
        answer = client.request(method, _filled(path, "1.2.3"))
        # Who comes by a link has no name to log in with.
        refused = (403,) if path == "/telephone" else (303, 401)
        assert answer.status_code in refused, (method, path)
        if answer.status_code == 303:
            assert answer.headers["location"].startswith("/login?to="), (method, path)


def test_every_change_needs_the_token_of_the_session(kept: Kept) -> None:
    client = kept.client("berg")
    for method, path in kept.routes():
        if method == "GET":
            continue
        for headers in ({}, {"X-CSRF-Token": "x"}):
            answer = client.request(method, _filled(path, "1.2.3"), headers=headers)
            assert answer.status_code == 403, (method, path)


def test_every_change_from_another_site_is_refused_even_with_the_token(kept: Kept) -> None:
    client = kept.client("berg")
    token = token_of(client.get("/").text)
    for method, path in kept.routes():
        if method == "GET":
            continue
        headers = {"X-CSRF-Token": token, "Origin": "http://elsewhere.example"}
        answer = client.request(method, _filled(path, "1.2.3"), headers=headers)
        assert answer.status_code == 403, (method, path)


def test_it_reaches_no_page_of_a_patient(kept: Kept) -> None:
    client = kept.client("dana")
    token = token_of(client.get("/").text)
    of_everybody = {
        "/",
        "/session",
        "/logout",
        "/server",
        "/server/end",
        "/help",
        "/help/commands",
        "/language",
        *OPEN,
    }
    for method, path in kept.routes():
        if path in of_everybody or path.startswith("/tasks/"):
            continue
        answer = client.request(method, _filled(path, "1.2.3"), headers={"X-CSRF-Token": token})
        assert answer.status_code == 403, (method, path)


def test_values_that_mean_nothing_end_in_words_and_not_in_a_failure(kept: Kept) -> None:
    client = kept.client("berg")
    token = token_of(client.get("/").text)
    headers = {"X-CSRF-Token": token}
    for method, path in kept.routes():
        if path in ("/logout", "/record/audit"):
            continue
        names = (
            "who tooth view since until page uid uids pictures mode study rules to side x y level"
        )
        for value in STRANGE if "{" in path else STRANGE[::3]:
            query = "&".join(f"{name}={value}" for name in names.split())
            answer = client.request(method, f"{_filled(path, value)}?{query}", headers=headers)
            assert answer.status_code < 500, (method, path, value)


@pytest.mark.parametrize(
    "body", [b"", b"{}", b"[]", b"null", b'{"a":', b"\xff", b"[" * 5000, b'{"photos": [1, null]}']
)
def test_bodies_that_mean_nothing_end_in_words(kept: Kept, body: bytes) -> None:
    client = kept.client("berg")
    headers = {
        "X-CSRF-Token": token_of(client.get("/").text),
        "Content-Type": "application/json",
        "Accept": "application/json",
    }
    for method, path in kept.routes():
        if method == "GET" or path in ("/logout", "/record/audit"):
            continue
        answer = client.request(method, _filled(path, "1.2.3"), headers=headers, content=body)
        assert answer.status_code < 500, (method, path)


@pytest.mark.parametrize(
    "path",
    [
        "/picture/{newest}",
        "/find/picture/{newest}",
        "/compare?of={newest}&of={earlier}",
        "/compare/outcome/{newest}/{earlier}",
        "/compare/difference/{newest}/{earlier}",
        "/compare/tile/{newest}/2/0/0",
        "/record/visit/{study}",
    ],
)
def test_whoever_sees_a_picture_by_any_address_is_in_the_journal(kept: Kept, path: str) -> None:
    asked = Query(patient_id="P-1042", teeth=(parse_tooth("iso:16"),), view="occlusal")
    found = kept.site.archive.query(asked)
    newest, earlier, *_ = [one for one in found if one.role == "derived"]
    client = kept.client("berg")
    before = len(kept.told)
    address = path.format(
        newest=newest.sop_instance_uid, earlier=earlier.sop_instance_uid, study=newest.study_uid
    )
    assert client.get(address).status_code == 200
    shown = {newest.study_uid, earlier.study_uid if "{earlier}" in path else newest.study_uid}
    assert {study for one in kept.told[before:] for study in one.studies or {}} >= shown
    # Whoever goes on looking at the same is told once, not with every piece of a picture.
    for _ in range(3):
        client.get(f"/compare/tile/{newest.sop_instance_uid}/2/0/0")
    again = [one for one in kept.told[before:] if one.detail == "pages: picture"]
    assert len(again) <= len(shown)


def test_what_is_told_to_the_journal_names_nobody(kept: Kept) -> None:
    client = kept.client("berg")
    page = client.get("/")
    client.get("/record")
    client.post("/record", data={"csrf": token_of(page.text), "patient_id": "P-1042"})
    client.post("/find", data={"csrf": token_of(page.text), "patient_id": "P-1042", "name": "M*"})
    assert len(kept.told) > 4
    for one in kept.told:
        text = " ".join(deed.note for deed in one.deeds())
        for secret in ("P-1042", "Marchetti", "Rowan", "P-1180", PASSWORD):
            assert secret not in text
