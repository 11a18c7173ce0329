"""What a practice says about its node, in the table ``[node]`` of its settings::

    [node]
    title = "PHOTOARCHIVE"             # application entity title
    host = "0.0.0.0"                   # left out: this machine only
    dimse_port = 11112                 # 0: any free one
    web_port = 8080
    callers = ["CAMERA1", "XRAY"]      # titles that may call; left out: any
    networks = ["192.0.2.0/24"]        # addresses that may call; left out: any
    certificate = "node.pem"           # with it, DIMSE and DICOMweb speak TLS only
    key = "node.key"
    client_authorities = "peers.pem"   # with it, peers must show a certificate of these
    credentials = "web-users.txt"      # lines: token NAME SECRET, or user NAME SECRET
    worklist = "visits.csv"            # today's visits, .csv or .toml

    [node.limits]
    associations = 64
    object_megabytes = 2048

Relative paths start at the folder of the settings file. Where C-MOVE and reports of commitment may
go is what the settings name as peers.
"""

from __future__ import annotations

import dataclasses
import ipaddress
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.errors import Problem, UsageError
from archiver.network.peers import Tls
from archiver.network.tls import listening_context

if TYPE_CHECKING:
    import ssl

_LOOPBACK = ("127.", "::1", "localhost")


@dataclass(frozen=True)
class NodeLimits:
    """What a peer may take up.

    Parameters
    ----------
    associations, connections, connections_of_one_address
        At one time.
    pdu_bytes
        Largest P-DATA-TF PDU that we take (PS3.8 D.1); DCMTK sends 128 KiB at most.
    object_megabytes, request_megabytes
        Largest object, and largest HTTP request.
    negotiation_seconds
        For TLS and the first PDU.
    network_seconds
        Without a byte, or for one PDU.
    """

    associations: int = 64
    connections: int = 256
    connections_of_one_address: int = 128
    pdu_bytes: int = 256 << 10
    object_megabytes: int = 2048
    request_megabytes: int = 4096
    negotiation_seconds: float = 10.0
    network_seconds: float = 60.0

    @property
    def object_bytes(self) -> int:
        """Largest object in bytes."""
        return self.object_megabytes << 20

    @property
    def request_bytes(self) -> int:
        """Largest HTTP request in bytes."""
        return self.request_megabytes << 20


@dataclass(frozen=True)
class NodeSettings:
    """How the node listens, and whom it serves. See the module for the meaning of each."""

    title: str = "ARCHIVER"
    host: str = "127.0.0.1"
    dimse_port: int = 11112
    web_port: int = 8080
    callers: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    client_authorities: Path | None = None
    credentials: Path | None = None
    worklist: Path | None = None
    limits: NodeLimits = field(default_factory=NodeLimits)

    def tls_context(self) -> ssl.SSLContext | None:
        """Return the context for connections that come in, None where they are plain.

        Raises
        ------
        UsageError
            If certificate, key or authorities cannot be used.
        """
        if self.certificate is None:
            return None
        tls = Tls(certificate=self.certificate, key=self.key, authorities=self.client_authorities)
        return listening_context(tls, "[node]")

    @property
    def on_loopback(self) -> bool:
        """True where only this machine can reach the node."""
        return self.host.startswith(_LOOPBACK)


#: Below this a PDU holds too little of an object to be of use; DCMTK's own least is 4 KiB.
_LEAST_PDU = 4096
_HIGHEST_PORT = 65535
#: What a key takes, for who wrote something else.
_WORDS = {
    "str": "a text in quotes",
    "int": "a whole number",
    "float": "a number",
    "tuple[str, ...]": "a list of texts, such as [...]",
    "Path | None": "the path of a file, in quotes",
}
_PATHS = ("certificate", "key", "client_authorities", "credentials", "worklist")
_LISTS = ("callers", "networks")


def settings_of(table: Mapping[str, Any], folder: Path) -> NodeSettings:
    """Read the table ``[node]``.

    Parameters
    ----------
    table
        As TOML gave it.
    folder
        Where relative paths start.

    Raises
    ------
    UsageError
        With a problem for every key that cannot be understood.
    """
    problems: list[Problem] = []
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key == "limits":
            values[key] = _of_table(NodeLimits, value, "node.limits", problems)
        elif key in _PATHS and isinstance(value, str):
            values[key] = folder / Path(value).expanduser()
        elif key in _LISTS and _is_texts(value):
            values[key] = tuple(value)
        else:
            values.update(_scalar(NodeSettings, key, value, "node", problems))
    if problems:
        raise UsageError(*problems)
    return NodeSettings(**values)


def checked(settings: NodeSettings) -> NodeSettings:
    """Return the settings if they can be used together.

    Raises
    ------
    UsageError
        If they contradict each other, or name files that are not there.
    """
    problems = _contradictions(settings)
    if problems:
        raise UsageError(*problems)
    return settings


def _is_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _scalar(
    kind: Any, key: str, value: object, where: str, problems: list[Problem]
) -> dict[str, Any]:
    """Return the value where it has the type of the field's default."""
    fields = {f.name: f for f in dataclasses.fields(kind)}
    if key not in fields:
        problems.append(Problem(f'unknown key "{key}"', f"[{where}]", ", ".join(fields)))
        return {}
    wanted = str(fields[key].type)
    if wanted == "float" and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    kinds: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}
    wanted_words = _WORDS.get(wanted, wanted)
    if wanted not in kinds or type(value) is not kinds[wanted]:
        problems.append(Problem(f"{key} = {value!r}", f"[{where}]", wanted_words))
        return {}
    return {key: value}


def _of_table(kind: Any, table: object, where: str, problems: list[Problem]) -> Any:
    values: dict[str, Any] = {}
    if not isinstance(table, dict):
        problems.append(Problem("this is no table", f"[{where}]"))
        return None
    for key, value in table.items():
        values.update(_scalar(kind, key, value, where, problems))
    required = {f.name for f in dataclasses.fields(kind) if _is_required(f)}
    problems += [Problem(f"{key} is missing", f"[{where}]") for key in required - set(values)]
    return kind(**values) if required <= set(values) else None


def _is_required(field_: dataclasses.Field[Any]) -> bool:
    return field_.default is dataclasses.MISSING and field_.default_factory is dataclasses.MISSING


def _out_of_range(settings: NodeSettings) -> Iterator[Problem]:
    for key, least in (("dimse_port", 0), ("web_port", -1)):
        port = getattr(settings, key)
        if not least <= port <= _HIGHEST_PORT:
            none = "; -1 for none" if least < 0 else ""
            expected = f"0 to {_HIGHEST_PORT}, 0 for any free one{none}"
            yield Problem(f"{key} = {port}", "[node]", expected)
    for limit in dataclasses.fields(settings.limits):
        value = getattr(settings.limits, limit.name)
        least = _LEAST_PDU if limit.name == "pdu_bytes" else 0
        if value < least or value == 0:
            expected = f"{least} or more" if least else "more than 0"
            yield Problem(f"{limit.name} = {value}", "[node.limits]", expected)


def _contradictions(settings: NodeSettings) -> list[Problem]:
    problems = [*_out_of_range(settings)]
    titles = (settings.title, *settings.callers)
    for title in titles:
        if not 0 < len(title.strip()) <= 16 or "\\" in title or not title.isascii():
            problems.append(
                Problem(f'title "{title}"', "[node]", "1 to 16 characters of ASCII (PS3.5 6.2, AE)")
            )
    for network in settings.networks:
        try:
            ipaddress.ip_network(network, strict=False)
        except ValueError:
            problems.append(Problem(f'network "{network}"', "[node]", "such as 192.0.2.0/24"))
    if (settings.certificate is None) is not (settings.key is None):
        problems.append(Problem("certificate and key belong together", "[node]"))
    if settings.client_authorities is not None and settings.certificate is None:
        problems.append(Problem("client_authorities without certificate", "[node]"))
    if not settings.on_loopback and settings.credentials is None and settings.web_port >= 0:
        problems.append(
            Problem(
                "DICOMweb would be open to the network without credentials",
                "[node]",
                hint="set credentials, or web_port = -1 to have no DICOMweb",
            )
        )
    for key in _PATHS:
        path = getattr(settings, key)
        if path is not None and not path.is_file():
            problems.append(Problem(f"{key} names no file", str(path)))
    return problems
