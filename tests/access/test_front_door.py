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
from pydicom import Dataset

from archiver.access.rights import EVERYTHING, Scope
from archiver.access.roles import roles
from archiver.access.users import CLOSED, FILE, users_of
from archiver.errors import UsageError
from archiver.network.node.dicomweb.resources import RESOURCES, ROOT
from archiver.network.node.settings import settings_of
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


def stow(folder: Path, ds: Dataset | None = None) -> tuple[bytes, str]:
    data = samples.save(ds or samples.photograph(2, study=2), folder).read_bytes()
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
        "/telephone/{token:str}",
    }
    assert [role for role in roles() if may(role, "/telephone", "PUT")] == []


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


@pytest.mark.parametrize(
    ("caller", "said"),
    [
        ("XRAY", ["store"]),
        ("dimse:XRAY", ["shred"]),
        ("dimse:XRAY", {"may": ["store"], "patients": []}),
        ("dimse:XRAY", {"study": ["1.2.3"]}),
        ("dimse:XRAY", {"studies": "1.2.3"}),
    ],
)
def test_rights_that_cannot_be_understood_are_told(caller: str, said: object) -> None:
    with pytest.raises(UsageError) as raised:
        settings_of({"rights": {caller: said}}, Path())
    assert str(raised.value.problems[0].found) == f"the rights of {caller} cannot be understood"


# -- rights to some patients and studies


def test_what_is_named_is_covered_and_nothing_beside_it() -> None:
    scope = Scope(("P-0417", "P-0502^^^CLINIC", "P*"), ("1.2.3",))
    assert scope.covers("P-0417", "", "1.9") and scope.covers("P-0417", "WARD", "1.9")
    assert scope.covers("P-0502", "CLINIC", "1.9") and scope.covers("x", "", "1.2.3")
    for patient, issuer, study in (
        ("P-0502", "WARD", "1.9"),
        ("P-0502", "", "1.9"),
        ("p-0417", "", "1.9"),
        ("P-04170", "", "1.2.30"),
        ("", "", ""),
    ):
        assert not scope.covers(patient, issuer, study)
    assert EVERYTHING.covers("", "", "")


WORKLIST = (
    "patient_id,name,birth_date,sex,date,time\n"
    "P-0417,Okafor^Nadia,1988-02-17,F,2026-03-04,09:00\n"
    "P-0502,Lindqvist^Sven,1971-11-02,M,2026-03-04,10:00\n"
)
#: Who has to do with the second of two patients alone, by patient, by issuer's patient, by study.
BOUNDED = {
    "by-patient": 'patients = ["P-0502"]',
    "by-issuer": 'patients = ["P-0502^^^CLINIC"]',
    "by-study": f'studies = ["{samples.study_uid(2)}"]',
}


@pytest.fixture(scope="module")
def bounded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Two patients with a study each, one of them with a second; and who has to do with one."""
    folder = tmp_path_factory.mktemp("bounded")
    archive = with_users(folder / "archive")
    (folder / "visits.csv").write_text(WORKLIST)
    names = [f'"web:{name}" = {{ {bound} }}' for name, bound in BOUNDED.items()]
    names.append(f'"dimse:STUDY" = {{ {BOUNDED["by-study"]} }}')
    names.append(f'"web:berg" = {{ may = ["ask", "fetch"], {BOUNDED["by-patient"]} }}')
    tokens = [f"token {name} secret-of-{name}\n" for name in BOUNDED]
    (folder / "web-users.txt").write_text("".join(tokens))
    text = '[node]\ncredentials = "web-users.txt"\nworklist = "visits.csv"\n'
    text += 'callers = ["ANY", "STUDY"]\n[node.rights]\n' + "\n".join(names) + "\n"
    other = {"PatientID": "P-0502", "PatientName": "Lindqvist^Sven", "IssuerOfPatientID": "CLINIC"}
    objects = [samples.photograph(1), samples.photograph(2, study=2, **other)]
    with Served(archive, text) as one:
        files = [samples.save(ds, folder) for ds in objects]
        store(one.port, *files, words=("-xy", "-aet", "ANY"))
        yield one


def bearer(name: str) -> str:
    return f"Bearer secret-of-{name}" if name in BOUNDED else basic(name)


@pytest.mark.parametrize("name", [*BOUNDED, "berg"])
def test_who_has_to_do_with_some_finds_and_fetches_them_alone(bounded: Served, name: str) -> None:
    def status(path: str) -> int:
        return ask(bounded, ROOT + path, Authorization=bearer(name)).status

    filled = {"study": samples.study_uid, "series": lambda _: samples.series_uid(1)}
    filled["instance"] = samples.instance_uid
    rest = {"frames": "1", "tag": "7FE00010"}
    for one in RESOURCES:
        if one.method == "GET":
            paths = [
                one.path.format(**{k: v(n) for k, v in filled.items()}, **rest) for n in (1, 2)
            ]
            theirs, own = map(status, paths)
            assert own in (200, 202), one
            searched = one.action.permission == "ask"
            # What a search is told of others is nothing, what is fetched is not there.
            assert theirs == (own if "{" not in one.path else 204 if searched else 404), one
    for level in ("studies", "series", "instances"):
        answer = ask(bounded, f"{ROOT}/{level}?includefield=all", Authorization=bearer(name))
        assert samples.study_uid(2) in answer.text and samples.study_uid(1) not in answer.text
        assert "P-0417" not in answer.text and "Okafor" not in answer.text


def test_who_has_to_do_with_some_brings_no_others(bounded: Served, tmp_path: Path) -> None:
    body, kind = stow(tmp_path, samples.photograph(3))
    for name, status in (("by-patient", 409), ("berg", 403)):
        sent = {"Authorization": bearer(name), "Content_Type": kind}
        answer = ask(bounded, STUDIES, "POST", body=body, **sent)
        assert answer.status == status
        # 0124H, not authorized
        assert (re.search(r'"00081197":.{0,20}"Value": ?\[292\]', answer.text) is None) is (
            status == 403
        )
    file = samples.save(samples.photograph(3), tmp_path)
    words = ("storescu", "-v", "-xy", "-aet", "STUDY", "-aec", TITLE, "127.0.0.1", bounded.port)
    assert "0x124" in run(*words, file).stdout
    found = ask(bounded, f"{ROOT}/instances", Authorization=basic("anna"))
    assert samples.instance_uid(3) not in found.text and samples.instance_uid(1) in found.text


def test_a_title_that_has_to_do_with_some_hears_of_no_others(
    bounded: Served, tmp_path: Path
) -> None:
    def said(verb: str, *words: object) -> str:
        answer = run(verb, "-d", "-aet", "STUDY", "-aec", TITLE, *words, "127.0.0.1", bounded.port)
        assert answer.returncode == 0, answer.stdout
        return answer.stdout

    patients = said("findscu", "-P", "-k", "QueryRetrieveLevel=PATIENT", "-k", "PatientID")
    assert "P-0502" in patients and "P-0417" not in patients
    visits = said("findscu", "-W", "-k", "PatientID")
    assert "P-0417" not in visits and "P-0502" not in visits  # planned studies are others
    for number in (1, 2):
        key = f"StudyInstanceUID={samples.study_uid(number)}"
        said("getscu", "-S", "+xy", "-od", tmp_path, "-k", "QueryRetrieveLevel=STUDY", "-k", key)
    assert [path.name.partition(".")[2] for path in tmp_path.iterdir()] == [samples.instance_uid(2)]


def test_a_person_whose_rights_the_settings_bound_sees_no_pages_of_patients(
    bounded: Served,
) -> None:
    mine = _session(bounded, "berg")
    assert ask(bounded, "/", Cookie=mine["Cookie"]).status == 200
    for row in TABLE:
        if row.service == "pages" and row.method == "GET" and row.permission:
            assert ask(bounded, _filled(row.path), Cookie=mine["Cookie"]).status == 403, row


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
