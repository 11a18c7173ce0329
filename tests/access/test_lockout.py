"""Addresses, delays after wrong passwords, and what is remembered, each by itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.access import lockout
from archiver.access.addresses import is_loopback, is_within, neighbourhood
from archiver.access.front_door import Doorstep, FrontDoor
from archiver.access.lockout import FREE, LONGEST, LockOut
from archiver.access.users import Users

PASSWORD = "three green herons"


class Clock:
    """Seconds that go on when they are told to."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("127.0.0.1", True),
        ("127.9.8.7", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("localhost", True),
        ("LOCALHOST.", True),
        ("127.elsewhere.example", False),
        ("localhost.elsewhere.example", False),
        ("localhosts", False),
        ("::10", False),
        ("0.0.0.0", False),
        ("192.0.2.1", False),
    ],
)
def test_loopback_is_an_address_and_not_how_a_name_begins(host: str, expected: bool) -> None:
    assert is_loopback(host) is expected


def test_an_address_is_within_a_network_however_it_is_written() -> None:
    assert is_within("::ffff:192.0.2.9", ["192.0.2.0/24"])
    assert not is_within("192.0.3.9", ["192.0.2.0/24"])
    assert not is_within("nonsense", ["192.0.2.0/24"])
    assert neighbourhood("2001:db8::1") == neighbourhood("2001:db8::ffff:2")
    assert neighbourhood("2001:db8:0:1::1") != neighbourhood("2001:db8::1")


def test_delays_grow_and_end_with_the_right_password() -> None:
    clock = Clock()
    tries = LockOut(clock)
    delays = []
    for _ in range(FREE):
        assert tries.wait("anna", "192.0.2.1") == 0
    for _ in range(12):
        wait = tries.wait("anna", "192.0.2.1")
        delays.append(wait)
        clock.now += wait
        assert tries.wait("anna", "192.0.2.1") == 0
    assert delays[:4] == [30, 60, 120, 240]
    assert delays[-1] == LONGEST
    tries.right("anna", "192.0.2.1")
    assert tries.wait("anna", "192.0.2.1") == 0


def test_a_hundred_guesses_take_days() -> None:
    clock = Clock()
    tries = LockOut(clock)
    for _ in range(100):
        clock.now += tries.wait("anna", "192.0.2.1")
        tries.wait("anna", "192.0.2.1")
    assert clock.now > 3 * 24 * 3600


def test_inventing_names_wins_no_more_guesses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lockout, "_ACCOUNTS", 5)
    monkeypatch.setattr(lockout, "_ADDRESSES", 3)
    tries = LockOut(Clock())
    for _ in range(FREE):
        assert tries.wait("anna", "192.0.2.1") == 0
    for n in range(20):
        tries.wait(f"invented {n}", "192.0.2.1")
        tries.wait("x", f"192.0.2.{n}")
    assert tries.wait("anna", "192.0.2.1") > 0
    assert tries.remaining("anna", "192.0.2.2") == 0


def test_a_right_password_is_hashed_once_and_ends_with_the_user(tmp_path: Path) -> None:
    users = Users(tmp_path / "users.json")
    users.add("anna", frozenset({"assistant"}), PASSWORD)
    hashed: list[str] = []
    checked = users.checked
    users.checked = lambda name, password: (hashed.append(name), checked(name, password))[1]  # type: ignore[method-assign]
    door = FrontDoor(Doorstep(on_loopback=True), users, None)
    for _ in range(5):
        assert getattr(door.password("anna", PASSWORD, "192.0.2.1"), "name", "") == "anna"
    assert hashed == ["anna"]
    users.add("anna", frozenset({"assistant"}), PASSWORD + "!")
    assert getattr(door.password("anna", PASSWORD, "192.0.2.1"), "status", 0) == 401
    users.remove("anna")
    assert getattr(door.password("anna", PASSWORD + "!", "192.0.2.1"), "status", 0) == 401
