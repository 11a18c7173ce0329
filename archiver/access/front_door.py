"""The one door: every request and association is let in, or not, here."""

from __future__ import annotations

import hmac
import secrets
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Protocol

from cachetools import TTLCache

from archiver.access.addresses import is_our_name, is_within
from archiver.access.credentials import Credentials, basic
from archiver.access.elapsed import elapsed
from archiver.access.lockout import LockOut
from archiver.access.one_time_links import OneTimeLinks
from archiver.access.rate import Rate
from archiver.access.rights import EVERYTHING, Rights, Scope
from archiver.access.roles import allowed, roles
from archiver.access.users import User, Users
from archiver.errors import ArchiverError
from archiver.wording import Text

#: Methods that change nothing (RFC 9110 9.2.1).
SAFE = ("GET", "HEAD", "OPTIONS")
#: Software that names a person sends the password with each request; a hashing takes 64 MiB and a
#: twentieth of a second, so that one that was right stays so for a while (seconds).
_KNOWN_FOR, _KNOWN = 600.0, 1000
#: Hashings at one time.
_HASHINGS = 2
#: Wrong tokens are told so after as many seconds.
_SLOWED = 1.0


class OfferedService(str, Enum):
    """What somebody wants of us."""

    PAGES = "pages"
    DICOMWEB = "DICOMweb"
    METRICS = "metrics"
    HEALTH = "health"
    DIMSE = "DIMSE"
    CONTROL = "control channel"


@dataclass(frozen=True)
class TurnedAway:
    """Why somebody does not come in.

    Parameters
    ----------
    status
        Of HTTP.
    why
        For who knocked.
    headers
        Sent along.
    known
        Which user it claims to be.
    delay
        Seconds after which it is told.
    """

    status: int
    why: Text
    headers: Mapping[str, str] = field(default_factory=dict)
    known: str = ""
    delay: float = 0.0


class AllowedCallers(Enum):
    """Who may open associations, where their address is allowed."""

    TITLES = "titles"
    CERTIFICATES = "certificates"
    NETWORKS = "networks"
    ANYBODY = "anybody"
    NOBODY = "nobody"


@dataclass(frozen=True)
class Caller:
    """Who has come in.

    Parameters
    ----------
    name
        For the audit trail.
    permissions
        In the words of ``roles.toml``.
    scope
        Of which patients and studies.
    """

    name: str
    permissions: frozenset[str]
    scope: Scope = EVERYTHING

    def may(self, what: str) -> bool:
        """Return whether something is allowed; empty asks for nothing."""
        return not what or what in self.permissions


class RequestHeaders(Protocol):
    """RequestHeaders of a request, by names in lower case."""

    def get(self, key: str, default: str) -> str:
        """Return the first value of a header."""

    def getlist(self, key: str) -> list[str]:
        """Return all values of a header."""


@dataclass(frozen=True)
class Doorstep:
    """How the door stands.

    Parameters
    ----------
    on_loopback
        Whether only this machine reaches it.
    names
        Names of hosts under which it is reached, beside its addresses.
    networks
        Addresses that may call; empty for any.
    titles
        Application entity titles that may call; empty for any.
    origins
        Whose pages may use DICOMweb, as browsers send them.
    rights
        What somebody may do, by ``web:NAME``, ``dimse:TITLE`` or ``local:ACCOUNT``; of people no
        more than their roles allow. Everything where they are not named.
    shows_certificates
        Whether whoever comes has to show a certificate.
    """

    on_loopback: bool
    names: tuple[str, ...] = ()
    networks: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()
    origins: tuple[str, ...] = ()
    shows_certificates: bool = False
    rights: Mapping[str, Rights] = field(default_factory=dict)


def everything() -> frozenset[str]:
    """Return all that anybody may do."""
    return allowed(roles())


#: Who asks where nobody has to say who they are.
ANYONE = "anyone"
#: All that a one-time link allows: to bring pictures into the visit that it is of. No role has it.
BRING = "bring"


class FrontDoor:
    """Decides who comes in.

    Parameters
    ----------
    doorstep
        How it stands.
    users
        Who may log in.
    credentials
        Secrets of other software, None where there are none.
    exhausted
        Says what an address has used up; empty where nothing.
    lockout
        Counts wrong passwords; doors of one server share it.
    """

    def __init__(
        self,
        doorstep: Doorstep,
        users: Users,
        credentials: Credentials | None,
        exhausted: Callable[[str], str] = lambda _: "",
        lockout: LockOut | None = None,
    ) -> None:
        self._step, self.users, self._credentials = doorstep, users, credentials
        self._exhausted = exhausted
        self._rates: dict[OfferedService, Rate] = {}
        own = socket.gethostname().lower()
        self._names = {own, *(name.lower().rstrip(".") for name in doorstep.names)}
        self._lockout = lockout or LockOut()
        self.links = OneTimeLinks()
        self._hashing = threading.Semaphore(_HASHINGS)
        self._guard = threading.Lock()
        self._secret = secrets.token_bytes(32)
        self._known: TTLCache[str, tuple[bytes, User | None]] = TTLCache(
            _KNOWN, _KNOWN_FOR, elapsed
        )

    @property
    def is_open(self) -> bool:
        """Whether whoever reaches this machine comes in: on loopback, and nobody logs in."""
        return self._step.on_loopback and self._credentials is None and not self.users.are_demanded

    @property
    def web_callers(self) -> tuple[str, ...]:
        """Who comes in by HTTP, by name, where not everybody does."""
        software = self._credentials.names if self._credentials else ()
        return (*sorted(self.users.all()), *software)

    # -- HTTP

    def request(
        self,
        service: OfferedService,
        method: str,
        scheme: str,
        address: str,
        headers: RequestHeaders,
    ) -> TurnedAway | None:
        """Return why a request does not come in, before anybody asks whose it is."""
        if service is not OfferedService.HEALTH and not self.admits(address):
            return TurnedAway(403, Text("access.address"))
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not is_our_name(
            hosts[0], self._names, on_loopback=self._step.on_loopback
        ):
            return TurnedAway(421, Text("access.host"))
        if headers.getlist("content-length") and headers.getlist("transfer-encoding"):
            # Two ways to tell where the body ends: RFC 9112 6.1 has the connection closed.
            return TurnedAway(400, Text("access.two_lengths"), {"Connection": "close"})
        shared = service is OfferedService.DICOMWEB and (
            headers.get("origin", "").lower() in self._step.origins
        )
        if not shared and _is_from_elsewhere(method, scheme, headers):
            return TurnedAway(403, Text("access.other_site"))
        if service is not OfferedService.HEALTH and self._exhausted(address):
            return TurnedAway(429, Text("access.busy"), {"Retry-After": "60"})
        rate = self._rates.get(service)
        wait = rate.wait(address) if rate else 0.0
        if wait:
            return TurnedAway(429, Text("access.too_often"), {"Retry-After": str(round(wait))})
        return None

    def limit(self, service: OfferedService, rate: Rate) -> None:
        """Let an address ask for a service as often as a rate allows."""
        self._rates[service] = rate

    def identify(self, address: str, authorization: str) -> Caller | TurnedAway:
        """Return who sends a request by its header; it hashes, and may take a while."""
        if self.is_open:
            return Caller(ANYONE, everything())
        kind, _, value = authorization.partition(" ")
        if kind.lower() == "bearer":
            name = self._credentials.of_token(value.strip()) if self._credentials else None
            # A token is no account: others of this address have theirs, and wait for nobody.
            return _unknown(_SLOWED) if name is None else self._software("web", name)
        given = basic(value.strip()) if kind.lower() == "basic" else None
        return _unknown() if given is None else self.password(*given, address)

    def password(self, name: str, password: str, address: str) -> Caller | TurnedAway:
        """Return whose name and password it is: of the users, or of the file of credentials.

        Wrong ones are counted; after too many nothing is looked at for a while.
        """
        try:
            # First, so that what is remembered does not tell a guesser what is right.
            locked = self._lockout.remaining(name, address)
            known = None if locked else self._remembered(name, password)
            if known is None and not locked:
                with self._hashing:
                    known = self._remembered(name, password)
                    locked = 0.0 if known else self._lockout.wait(name, address)
                    if known is None and not locked:
                        known = self._looked_up(name, password, address)
            if known is not None:
                return known
            # The name as it was typed may be a password in the wrong field.
            told = name if name in self.users.all() else ""
        except ArchiverError as error:
            return TurnedAway(503, Text("access.no_users", why=error.problems[0].found))
        if locked:
            again = {"Retry-After": str(max(1, round(locked)))}
            return TurnedAway(429, Text("access.locked_out"), again, told)
        return replace(_unknown(), known=told)

    def _looked_up(self, name: str, password: str, address: str) -> Caller | None:
        user = self.users.checked(name, password)
        if user is not None:
            with self._guard:
                self._known[name] = self._digest(password), user
            found = self.person(user)
        elif self._credentials is not None and self._credentials.is_password(name, password):
            found = self._software("web", name)
        else:
            return None
        self._lockout.right(name, address)
        return found

    def _remembered(self, name: str, password: str) -> Caller | None:
        with self._guard:
            digest, then = self._known.get(name, (b"", None))
        user = self.users.all().get(name)
        if user is None or user != then:
            return None
        same = hmac.compare_digest(digest, self._digest(password))
        return self.person(user) if same else None

    def person(self, user: User) -> Caller:
        """Return a user with what roles and settings allow."""
        rights = self._step.rights.get(f"web:{user.name}")
        if rights is None:
            return Caller(user.name, allowed(user.roles))
        return Caller(user.name, allowed(user.roles) & rights.may, rights.scope)

    def guest(self, key: str) -> tuple[Caller, str] | None:
        """Return who holds the key of a one-time link, and for what; None where it holds not."""
        subject = self.links.subject(key)
        return None if subject is None else (Caller("telephone", frozenset({BRING})), subject)

    def _digest(self, password: str) -> bytes:
        return hmac.digest(self._secret, password.encode("utf-8", "replace"), "sha256")

    # -- DIMSE

    def admits(self, address: str) -> bool:
        """Return whether an address may call."""
        return not self._step.networks or is_within(address, self._step.networks)

    @property
    def callers(self) -> AllowedCallers:
        """Who may open associations."""
        if self._step.titles:
            return AllowedCallers.TITLES
        if self._step.shows_certificates:
            return AllowedCallers.CERTIFICATES
        if self._step.networks:
            return AllowedCallers.NETWORKS
        # Where people have to say who they are, software has to as well.
        return AllowedCallers.NOBODY if self.users.are_demanded else AllowedCallers.ANYBODY

    def association(self, title: str) -> Caller | TurnedAway:
        """Return who opens an association from an address that may call."""
        callers = self.callers
        if callers is AllowedCallers.NOBODY:
            return TurnedAway(403, Text("access.no_callers"))
        if callers is AllowedCallers.TITLES and title not in self._step.titles:
            return TurnedAway(403, Text("access.title"))
        return self._software("dimse", title)

    # -- this machine

    def account(self, name: str) -> Caller | TurnedAway:
        """Return who wants something from the writer, by an account of the operating system.

        That it may write to the archive's folder, the system has seen to.
        """
        if self._exhausted(name):
            return TurnedAway(429, Text("access.busy"))
        return self._software("local", name)

    def _software(self, way: str, name: str) -> Caller:
        rights = self._step.rights.get(f"{way}:{name}", Rights(everything()))
        return Caller(name, rights.may, rights.scope)


def _unknown(delay: float = 0.0) -> TurnedAway:
    challenge = {"WWW-Authenticate": 'Bearer, Basic realm="archiver"'}
    return TurnedAway(401, Text("access.credentials"), challenge, delay=delay)


def _is_from_elsewhere(method: str, scheme: str, headers: RequestHeaders) -> bool:
    """Return whether another site's page sends it, or wants to embed the answer.

    A link from there is no harm. Sources: Fetch Metadata Request Headers; RFC 6454 for Origin.
    """
    site = headers.get("sec-fetch-site", "same-origin")
    if method in SAFE:
        mode = headers.get("sec-fetch-mode", "navigate")
        return site not in ("same-origin", "none") and mode != "navigate"
    origin = headers.get("origin", "")
    ours = f"{scheme}://{headers.get('host', '')}".lower()
    return site not in ("same-origin", "none") or (origin != "" and origin.lower() != ours)
