"""Tables of the conformance statement: what can be configured."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

from archiver.network import peer_settings
from archiver.network.node.audit_settings import AuditSettings
from archiver.network.node.settings import NodeLimits, NodeListener, NodeSettings, NodeWatch
from archiver.network.peers import DimsePeer, TimeLimits, Tls, WebPeer
from tests.conformance.statement_services import table

#: What each setting means; one without its words, or words without their setting, is an error.
_NODE = {
    "title": "application entity title of the node",
    "host": "address to listen on",
    "dimse_port": "port for DIMSE; 0 takes any free one",
    "web_port": "port for DICOMweb; 0 takes any free one, -1 has none",
    "names": "names of hosts under which it is reached, beside its addresses and the machine's own",
    "callers": "titles that may call; empty: any, unless there are users",
    "networks": "addresses that may call; empty: any",
    "may_reject": "whose rejection notes count, as `dimse:TITLE` or `web:NAME`; empty: nobody's",
    "sees_rejected": "who may have what was rejected for safety, named alike; empty: nobody",
    "certificate": "PEM file; with it DIMSE and DICOMweb speak TLS only; needed for web services "
    "beyond loopback",
    "key": "PEM file of its private key",
    "client_authorities": "PEM file; with it peers must show a certificate of these authorities",
    "proxies": "reverse proxies before the pages; their forwarded headers alone are believed",
    "credentials": "file of tokens and users for DICOMweb, beside the users of the archive",
    "worklist": "table of visits: separated values, workbook or TOML; without it no worklist",
    "origins": "origins whose pages may use DICOMweb from a browser (CORS); empty: none",
    "storage_classes": "SOP classes that are taken, by every way, beside those of the standard",
    "worklist_dates": "day or month: which comes first in dates such as 3/4/2026; else refused",
    "rights": "what somebody may do, by `web:NAME`, `dimse:TITLE` or `local:ACCOUNT`: a list of "
    "store, ask, fetch, operate, or a table of it as `may` with `patients` or `studies`, which "
    "bound it; of people no more than their roles allow; who is not named may do everything",
}
_LISTENER = {
    **_NODE,
    "name": "how a listener beside the first is called",
    "dimse_port": "its port for DIMSE; -1: none",
    "web_port": "its port for DICOMweb; -1: none",
}
_LIMITS = {
    "associations": "associations at one time; one more is rejected (transient, local limit)",
    "associations_of_one_address": "associations at one time of one address",
    "bodies": "HTTP requests with a body at one time",
    "bodies_of_one_address": "such requests at one time of one address",
    "processor_seconds": "seconds of decoding in a minute for one address",
    "journal_megabytes": "growth of the journal in a minute by one address, in MiB",
    "connections": "connections at one time",
    "connections_of_one_address": "connections at one time of one address",
    "pdu_bytes": "largest PDU that is received",
    "object_megabytes": "largest object, in MiB",
    "request_megabytes": "largest HTTP request, in MiB",
    "negotiation_seconds": "for TLS and the first PDU",
    "network_seconds": "without a byte, and for one PDU",
    "parts": "parts of a request to store, and objects that its metadata tell of",
    "attributes": "attributes of the metadata of a request to store",
    "nesting": "sequences within sequences of such metadata",
    "headers": "headers read for one question with values that the index does not keep",
}
_WATCH = {
    "reserve_megabytes": "free space in MiB below which nothing is received (A700, HTTP 503)",
    "space_days": "/health warns where the free space lasts no longer at the pace of late",
    "outbox_hours": "/health warns of what waits longer to go out, objects and reports",
    "certificate_days": "/health warns of a certificate that is valid no longer",
    "backup_days": "/health warns where there was no sound backup within; 0: none is expected",
    "audit_days": "/health warns where there was no audit within; 0: none is expected",
}
_AUDIT = {
    "host": "name of the audit repository, as its certificate has it",
    "port": "its port for syslog over TLS (RFC 5425)",
    "authorities": "file of those who certify it; left out: those of the system",
    "certificate": "file of the certificate that is shown to it",
    "key": "file of its key",
    "site": "AuditEnterpriseSiteID",
}
_PEER = {
    "name": "how the peer is called on the command line",
    "host": "name or address of a DIMSE peer",
    "port": "its port",
    "title": "its application entity title",
    "calling": "our title",
    "associations": "associations that may be open to it at once, where it accepts them",
    "root": "`study` or `patient`: the information model it is asked in",
    "retrieve": "`get` or `move`",
    "listen_host": "where we listen for what it sends on associations of its own",
    "listen_port": "port for that; without it we do not listen",
    "commitment": "whether commitment is asked for; by DICOMweb, whether objects are read back",
    "consent": "the purpose to which a patient has to have consented; without: any object is sent",
    "performed": "how it is told of photographed visits: `mpps` or `availability`; without: not",
    "url": "base of the services of a DICOMweb peer",
    "token_env": "environment variable with a bearer token",
    "token_file": "file with a bearer token",
    "user": "for basic authentication",
    "password_env": "environment variable with the password",
    "password_file": "file with the password",
    "connections": "requests to it at one time",
}
_TLS = {
    "authorities": "PEM file of the authorities trusted; left out: those of the system",
    "certificate": "PEM file of our certificate",
    "key": "PEM file of its private key",
    "key_password_env": "environment variable with the password of the key",
    "key_password_file": "file with the password of the key",
    "host": "name that the peer's certificate has, where it is not the host",
}
_TIMES = {
    "connect": "seconds until connection and association stand",
    "answer": "seconds for each answer",
    "commitment": "seconds for the report of a commitment",
}


def _defaults(kind: Any) -> dict[str, str]:
    found = {}
    for one in dataclasses.fields(kind):
        value = one.default
        if value is dataclasses.MISSING:
            value = "" if one.default_factory is dataclasses.MISSING else one.default_factory()
        shown = "" if value in (None, (), "") else str(value)
        found[one.name] = shown.lower() if isinstance(value, bool) else shown
    return found


def _words(words: dict[str, str], key: str) -> str:
    if key not in words:
        raise LookupError(f"the setting {key} has no words in tests/conformance")
    return words[key]


def _node() -> str:
    node, limits = _defaults(NodeSettings), _defaults(NodeLimits)
    del node["limits"], node["watch"], node["listeners"], node["audit"]
    listener = _defaults(NodeListener)
    watch = _defaults(NodeWatch)
    body = [(f"`{key}`", default, _words(_NODE, key)) for key, default in node.items()]
    body += [
        (f"`listener.{key}`", default, _words(_LISTENER, key)) for key, default in listener.items()
    ]
    body += [(f"`limits.{key}`", default, _words(_LIMITS, key)) for key, default in limits.items()]
    body += [(f"`watch.{key}`", default, _words(_WATCH, key)) for key, default in watch.items()]
    audit = _defaults(AuditSettings)
    body += [(f"`audit.{key}`", default, _words(_AUDIT, key)) for key, default in audit.items()]
    return table(("Key of `[node]`", "Default", "Meaning"), body)


def _peers() -> str:
    body = []
    for kind, keys, defaults in (
        ("DIMSE", peer_settings._DIMSE_KEYS, _defaults(DimsePeer)),
        ("DICOMweb", peer_settings._WEB_KEYS, _defaults(WebPeer)),
    ):
        for key in keys:
            body.append((kind, f"`{key}`", defaults.get(key, ""), _words(_PEER, key)))
    for name, words, keys, defaults in (
        ("tls", _TLS, peer_settings._TLS_KEYS, _defaults(Tls)),
        ("limits", _TIMES, peer_settings._LIMIT_KEYS, _defaults(TimeLimits)),
    ):
        for key in keys:
            body.append(("both", f"`{name}.{key}`", defaults.get(key, ""), _words(words, key)))
    return table(("Peer", "Key of `[[peer]]`", "Default", "Meaning"), body)


SETTING_TABLES: dict[str, Callable[[], str]] = {"node settings": _node, "peer settings": _peers}
