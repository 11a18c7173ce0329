"""The node as a whole: what is started, in which order, and stopped in the opposite one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from archiver.access import Credentials, FrontDoor, LockOut, TurnedAway, users_of
from archiver.archive.ingest import Ingest, Validation
from archiver.archive.store import Archive
from archiver.errors import ArchiveError, ArchiverError, Problem
from archiver.network.node.audit import (
    DONE,
    MINOR,
    RESTRICTED,
    STARTED,
    STOPPED,
    Event,
    Happening,
)
from archiver.network.node.audit_trail import AuditTrail
from archiver.network.node.dimse.listener import DimseListener
from archiver.network.node.dimse.service import DimseSide
from archiver.network.node.free_space import Reserve
from archiver.network.node.guests import JOURNAL, SECONDS
from archiver.network.node.health import HealthFigures, NodeHealth
from archiver.network.node.ingest import NodeIngest
from archiver.network.node.listening import Address
from archiver.network.node.observability import Figures, Log, libraries_heard
from archiver.network.node.outbox_drops import OutboxDrops
from archiver.network.peers import DimsePeer
from archiver.network.tls import take_over
from archiver.wording import Text
from archiver.workers import GUEST, shared_pool

if TYPE_CHECKING:
    import ssl

    from archiver.network.node.dicomweb.application import Pages
    from archiver.network.node.dicomweb.server import WebSide
    from archiver.network.node.settings import NodeSettings

#: What was begun may take this long when the node is stopped (seconds).
_GRACE = 20.0


#: Which place the table ``[node]`` itself is.
FIRST = "node"
Watch = tuple[Callable[[Happening], None], Log, Figures]


class Node:
    """Serves an archive to the network until it is closed.

    Parameters
    ----------
    archive
        Open for writing; stays open when the node is closed.
    settings
        How to listen and whom to serve.
    peers
        Whom C-MOVE and commitment reports may go to.
    log
        Takes structured lines.
    pages
        Makes the application of the pages, which are served beside DICOMweb.
    given
        Descriptors of sockets that somebody else listens at for us: ``dimse`` and ``web``.

    Raises
    ------
    UsageError
        If a file that the settings name cannot be used.
    OSError
        If a port is taken.
    """

    def __init__(
        self,
        archive: Archive,
        settings: NodeSettings,
        peers: Iterable[DimsePeer],
        log: Log,
        pages: Pages | None = None,
        given: Mapping[str, int] = MappingProxyType({}),
    ) -> None:
        self.archive, self.settings, self.log = archive, settings, log
        self.figures = Figures(settings.limits)
        self._places = settings.everywhere
        self._contexts: dict[str, list[ssl.SSLContext]] = {}
        self._users, self._lockout = users_of(archive.layout.root), LockOut()
        self.doors = {name: self._door(place) for name, place in self._places.items()}
        self.door = self.doors[FIRST]
        archive.writer.on_error = self._writer_failed
        self.web: WebSide | None = None
        self.webs: dict[str, WebSide] = {}
        self._heard = libraries_heard(log)
        self._heard.__enter__()
        reserve = Reserve(archive.layout.root, settings.watch.reserve_bytes)
        self._storing = NodeIngest(archive, reserve, settings.storage_classes)
        self._trail = AuditTrail(
            archive,
            lambda size: self.figures.guests.use(JOURNAL, GUEST.get(), size),
            lambda address, why: log("turned away", address=address, why=why),
        )
        watch = (self._trail, log, self.figures)
        try:
            listeners = self._dimse_listeners(given)
            self.dimse = DimseSide(archive, settings, self._storing, peers, watch, listeners)
        except BaseException:
            self._storing.close()
            self._heard.__exit__(None, None, None)
            raise
        self._dropped = OutboxDrops(archive, lambda why: log("outbox", why=why))
        self.validation = self._validating()
        self.health = NodeHealth(archive, settings, self._storing.reserve, self.dimse.visits)
        self.figures.registry.register(HealthFigures(self.health))
        self.figures.lines_dropped.set_function(lambda: log.dropped)
        self.figures.associations.set_function(self.dimse.associations)
        self.figures.connections.set_function(self.dimse.connections)
        self._open_webs(watch, pages, given.get("web"))
        shared_pool().charged = self._charged
        self.door.users.keep_closed()
        self._audit_itself(STARTED)

    def _validating(self) -> Validation:
        """Return what validates in the background, set to work when the node has time."""
        validation = Ingest.of(self.archive).validation
        validation.busy = self.figures.is_busy
        validation.done = self._validated
        validation.failed = lambda why: self.log("validation", why=why)
        validation.stir()
        return validation

    def _open_webs(self, watch: Watch, pages: Pages | None, given: int | None) -> None:
        """Serve the web at each place that has a port for it; the pages at the first."""
        try:
            for name, place in self._places.items():
                if place.web_port >= 0:
                    mine = (pages, given) if name == FIRST else (None, None)
                    self.webs[name] = self._web_side(name, place, watch, *mine)
            self.web = self.webs.get(FIRST)
        except BaseException:
            self.close(0)
            raise

    def close(self, seconds: float = _GRACE) -> None:
        """Stop: no new work, finish what was taken, end.

        Parameters
        ----------
        seconds
            How long what was begun may take.
        """
        for web in self.webs.values():
            web.close(seconds)
        self.dimse.close(seconds)
        self._dropped.close()
        self._trail.close()
        self._audit_itself(STOPPED)
        self._storing.close()
        self._heard.__exit__(None, None, None)

    def renew_certificates(self, settings: NodeSettings) -> None:
        """Show peers who connect from now on what the certificate's file holds now.

        Raises
        ------
        UsageError
            If certificate, key or authorities cannot be used; those before stay.
        """
        renewed = {name: place.tls_context() for name, place in settings.everywhere.items()}
        for name, contexts in self._contexts.items():
            if (new := renewed[name]) is not None:
                for context in contexts:
                    take_over(context, new)

    def admit(self, account: str, needed: str, size: int) -> None:
        """Let an account of this machine have the writer do something, or not.

        Parameters
        ----------
        account
            Of the operating system.
        needed
            In the words of the roles.
        size
            Of what it asks to be written down, in bytes.

        Raises
        ------
        ArchiveError
            If its rights do not allow it, or it has used up what a minute gives.
        """
        found = self.door.account(account)
        if isinstance(found, TurnedAway):
            why = found.why
        elif not found.may(needed):
            why = Text("access.not_permitted")
        else:
            self.figures.guests.use(JOURNAL, account, size)
            return
        title, detail = self.settings.title, f"control channel: {why}"
        self._trail(Happening(Event.ALERT, account, title, MINOR, None, detail, RESTRICTED))
        raise ArchiveError(Problem("access.account", why=why))

    def _door(self, place: NodeSettings) -> FrontDoor:
        secrets = Credentials(place.credentials) if place.credentials else None
        exhausted = self.figures.guests.exhausted
        return FrontDoor(place.doorstep, self._users, secrets, exhausted, self._lockout)

    def _dimse_listeners(self, given: Mapping[str, int]) -> list[DimseListener]:
        return [
            DimseListener(
                name,
                place,
                self.doors[name],
                self._tls(name, place),
                Address(
                    place.host, place.dimse_port, given.get("dimse") if name == FIRST else None
                ),
            )
            for name, place in self._places.items()
            if place.dimse_port >= 0
        ]

    def _web_side(
        self, name: str, place: NodeSettings, watch: Watch, pages: Pages | None, given: int | None
    ) -> WebSide:
        from archiver.network.node.dicomweb.application import Application
        from archiver.network.node.dicomweb.server import WebSide

        storing, validation = self._storing, self.validation
        answering = Application(
            self.archive,
            place,
            storing,
            validation,
            watch,
            self.doors[name],
            pages,
            wellness=self.health,
        )
        address = Address(place.host, place.web_port, given)
        return WebSide(answering, place, address, self._tls(name, place))

    def _tls(self, name: str, place: NodeSettings) -> ssl.SSLContext | None:
        """Return a context of its own for each listener, which another can take over."""
        context = place.tls_context()
        if context is not None:
            self._contexts.setdefault(name, []).append(context)
        return context

    def __enter__(self) -> Node:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def _audit_itself(self, kind: str) -> None:
        title = self.settings.title
        self._trail.soon(Happening(Event.APPLICATION, title, title, DONE, kind=kind))

    def _charged(self, guest: str, seconds: float) -> None:
        self.figures.guests.use(SECONDS, guest, seconds)

    def _writer_failed(self, error: BaseException) -> None:
        if isinstance(error, ArchiverError):
            self.log("journal", why=str(error.problems[0]))
        else:
            self.log.failure("writer", error)

    def _validated(self, errors: int, warnings: int) -> None:
        self.figures.validated.inc()
        self.figures.findings.labels("error").inc(errors)
        self.figures.findings.labels("warning").inc(warnings)
