"""The node as a whole: what is started, in which order, and stopped in the opposite one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from archiver.access import Credentials, FrontDoor, users_of
from archiver.archive.ingest import Ingest
from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.node.audit import DONE, STARTED, STOPPED, Event, Happening
from archiver.network.node.audit_trail import AuditTrail
from archiver.network.node.dimse.service import DimseSide
from archiver.network.node.free_space import Reserve
from archiver.network.node.guests import JOURNAL, SECONDS
from archiver.network.node.health import HealthFigures, NodeHealth
from archiver.network.node.ingest import NodeIngest
from archiver.network.node.listening import Address
from archiver.network.node.observability import Figures, Log, libraries_heard
from archiver.network.node.outbox_drops import OutboxDrops
from archiver.network.peers import DimsePeer
from archiver.workers import GUEST, shared_pool

if TYPE_CHECKING:
    from archiver.network.node.dicomweb.application import Pages
    from archiver.network.node.dicomweb.server import WebSide
    from archiver.network.node.settings import NodeSettings

#: What was begun may take this long when the node is stopped (seconds).
_GRACE = 20.0


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
        self._tls = [settings.tls_context() for _ in ("dimse", "web")]
        secrets = Credentials(settings.credentials) if settings.credentials else None
        exhausted = self.figures.guests.exhausted
        self.door = FrontDoor(settings.doorstep, users_of(archive.layout.root), secrets, exhausted)
        archive.writer.on_error = self._writer_failed
        self.web: WebSide | None = None
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
        at = Address(settings.host, settings.dimse_port, given.get("dimse"))
        try:
            self.dimse = DimseSide(
                archive, settings, self._storing, peers, watch, self.door, self._tls[0], at
            )
        except BaseException:
            self._storing.close()
            self._heard.__exit__(None, None, None)
            raise
        self._dropped = OutboxDrops(archive, lambda why: log("outbox", why=why))
        self.validation = Ingest.of(archive).validation
        self.validation.busy = self.figures.is_busy
        self.validation.done = self._validated
        self.validation.failed = lambda why: log("validation", why=why)
        self.validation.stir()
        self.health = NodeHealth(archive, settings, self._storing.reserve, self.dimse.visits)
        self.figures.registry.register(HealthFigures(self.health))
        self.figures.associations.set_function(self.dimse.associations)
        self.figures.connections.set_function(self.dimse.connections)
        try:
            if settings.web_port >= 0:
                from archiver.network.node.dicomweb.application import Application
                from archiver.network.node.dicomweb.server import WebSide

                storing, validation = self._storing, self.validation
                answering = Application(
                    archive,
                    settings,
                    storing,
                    validation,
                    watch,
                    self.door,
                    pages,
                    wellness=self.health,
                )
                at = Address(settings.host, settings.web_port, given.get("web"))
                self.web = WebSide(answering, settings, at, self._tls[1])
        except BaseException:
            self.close(0)
            raise
        shared_pool().charged = self._charged
        self.door.users.keep_closed()
        self._audit_itself(STARTED)

    def close(self, seconds: float = _GRACE) -> None:
        """Stop: no new work, finish what was taken, end.

        Parameters
        ----------
        seconds
            How long what was begun may take.
        """
        if self.web is not None:
            self.web.close(seconds)
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
        settings.tls_context()
        for context in self._tls:
            if context is not None:
                settings.load_into(context)

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
