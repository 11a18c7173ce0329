"""What a practice says about its node, in the table ``[node]`` of its settings::

    [node]
    title = "PHOTOARCHIVE"             # application entity title
    host = "0.0.0.0"                   # left out: this machine only
    dimse_port = 11112                 # 0: any free one
    web_port = 8080
    names = ["photographs.clinic.example"]  # names of hosts under which it is reached
    storage_classes = ["1.2.3.4"]      # SOP classes to be stored beside those of the standard
    origins = ["https://pages.example"]  # whose pages may use DICOMweb from a browser
    callers = ["CAMERA1", "XRAY"]      # titles that may call; left out: any
    networks = ["192.0.2.0/24"]        # addresses that may call; left out: any
    may_reject = ["dimse:CONSOLE1"]    # whose rejection notes count; left out: nobody's
    sees_rejected = ["web:review"]     # who may have what was rejected for safety; left out: nobody
    certificate = "node.pem"           # with it, DIMSE and DICOMweb speak TLS only
    key = "node.key"
    client_authorities = "peers.pem"   # with it, peers must show a certificate of these
    credentials = "web-users.txt"      # lines: token NAME SECRET, or user NAME SECRET
    worklist = "visits.csv"            # today's visits: separated values, a workbook or .toml
    worklist_dates = "day"             # in dates such as 3/4/2026 the day, or the month, is first

    [node.limits]
    associations = 64
    object_megabytes = 2048

    [node.watch]                       # what /health expects; 0 days: nothing
    reserve_megabytes = 1024           # free space below which nothing more is received
    space_days = 30                    # warned of when it lasts no longer
    backup_days = 7

Callers are named ``dimse:TITLE``, or ``web:NAME`` by a name of the credentials.
Relative paths start at the folder of the settings file. Where C-MOVE and reports of commitment may
go is what the settings name as peers.
"""

from __future__ import annotations

import dataclasses
import ipaddress
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.access import Doorstep, is_loopback
from archiver.errors import Place, Problem, UsageError
from archiver.network.peers import Tls
from archiver.network.tls import listening_context, load_files
from archiver.wording import Text

if TYPE_CHECKING:
    import ssl


@dataclass(frozen=True)
class NodeLimits:
    """What a peer may take up.

    Parameters
    ----------
    associations, associations_of_one_address, connections, connections_of_one_address
        At one time.
    bodies, bodies_of_one_address
        HTTP requests with a body at one time.
    processor_seconds, journal_megabytes
        Of decoding, and of the journal, in a minute and for one address.
    pdu_bytes
        Largest P-DATA-TF PDU that we take (PS3.8 D.1); DCMTK sends 128 KiB at most.
    object_megabytes, request_megabytes
        Largest object, and largest HTTP request.
    parts
        Of a request to store, and objects that its metadata tell of.
    attributes, nesting
        Of the metadata of a request to store: how many, and sequences within sequences.
    headers
        That one question has read for values that the index does not keep.
    negotiation_seconds
        For TLS and the first PDU.
    network_seconds
        Without a byte, or for one PDU.
    """

    associations: int = 64
    associations_of_one_address: int = 48
    connections: int = 256
    connections_of_one_address: int = 128
    bodies: int = 64
    bodies_of_one_address: int = 48
    processor_seconds: float = 120.0
    journal_megabytes: int = 64
    pdu_bytes: int = 256 << 10
    object_megabytes: int = 2048
    request_megabytes: int = 4096
    parts: int = 10_000
    attributes: int = 100_000
    nesting: int = 32
    headers: int = 10_000
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
class NodeWatch:
    """What is expected of an archive that is well; /health tells where it is otherwise.

    Parameters
    ----------
    reserve_megabytes
        Free space below which nothing more is received.
    space_days
        That the free space lasts, at the pace of late.
    outbox_hours
        Within which an object or a report goes out.
    certificate_days
        That a certificate is still valid.
    backup_days, audit_days
        Within which a backup and an audit are made; 0 where none is expected.
    """

    reserve_megabytes: int = 1024
    space_days: float = 30.0
    outbox_hours: float = 24.0
    certificate_days: float = 21.0
    backup_days: float = 7.0
    audit_days: float = 100.0

    @property
    def reserve_bytes(self) -> int:
        """Free space below which nothing more is received, in bytes."""
        return self.reserve_megabytes << 20


@dataclass(frozen=True)
class NodeSettings:
    """How the node listens, and whom it serves. See the module for the meaning of each."""

    title: str = "ARCHIVER"
    host: str = "127.0.0.1"
    dimse_port: int = 11112
    web_port: int = 8080
    names: tuple[str, ...] = ()
    callers: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    may_reject: tuple[str, ...] = ()
    sees_rejected: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    client_authorities: Path | None = None
    credentials: Path | None = None
    worklist: Path | None = None
    worklist_dates: str = ""
    storage_classes: tuple[str, ...] = ()
    origins: tuple[str, ...] = ()
    limits: NodeLimits = field(default_factory=NodeLimits)
    watch: NodeWatch = field(default_factory=NodeWatch)

    def tls_context(self) -> ssl.SSLContext | None:
        """Return the context for connections that come in, None where they are plain.

        Raises
        ------
        UsageError
            If certificate, key or authorities cannot be used.
        """
        if self.certificate is None:
            return None
        return listening_context(self._tls(), Place(table="node"))

    def load_into(self, context: ssl.SSLContext) -> None:
        """Load certificate, key and authorities into a context that is in use.

        Raises
        ------
        UsageError
            If they cannot be used.
        """
        load_files(context, self._tls(), Place(table="node"))

    def _tls(self) -> Tls:
        return Tls(certificate=self.certificate, key=self.key, authorities=self.client_authorities)

    @property
    def on_loopback(self) -> bool:
        """True where only this machine can reach the node."""
        return is_loopback(self.host)

    def may_reject_by(self, caller: str) -> bool:
        """Return whether a caller's rejection notes count."""
        return caller in self.may_reject

    def shows_rejected_to(self, caller: str) -> bool:
        """Return whether a caller may have what was rejected, whatever the reason."""
        return caller in self.sees_rejected

    @property
    def doorstep(self) -> Doorstep:
        """How the front door stands."""
        return Doorstep(
            self.on_loopback,
            self.names,
            self.networks,
            self.callers,
            shows_certificates=self.client_authorities is not None,
        )


#: Below this a PDU holds too little of an object to be of use; DCMTK's own least is 4 KiB.
_LEAST_PDU = 4096
_HIGHEST_PORT = 65535
#: What a key takes, for who wrote something else.
_TAKES = {
    "str": Text("network.settings.takes.text"),
    "int": Text("network.settings.takes.whole_number"),
    "float": Text("network.settings.takes.number"),
    "tuple[str, ...]": Text("network.settings.takes.texts"),
    "Path | None": Text("network.settings.takes.path"),
}
_PATHS = ("certificate", "key", "client_authorities", "credentials", "worklist")
_LISTS = (
    *("names", "callers", "networks", "may_reject", "sees_rejected"),
    *("storage_classes", "origins"),
)


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
        elif key == "watch":
            values[key] = _of_table(NodeWatch, value, "node.watch", problems)
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
        problems.append(
            Problem("network.settings.unknown_key", key=key, known=tuple(fields)).at(table=where)
        )
        return {}
    wanted = str(fields[key].type)
    if wanted == "float" and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    kinds: dict[str, type] = {"str": str, "int": int, "float": float, "bool": bool}
    if wanted not in kinds or type(value) is not kinds[wanted]:
        takes = _TAKES.get(wanted, wanted)
        problem = Problem("network.settings.unfit", key=key, value=repr(value), takes=takes)
        problems.append(problem.at(table=where, key=(key,)))
        return {}
    return {key: value}


def _of_table(kind: Any, table: object, where: str, problems: list[Problem]) -> Any:
    values: dict[str, Any] = {}
    if not isinstance(table, dict):
        problems.append(Problem("network.settings.no_table").at(table=where))
        return None
    for key, value in table.items():
        values.update(_scalar(kind, key, value, where, problems))
    required = {f.name for f in dataclasses.fields(kind) if _is_required(f)}
    problems += [
        Problem("network.settings.key_missing", key=key).at(table=where)
        for key in required - set(values)
    ]
    return kind(**values) if required <= set(values) else None


def _is_required(field_: dataclasses.Field[Any]) -> bool:
    return field_.default is dataclasses.MISSING and field_.default_factory is dataclasses.MISSING


def _out_of_range(settings: NodeSettings) -> Iterator[Problem]:
    for key, least in (("dimse_port", 0), ("web_port", -1)):
        port = getattr(settings, key)
        if not least <= port <= _HIGHEST_PORT:
            code = "network.settings.web_port" if least < 0 else "network.settings.port"
            yield Problem(code, key=key, port=port, most=_HIGHEST_PORT).at(table="node", key=(key,))
    for limit in dataclasses.fields(settings.limits):
        value = getattr(settings.limits, limit.name)
        least = _LEAST_PDU if limit.name == "pdu_bytes" else 0
        if value < least or value == 0:
            problem = Problem("network.settings.limit_not_positive", key=limit.name, value=value)
            if least:
                problem = Problem(
                    "network.settings.limit_low", key=limit.name, value=value, least=least
                )
            yield problem.at(table="node.limits", key=(limit.name,))

    for one in dataclasses.fields(settings.watch):
        if getattr(settings.watch, one.name) < 0:
            problem = Problem("network.settings.watch_negative", key=one.name)
            yield problem.at(table="node.watch", key=(one.name,))


def _contradictions(settings: NodeSettings) -> list[Problem]:
    problems = [*_out_of_range(settings)]
    titles = (settings.title, *settings.callers)
    for title in titles:
        if not 0 < len(title.strip()) <= 16 or "\\" in title or not title.isascii():
            problems.append(Problem("network.settings.title", title=title).at(table="node"))
    for network in settings.networks:
        try:
            ipaddress.ip_network(network, strict=False)
        except ValueError:
            problems.append(Problem("network.settings.network", network=network).at(table="node"))
    if (settings.certificate is None) is not (settings.key is None):
        problems.append(Problem("network.settings.certificate_and_key").at(table="node"))
    if settings.client_authorities is not None and settings.certificate is None:
        problems.append(Problem("network.settings.authorities_alone").at(table="node"))
    if not settings.on_loopback and settings.certificate is None and settings.web_port >= 0:
        problems.append(Problem("network.settings.no_tls").at(table="node"))
    if settings.storage_classes:
        from pydicom.uid import RE_VALID_UID  # not for every start of a verb
    for uid in settings.storage_classes:
        if not re.fullmatch(RE_VALID_UID, uid):
            problem = Problem("network.settings.storage_class", uid=uid)
            problems.append(problem.at(table="node", key=("storage_classes",)))
    for origin in settings.origins:
        if not re.fullmatch(r"https?://[^/*\s]+", origin):
            problem = Problem("network.settings.origin", origin=origin)
            problems.append(problem.at(table="node", key=("origins",)))
    if settings.worklist_dates not in ("", "day", "month"):
        code, value = "network.settings.worklist_dates", settings.worklist_dates
        problems.append(Problem(code, value=value).at(table="node", key=("worklist_dates",)))
    for key in _PATHS:
        path = getattr(settings, key)
        if path is not None and not path.is_file():
            problems.append(Problem("network.settings.names_no_file", key=key).at(file=str(path)))
    return problems
