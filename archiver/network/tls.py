"""TLS as PS3.15 B.12 (BCP 195) asks for it: version 1.2 or newer, peers always verified."""

from __future__ import annotations

import ssl
from dataclasses import replace

from archiver.errors import Place, Problem, UsageError
from archiver.network.peers import Tls


def client_context(tls: Tls, where: Place) -> ssl.SSLContext:
    """Return the context for connections that we open.

    Raises
    ------
    UsageError
        If a certificate, key or list of authorities cannot be used.
    """
    context = _with_files(ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), tls, where)
    if tls.authorities is None:
        context.load_default_certs()
    return context


def listening_context(tls: Tls, where: Place) -> ssl.SSLContext:
    """Return the context for connections that a peer opens to us; it must show its certificate.

    Raises
    ------
    UsageError
        If there is no certificate of ours, or a file cannot be used.
    """
    if tls.certificate is None:
        raise UsageError(Problem("network.tls.no_certificate").with_places(where))
    context = _with_files(ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), tls, where)
    if tls.authorities is not None:
        context.verify_mode = ssl.CERT_REQUIRED
        # Who resumes a session shows no certificate, and its authority may be trusted no more.
        context.options |= ssl.OP_NO_TICKET
        context.num_tickets = 0
    return context


def take_over(listening: ssl.SSLContext, renewed: ssl.SSLContext) -> None:
    """Have connections that come in at a context from now on use another one.

    Files cannot be loaded anew into the first: authorities that it knows it never forgets. The
    callback is asked of every connection, whether it names a server or not.
    """

    def choose(connection: ssl.SSLObject, _name: str | None, _context: ssl.SSLContext) -> None:
        connection.context = renewed

    listening.sni_callback = choose


def _with_files(context: ssl.SSLContext, tls: Tls, where: Place) -> ssl.SSLContext:
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    password = tls.key_password.read() if tls.key_password is not None else None
    try:
        if tls.authorities is not None:
            context.load_verify_locations(tls.authorities)
        if tls.certificate is not None:
            # An empty password where the key needs one fails, instead of asking at the terminal.
            context.load_cert_chain(tls.certificate, tls.key, password=password or "")
    except (OSError, ssl.SSLError) as error:
        said = getattr(error, "reason", None) or getattr(error, "strerror", None) or str(error)
        problem = Problem("network.tls.unusable_files", reason=said)
        raise UsageError(problem.with_places(replace(where, part="tls"))) from None
    return context
