"""Who may log in, told on the command line; and pages over TLS."""

from __future__ import annotations

import json
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import trustme
from web_serving import PASSWORD, Served

from archiver.access.users import users_of


def _tend(archive: Path, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "archiver", "serve", "--archive", str(archive), *words],
        input=said,
        text=True,
        capture_output=True,
        timeout=120,
    )


def test_users_are_made_listed_and_removed_on_the_command_line(archive: Path) -> None:
    words = ("--add-user", "berg", "--role", "dentist", "--role", "auditor")
    made = _tend(archive, *words, said=PASSWORD + "\n")
    assert (made.returncode, made.stdout) == (0, "berg may log in as dentist, auditor\n")
    assert PASSWORD not in made.stderr
    assert users_of(archive).checked("berg", PASSWORD)
    listed = _tend(archive, "--users")
    assert listed.stdout.split() == ["berg", "auditor,", "dentist"]
    assert _tend(archive, "--remove-user", "berg").returncode == 0
    assert _tend(archive, "--users").stdout == ""


_MANY = """\
import sys
from pathlib import Path
from types import SimpleNamespace
from archiver.access.users import users_of
root, name, password, count = sys.argv[1:]
users = users_of(Path(root))
hashed = users._hasher.hash(password)
# So that reading and writing take all of the time.
users._hasher = SimpleNamespace(hash=lambda _: hashed)
print("ready", flush=True)
sys.stdin.readline()
for n in range(int(count)):
    users.add(f"{name}-{n}", frozenset({"assistant"}), password)
"""


def test_users_made_by_two_processes_at_once_are_all_there(archive: Path) -> None:
    def begun(name: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-c", _MANY, str(archive), name, PASSWORD, "25"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    with begun("berg") as first, begun("lund") as second:
        for one in (first, second):
            assert one.stdout and one.stdout.readline() == "ready\n"
        for one in (first, second):
            assert one.stdin
            one.stdin.write("go\n")
            one.stdin.flush()
        statuses = {one.wait(120) for one in (first, second)}
    assert statuses == {0}
    names = {f"{name}-{n}" for name in ("berg", "lund") for n in range(25)}
    assert set(users_of(archive).all()) == names


@pytest.mark.parametrize(
    ("words", "said", "told"),
    [
        (("--add-user", "berg", "--role", "king"), PASSWORD, "there is no role king"),
        (("--add-user", "berg"), PASSWORD, "no role is given"),
        (("--add-user", "berg", "--role", "dentist"), "short", "the password cannot be used"),
        (("--remove-user", "berg"), "", 'there is no user "berg"'),
    ],
)
def test_a_user_that_cannot_be_is_told_in_one_line(
    archive: Path, words: tuple[str, ...], said: str, told: str
) -> None:
    result = _tend(archive, *words, said=said + "\n")
    assert result.returncode == 2
    assert told in result.stderr and len(result.stderr.splitlines()) == 1


def test_users_belong_to_an_archive_that_is_there(tmp_path: Path) -> None:
    result = _tend(tmp_path / "none", "--users")
    assert result.returncode == 1
    assert "no archive is here" in result.stderr


def test_pages_on_the_network_speak_tls_and_ask_for_log_in(
    archive: Path, tmp_path: Path, start: Callable[..., Served]
) -> None:
    authority = trustme.CA()
    own = authority.issue_cert("localhost", "127.0.0.1")
    own.private_key_and_cert_chain_pem.write_to_path(str(tmp_path / "node.pem"))
    (tmp_path / "web-users.txt").write_text("token ward 0123456789abcdef\n")
    settings = tmp_path / "archiver.toml"
    settings.write_text(
        '[node]\nhost = "0.0.0.0"\ncredentials = "web-users.txt"\n'
        'certificate = "node.pem"\nkey = "node.pem"\n'
    )
    users_of(archive).add("berg", frozenset({"dentist"}), PASSWORD)
    served = start(archive, settings=settings)
    assert str(served.where["pages"]).startswith("https://")
    context = ssl.create_default_context()
    authority.configure_trust(context)
    port = served.address[1]

    def ask(text: str) -> str:
        plain = socket.create_connection(("127.0.0.1", port), timeout=30)
        with plain, context.wrap_socket(plain, server_hostname="localhost") as secure:
            secure.sendall(text.replace("\n", "\r\n").encode())
            return b"".join(iter(lambda: secure.recv(65536), b"")).decode()

    host = f"Host: localhost:{port}\nConnection: close\n"
    assert " 303 " in ask(f"GET / HTTP/1.1\n{host}\n").splitlines()[0]
    form = ask(f"GET /login HTTP/1.1\n{host}\n")
    assert "strict-transport-security: max-age=31536000" in form
    token = form.partition('<meta name="csrf" content="')[2].partition('"')[0]
    body = f"csrf={token}&name=berg&password={PASSWORD.replace(' ', '+')}&to=/"
    entered = ask(
        f"POST /login HTTP/1.1\n{host}Content-Type: application/x-www-form-urlencoded\n"
        f"Content-Length: {len(body)}\n\n{body}"
    )
    cookie = next(x for x in entered.splitlines() if x.startswith("set-cookie: __Host-archiver="))
    for word in ("HttpOnly", "Secure", "SameSite=strict", "Path=/"):
        assert word in cookie
    assert "domain" not in cookie.lower()
    value = cookie.partition(": ")[2].partition(";")[0]
    session = ask(f"GET /session HTTP/1.1\n{host}Cookie: {value}\nAccept: application/json\n\n")
    assert json.loads(session.partition("\r\n\r\n")[2])["name"] == "berg"
