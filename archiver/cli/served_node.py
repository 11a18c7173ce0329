"""What `archiver serve` runs, and how it takes settings that have changed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.errors import ArchiveError, ArchiverError, Problem
from archiver.wording import Text, words_of

if TYPE_CHECKING:
    from archiver.archive.store import Archive
    from archiver.archive.witness import IntervalSigning
    from archiver.cli.settings import PracticeSettings
    from archiver.network.node import AuditForwarding, Log, Node, NodeSettings
    from archiver.network.outbox import Forwarding
    from archiver.web import SiteMaker

#: What reads the settings anew: those of the practice, and those of the node with the words of
#: the command line put over them.
ReadAgain = Callable[[], "tuple[PracticeSettings, NodeSettings]"]


@dataclass
class Running:
    """What serves at present."""

    practice: PracticeSettings
    settings: NodeSettings
    stamp: tuple[object, ...]
    node: Node
    pages: SiteMaker | None
    forwarding: Forwarding
    audit: AuditForwarding | None
    signing: IntervalSigning | None

    def close(self) -> None:
        """Finish what is under way, and end."""
        if self.signing is not None:
            self.signing.close()
        self.forwarding.close()
        # First, so that pages which follow something do not hold the node's connections.
        if self.pages is not None:
            self.pages.close()
        self.node.close()
        # Last, so that it tells of the end, too.
        if self.audit is not None:
            self.audit.close()


class ServedNode:
    """The node, its pages and its sender, until it is closed.

    Parameters
    ----------
    archive
        Open for writing.
    read
        Reads the settings.
    log
        Takes structured lines.
    given
        Descriptors of sockets that were handed over, by name.
    with_pages
        Whether pages are served.

    Raises
    ------
    ArchiverError
        If the settings cannot be used, or an address is taken.
    """

    def __init__(
        self,
        archive: Archive,
        read: ReadAgain,
        log: Log,
        given: Mapping[str, int],
        *,
        with_pages: bool,
    ) -> None:
        self._archive, self._read, self._log = archive, read, log
        self._given, self._with_pages = given, with_pages
        self._guard = threading.Lock()
        practice, settings = read()
        self.running = self._started(practice, settings)

    def close(self) -> None:
        """Finish what is under way, and end."""
        with self._guard:
            self.running.close()

    def reload(self) -> str:
        """Read settings and certificates again.

        Returns
        -------
        str
            ``renewed`` where only certificates can be others now, ``anew`` where it listens anew.

        Raises
        ------
        ArchiverError
            If they cannot be used; what was in force stays so.
        """
        with self._guard:
            try:
                done = self._reloaded()
            except ArchiverError as error:
                self._log("reload", refused=[problem.code for problem in error.problems])
                raise
            self._log("reload", done=done)
            return done

    def admit(self, account: str, needed: str, size: int) -> None:
        """Ask the node's front door about an account; see `Node.admit`."""
        self.running.node.admit(account, needed, size)

    def renew_certificates(self) -> None:
        """Take certificates that have been renewed; ones that cannot be used are told and left."""
        with self._guard:
            if self.running.stamp[-1] != _stamps(self.running.settings):
                try:
                    self._renew(self.running.settings)
                    self._log("certificates", done="renewed")
                except ArchiverError as error:
                    self._log("certificates", refused=[problem.code for problem in error.problems])
                # Once is enough: what is half written is looked at again when it is whole.
                self.running.stamp = _stamp(self.running.practice, self.running.settings)

    def _reloaded(self) -> str:
        practice, settings = self._read()
        old = self.running
        if practice.archive.absolute() != old.practice.archive.absolute():
            raise ArchiveError(Problem("cli.reload.other_archive").at(file=str(practice.archive)))
        stamp = _stamp(practice, settings)
        if stamp[:-1] == old.stamp[:-1]:
            self._renew(settings)
            old.stamp = stamp
            return "renewed"
        for place in settings.everywhere.values():
            place.tls_context()  # or it is refused before anything ends
        old.close()
        try:
            self.running = self._started(practice, settings)
        except ArchiverError:
            self.running = self._started(old.practice, old.settings)
            raise
        return "anew"

    def _renew(self, settings: NodeSettings) -> None:
        self.running.node.renew_certificates(settings)

    def _started(self, practice: PracticeSettings, settings: NodeSettings) -> Running:
        from archiver.archive.statements import note_settings
        from archiver.cli.context import actor, now, world
        from archiver.network import DimsePeer
        from archiver.network.node import AuditForwarding, Node
        from archiver.network.outbox import Forwarding

        stamp = _stamp(practice, settings)
        with_pages, log = self._with_pages, self._log
        pages = _pages(self._archive, settings, practice, log) if with_pages else None
        peers = [peer for peer in practice.peers if isinstance(peer, DimsePeer)]
        try:
            node = Node(self._archive, settings, peers, self._log, pages, self._given)
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            places = settings.everywhere.values()
            ports = [one for s in places for one in (s.dimse_port, s.web_port) if one >= 0]
            hosts = ", ".join(dict.fromkeys(one.host for one in places))
            place = Text("cli.serve.address", host=hosts, ports=ports)
            problem = Problem("cli.serve.cannot_listen", reason=said)
            raise ArchiverError(problem.at(subject=place)) from None
        try:
            # Once they are in force: where a start is refused, nothing is written.
            note_settings(self._archive, _in_force(practice, settings), actor(), now())
        except ArchiverError:
            node.close(0)
            raise
        rules, title = practice.forward, settings.title
        forwarding = Forwarding(self._archive, practice.peers, rules, world(), self._log, title)
        audit = None
        if settings.audit is not None:
            audit = AuditForwarding(self._archive, settings.audit, title, self._log)
        signing = _signing(self._archive, practice, self._log)
        return Running(practice, settings, stamp, node, pages, forwarding, audit, signing)


def _signing(archive: Archive, practice: PracticeSettings, log: Log) -> IntervalSigning | None:
    """Return what signs the journal's head at intervals, where the settings say so."""
    told = practice.witness
    key = told.key
    if key is None or not told.folders or not told.every_hours:
        return None
    from archiver.archive.witness import IntervalSigning, Signer, Witnesses
    from archiver.cli.context import now

    return IntervalSigning(
        archive,
        lambda: Signer.of(key, outside=archive.layout.root),
        Witnesses(told.folders, told.stamp),
        timedelta(hours=told.every_hours),
        now=now,
        tell=log,
    )


def _in_force(practice: PracticeSettings, settings: NodeSettings) -> dict[str, object]:
    """Return the settings with what the command line opens beyond them."""
    host = settings.host
    opened = {"served at": host} if host != practice.node.host else {}
    return {**practice.given, **opened}


def _pages(
    archive: Archive, settings: NodeSettings, practice: PracticeSettings, log: Log
) -> SiteMaker | None:
    """Return what makes the pages; None, with the reason told, where they may not be served."""
    if settings.web_port < 0:
        return None
    from archiver.access import users_of
    from archiver.cli.context import actor, now
    from archiver.web import SiteMaker
    from archiver.web.auth import why_no_pages

    why = why_no_pages(settings, users_of(archive.layout.root))
    if why:
        log.say(words_of()("cli.serve.no_pages", why=why))
        return None
    return SiteMaker(archive, settings, now, actor(), practice.pages, practice)


def _stamp(practice: PracticeSettings, settings: NodeSettings) -> tuple[object, ...]:
    """Return what tells settings apart; the certificates' files come last."""
    secrets = []
    for place in settings.everywhere.values():
        if place.credentials is not None:
            with suppress(OSError):
                secrets.append(place.credentials.read_bytes())
    return practice, settings, secrets, _stamps(settings)


def _stamps(settings: NodeSettings) -> tuple[tuple[Path, int, int], ...]:
    found = []
    for place in settings.everywhere.values():
        for path in (place.certificate, place.key, place.client_authorities):
            if path is not None:
                with suppress(OSError):
                    about = path.stat()
                    found.append((path, about.st_mtime_ns, about.st_size))
    return tuple(found)
