"""Users, sessions, rates and addresses to go on to, each by itself."""

from __future__ import annotations

import re
import stat
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.access import rate as limits
from archiver.access.addresses import host_name
from archiver.access.rate import Rate
from archiver.access.roles import roles
from archiver.access.users import Users
from archiver.errors import UsageError
from archiver.network.node.dicomweb.application import OPERATE
from archiver.network.node.dicomweb.resources import Action
from archiver.web.auth.login import path_within
from archiver.web.auth.sessions import Sessions

WEB = Path(__file__).parents[2] / "archiver" / "web"
PASSWORD = "three green herons"


class Clock:
    """Seconds that go on when they are told to."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now

    def on(self, **span: float) -> None:
        self.now += timedelta(**span).total_seconds()


def _today() -> datetime:
    return datetime(2026, 3, 4, 8, 0, tzinfo=timezone.utc)


def test_a_session_ends_by_rest() -> None:
    clock = Clock()
    sessions = Sessions(_today, timedelta(minutes=30), timedelta(hours=10), clock)
    token, _ = sessions.begin("anna", "")
    clock.on(minutes=29)
    assert sessions.find(token)
    clock.on(minutes=29)
    assert sessions.find(token)
    clock.on(minutes=31)
    assert sessions.find(token) is None


def test_a_session_ends_by_age_however_much_it_is_used() -> None:
    clock = Clock()
    sessions = Sessions(_today, timedelta(minutes=30), timedelta(hours=10), clock)
    token, _ = sessions.begin("anna", "")
    for _ in range(30):
        clock.on(minutes=20)
        assert sessions.find(token)
    clock.on(minutes=20)
    assert sessions.find(token) is None


def test_the_token_is_not_kept() -> None:
    sessions = Sessions(_today)
    token, session = sessions.begin("anna", "")
    assert token not in repr(session.__dict__)
    assert len({sessions.begin("anna", "")[0] for _ in range(50)}) == 50


def test_a_rate_lets_a_burst_pass_and_then_as_much_as_it_fills() -> None:
    clock = Clock()
    rate = Rate(5, 0.5, clock)
    assert [rate.wait("a") for _ in range(5)] == [0] * 5
    assert rate.wait("a") == 2
    assert rate.wait("b") == 0
    clock.on(seconds=2)
    assert rate.wait("a") == 0
    assert rate.wait("a") > 0


def test_a_rate_forgets_who_was_longest_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "_REMEMBERED", 2)
    rate = Rate(1, 0.01, Clock())
    assert (rate.wait("a"), rate.wait("b")) == (0, 0)
    assert rate.wait("a") > 0
    assert rate.wait("c") == 0
    assert rate.wait("a") > 0
    assert rate.wait("b") == 0


def test_the_file_of_users_holds_no_password_and_is_its_owners_alone(tmp_path: Path) -> None:
    users = Users(tmp_path / "pages" / "users.json")
    users.add("anna", frozenset({"assistant"}), PASSWORD)
    text = users.path.read_text("utf-8")
    assert PASSWORD not in text
    assert "$argon2id$" in text
    assert stat.S_IMODE(users.path.stat().st_mode) == 0o600


def test_a_user_is_told_by_name_and_password(tmp_path: Path) -> None:
    users = Users(tmp_path / "users.json")
    users.add("anna", frozenset({"assistant"}), PASSWORD)
    found = users.checked("anna", PASSWORD)
    assert found and found.roles == {"assistant"}
    assert users.checked("anna", PASSWORD + " ") is None
    assert users.checked("Anna", PASSWORD) is None
    assert users.checked("nobody", "nobody has this password") is None


def test_a_running_server_sees_a_user_that_is_made_or_removed(tmp_path: Path) -> None:
    told: list[list[str]] = []
    path = tmp_path / "users.json"
    ours, theirs = Users(path, told.append), Users(path)
    assert not ours.all()
    theirs.add("berg", frozenset({"dentist"}), PASSWORD)
    assert list(ours.all()) == ["berg"]
    assert told.pop() == ["berg"]
    theirs.add("anna", frozenset({"assistant"}), PASSWORD)
    assert list(ours.all()) == ["berg", "anna"]
    theirs.add("anna", frozenset({"IT"}), PASSWORD)
    assert ours.all()["anna"].roles == {"IT"}
    theirs.remove("anna")
    assert list(ours.all()) == ["berg"]
    assert told == [["anna"]] * 3


@pytest.mark.parametrize(
    ("name", "given_roles", "password"),
    [
        ("", {"dentist"}, PASSWORD),
        ("berg\nadmin", {"dentist"}, PASSWORD),
        ("berg", {"king"}, PASSWORD),
        ("berg", set(), PASSWORD),
        ("berg", {"dentist"}, "short"),
        ("berg", {"dentist"}, "this is berg's"),
        ("b" * 65, {"dentist"}, PASSWORD),
    ],
)
def test_what_cannot_be_a_user_is_refused(
    tmp_path: Path, name: str, given_roles: set[str], password: str
) -> None:
    users = Users(tmp_path / "users.json")
    with pytest.raises(UsageError):
        users.add(name, frozenset(given_roles), password)
    assert not users.path.exists()


def test_a_damaged_file_of_users_lets_nobody_in(tmp_path: Path) -> None:
    path = tmp_path / "users.json"
    path.write_text('{"anna": 3}')
    with pytest.raises(UsageError):
        Users(path).checked("anna", PASSWORD)


def test_every_word_of_the_roles_opens_something_and_no_other_word_is_asked_for() -> None:
    granted = {word for words in roles().values() for word in words}
    code = "\n".join(p.read_text("utf-8") for p in WEB.rglob("*.py") if p.name != "__init__.py")
    asked = set(re.findall(r'(?:\bmay=|\bMAY = |\.may\()"([a-z ]+)"', code))
    assert asked | {one.permission for one in Action} | {OPERATE} == granted


def test_the_four_roles_are_those_of_a_practice() -> None:
    assert set(roles()) == {"assistant", "dentist", "auditor", "IT"}
    assert "look" not in roles()["IT"]
    assert "take in" not in roles()["auditor"]
    assert "audit" not in roles()["assistant"]


@pytest.mark.parametrize(
    "text",
    [
        "//elsewhere.example",
        "/\\elsewhere.example",
        "https://elsewhere.example/",
        "javascript:alert(1)",
        "",
        "find",
        "/\n/elsewhere.example",
        "/a\\..\\b",
    ],
)
def test_nobody_is_led_to_another_site_after_log_in(text: str) -> None:
    assert path_within(text) == "/"


@given(st.text())
def test_where_log_in_leads_is_always_a_path_of_ours(text: str) -> None:
    found = path_within(text)
    assert found.startswith("/") and not found.startswith(("//", "/\\"))


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("localhost:8080", "localhost"),
        ("[::1]:8080", "::1"),
        ("127.0.0.1", "127.0.0.1"),
        ("Photographs.Clinic.Example.:443", "photographs.clinic.example"),
    ],
)
def test_the_name_of_a_host_is_read_without_its_port(host: str, name: str) -> None:
    assert host_name(host) == name
