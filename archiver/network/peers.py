"""The archives and worklists that a practice talks to, as its settings name them.

::

    [[peer]]
    name = "clinic"                    # how it is called on the command line
    host = "imaging.example"           # DIMSE
    port = 11112
    title = "CLINIC"                   # its application entity title
    calling = "ARCHIVER"               # ours
    tls = { authorities = "ca.pem", certificate = "we.pem", key = "we.key" }

    [[peer]]
    name = "region"
    url = "https://imaging.example/dicomweb"
    token_env = "REGION_TOKEN"         # or token_file; user with password_env or password_file
    connections = 2                    # at once; commitment = false: do not read back

A password or token is never in the settings: they name an environment variable or a file.
Relative paths start at the folder of the settings.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from archiver.errors import Place, Problem, UsageError
from archiver.objects import Purpose
from archiver.wording import Text

OUR_TITLE = "ARCHIVER"


@dataclass(frozen=True)
class Secret:
    """Where a secret is; its text is read when it is used and never kept.

    Parameters
    ----------
    variable
        Name of an environment variable; empty where it is in a file.
    file
        The file that holds it, in its first line.
    """

    variable: str = ""
    file: Path | None = None

    def read(self) -> str:
        """Return the secret.

        Raises
        ------
        UsageError
            If the variable is not set, or the file cannot be read or is empty.
        """
        if self.file is None:
            text = os.environ.get(self.variable, "")
            where = Place(subject=Text("network.peers.variable", name=self.variable))
        else:
            where = Place(file=str(self.file))
            try:
                text = self.file.read_text("utf-8").partition("\n")[0]
            except (OSError, UnicodeDecodeError):
                problem = Problem("network.peers.secret_unreadable").with_places(where)
                raise UsageError(problem) from None
        if not text.strip():
            raise UsageError(Problem("network.peers.secret_missing").with_places(where))
        return text.strip()


@dataclass(frozen=True)
class Tls:
    """How a connection is secured (PS3.15 B.12: TLS 1.2 or newer).

    Parameters
    ----------
    authorities
        PEM file of the authorities trusted; None for those of the system.
    certificate, key
        PEM files by which we show who we are; None where the peer does not ask.
    key_password
        Where the password of the key is.
    host
        Name that the peer's certificate has, where it is not the peer's host.
    """

    authorities: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    key_password: Secret | None = None
    host: str = ""


@dataclass(frozen=True)
class TimeLimits:
    """How long is waited for a peer (seconds).

    Parameters
    ----------
    connect
        Until the connection stands and the association is answered.
    answer
        Until a request is answered, or the peer takes more of an object.
    commitment
        Until the report of a commitment; what comes later is asked for again by the outbox.
    """

    connect: float = 10.0
    answer: float = 60.0
    commitment: float = 30.0


@dataclass(frozen=True)
class DimsePeer:
    """A peer that is spoken to by DIMSE.

    Parameters
    ----------
    name
        How the practice calls it.
    host, port, title
        Where it listens, and its application entity title.
    calling
        Our title.
    tls
        None for a plain connection.
    limits
        How long is waited.
    associations
        How many may be open at once, where there is much to send and the peer accepts them. More
        than one is for the clinic to set: there are archives that confuse objects which come at
        the same time, DCMTK's dcmqrscp among them.
    root
        ``study`` or ``patient``: the information model that it is asked in.
    retrieve
        ``get`` or ``move``: how objects are fetched.
    listen_host, listen_port
        Where we listen for what it sends on associations of its own: objects that were asked
        for by ``move``, reports of commitment. Port 0 means that we do not.
    commitment
        Whether storage commitment is asked for.
    performed
        How it is told that a visit was photographed: ``mpps`` or ``availability``; empty where it
        is not.
    consent
        What sending to it is for: only what the patients have consented to goes there. None where
        it is no hand-over.
    """

    name: str
    host: str
    port: int
    title: str
    calling: str = OUR_TITLE
    tls: Tls | None = None
    limits: TimeLimits = field(default_factory=TimeLimits)
    associations: int = 1
    root: str = "study"
    retrieve: str = "get"
    listen_host: str = "0.0.0.0"
    listen_port: int = 0
    commitment: bool = True
    performed: str = ""
    consent: Purpose | None = None

    @property
    def place(self) -> Text:
        """Where it is, for messages."""
        given = {"name": self.name, "title": self.title, "host": self.host, "port": self.port}
        return Text("network.peers.place", **given)


@dataclass(frozen=True)
class WebPeer:
    """A peer that is spoken to by DICOMweb.

    Parameters
    ----------
    name
        How the practice calls it.
    url
        The base of its services.
    token
        Where a bearer token is.
    user, password
        For basic authentication.
    tls
        Authorities and our certificate; verification is always on.
    limits
        How long is waited.
    connections
        How many objects are sent at once.
    commitment
        Whether what was stored is fetched again and compared, for want of a commitment.
    consent
        As of a peer that is spoken to by DIMSE.
    """

    name: str
    url: str
    token: Secret | None = None
    user: str = ""
    password: Secret | None = None
    tls: Tls = field(default_factory=Tls)
    limits: TimeLimits = field(default_factory=TimeLimits)
    connections: int = 1
    commitment: bool = True
    consent: Purpose | None = None

    @property
    def place(self) -> str:
        """Where it is, for messages."""
        return f"{self.name} ({self.url})"


Peer = DimsePeer | WebPeer


def find_peer(peers: tuple[Peer, ...], name: str) -> Peer:
    """Return the peer of a name.

    Raises
    ------
    UsageError
        If the settings have none.
    """
    for peer in peers:
        if peer.name == name:
            return peer
    known = tuple(peer.name for peer in peers) or Text("network.peers.none_set")
    raise UsageError(Problem("network.peers.unknown_peer", name=name, known=known))


def find_dimse_peer(peers: tuple[Peer, ...], name: str, what: str | Text) -> DimsePeer:
    """Return the DIMSE peer of a name.

    Raises
    ------
    UsageError
        If there is none, or it is reached by DICOMweb, which has no such service.
    """
    peer = find_peer(peers, name)
    if isinstance(peer, DimsePeer):
        return peer
    raise UsageError(Problem("network.peers.needs_dimse", what=what).at(peer=peer.place))
