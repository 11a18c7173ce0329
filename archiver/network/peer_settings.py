"""Reading the ``[[peer]]`` tables of the settings; see `archiver.network.peers` for them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from archiver.errors import Place, Problem, UsageError
from archiver.network.peers import DimsePeer, Peer, Secret, TimeLimits, Tls, WebPeer
from archiver.objects import Purpose
from archiver.wording import Text

#: PS3.5 6.2, AE: 16 characters, no backslash and no control characters.
_LONGEST_TITLE = 16
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


class _Unfit(Exception):
    """A value is not what is expected."""

    def __init__(self, code: str, **values: object) -> None:
        super().__init__(code)
        self.expected = Text(f"network.peer_settings.expects.{code}", **values)


def _text(value: object) -> str:
    if isinstance(value, str) and value.strip():
        return value.strip()
    raise _Unfit("text")


def _title(value: object) -> str:
    text = _text(value)
    if len(text) > _LONGEST_TITLE or "\\" in text or not (text.isascii() and text.isprintable()):
        raise _Unfit("title")
    return text


def _number(least: int, most: int) -> Callable[[object], int]:
    def read(value: object) -> int:
        if isinstance(value, int) and not isinstance(value, bool) and least <= value <= most:
            return value
        raise _Unfit("number", least=least, most=most)

    return read


def _seconds(value: object) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= 86400:
        return float(value)
    raise _Unfit("seconds")


def _flag(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise _Unfit("flag")


def _one_of(*words: str) -> Callable[[object], str]:
    def read(value: object) -> str:
        if isinstance(value, str) and value in words:
            return value
        raise _Unfit("one_of", words=tuple(f'"{word}"' for word in words))

    return read


def _purpose(value: object) -> Purpose:
    return Purpose(_one_of(*(purpose.value for purpose in Purpose))(value))


def _file(value: object) -> Path:
    path = Path(_text(value)).expanduser()
    if not path.is_file():
        raise _Unfit("file")
    return path


def _place_of_secret(value: object) -> Path:
    # Looked for when it is used: it may be on a medium that is not always there.
    return Path(_text(value)).expanduser()


_PORT = _number(1, 65535)
_TLS_KEYS: dict[str, Callable[[object], Any]] = {
    "authorities": _file,
    "certificate": _file,
    "key": _file,
    "key_password_env": _text,
    "key_password_file": _place_of_secret,
    "host": _text,
}
_LIMIT_KEYS: dict[str, Callable[[object], Any]] = {
    "connect": _seconds,
    "answer": _seconds,
    "commitment": _seconds,
}
_DIMSE_KEYS: dict[str, Callable[[object], Any]] = {
    "name": _text,
    "host": _text,
    "port": _PORT,
    "title": _title,
    "calling": _title,
    "associations": _number(1, 16),
    "root": _one_of("study", "patient"),
    "retrieve": _one_of("get", "move"),
    "listen_host": _text,
    "listen_port": _PORT,
    "commitment": _flag,
    "performed": _one_of("mpps", "availability"),
    "consent": _purpose,
}
_WEB_KEYS: dict[str, Callable[[object], Any]] = {
    "name": _text,
    "url": _text,
    "token_env": _text,
    "token_file": _place_of_secret,
    "user": _text,
    "password_env": _text,
    "password_file": _place_of_secret,
    "connections": _number(1, 16),
    "commitment": _flag,
    "consent": _purpose,
}
_TABLES = ("tls", "limits")


#: Keys whose value is the path of a file, from the folder of the settings.
_PATHS = (
    "authorities",
    "certificate",
    "key",
    "key_password_file",
    "token_file",
    "password_file",
)


def read_peers(tables: object, where: str, folder: Path) -> tuple[Peer, ...]:
    """Read the ``[[peer]]`` tables of the settings.

    Parameters
    ----------
    tables
        As the TOML reader gave them.
    where
        Name of the file, for messages.
    folder
        Where relative paths start.

    Raises
    ------
    UsageError
        With every problem found.
    """
    if not isinstance(tables, list) or not all(isinstance(table, Mapping) for table in tables):
        raise UsageError(Problem("network.peer_settings.no_list").at(file=where))
    problems: list[Problem] = []
    peers: list[Peer] = []
    for number, table in enumerate(tables, 1):
        named = table.get("name")
        called = Text(
            "network.peer_settings.peer", name=named if isinstance(named, str) else number
        )
        place = Place(file=where, peer=called, key=("peer", number - 1))
        peer = _peer(_placed(table, folder), place, problems)
        if peer is not None and any(peer.name == other.name for other in peers):
            problems.append(_problem(place, "name_used_twice"))
        elif peer is not None:
            peers.append(peer)
    if problems:
        raise UsageError(*problems)
    return tuple(peers)


def _placed(table: Mapping[str, object], folder: Path) -> dict[str, object]:
    """Return a table, and those below it, with paths that start at a folder."""
    placed: dict[str, object] = {}
    for name, value in table.items():
        if isinstance(value, Mapping):
            placed[name] = _placed(value, folder)
        elif name in _PATHS and isinstance(value, str) and value.strip():
            placed[name] = str(folder / Path(value.strip()).expanduser())
        else:
            placed[name] = value
    return placed


def _problem(place: Place, code: str, **values: object) -> Problem:
    return Problem(f"network.peer_settings.{code}", **values).with_places(place)


def _peer(table: Mapping[str, object], place: Place, problems: list[Problem]) -> Peer | None:
    before = len(problems)
    if ("url" in table) is ("host" in table):
        problems.append(_problem(place, "host_or_url"))
        return None
    keys = _WEB_KEYS if "url" in table else _DIMSE_KEYS
    required = ("name", "url") if "url" in table else ("name", "host", "port", "title")
    values = _read(table, keys, place, problems, tables=_TABLES)
    for name in required:
        if name not in table:
            problems.append(_problem(place, "key_missing", name=name))
    limits = TimeLimits(**_below(table, "limits", _LIMIT_KEYS, place, problems))
    tls_keys = _below(table, "tls", _TLS_KEYS, place, problems)
    in_tls = replace(place, part="tls")
    password = _secret(tls_keys, "key_password", in_tls, problems)
    if len(problems) > before:
        return None
    tls = Tls(**tls_keys, key_password=password)
    if (tls.certificate is None) is not (tls.key is None):
        problems.append(_problem(in_tls, "certificate_and_key"))
        return None
    if "url" in table:
        return _web_peer(values, tls, limits, place, problems)
    return DimsePeer(**values, tls=tls if "tls" in table else None, limits=limits)


def _web_peer(
    values: dict[str, Any], tls: Tls, limits: TimeLimits, place: Place, problems: list[Problem]
) -> WebPeer | None:
    before = len(problems)
    token = _secret(values, "token", place, problems)
    password = _secret(values, "password", place, problems)
    url = values["url"].rstrip("/")
    try:
        parts = urlsplit(url)
        scheme, host, user = parts.scheme, parts.hostname, parts.username
    except ValueError:
        scheme, host, user = "", None, None
    if scheme not in ("http", "https") or not host:
        problems.append(_problem(place, "url", url=url))
    elif user is not None:
        problems.append(_problem(place, "url_names_user"))
    elif scheme == "http" and host not in _LOOPBACK and (token or password):
        problems.append(_problem(place, "in_the_clear"))
    if token is not None and password is not None:
        problems.append(_problem(place, "token_or_password"))
    if (password is None) is not ("user" not in values):
        problems.append(_problem(place, "user_and_password"))
    if len(problems) > before:
        return None
    values.update(url=url, token=token, password=password)
    return WebPeer(**values, tls=tls, limits=limits)


def _read(
    table: Mapping[str, object],
    keys: Mapping[str, Callable[[object], Any]],
    place: Place,
    problems: list[Problem],
    *,
    tables: tuple[str, ...] = (),
) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for name, value in table.items():
        if name in tables:
            continue
        if name not in keys:
            code = "secret_itself" if f"{name}_env" in keys else "unknown_key"
            problems.append(_problem(place, code, name=name, known=tuple(keys)))
            continue
        try:
            values[name] = keys[name](value)
        except _Unfit as unfit:
            shown = f'"{value}"' if isinstance(value, str) else str(value)
            unfitting = _problem(place, "unfit", name=name, shown=shown, expected=unfit.expected)
            problems.append(unfitting)
    return values


def _below(
    table: Mapping[str, object],
    name: str,
    keys: Mapping[str, Callable[[object], Any]],
    place: Place,
    problems: list[Problem],
) -> dict[str, Any]:
    inner = table.get(name, {})
    if inner is True and name == "tls":
        return {}
    if not isinstance(inner, Mapping):
        problems.append(_problem(place, "no_table", name=name))
        return {}
    return _read(inner, keys, replace(place, part=name), problems)


def _secret(
    values: dict[str, Any], name: str, place: Place, problems: list[Problem]
) -> Secret | None:
    variable = values.pop(f"{name}_env", None)
    file = values.pop(f"{name}_file", None)
    if variable is not None and file is not None:
        problems.append(_problem(place, "env_or_file", name=name))
        return None
    if variable is None and file is None:
        return None
    return Secret(variable or "", file)
