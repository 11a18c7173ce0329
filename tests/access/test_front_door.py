"""Who comes in by HTTP and DIMSE, asked over real sockets of a node in a process of its own."""

from __future__ import annotations

import base64
import http.client
import re
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest

from archiver.access.roles import roles
from archiver.access.users import CLOSED, FILE, users_of
from archiver.network.node.dicomweb.resources import RESOURCES, ROOT
from tests.access.access_table import Row, rows
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, Served, run, store
from tests.new_archive import new_archive

PASSWORD = "three green herons"
PEOPLE = {"anna": "assistant", "berg": "dentist", "cory": "auditor", "dana": "IT"}
STUDIES = ROOT + "/studies"
PATIENT = ("Okafor", "19880217", "P-0417")
TABLE = rows()


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    text: str


def ask(
    served: Served,
    path: str,
    method: str = "GET",
    *,
    source: str = "127.0.0.1",
    body: bytes = b"",
    **headers: str,
) -> Answer:
    """Send one request from an address of this machine."""
    host, _, port = served.web.partition("//")[2].rpartition(":")
    connection = http.client.HTTPConnection(host, int(port), 60, source_address=(source, 0))
    try:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        connection.request(method, path, body or None, named)
        found = connection.getresponse()
        told = {name.lower(): value for name, value in found.getheaders()}
        return Answer(found.status, told, found.read().decode("utf-8", "replace"))
    finally:
        connection.close()


def basic(name: str, password: str = PASSWORD) -> str:
    return "Basic " + base64.b64encode(f"{name}:{password}".encode()).decode()


def with_users(folder: Path) -> Path:
    """An archive whose people log in."""
    users = users_of(new_archive(folder))
    for name, role in PEOPLE.items():
        users.add(name, frozenset({role}), PASSWORD)
    return folder


def stow(folder: Path) -> tuple[bytes, str]:
    data = samples.save(samples.photograph(2, study=2), folder).read_bytes()
    body = b"--edge\r\nContent-Type: application/dicom\r\n\r\n" + data + b"\r\n--edge--\r\n"
    return body, 'multipart/related; type="application/dicom"; boundary=edge'


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A node whose people log in, with one photograph, and one application that may call."""
    folder = tmp_path_factory.mktemp("clinic")
    archive = with_users(folder / "archive")
    with Served(archive, '[node]\ncallers = ["STORESCU"]\n') as one:
        store(one.port, samples.save(samples.photograph(1), folder))
        yield one


@pytest.fixture(scope="module")
def open_one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A node of this machine alone, as it comes, with one photograph."""
    folder = tmp_path_factory.mktemp("open")
    with Served(folder / "archive") as one:
        store(one.port, samples.save(samples.photograph(1), folder))
        yield one


# -- without credentials


@pytest.mark.parametrize("one", RESOURCES, ids=lambda one: f"{one.method} {one.path}")
def test_where_people_log_in_software_does_too(clinic: Served, one: object) -> None:
    path = ROOT + re.sub(r"\{[^}]*\}", "1.2.3", one.path)  # type: ignore[attr-defined]
    answer = ask(clinic, path, one.method)  # type: ignore[attr-defined]
    assert answer.status == 401
    assert "Basic" in answer.headers["www-authenticate"]


def test_a_stranger_sees_no_name_and_stores_nothing(clinic: Served, tmp_path: Path) -> None:
    for path in (STUDIES, ROOT + "/instances?includefield=all", "/metrics"):
        answer = ask(clinic, path)
        assert answer.status == 401
        assert not any(word in answer.text for word in PATIENT)
    body, kind = stow(tmp_path)
    assert ask(clinic, STUDIES, "POST", body=body, Content_Type=kind).status == 401
    assert ask(clinic, "/health").status == 200
    mine = ask(clinic, STUDIES, Authorization=basic("anna"))
    assert mine.status == 200 and samples.study_uid(2) not in mine.text


@pytest.mark.parametrize("path", [STUDIES, "/metrics", "/", "/health", "/static/base.css"])
def test_a_name_of_elsewhere_is_not_ours_whatever_is_asked_for(open_one: Served, path: str) -> None:
    """A page of elsewhere can have its name lead here (DNS rebinding)."""
    assert ask(open_one, path, Host="elsewhere.example").status == 421
    assert ask(open_one, path, Host="127.0.0.1.elsewhere.example").status == 421
    assert ask(open_one, path, Host="192.0.2.7").status == 421
    for ours in ("localhost", "127.0.0.1:8080", "[::1]", socket.gethostname()):
        assert ask(open_one, path, Host=ours).status == 200


def test_another_sites_page_reads_nothing_and_stores_nothing(
    open_one: Served, tmp_path: Path
) -> None:
    embedded = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "no-cors"}
    assert ask(open_one, STUDIES, **embedded).status == 403
    body, kind = stow(tmp_path)
    sent = {"Content_Type": kind, "Origin": "https://elsewhere.example"}
    assert ask(open_one, STUDIES, "POST", body=body, **sent).status == 403
    assert samples.study_uid(2) not in ask(open_one, STUDIES).text


def test_pages_of_an_origin_that_the_settings_name_use_dicomweb_and_nothing_else(
    tmp_path: Path,
) -> None:
    body, kind = stow(tmp_path)
    asked = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "cors"}
    settings = '[node]\norigins = ["https://viewer.example"]\n'
    with Served(tmp_path / "archive", settings) as one:
        for origin, status in (("https://viewer.example", 200), ("https://other.example", 403)):
            sent = {**asked, "Origin": origin}
            stored = ask(one, STUDIES, "POST", body=body, Content_Type=kind, **sent)
            assert stored.status == status
            assert ask(one, STUDIES, **sent).status == status
            assert ask(one, "/metrics", **sent).status == 403


def test_a_body_whose_end_is_told_in_two_ways_ends_the_connection(open_one: Served) -> None:
    for path in (STUDIES, "/theme"):
        with socket.create_connection(("127.0.0.1", int(open_one.web[-5:])), timeout=20) as line:
            line.sendall(
                f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\n"
                "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
                "GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
            )
            said = b"".join(iter(lambda: line.recv(65536), b"")).decode()
        assert re.findall(r"^HTTP/1.1 (\d+)", said, re.MULTILINE) == ["400"]


# -- roles


def _filled(path: str) -> str:
    return re.sub(r"\{[^}]*\}", "1.2.3", path)


@pytest.fixture(scope="module")
def sessions(clinic: Served) -> dict[str, dict[str, str]]:
    """Headers of a session of each person."""
    return {name: _session(clinic, name) for name in PEOPLE}


def _session(clinic: Served, name: str) -> dict[str, str]:
    form = ask(clinic, "/login").text
    fields = {"csrf": _token(form), "name": name, "password": PASSWORD}
    entered = ask(
        clinic,
        "/login",
        "POST",
        body=urlencode(fields).encode(),
        Content_Type="application/x-www-form-urlencoded",
    )
    assert entered.status == 303
    cookie = entered.headers["set-cookie"].partition(";")[0]
    token = _token(ask(clinic, "/", Cookie=cookie).text)
    return {"Cookie": cookie, "X_CSRF_Token": token}


def _token(page: str) -> str:
    found = re.search(r'<meta name="csrf" content="([^"]+)"', page)
    assert found
    return found[1]


@pytest.mark.parametrize("name", PEOPLE)
@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.method} {row.path}")
def test_each_role_opens_each_route_or_not(
    clinic: Served, sessions: dict[str, dict[str, str]], row: Row, name: str
) -> None:
    headers = {"Authorization": basic(name)}
    if row.service == "pages":
        # A log-out ends a session of its own.
        headers = _session(clinic, name) if row.path == "/logout" else sessions[name]
    answer = ask(clinic, _filled(row.path), row.method, **headers)
    # Log-in with a name that is none is let in, and ends so.
    assert answer.status != 401 or row.path == "/login"
    assert (answer.status != 403) is row.lets_in(PEOPLE[name]), answer


def test_the_table_says_what_a_practice_expects() -> None:
    def may(role: str, path: str, method: str = "GET") -> bool:
        [row] = [one for one in TABLE if (one.method, one.path) == (method, path)]
        return row.lets_in(role)

    for picture in ("/picture/{uid}", "/find", ROOT + "/studies/{study}/rendered", STUDIES):
        assert not may("IT", picture)
        assert may("assistant", picture) and may("dentist", picture) and may("auditor", picture)
    assert [role for role in roles() if may(role, STUDIES, "POST")] == ["assistant", "dentist"]
    assert [role for role in roles() if may(role, "/metrics")] == ["IT"]
    assert {one.service for one in TABLE} >= {"pages", "QIDO-RS", "WADO-RS", "STOW-RS", "metrics"}
    assert {one.path for one in TABLE if one.permission is None} == {
        "/health",
        "/login",
        "/theme",
        "/words.js",
        "/static/{name:path}",
    }


# -- passwords


def test_guessing_is_slowed_down_for_that_account_from_that_address_alone(
    clinic: Served,
) -> None:
    def tried(name: str, password: str, source: str) -> int:
        return ask(clinic, STUDIES, source=source, Authorization=basic(name, password)).status

    guesses = [tried("cory", f"guess {n}", "127.0.0.9") for n in range(10)]
    assert guesses == [401] * 8 + [429] * 2
    refused = ask(clinic, STUDIES, source="127.0.0.9", Authorization=basic("cory"))
    assert refused.status == 429 and int(refused.headers["retry-after"]) > 0
    # A neighbour at that machine, and the owner elsewhere, come in.
    assert tried("anna", PASSWORD, "127.0.0.9") == 200
    assert tried("cory", PASSWORD, "127.0.0.1") == 200


def test_the_page_of_log_in_and_dicomweb_count_together(clinic: Served) -> None:
    for n in range(8):
        ask(clinic, STUDIES, source="127.0.0.8", Authorization=basic("dana", f"guess {n}"))
    form = ask(clinic, "/login", source="127.0.0.8").text
    fields = {"csrf": _token(form), "name": "dana", "password": PASSWORD}
    kind = "application/x-www-form-urlencoded"
    body = urlencode(fields).encode()
    entered = ask(clinic, "/login", "POST", source="127.0.0.8", body=body, Content_Type=kind)
    assert entered.status == 429


def test_who_guesses_tokens_waits_for_each_and_the_owner_does_not(tmp_path: Path) -> None:
    (tmp_path / "web-users.txt").write_text("token ward 0123456789abcdef\n")
    with Served(tmp_path / "archive", '[node]\ncredentials = "web-users.txt"\n') as one:
        wrong = ask(one, STUDIES, Authorization="Bearer 0123456789abcdee")
        assert wrong.status == 401
        assert ask(one, STUDIES, Authorization="Bearer 0123456789abcdef").status == 204
        assert one.where["web_callers"] == ["ward"]


# -- rights of software


def test_a_token_does_what_its_rights_allow_and_no_more(tmp_path: Path) -> None:
    (tmp_path / "web-users.txt").write_text(
        "token reader 0123456789abcdef\ntoken sender fedcba9876543210\nuser watch watch-me-well\n"
    )
    settings = (
        '[node]\ncredentials = "web-users.txt"\n[node.rights]\n"web:reader" = ["ask", "fetch"]\n'
        '"web:sender" = ["store"]\n"web:watch" = ["operate"]\n'
    )
    who = {
        "reader": "Bearer 0123456789abcdef",
        "sender": "Bearer fedcba9876543210",
        "watch": basic("watch", "watch-me-well"),
    }
    body, kind = stow(tmp_path)
    study = f"{STUDIES}/{samples.study_uid(2)}"
    with Served(tmp_path / "archive", settings) as one:

        def status(name: str, path: str, method: str = "GET") -> int:
            sent = {"body": body, "Content_Type": kind} if method == "POST" else {}
            return ask(one, path, method, Authorization=who[name], **sent).status  # type: ignore[arg-type]

        assert [status(name, STUDIES, "POST") for name in who] == [403, 200, 403]
        assert [status(name, STUDIES) for name in who] == [200, 403, 403]
        assert [status(name, study) for name in who] == [200, 403, 403]
        assert [status(name, study + "/rendered") for name in who] == [200, 403, 403]
        assert [status(name, "/metrics") for name in who] == [403, 403, 200]


def test_a_title_does_what_its_rights_allow_and_no_more(tmp_path: Path) -> None:
    settings = '[node.rights]\n"dimse:XRAY" = ["store"]\n"dimse:VIEWER" = ["ask", "fetch"]\n'
    file = samples.save(samples.photograph(1), tmp_path)
    where = ("-aec", TITLE, "-k", "QueryRetrieveLevel=STUDY")
    where += ("-k", f"StudyInstanceUID={samples.study_uid(1)}", "127.0.0.1")
    with Served(tmp_path / "archive", settings) as one:
        refused = run(
            "storescu", "-v", "-xy", "-aet", "VIEWER", "-aec", TITLE, "127.0.0.1", one.port, file
        )
        assert "0x124" in refused.stdout
        store(one.port, file, words=("-xy", "-aet", "XRAY"))
        for verb, words in (("findscu", ("-S",)), ("getscu", ("-S", "+xy", "-od", tmp_path))):
            allowed = run(verb, "-d", *words, "-aet", "VIEWER", *where, one.port)
            assert allowed.returncode == 0 and "0x0000: Success" in allowed.stdout
            denied = run(verb, "-d", *words, "-aet", "XRAY", *where, one.port)
            assert "0124" in denied.stdout or "0x124" in denied.stdout
        assert run("echoscu", "-aet", "XRAY", "-aec", TITLE, "127.0.0.1", one.port).returncode == 0


def test_rights_that_cannot_be_understood_are_told(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="rights of XRAY cannot be understood"):
        Served(tmp_path / "archive", '[node.rights]\n"XRAY" = ["store"]\n').__enter__()


# -- once closed, always closed


def test_nothing_opens_when_the_last_user_goes_or_the_file_is_lost(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    users = users_of(new_archive(archive))
    with Served(archive) as one:
        assert ask(one, STUDIES).status == 204
        assert one.where["web_callers"] == "anybody here"
        users.add("berg", frozenset({"dentist"}), PASSWORD)
        assert ask(one, STUDIES).status == 401
        assert ask(one, "/find").status == 303
        assert ask(one, STUDIES, Authorization=basic("berg")).status == 204
        users.remove("berg")
        assert ask(one, STUDIES).status == 401
        assert ask(one, STUDIES, Authorization=basic("berg")).status == 401
        (archive / "pages" / FILE).unlink()
        (archive / CLOSED).unlink()
        assert ask(one, STUDIES).status == 401
        assert ask(one, "/find").status == 303
    users.add("berg", frozenset({"dentist"}), PASSWORD)
    (archive / "pages" / FILE).unlink()
    with Served(archive) as again:
        assert ask(again, STUDIES).status == 401
        assert again.where["web_callers"] == []
        assert "pages" not in again.where


def test_users_that_cannot_be_read_let_nobody_in(tmp_path: Path) -> None:
    archive = with_users(tmp_path / "archive")
    with Served(archive) as one:
        (archive / "pages" / FILE).write_text("{")
        answer = ask(one, STUDIES, Authorization=basic("anna"))
        assert (answer.status, answer.text.count("\n")) == (503, 1)
        assert ask(one, STUDIES).status == 401
        assert ask(one, "/find").status in (303, 400)


# -- DIMSE


def test_where_people_log_in_no_application_calls_unless_the_settings_say_so(
    tmp_path: Path,
) -> None:
    archive = with_users(tmp_path / "archive")
    with Served(archive) as one:
        said = run("echoscu", "-v", "-aec", TITLE, "127.0.0.1", one.port)
        assert said.returncode != 0 and "Calling AE Title Not Recognized" in said.stdout
        assert one.where["dimse_callers"] == "nobody"
    with Served(archive, '[node]\ncallers = ["ECHOSCU"]\n') as one:
        assert run("echoscu", "-aec", TITLE, "127.0.0.1", one.port).returncode == 0
        stranger = run("echoscu", "-v", "-aet", "OTHER", "-aec", TITLE, "127.0.0.1", one.port)
        assert "Calling AE Title Not Recognized" in stranger.stdout
    with Served(archive, '[node]\nnetworks = ["127.0.0.0/8"]\n') as one:
        assert run("echoscu", "-aec", TITLE, "127.0.0.1", one.port).returncode == 0
