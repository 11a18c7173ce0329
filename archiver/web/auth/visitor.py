"""Who is at the other end of a request."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from archiver.access import Caller
from archiver.web.auth.sessions import LoginSession


@dataclass(frozen=True)
class Visitor:
    """A person with a session.

    Parameters
    ----------
    name
        The user's name, or the operating system's user on this machine.
    roles
        Of the table ``roles.toml``.
    identity
        As the front door knows it.
    address
        Where the request comes from.
    session
        Holds the CSRF token.
    """

    name: str
    roles: frozenset[str]
    identity: Caller
    address: str
    session: LoginSession

    @property
    def is_guest(self) -> bool:
        """Whether they came by a one-time link: they have no account, and no session to end."""
        return not self.session.key

    def may(self, what: str) -> bool:
        """Return whether something is allowed; empty asks for nothing."""
        return self.identity.may(what)


def visitor_of(request: Request) -> Visitor:
    """Return who makes a request; of routes that ask for log-in only."""
    visitor: Visitor = request.state.visitor
    return visitor


def address_of(request: Request) -> str:
    """Return the address that a request comes from."""
    return request.client.host if request.client else ""
