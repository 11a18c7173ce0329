"""C-GET and C-MOVE as SCP (PS3.4 C.4.2, C.4.3): objects as they are, or decoded where need be."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Iterable
from io import BytesIO

from pydicom import Dataset
from pydicom.datadict import tag_for_keyword
from pydicom.uid import UID
from pynetdicom.dimse_primitives import C_GET, C_MOVE, C_STORE
from pynetdicom.presentation import PresentationContext
from sqlalchemy import ColumnElement, func, select

from archiver.access import EVERYTHING, Scope
from archiver.archive.store import Archive
from archiver.archive.store import tables as t
from archiver.errors import ArchiverError, NetworkError
from archiver.network.client.dimse.link import Link, connect
from archiver.network.client.dimse.store import send_one
from archiver.network.node import answers
from archiver.network.node.audit import DONE, MINOR, RESTRICTED, SERIOUS, Event, Happening
from archiver.network.node.dimse.association import NodeAssociation
from archiver.network.node.dimse.retrieve_answer import RetrieveAnswer, RetrieveItem, SubOperations
from archiver.network.node.query.matching import texts
from archiver.network.node.query.query_engine import BadQuestionError, condition
from archiver.network.node.supported import PATIENT_ROOT
from archiver.network.outbox.delivery_state import outcome_of
from archiver.network.outbox.peer_corrections import note_holder
from archiver.network.outgoing_object import OutgoingObject, read_parcel
from archiver.network.peers import DimsePeer
from archiver.network.presentation_contexts import UNCOMPRESSED, contexts_for
from archiver.network.pynetdicom_internals import accepted
from archiver.network.query_level import Level
from archiver.network.recoding import recoded
from archiver.network.statuses import Category, Service, status_of
from archiver.objects import concepts
from archiver.wording import Text

_MOST = 65535


def wanted_instances(
    archive: Archive,
    model: str,
    keys: Dataset,
    *,
    withheld: bool = False,
    scope: Scope = EVERYTHING,
) -> list[RetrieveItem]:
    """Return the instances of a retrieval request (PS3.4 C.4.2.2.1: unique keys only).

    Parameters
    ----------
    withheld
        Whether the caller may have what is withheld, by its own UID.
    scope
        Of whoever asks.

    Raises
    ------
    BadQuestionError
        If level or unique keys are missing or do not fit.
    """
    try:
        level = Level(str(keys.get("QueryRetrieveLevel", "")).strip())
    except ValueError:
        raise BadQuestionError(Text("network.query.no_level")) from None
    patient_root = model.startswith(PATIENT_ROOT)
    if level is Level.PATIENT and not patient_root:
        raise BadQuestionError(Text("network.query.level", level=level.value))
    i, p = t.instances.c, t.patients.c
    conditions: list[ColumnElement[bool] | None] = [*scope.conditions()]
    for one in (*level.above, level):
        key = keys.get(tag_for_keyword(one.unique_key) or 0)
        values = texts(key)
        if one is Level.PATIENT and not values and level is not one:
            # Study Root has no patient level, and many who speak Patient Root leave it out.
            continue
        if key is None or not values or (one is not level and len(values) > 1) or _is_wild(values):
            raise BadQuestionError(Text("network.query.missing_or_several", key=one.unique_key))
        conditions.append(condition(key))
    if level is not Level.IMAGE:
        # What a rejection note names comes only to whoever asks for it by its own UID.
        conditions.append(i.rejected.is_(None))
    elif not withheld:
        conditions.append(func.coalesce(i.rejected, "").not_in(concepts.WITHHELD))
    statement = (
        select(i.sop_instance_uid, i.study_uid, i.path)
        .select_from(t.instances.join(t.patients, i.patient == p.number))
        .where(*(one for one in conditions if one is not None))
        .order_by(i.series_uid, i.instance_number, i.number)
        .limit(_MOST)
    )
    with archive.reading() as connection:
        rows = connection.execute(statement).all()
    return [RetrieveItem(uid, study, archive.layout.path_of(path)) for uid, study, path in rows]


def _is_wild(values: list[str]) -> bool:
    return any(letter in "*?" for value in values for letter in value)


class Retrieving:
    """Serves C-GET and C-MOVE.

    Parameters
    ----------
    archive
        From where objects come.
    title
        Of this node.
    shows_rejected_to
        Whether a caller may have what was rejected, whatever the reason.
    destinations
        Whom objects may be moved to, by title.
    tell
        Takes audit events.
    """

    def __init__(
        self,
        archive: Archive,
        title: str,
        shows_rejected_to: Callable[[str], bool],
        destinations: Iterable[DimsePeer],
        tell: Callable[[Happening], None],
    ) -> None:
        self._archive = archive
        self._title = title
        self._shows_rejected_to = shows_rejected_to
        self._destinations = {peer.title.strip(): peer for peer in destinations}
        self._tell = tell

    def get(
        self, association: NodeAssociation, request: C_GET, context: PresentationContext
    ) -> None:
        """Serve a C-GET."""
        answer = RetrieveAnswer(association, request, C_GET(), context)
        wanted = self._wanted(answer)
        if wanted is not None:
            self._run(answer, wanted, lambda one: _store_back(association, one), association.peer)

    def move(
        self, association: NodeAssociation, request: C_MOVE, context: PresentationContext
    ) -> None:
        """Serve a C-MOVE."""
        answer = RetrieveAnswer(association, request, C_MOVE(), context)
        title = str(request.MoveDestination or "").strip()
        peer = self._destinations.get(title)
        if peer is None:
            answer.refuse(answers.DESTINATION_UNKNOWN, Text("network.query.destination"))
            detail, peer_is = f"C-MOVE to unknown destination {title}", association.peer
            alert = Happening(Event.ALERT, peer_is, self._title, MINOR, None, detail, RESTRICTED)
            self._tell(alert)
            return
        wanted = self._wanted(answer)
        if wanted is None:
            return
        if not wanted:
            answer.final(SubOperations(0))
            return
        self._move(answer, wanted, peer)

    def _move(self, answer: RetrieveAnswer, wanted: list[RetrieveItem], peer: DimsePeer) -> None:
        parcels: dict[str, OutgoingObject] = {}
        for one in wanted:
            try:
                parcels[one.sop_instance] = read_parcel(one.path)
            except ArchiverError:
                continue
        needs = [parcel.need for parcel in parcels.values()]
        link: Link | None = None
        try:
            link = connect(peer, contexts_for(list(dict.fromkeys(needs))))
        except ArchiverError as error:
            answer.refuse(answers.SUBOPERATIONS_FAILED, error.problems[0].found, wanted)
            failed = [one.sop_instance for one in wanted]
            self._audit(answer, wanted, failed, f"{peer.title}@{peer.host}")
            return
        there: list[str] = []

        def send(one: RetrieveItem) -> Category:
            parcel = parcels.get(one.sop_instance)
            if parcel is None or link is None or not link.is_open:
                return Category.FAILURE
            try:
                outcome = outcome_of(send_one(link, parcel).status)
            except ArchiverError:
                return Category.FAILURE
            if outcome is not Category.FAILURE:
                there.append(one.sop_instance)
            return outcome

        try:
            self._run(answer, wanted, send, f"{peer.title}@{peer.host}")
        finally:
            with contextlib.suppress(NetworkError):
                link.close()
            with contextlib.suppress(ArchiverError):
                note_holder(self._archive.layout.root, peer.name, there)

    def _wanted(self, answer: RetrieveAnswer) -> list[RetrieveItem] | None:
        try:
            withheld = self._shows_rejected_to(answer.association.caller)
            keys, scope = answer.identifier(), answer.association.identity.scope
            return wanted_instances(
                self._archive, answer.model, keys, withheld=withheld, scope=scope
            )
        except BadQuestionError as error:
            self._refuse(answer, answers.MISMATCH, error)
        except ArchiverError as error:
            self._refuse(answer, answers.OUT_OF_RESOURCES, error.problems[0].found)
        except Exception:
            # pydicom raises whatever the bytes of the identifier lead it to.
            self._refuse(answer, answers.CANNOT_UNDERSTAND, Text("network.query.identifier"))
        return None

    def _run(
        self,
        answer: RetrieveAnswer,
        wanted: list[RetrieveItem],
        send: Callable[[RetrieveItem], Category],
        destination: str,
    ) -> None:
        progress = SubOperations(len(wanted))
        if wanted and not self._is_begun(answer, wanted, destination):
            return
        last: Callable[[SubOperations], None] = answer.final
        for one in wanted:
            if not answer.association.is_established:
                break
            if answer.is_cancelled():
                last = answer.cancelled
                break
            progress.note(one, send(one))
            if progress.remaining:
                answer.pending(progress)
        sent = wanted[: len(wanted) - progress.remaining]
        # What was begun is told already.
        with contextlib.suppress(ArchiverError):
            self._audit(answer, sent, progress.failed, destination)
        last(progress)

    def _is_begun(
        self, answer: RetrieveAnswer, wanted: list[RetrieveItem], destination: str
    ) -> bool:
        """Tell of a transfer before it begins; False, and refused, where that is not possible."""
        by, studies = answer.association.peer, dict(Counter(one.study for one in wanted))
        begun = Happening(
            Event.BEGIN_TRANSFER, self._title, destination, DONE, studies, answer.service, "", by
        )
        try:
            self._tell(begun)
        except ArchiverError as error:
            answer.refuse(answers.OUT_OF_RESOURCES, error.problems[0].found)
            return False
        return True

    def _audit(
        self, answer: RetrieveAnswer, sent: list[RetrieveItem], failed: list[str], destination: str
    ) -> None:
        studies: dict[str, int] = {}
        lost = set(failed)
        for one in sent:
            studies[one.study] = studies.get(one.study, 0) + (one.sop_instance not in lost)
        outcome = DONE if not failed else (MINOR if any(studies.values()) else SERIOUS)
        detail = f"{answer.service} {len(failed)} failed" if failed else answer.service
        by = answer.association.peer
        self._tell(
            Happening(Event.SENT, self._title, destination, outcome, studies, detail, "", by)
        )

    def _refuse(self, answer: RetrieveAnswer, status: int, comment: object) -> None:
        answer.refuse(status, comment)
        peer, detail = answer.association.peer, f"{answer.service} refused {status:04X}"
        self._tell(Happening(Event.SENT, self._title, peer, MINOR, None, detail, "", peer))


def _store_back(association: NodeAssociation, one: RetrieveItem) -> Category:
    """Send one object on the association that asked for it."""
    try:
        parcel = read_parcel(one.path)
        chosen = _context_for(association, parcel)
        if chosen is None:
            return Category.FAILURE
        context_id, syntax = chosen
        request = C_STORE()
        request.MessageID = association.next_message()
        request.Priority = 0
        request.AffectedSOPClassUID = UID(parcel.sop_class)
        request.AffectedSOPInstanceUID = UID(parcel.sop_instance)
        if syntax == parcel.transfer_syntax:
            setattr(request, "_dataset_path", (parcel.path, parcel.offset))  # noqa: B010
        else:
            request.DataSet = BytesIO(recoded(parcel.path, syntax))
        response = association.ask(request, context_id)
    except ArchiverError:
        return Category.FAILURE
    if response is None or response.Status is None:
        return Category.FAILURE
    return outcome_of(status_of(Service.STORE, int(response.Status)))


def _context_for(association: NodeAssociation, parcel: OutgoingObject) -> tuple[int, str] | None:
    """Return the context in which an object can go back: its own syntax, else uncompressed."""
    possible = {
        str(context.transfer_syntax[0]): context_id
        for context_id, context in accepted(association).items()
        if context.abstract_syntax == parcel.sop_class and context.as_scu
    }
    for syntax in (parcel.transfer_syntax, *UNCOMPRESSED):
        if syntax in possible:
            return possible[syntax], syntax
    return None
