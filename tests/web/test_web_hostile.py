"""Hostile requests against a real server: refused, and nothing is told that should not be."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Page
from web_serving import PASSWORD, Client, Served, Watch, copy_of, serve

from archiver.access.users import users_of
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.network.node.settings import NodeSettings
from archiver.web.auth.login import why_no_pages
from archiver.web.middleware import POLICY

PEOPLE = {"anna": "assistant", "berg": "dentist", "cory": "auditor", "dana": "IT"}
MARKUP = "x <img src=x onerror=broken()>"


@pytest.fixture(scope="module")
def clinic(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server whose people log in."""
    archive = copy_of(demo, tmp_path_factory.mktemp("clinic") / "archive")
    users = users_of(archive)
    for name, role in PEOPLE.items():
        users.add(name, frozenset({role}), PASSWORD)
    running = serve(archive)
    yield running
    assert running.stop() == 0, running.errors


@pytest.fixture(scope="module")
def strict(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server with short sessions, few requests, and a name of its own."""
    folder = tmp_path_factory.mktemp("strict")
    archive = copy_of(demo, folder / "archive")
    users_of(archive).add("anna", frozenset({"assistant"}), PASSWORD)
    settings = folder / "archiver.toml"
    settings.write_text(
        '[node]\nnames = ["pictures.clinic.example"]\n[pages]\nidle_minutes = 0.02\n'
        "requests_at_once = 100\nrequests_a_second = 1\n"
    )
    running = serve(archive, settings=settings)
    yield running
    assert running.stop() == 0, running.errors


@pytest.fixture(scope="module")
def uid(demo: Path) -> str:
    """An instance that is there."""
    with Archive.open(demo, read_only=True) as archive:
        return archive.query(Query(role="derived", limit=1))[0].sop_instance_uid


def _entered(clinic: Served, name: str) -> Client:
    client = Client(clinic)
    assert client.log_in(name).status == 303
    assert client.ask("/").status == 200
    return client


def _journal(served: Served) -> str:
    """The audit events, once those that wait have been written (twice half a second)."""
    time.sleep(1.2)
    return (served.archive / "journal.jsonl").read_text("utf-8")


# -- who comes in


@pytest.mark.parametrize(
    "path", ["/", "/find", "/take-in", "/compare", "/record", "/server", "/help"]
)
def test_whoever_has_not_logged_in_is_asked_to(clinic: Served, path: str) -> None:
    answer = Client(clinic).ask(path)
    assert answer.status == 303
    assert answer.headers["location"].startswith("/login?to=%2F")
    assert "set-cookie" not in answer.headers


def test_a_script_without_log_in_gets_status_401(clinic: Served, uid: str) -> None:
    answer = Client(clinic).ask(f"/picture/{uid}", headers={"Accept": "application/json"})
    assert answer.status == 401
    assert Client(clinic).ask(f"/picture/{uid}").status == 303


def test_a_wrong_password_opens_nothing_and_tells_nothing(clinic: Served) -> None:
    wrong, unknown = Client(clinic), Client(clinic)
    first = wrong.log_in("anna", "four green herons")
    second = unknown.log_in("nobody", "four green herons")
    assert first.status == second.status == 401
    assert not wrong.cookie and not unknown.cookie
    assert wrong.ask("/").status == 303

    def plain(answer_text: str) -> str:
        return answer_text.replace(wrong.csrf, "").replace(unknown.csrf, "")

    assert plain(first.text) == plain(second.text)


def test_a_cookie_of_ones_own_making_opens_nothing(clinic: Served) -> None:
    client = Client(clinic)
    for value in ("", "x", "A" * 43, "../../etc/passwd", '"', "%00"):
        client.cookie = f"archiver-{clinic.address[1]}={value}"
        assert client.ask("/").status == 303


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(clinic: Served) -> None:
    client = Client(clinic)
    cookie = client.log_in("anna").headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie


def test_log_out_ends_the_session_on_the_server(clinic: Served) -> None:
    client = _entered(clinic, "anna")
    kept = client.cookie
    answer = client.post("/logout")
    assert answer.status == 303
    assert answer.headers["clear-site-data"] == '"cache"'
    client.cookie = kept
    assert client.ask("/find").status == 303


def test_a_user_who_is_removed_is_out_at_once(clinic: Served) -> None:
    users = users_of(clinic.archive)
    users.add("emil", frozenset({"assistant"}), PASSWORD)
    client = _entered(clinic, "emil")
    users.remove("emil")
    assert client.ask("/").status == 303


def test_a_user_whose_role_changes_has_to_log_in_again(clinic: Served) -> None:
    users = users_of(clinic.archive)
    users.add("emil", frozenset({"dentist"}), PASSWORD)
    client = _entered(clinic, "emil")
    users.add("emil", frozenset({"assistant"}), PASSWORD)
    assert client.ask("/").status == 303
    users.remove("emil")


def test_a_session_ends_by_rest(strict: Served) -> None:
    client = _entered(strict, "anna")
    time.sleep(1.5)
    assert client.ask("/").status == 303
    answer = client.ask("/find", headers={"Accept": "application/json"})
    assert (answer.status, answer.headers["x-session"]) == (401, "ended")


def test_guessing_passwords_is_slowed_down(clinic: Served) -> None:
    users_of(clinic.archive).add("fred", frozenset({"assistant"}), PASSWORD)
    client = Client(clinic, "127.0.0.3")
    answers = [client.log_in("fred", f"wrong password {n}").status for n in range(10)]
    assert answers[:8] == [401] * 8
    assert answers[8:] == [429] * 2
    last = client.log_in("fred", PASSWORD)
    assert last.status == 429
    assert int(last.headers["retry-after"]) > 0
    journal = _journal(clinic)
    assert journal.count("log-in refused, too many") == 3
    assert "fred@127.0.0.3" in journal
    assert "wrong password" not in journal
    # Neither is the person elsewhere, nor a neighbour at the same machine.
    assert Client(clinic).log_in("fred", PASSWORD).status == 303
    assert Client(clinic, "127.0.0.3").log_in("anna").status == 303


def test_the_name_of_an_unknown_user_is_not_journalled(clinic: Served) -> None:
    Client(clinic).log_in("my secret pass phrase", "x" * 12)
    assert "my secret pass phrase" not in _journal(clinic)


# -- roles


@pytest.mark.parametrize(
    ("name", "path", "status"),
    [
        ("anna", "/record", 200),
        ("anna", "/record/audit", 403),
        ("anna", "/server", 403),
        ("berg", "/record/audit", 200),
        ("cory", "/record/audit", 200),
        ("cory", "/take-in", 403),
        ("dana", "/server", 200),
        ("dana", "/help", 200),
        ("dana", "/find", 403),
        ("dana", "/record", 403),
        ("dana", "/compare", 403),
    ],
)
def test_a_role_opens_what_it_may_and_no_more(
    clinic: Served, name: str, path: str, status: int
) -> None:
    assert _entered(clinic, name).ask(path).status == status


def test_it_sees_no_picture_and_no_name(clinic: Served, uid: str) -> None:
    client = _entered(clinic, "dana")
    assert client.ask(f"/picture/{uid}").status == 403
    assert "Marchetti" not in client.ask("/").text
    assert "Marchetti" in _entered(clinic, "anna").ask("/").text


def test_an_audit_is_started_by_whom_it_is_allowed(clinic: Served) -> None:
    answer = _entered(clinic, "anna").post("/record/audit", {"rules": "good-record"})
    assert answer.status == 403


def test_a_task_of_somebody_else_is_not_there(clinic: Served) -> None:
    berg, cory = _entered(clinic, "berg"), _entered(clinic, "cory")
    where = berg.post("/record/audit", {"rules": "good-record"}).headers["location"]
    task = where.rpartition("/")[2]
    assert cory.ask(f"/tasks/{task}").status == 404
    assert cory.ask(f"/tasks/{task}/events").status == 404
    assert cory.post(f"/tasks/{task}/cancel").status == 404
    assert berg.ask(f"/tasks/{task}").status == 200
    state = {}
    for _ in range(100):
        state = json.loads(berg.ask(f"/tasks/{task}").text)
        if state["state"] != "running":
            break
        time.sleep(0.1)
    assert state["state"] == "done", state
    assert cory.ask(state["result"]["where"]).status == 200
    assert _entered(clinic, "anna").ask(state["result"]["where"] + "/download").status == 403


# -- other sites


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://127.0.0.1"},
    ],
)
def test_a_post_from_another_site_is_refused(clinic: Served, headers: dict[str, str]) -> None:
    client = _entered(clinic, "anna")
    body = f"csrf={client.csrf}&theme=dark".encode()
    sent = {"Content-Type": "application/x-www-form-urlencoded", **headers}
    answer = client.ask("/theme", "POST", body, sent)
    assert answer.status == 403
    assert "set-cookie" not in answer.headers


def test_a_post_without_the_token_or_with_another_is_refused(clinic: Served) -> None:
    anna, berg = _entered(clinic, "anna"), _entered(clinic, "berg")
    for token in ("", "x", berg.csrf):
        anna.csrf = token
        answer = anna.post("/logout")
        assert answer.status == 403
        assert answer.headers["x-session"] == "ended"
    assert anna.ask("/").status == 200


def test_a_body_that_is_no_form_carries_no_token(clinic: Served) -> None:
    client = _entered(clinic, "anna")
    body = f"csrf={client.csrf}".encode()
    for kind in ("text/plain", "multipart/form-data; boundary=x", "application/json"):
        assert client.ask("/logout", "POST", body, {"Content-Type": kind}).status == 403


def test_log_in_cannot_be_forged_from_another_site(clinic: Served) -> None:
    client = Client(clinic)
    client.csrf = "guessed"
    assert client.post("/login", {"name": "anna", "password": PASSWORD}).status == 403


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "localhost.elsewhere.example", "192.0.2.7", "", "a b"]
)
def test_a_strange_name_of_the_host_is_refused(served: Served, host: str) -> None:
    answer = Client(served).ask("/", headers={"Host": host})
    assert answer.status in (400, 421)
    assert "Marchetti" not in answer.text


def test_two_names_of_the_host_are_refused(served: Served) -> None:
    with socket.create_connection(served.address, timeout=10) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: elsewhere.example\r\n\r\n")
        assert connection.recv(100).split()[1] in (b"400", b"421")


def test_names_that_the_settings_give_are_ours(strict: Served) -> None:
    headers = {"Host": "pictures.clinic.example"}
    assert Client(strict).ask("/login", headers=headers).status == 200


def test_no_page_may_be_framed_or_run_strange_code(served: Served) -> None:
    client = Client(served)
    for path in ("/", "/login", "/static/base.css", "/nothing", "/words.js"):
        headers = client.ask(path).headers
        assert headers["content-security-policy"] == POLICY
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "access-control-allow-origin" not in headers


def test_pages_of_patients_are_not_kept_by_the_browser(served: Served) -> None:
    client = Client(served)
    for path in ("/", "/find", "/record", "/session", "/server"):
        assert client.ask(path).headers["cache-control"] == "no-store"


def test_a_page_of_another_site_cannot_embed_a_picture(served: Served, uid: str) -> None:
    headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    assert Client(served).ask(f"/picture/{uid}", headers=headers).status == 403
    headers["Sec-Fetch-Mode"] = "navigate"
    assert Client(served).ask("/", headers=headers).status == 200


def test_a_link_from_elsewhere_does_not_end_the_session_of_an_open_page(served: Served) -> None:
    open_page, link = Client(served), Client(served)
    open_page.ask("/")
    link.ask("/", headers={"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"})
    open_page.cookie = link.cookie
    assert open_page.post("/theme", {"theme": "dark"}).status == 303


# -- paths and identifiers


@pytest.mark.parametrize(
    "path",
    [
        "/static/../site.py",
        "/static/..%2fsite.py",
        "/static/%2e%2e/roles.toml",
        "/static//etc/passwd",
        "/static/record/../../users.py",
        "/static/take_in/..%5c..%5csite.py",
        "/static/base.css%00.js",
        "/static/",
        "/static/BASE.CSS",
    ],
)
def test_a_path_leads_to_no_other_file(served: Served, path: str) -> None:
    answer = Client(served).ask(path)
    assert answer.status in (400, 404)
    assert b"import" not in answer.body and b"root:" not in answer.body


@pytest.mark.parametrize(
    "one", ["1.2.3", "..%2f..%2fjournal.jsonl", "1%00", "9" * 65, "x", "%0d%0a"]
)
def test_a_guessed_identifier_is_not_there(served: Served, one: str) -> None:
    client = Client(served)
    for path in (f"/picture/{one}", f"/record/visit/{one}", f"/record/report/{one}"):
        answer = client.ask(path)
        assert answer.status in (400, 404)
        assert "Traceback" not in answer.text


@pytest.mark.parametrize("side", ["", "0", "-1", "99999999", "1e9", "640; rm", "\u0663"])
def test_a_strange_size_is_one_of_those_that_are_made(served: Served, uid: str, side: str) -> None:
    from urllib.parse import quote

    answer = Client(served).ask(f"/picture/{uid}?side={quote(side)}")
    assert answer.status == 200
    assert answer.body[:2] == b"\xff\xd8"
    assert len(answer.body) < 4 << 20


def test_a_picture_that_the_browser_has_is_not_sent_again(served: Served, uid: str) -> None:
    client = Client(served)
    first = client.ask(f"/picture/{uid}?side=320")
    assert first.headers["cache-control"] == "private, no-cache"
    again = client.ask(f"/picture/{uid}?side=320", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status, again.body) == (304, b"")
    larger = client.ask(f"/picture/{uid}?side=640")
    assert larger.headers["etag"] != first.headers["etag"]


def test_a_picture_carries_nothing_but_the_picture(served: Served, uid: str) -> None:
    body = Client(served).ask(f"/picture/{uid}?side=640").body
    for marker in (b"Exif", b"Marchetti", b"P-1042", b"DICM", b"http"):
        assert marker not in body


# -- bodies and rates


def test_a_body_that_is_too_large_is_refused(served: Served) -> None:
    client = Client(served)
    client.ask("/")
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    assert client.ask("/theme", "POST", b"a=" + b"b" * (1 << 20), kind).status == 413


def test_a_body_without_a_length_is_refused_when_it_grows_too_large(served: Served) -> None:
    client = Client(served)
    client.ask("/")
    with socket.create_connection(served.address, timeout=20) as connection:
        connection.sendall(
            b"POST /theme HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n"
            b"Content-Type: application/x-www-form-urlencoded\r\n"
            + f"Cookie: {client.cookie}\r\n\r\n".encode()
        )
        try:
            for _ in range(64):
                connection.sendall(b"10000\r\n" + b"x" * 65536 + b"\r\n")
        except OSError:
            pass
        assert connection.recv(100).split()[1] == b"413"


def test_a_form_of_too_many_fields_is_refused(served: Served) -> None:
    client = Client(served)
    client.ask("/")
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    assert client.ask("/theme", "POST", b"&".join([b"a=1"] * 5000), kind).status == 400


@pytest.mark.parametrize("body", [b"\xff\xfe", b"csrf=%ff", b"=&=&="])
def test_a_form_that_is_none_is_refused(served: Served, body: bytes) -> None:
    client = Client(served)
    client.ask("/")
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    assert client.ask("/theme", "POST", body, kind).status in (400, 403)


def test_too_many_requests_are_told_to_wait(strict: Served) -> None:
    hasty = Client(strict, "127.0.0.2")
    answers = [hasty.ask("/login", "HEAD") for _ in range(110)]
    assert {one.status for one in answers} == {200, 429}
    assert int(answers[-1].headers["retry-after"]) >= 1
    assert hasty.ask("/health").status == 200
    assert Client(strict).ask("/login").status == 200


def test_the_pages_take_nothing_from_the_services_of_the_node(served: Served) -> None:
    client = Client(served)
    assert client.ask("/health").status == 200
    assert client.ask("/dicomweb/studies").status == 200
    assert client.ask("/dicomweb").status == 405
    assert client.ask("/dicomwebs").headers["content-security-policy"] == POLICY


# -- markup in what people are called


def test_markup_in_names_stays_text(
    tmp_path: Path, start: Callable[..., Served], page: Page, watch: Watch
) -> None:
    from archiver.archive.ingest.session_ingest import IngestSettings, take_in
    from archiver.cli.context import now
    from archiver.objects.sheet import read_sheet

    archive = tmp_path / "archive"
    source = next(Path(__file__).parents[2].glob("demo_studies/*/*/sheet.toml"))
    session = tmp_path / "session"
    session.mkdir()
    for file in source.parent.iterdir():
        if file.is_file():
            (session / file.name).write_bytes(file.read_bytes())
    sheet = session / "sheet.toml"
    lines = []
    for line in sheet.read_text("utf-8").splitlines():
        if line.startswith("name = "):
            line = "name = '<b>Smith</b>^<script>broken()</script>'"
        elif line.startswith("id = "):
            line = "id = '<i>X</i>&amp;'"
        elif line.startswith("date = "):
            line = "date = 2026-05-05"
        elif line.startswith("description = "):
            line = f"description = '{MARKUP}'"
        lines.append(line)
    sheet.write_text("\n".join(lines), "utf-8")
    with Archive.open(archive, clock=now, actor="test") as opened:
        taken = list(take_in(read_sheet(sheet), opened, IngestSettings(now)))
    assert all(one.instances for one in taken), [str(p) for o in taken for p in o.problems]
    served = start(archive)
    page.goto(served.url)
    assert page.get_by_text("<b>Smith</b>, <script>broken()</script>").count() == 1
    page.goto(served.url + "/record")
    page.get_by_role("link", name="<b>Smith</b>").first.click()
    page.wait_for_load_state()
    assert "<i>X</i>&amp;" in page.inner_text("h1")
    page.goto(served.url + f"/record?rules={MARKUP}")
    watch.expected = ("onerror=broken",)  # such a page is not there
    page.goto(served.url + f"/login?to=/{MARKUP}")
    page.goto(served.url + "/find")
    page.goto(served.url + "/take-in")


# -- the journal


def test_what_was_seen_is_in_the_journal_without_the_patient(served: Served, uid: str) -> None:
    client = Client(served)
    client.ask("/")
    client.ask("/record")
    client.ask(f"/picture/{uid}")
    client.post("/record", {"patient_id": "P-1042"})
    journal = _journal(served)
    events = [json.loads(line) for line in journal.splitlines()]
    told = [json.loads(e["note"]) for e in events if e["action"] == "audit"]
    details = " ".join(str(one.get("detail")) for one in told)
    assert "pages: picture" in details and "pages: record" in details
    for secret in ("Marchetti", "P-1042", "Castellanos"):
        assert secret not in journal


def test_nobody_is_served_on_the_network_without_tls(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "web-users.txt").write_text("token ward 0123456789abcdef\n")
    settings = tmp_path / "archiver.toml"
    settings.write_text('[node]\nhost = "0.0.0.0"\ncredentials = "web-users.txt"\n')
    users_of(archive).add("anna", frozenset({"assistant"}), PASSWORD)
    said = subprocess.run(
        [sys.executable, "-m", "archiver", "serve", "--archive", str(archive)],
        capture_output=True,
        text=True,
        env={**os.environ, "ARCHIVER_SETTINGS": str(settings)},
        timeout=60,
    )
    assert said.returncode == 2
    assert "would cross the network without TLS" in said.stderr


def test_why_there_are_no_pages_is_said(archive: Path, tmp_path: Path) -> None:
    users, open_node = users_of(archive), NodeSettings(host="0.0.0.0")
    secured = replace(open_node, certificate=tmp_path, key=tmp_path)
    hidden = NodeSettings(credentials=tmp_path)
    assert why_no_pages(NodeSettings(), users) == ""
    assert "no users" in why_no_pages(hidden, users)
    assert "no users" in why_no_pages(secured, users)
    users.add("anna", frozenset({"assistant"}), PASSWORD)
    for settings in (NodeSettings(), hidden, secured):
        assert why_no_pages(settings, users) == ""
    users.remove("anna")
    assert "no users" in why_no_pages(NodeSettings(), users)
