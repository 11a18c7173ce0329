"""The DIMSE side of the node: its application entity and what each service does."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from pydicom.uid import UID
from pynetdicom import evt
from pynetdicom.ae import ApplicationEntity
from pynetdicom.dimse_primitives import C_GET, C_MOVE, C_STORE
from sqlalchemy import select

from archiver.archive.store import Archive
from archiver.archive.store import tables as t
from archiver.errors import ArchiverError
from archiver.network.node import answers
from archiver.network.node.audit import (
    DONE,
    MINOR,
    NODE_AUTHENTICATION,
    RESTRICTED,
    Event,
    Happening,
)
from archiver.network.node.dimse.association import NodeAssociation, Services
from archiver.network.node.dimse.find_scp import Querying
from archiver.network.node.dimse.listener import DimseListener, NodeServer
from archiver.network.node.dimse.messages import Fault
from archiver.network.node.dimse.retrieve_scp import Retrieving
from archiver.network.node.incoming_file import IncomingFile, file_head
from archiver.network.node.ingest import NodeIngest, is_uid
from archiver.network.node.observability import Figures, Log
from archiver.network.node.query.visit_table import VisitTable
from archiver.network.node.query.worklist import Visits
from archiver.network.node.reports.commitment import Commitment
from archiver.network.node.reports.late_reports import LateReports
from archiver.network.node.supported import as_offered, contexts
from archiver.network.peers import DimsePeer
from archiver.network.pynetdicom_internals import log_nothing, offer, stop_accepting
from archiver.objects import IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION_NAME

if TYPE_CHECKING:
    from archiver.network.node.settings import NodeSettings

_WAY = "dimse"
#: Results of the negotiation of a context (PS3.8 table 9-18), as the log tells them.
_CONTEXT_RESULTS = {
    3: "the SOP class is not taken: storage_classes of [node] adds it",
    4: "none of its transfer syntaxes is taken",
}


class DimseSide:
    """Listens for associations and serves them.

    Parameters
    ----------
    archive
        Open for writing.
    settings
        Access and limits.
    storing
        Keeps what arrives.
    peers
        Whom objects and reports may go to.
    tell, log, figures
        Audit trail, log and figures.
    listeners
        Where to listen, and whom to let in there.
    """

    def __init__(
        self,
        archive: Archive,
        settings: NodeSettings,
        storing: NodeIngest,
        peers: Iterable[DimsePeer],
        watch: tuple[Callable[[Happening], None], Log, Figures],
        listeners: Sequence[DimseListener],
    ) -> None:
        self._archive = archive
        self._settings = settings
        self._storing = storing
        self._tell, self._log, self._figures = watch
        known = tuple(peers)
        self.visits = (
            Visits(settings.worklist, settings.worklist_dates, self._left_out)
            if settings.worklist
            else None
        )
        scopes = {name: one.scope for name, one in settings.rights}
        self._commitment = Commitment(
            archive, known, lambda why: self._log("report", why=why), scopes
        )
        allowed = settings.shows_rejected_to
        retrieving = Retrieving(archive, settings.title, allowed, known, self._tell)
        services = Services(
            open_reception=self._open_reception,
            store=self._store,
            requests={C_GET: retrieving.get, C_MOVE: retrieving.move},
            ended=self._ended,
            failed=self._log.failure,
            asked=self._figures.asked,
            not_permitted=self._not_permitted,
        )
        handlers = self._handlers(known)
        # pynetdicom's own handlers format every message for its log, which nobody reads here.
        log_nothing()
        self._contexts = contexts(worklist=self.visits is not None, more=self._more_classes())
        self._servers: list[NodeServer] = []
        self._threads: list[threading.Thread] = []
        try:
            for one in listeners:
                self._servers.append(self._listening(one, handlers, services))
        except BaseException:
            self._close_sockets()
            raise
        self._start()

    def _handlers(self, peers: Sequence[DimsePeer]) -> list[Any]:
        archive, settings = self._archive, self._settings
        most = settings.limits.headers
        querying = Querying(archive, settings.title, self.visits, self._tell, most)
        return [
            (evt.EVT_C_ECHO, lambda _event: answers.SUCCESS),
            (evt.EVT_C_FIND, querying),
            (evt.EVT_N_ACTION, self._commitment),
            (evt.EVT_N_EVENT_REPORT, LateReports(archive.layout.root, peers, self._reported)),
            (evt.EVT_REQUESTED, self._requested),
            (evt.EVT_REJECTED, self._rejected),
            (evt.EVT_ACCEPTED, self._accepted),
        ]

    def _start(self) -> None:
        for server in self._servers:
            thread = threading.Thread(
                target=server.serve_forever, args=(0.2,), name="listener", daemon=True
            )
            self._threads.append(thread)
            thread.start()

    def _listening(self, at: DimseListener, handlers: list[Any], services: Services) -> NodeServer:
        return NodeServer(
            self._entity(at.settings),
            self._contexts,
            handlers,
            services,
            (self._turned_away, self._figures.guests),
            at,
        )

    @property
    def port(self) -> int:
        """Where it listens first; -1 where it does not."""
        return next(iter(self.ports.values()), -1)

    @property
    def ports(self) -> dict[str, int]:
        """Where it listens, by the listeners' names."""
        return {one.name: int(one.server_address[1]) for one in self._servers}

    def _open_associations(self) -> list[Any]:
        return [one for server in self._servers for one in server.active_associations]

    def associations(self) -> int:
        """Return how many associations are open."""
        return len(self._open_associations())

    def connections(self) -> int:
        """Return how many connections are open."""
        return sum(server.connections for server in self._servers)

    def close(self, seconds: float) -> None:
        """Take no new associations, let those that are at work finish, then end them.

        Parameters
        ----------
        seconds
            How long what was begun may take.
        """
        for server in self._servers:
            stop_accepting(server)
        for thread in self._threads:
            thread.join()
        self._close_sockets()
        until = time.monotonic() + seconds
        while time.monotonic() < until and self._at_work():
            time.sleep(0.02)
        for association in self._open_associations():
            if association.is_established:
                association.abort()
        for server in self._servers:
            server.close_connections()
        for association in self._open_associations():
            association.join(5)
        self._commitment.close()

    def _close_sockets(self) -> None:
        # Closed, not shut down: somebody else may listen at the same ones.
        for server in self._servers:
            if server.socket is not None:
                server.socket.close()

    def _at_work(self) -> bool:
        return any(
            isinstance(a, NodeAssociation) and a.is_at_work for a in self._open_associations()
        )

    @staticmethod
    def _entity(settings: NodeSettings) -> ApplicationEntity:
        limits = settings.limits
        entity = ApplicationEntity(ae_title=settings.title)
        entity.implementation_class_uid = IMPLEMENTATION_CLASS_UID
        entity.implementation_version_name = IMPLEMENTATION_VERSION_NAME
        entity.maximum_pdu_size = limits.pdu_bytes
        entity.maximum_associations = limits.associations
        entity.require_called_aet = True
        entity.acse_timeout = limits.negotiation_seconds
        entity.dimse_timeout = limits.network_seconds
        entity.network_timeout = limits.network_seconds
        return entity

    def _open_reception(
        self, sop_class: str, sop_instance: str, transfer_syntax: str
    ) -> IncomingFile:
        self._figures.asked()
        self._storing.reserve.demand()
        reception = IncomingFile(self._archive.layout.temporary, self._settings.limits.object_bytes)
        try:
            reception.write(file_head(sop_class, sop_instance, transfer_syntax))
        except BaseException:
            reception.discard()
            raise
        return reception

    def _store(
        self, association: NodeAssociation, request: C_STORE, arrived: IncomingFile | Fault | None
    ) -> tuple[int, object]:
        began = time.monotonic()
        kept = self._storing.keep(
            arrived,
            sop_class=str(request.AffectedSOPClassUID),
            sop_instance=str(request.AffectedSOPInstanceUID),
            origin=f"C-STORE from {association.peer}",
            may_reject=self._settings.may_reject_by(association.caller),
            scope=association.identity.scope,
        )
        self._figures.asked()
        self._figures.storing_seconds.labels(_WAY).observe(time.monotonic() - began)
        if kept.status == answers.SUCCESS and kept.description is not None:
            study = kept.description.study_uid
            association.tally.stored[study] = association.tally.stored.get(study, 0) + 1
            self._figures.received.labels(_WAY).inc()
            self._figures.received_bytes.labels(_WAY).inc(kept.size if kept.new else 0)
            if kept.in_doubt:
                self._log("patient in doubt", peer=association.peer, instances=1)
        else:
            self._figures.refused.labels(_WAY, f"{kept.status:04X}").inc()
            told = {"differing": kept.differing} if kept.differing else {}
            self._log("refused", peer=association.peer, status=f"{kept.status:04X}", **told)
            self._tell(
                Happening(
                    Event.RECEIVED,
                    association.peer,
                    self._settings.title,
                    MINOR,
                    detail=f"C-STORE refused {kept.status:04X} {kept.comment}",
                )
            )
        return kept.status, kept.comment

    def _more_classes(self) -> list[str]:
        """Return the storage classes that are no standard's: set, or of what is kept."""
        classes = select(t.instances.c.sop_class_uid).distinct()
        with self._archive.reading() as connection:
            held = [uid for (uid,) in connection.execute(classes) if is_uid(uid)]
        return [*self._settings.storage_classes, *held]

    def _left_out(self, table: VisitTable) -> None:
        refused = [str(problem) for problem in table.refused]
        self._log("worklist", visits=len(table.visits), refused=refused)

    def _reported(self, peer: str, committed: int, failed: int) -> None:
        self._log("commitment", peer=peer, committed=committed, failed=failed)

    def _requested(self, event: Any) -> None:
        association: NodeAssociation = event.assoc
        offered = association.requestor.primitive.presentation_context_definition_list  # type: ignore[union-attr]
        offer(association, as_offered(self._contexts, offered))

    def _accepted(self, event: Any) -> None:
        association: NodeAssociation = event.assoc
        called, listener = self._settings.title, association.listener
        self._log("association", peer=association.peer, called=called, listener=listener)
        for context in event.assoc.rejected_contexts:
            self._log(
                "context refused",
                peer=event.assoc.peer,
                sop_class=str(context.abstract_syntax),
                name=UID(context.abstract_syntax).name,
                offered=[str(uid) for uid in context.transfer_syntax],
                reason=_CONTEXT_RESULTS.get(context.result, str(context.result)),
            )

    def _rejected(self, event: Any) -> None:
        peer = event.assoc.peer
        self._figures.turned_away.inc()
        detail = "association rejected: title not ours, or too many associations"
        self._alert(peer, detail)

    def _turned_away(self, address: str, why: str) -> None:
        self._figures.turned_away.inc()
        self._alert(address, why)

    def _not_permitted(self, association: NodeAssociation, needed: str) -> None:
        title, detail = self._settings.title, f"not permitted: {needed}"
        peer = association.peer
        self._tell(Happening(Event.ALERT, peer, title, MINOR, detail=detail, kind=RESTRICTED))

    def _alert(self, peer: str, why: str) -> None:
        title = self._settings.title
        kind = NODE_AUTHENTICATION
        self._tell(Happening(Event.ALERT, peer, title, MINOR, detail=why, kind=kind))

    def _ended(self, association: NodeAssociation) -> None:
        stored = association.tally.stored
        if stored:
            peer, title = association.peer, self._settings.title
            # Each object is in the journal already.
            with suppress(ArchiverError):
                self._tell(Happening(Event.RECEIVED, peer, title, DONE, stored, "C-STORE"))
        how = "aborted" if association.is_aborted else "ended"
        self._log(how, peer=association.peer, stored=sum(association.tally.stored.values()))
