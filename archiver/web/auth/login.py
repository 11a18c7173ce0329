"""Who a request comes from: sessions by cookie, one local person, log-in and its limits."""

from __future__ import annotations

import hmac
import secrets
import threading
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from archiver.access import Caller, TurnedAway, User, Users, everything, roles
from archiver.network.node import MINOR, Event
from archiver.web.auth.sessions import LoginSession, Sessions
from archiver.web.auth.visitor import Visitor, address_of
from archiver.web.http_errors import Refused
from archiver.web.middleware import is_wanted_as_json
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.network.node import NodeSettings
    from archiver.web.site_context import SiteContext

_LOCAL_STAMP = "local"


class LogIn:
    """Lets people in and tells who they are.

    Parameters
    ----------
    site
        Whose visitors they are.
    local
        Name of the person who works at this machine.
    """

    def __init__(self, site: SiteContext, local: str) -> None:
        self._site, self._local = site, local
        self.users = site.door.users
        self.users.changed = self._changed
        self.sessions = Sessions(site.clock, site.settings.idle, site.settings.longest)
        # Tells log-in forms apart from those of other sites: there is no session yet.
        self._secret = secrets.token_bytes(32)
        self._own: tuple[str, LoginSession] | None = None
        self._guard = threading.Lock()

    def _changed(self, names: list[str]) -> None:
        """Tell that users were made, changed or removed while the server runs (DCM 110137)."""
        words = f"user security attributes changed: {', '.join(names)}"
        self._site.note_of("archiver serve", Event.ALERT, None, words)

    @property
    def needs_no_login(self) -> bool:
        """Whether one local person works here: on loopback, and nobody was made a user."""
        return self._site.door.is_open

    def visitor(self, request: Request) -> Visitor | None:
        """Return who it is, None where nobody has logged in."""
        session = self.sessions.find(request.cookies.get(self._cookie(request), ""))
        address = address_of(request)
        if self.needs_no_login:
            if session is None or session.stamp != _LOCAL_STAMP:
                request.state.new_token, session = self._local_session()
            who = Caller(self._local, everything())
            return Visitor(self._local, frozenset(roles()), who, address, session)
        if session is None:
            return None
        user = self.users.all().get(session.user)
        if user is None or _stamp(user) != session.stamp:
            self.sessions.end(session)
            return None
        return Visitor(user.name, user.roles, self._site.door.person(user), address, session)

    def guest(self, request: Request) -> Visitor | None:
        """Return who has come by a one-time link, and note in the request for what."""
        key = request.cookies.get(self.guest_cookie(request), "")
        found = self._site.door.guest(key) if key else None
        if found is None:
            return None
        who, request.state.subject = found
        token = hmac.new(self._secret, key.encode(), "sha256").hexdigest()
        session = LoginSession("", who.name, "", self._site.clock(), 0.0, 0.0, token)
        return Visitor(who.name, frozenset(), who, address_of(request), session)

    def _local_session(self) -> tuple[str, LoginSession]:
        """Return the one session of this machine: a link from elsewhere ends no other page's."""
        with self._guard:
            if self._own is None or self.sessions.find(self._own[0]) is None:
                self._own = self.sessions.begin(self._local, _LOCAL_STAMP)
            return self._own

    def ask(self, request: Request) -> Response:
        """Return what asks for log-in: the page of it, or status 401 for a script."""
        if is_wanted_as_json(request) or request.method != "GET":
            return self._site.refusal(request, Refused(401, "errors.login", {"X-Session": "ended"}))
        where = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/login?to={quote(where, safe='')}", 303)

    def log_in(self, request: Request, name: str, password: str) -> str:
        """Check a password and begin a session.

        Returns
        -------
        str
            The token for `keep`; also noted in the request.

        Raises
        ------
        Refused
            401 where name or password is wrong, 429 after too many of these, 503 where the users
            cannot be read.
        """
        address = address_of(request)
        found = self._site.door.password(name, password, address)
        user = None if isinstance(found, TurnedAway) else self.users.all().get(found.name)
        if isinstance(found, TurnedAway) and found.status != 401:
            self._refused(address, found, ", too many" if found.status == 429 else "")
            key = "login.too_often" if found.status == 429 else "errors.unexpected"
            raise Refused(found.status, key, dict(found.headers))
        if isinstance(found, TurnedAway) or user is None:
            # A name of the file of credentials is software's, which has no session.
            self._refused(address, found)
            raise Refused(401, "login.wrong")
        before: Visitor | None = getattr(request.state, "visitor", None)
        if before is not None:
            self.sessions.end(before.session)
        token, _ = self.sessions.begin(user.name, _stamp(user))
        request.state.new_token = token
        self._site.note_of(f"{user.name}@{address}", Event.AUTHENTICATION, None, "logged in")
        return token

    def _refused(self, address: str, found: TurnedAway | Caller, beyond: str = "") -> None:
        known = found.known if isinstance(found, TurnedAway) else found.name
        who = f"{known or 'unknown'}@{address}"
        self._site.note_of(who, Event.AUTHENTICATION, None, f"log-in refused{beyond}", MINOR)

    def log_out(self, request: Request, visitor: Visitor) -> None:
        """End a visitor's session."""
        self.sessions.end(visitor.session)
        request.state.new_token = ""
        self._site.note(request, Event.AUTHENTICATION, detail="logged out")

    def keep(self, request: Request, answer: Response) -> None:
        """Put the token of a session that was begun into the answer's cookie."""
        token = getattr(request.state, "new_token", None)
        if token is None:
            return
        name, secure = self._cookie(request), self._site.secure
        if token:
            answer.set_cookie(name, token, httponly=True, secure=secure, samesite="strict")
        else:
            answer.delete_cookie(name, httponly=True, secure=secure, samesite="strict")

    def token_for(self, request: Request) -> str:
        """Return the CSRF token that a page of this request has to send back."""
        visitor: Visitor | None = getattr(request.state, "visitor", None)
        if visitor is not None:
            return visitor.session.csrf
        return hmac.new(self._secret, address_of(request).encode(), "sha256").hexdigest()

    def is_token(self, request: Request, visitor: Visitor | None, given: str) -> bool:
        """Return whether a CSRF token is the right one."""
        wanted = visitor.session.csrf if visitor is not None else self.token_for(request)
        return hmac.compare_digest(wanted.encode(), given.encode("utf-8", "replace"))

    def guest_cookie(self, request: Request) -> str:
        """Name of the cookie of who has come by a one-time link."""
        return f"{self._cookie(request)}-telephone"

    def _cookie(self, request: Request) -> str:
        """Name of the cookie: browsers do not tell the ports of one host apart."""
        if self._site.secure:
            return "__Host-archiver"
        server = request.scope.get("server") or ("", 0)
        return f"archiver-{server[1]}"


def why_no_pages(node: NodeSettings, users: Users) -> str:
    """Return why pages are not served, as a clause; empty where they are."""
    is_wanting = node.credentials is not None or not node.on_loopback or users.are_demanded
    if is_wanting and not users.all():
        return words_of()("web.no_pages.no_users")
    return ""


def path_within(text: str) -> str:
    """Return a path of this site, for going on after log-in; the start where it is none."""
    parts = urlsplit(text)
    safe = text.startswith("/") and not text.startswith(("//", "/\\")) and text.isprintable()
    if not safe or parts.scheme or parts.netloc or "\\" in text:
        return "/"
    return text


def _stamp(user: User) -> str:
    return f"{user.hash} {' '.join(sorted(user.roles))}"


def session_of(request: Request) -> LoginSession:
    """Return the session of a visitor."""
    session: LoginSession = request.state.visitor.session
    return session
