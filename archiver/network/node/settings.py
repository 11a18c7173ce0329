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

    proxies = ["192.0.2.1"]            # reverse proxies that speak TLS before the pages: what they
                                       # say of whom a request is from is believed, of no others

    [[node.listener]]                  # others beside the first, each with what it says itself of
    name = "xray"                      # host, ports, certificate, key, client_authorities, callers,
    host = "198.51.100.4"              # networks, credentials; a port left out is not served.
    dimse_port = 104                   # Pages are served by the first only
    callers = ["XRAY"]

    [node.rights]                      # what software may do; of who is not named, everything
    "web:ward" = ["ask", "fetch"]      # a name of the credentials; store, ask, fetch, operate
    "dimse:XRAY" = ["store"]           # a title
    "local:berg" = ["store"]           # an account of this machine, whose verbs reach the server
    "web:study" = { may = ["ask", "fetch"], patients = ["P-0417"], studies = ["1.2.826..."] }

    [node.limits]
    associations = 64
    object_megabytes = 2048

    [node.watch]                       # what /health expects; 0 days: nothing
    reserve_megabytes = 1024           # free space below which nothing more is received
    space_days = 30                    # warned of when it lasts no longer
    backup_days = 7

    [node.audit]                       # the audit repository, told by syslog over TLS
    host = "audit.clinic.example"      # and port, authorities, certificate, key, site

Callers are named as under rights. Relative paths start at the folder of the settings file. Where
C-MOVE and reports of commitment may go is what the settings name as peers.
"""

from __future__ import annotations

import dataclasses
import ipaddress
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from archiver.access import RIGHTS, Doorstep, Rights, is_loopback, rights_of
from archiver.errors import Place, Problem, UsageError
from archiver.network.node.audit_settings import AuditSettings, audit_settings_of
from archiver.network.node.limits import NodeLimits, NodeWatch
from archiver.network.peers import Tls
from archiver.network.tls import listening_context
from archiver.wording import Text

if TYPE_CHECKING:
    import ssl


@dataclass(frozen=True)
class NodeListener:
    """Where the node listens beside its first place, and whom it serves there."""

    name: str
    host: str = "127.0.0.1"
    dimse_port: int = -1
    web_port: int = -1
    callers: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    client_authorities: Path | None = None
    credentials: Path | None = None


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
    proxies: tuple[str, ...] = ()
    worklist: Path | None = None
    worklist_dates: str = ""
    storage_classes: tuple[str, ...] = ()
    origins: tuple[str, ...] = ()
    limits: NodeLimits = field(default_factory=NodeLimits)
    watch: NodeWatch = field(default_factory=NodeWatch)
    rights: tuple[tuple[str, Rights], ...] = ()
    listeners: tuple[NodeListener, ...] = ()
    audit: AuditSettings | None = None

    def at(self, listener: NodeListener) -> NodeSettings:
        """Return the settings of what listens there."""
        said = {f.name: getattr(listener, f.name) for f in dataclasses.fields(listener)}
        del said["name"]
        return dataclasses.replace(self, **said, proxies=(), listeners=())

    @property
    def everywhere(self) -> dict[str, NodeSettings]:
        """The settings of each place where it listens, by name; that of the table is ``node``."""
        return {"node": self, **{one.name: self.at(one) for one in self.listeners}}

    @property
    def is_secure(self) -> bool:
        """Whether browsers speak TLS, with us or with the proxy before us."""
        return self.certificate is not None or bool(self.proxies)

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
        return listening_context(tls, Place(table="node"))

    @property
    def on_loopback(self) -> bool:
        """True where only this machine can reach the node."""
        return is_loopback(self.host) and not self.proxies

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
            tuple(one.lower() for one in self.origins),
            shows_certificates=self.client_authorities is not None,
            rights=dict(self.rights),
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
    *("storage_classes", "origins", "proxies"),
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
        elif key == "audit":
            values[key] = audit_settings_of(value, folder, problems)
        elif key == "listener":
            values["listeners"] = _listeners(value, folder, problems)
        elif key == "rights":
            values[key] = tuple(_rights(value, problems))
        else:
            values.update(_value(NodeSettings, key, value, folder, "node", problems))
    if problems:
        raise UsageError(*problems)
    return NodeSettings(**values)


def _value(
    kind: Any, key: str, value: object, folder: Path, where: str, problems: list[Problem]
) -> dict[str, Any]:
    if key in _PATHS and isinstance(value, str):
        return {key: folder / Path(value).expanduser()}
    if key in _LISTS and _is_texts(value):
        return {key: tuple(cast(list[str], value))}
    return _scalar(kind, key, value, where, problems)


def _listeners(tables: object, folder: Path, problems: list[Problem]) -> tuple[NodeListener, ...]:
    if not isinstance(tables, list) or not all(isinstance(one, dict) for one in tables):
        problems.append(Problem("network.settings.no_table").at(table="node.listener"))
        return ()
    found = []
    for number, table in enumerate(tables, start=1):
        where, values = f"node.listener {number}", dict[str, Any]()
        known = tuple(one.name for one in dataclasses.fields(NodeListener))
        for key, value in table.items():
            if key in known:
                values.update(_value(NodeListener, key, value, folder, where, problems))
            else:
                problem = Problem("network.settings.unknown_key", key=key, known=known)
                problems.append(problem.at(table=where))
        if "name" in values:
            found.append(NodeListener(**values))
        else:
            problems.append(Problem("network.settings.key_missing", key="name").at(table=where))
    return tuple(found)


def _rights(table: object, problems: list[Problem]) -> Iterator[tuple[str, Rights]]:
    if not isinstance(table, dict):
        problems.append(Problem("network.settings.no_table").at(table="node.rights"))
        return
    for caller, said in table.items():
        rights = rights_of(said) if re.fullmatch(r"(web|dimse|local):.+", caller) else None
        if rights is not None:
            yield caller, rights
        else:
            problem = Problem("network.settings.rights", caller=caller, known=RIGHTS)
            problems.append(problem.at(table="node.rights"))


def checked(settings: NodeSettings) -> NodeSettings:
    """Return the settings if they can be used together.

    Raises
    ------
    UsageError
        If they contradict each other, or name files that are not there.
    """
    problems = [
        problem.with_places(Place(subject=name), *problem.places) if name != "node" else problem
        for name, one in settings.everywhere.items()
        for problem in _contradictions(one)
    ]
    names = [one.name for one in settings.listeners]
    if len({"node", *names}) <= len(names):
        problems.append(Problem("network.settings.listener_twice").at(table="node.listener"))
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
    for key in ("dimse_port", "web_port"):
        port = getattr(settings, key)
        if not -1 <= port <= _HIGHEST_PORT:
            problem = Problem("network.settings.port", key=key, port=port, most=_HIGHEST_PORT)
            yield problem.at(table="node", key=(key,))
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
    for network in (*settings.networks, *settings.proxies):
        try:
            ipaddress.ip_network(network, strict=False)
        except ValueError:
            problems.append(Problem("network.settings.network", network=network).at(table="node"))
    if (settings.certificate is None) is not (settings.key is None):
        problems.append(Problem("network.settings.certificate_and_key").at(table="node"))
    if settings.client_authorities is not None and settings.certificate is None:
        problems.append(Problem("network.settings.authorities_alone").at(table="node"))
    if not settings.on_loopback and not settings.is_secure and settings.web_port >= 0:
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
