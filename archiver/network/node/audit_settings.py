"""Where audit events go, in the table ``[node.audit]`` of the settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path

from archiver.errors import Problem
from archiver.network.peers import Tls

#: The port of syslog over TLS (RFC 5425 4.1).
_PORT = 6514
_HIGHEST_PORT = 65535
_FILES = ("authorities", "certificate", "key")


@dataclass(frozen=True)
class AuditSettings:
    """The clinic's audit repository.

    Parameters
    ----------
    authorities
        Who certifies it; those of the system where none is named.
    certificate, key
        What is shown to it, where it asks for that.
    site
        Which site of the enterprise this is.
    """

    host: str
    port: int = _PORT
    authorities: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    site: str = ""

    @property
    def tls(self) -> Tls:
        """What is shown and trusted."""
        return Tls(certificate=self.certificate, key=self.key, authorities=self.authorities)


def audit_settings_of(table: object, folder: Path, problems: list[Problem]) -> AuditSettings | None:
    """Read the table; None, with the problems told, where it cannot be understood."""
    before = len(problems)

    def told(code: str, **given: object) -> None:
        problems.append(Problem(f"network.settings.{code}", **given).at(table="node.audit"))

    if not isinstance(table, Mapping):
        told("no_table")
        return None
    known = tuple(one.name for one in fields(AuditSettings))
    values: dict[str, object] = {}
    for key, value in table.items():
        if key not in known:
            told("unknown_key", key=key, known=known)
        elif key == "port":
            if type(value) is not int or not 0 < value <= _HIGHEST_PORT:
                told("port", key=key, port=value, most=_HIGHEST_PORT)
            values[key] = value
        elif not isinstance(value, str):
            told("unfit", key=key, value=repr(value), takes="text")
        elif key in _FILES:
            values[key] = folder / Path(value).expanduser()
            if not (folder / Path(value).expanduser()).is_file():
                told("names_no_file", key=key)
        else:
            values[key] = value
    if not values.get("host"):
        told("key_missing", key="host")
    if ("certificate" in values) is not ("key" in values):
        told("certificate_and_key")
    return AuditSettings(**values) if len(problems) == before else None  # type: ignore[arg-type]
