"""Fetching objects by C-GET or C-MOVE (PS3.4 C.4.2, C.4.3), byte for byte."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pydicom import Dataset
from pynetdicom import build_role
from pynetdicom.presentation import PresentationContext, build_context

from archiver.errors import NetworkError, Problem, UsageError
from archiver.network.client.dimse.find import GET, MODELS, MOVE, question
from archiver.network.client.dimse.link import Link, open_link
from archiver.network.client.dimse.receiver import Basket, listening, storing
from archiver.network.peers import DimsePeer
from archiver.network.presentation_contexts import EXPLICIT, IMPLICIT, MOST_CONTEXTS
from archiver.network.query_level import Level
from archiver.network.statuses import Category, DimseStatus, Service, status_of
from archiver.wording import Text

#: What objects may come in, the most likely first; each is proposed by itself, so that a peer
#: sends what it has as it has it (PS3.5 A.4).
SYNTAXES = (
    "1.2.840.10008.1.2.4.50",
    "1.2.840.10008.1.2.4.70",
    EXPLICIT,
    IMPLICIT,
    "1.2.840.10008.1.2.4.90",
    "1.2.840.10008.1.2.4.91",
    "1.2.840.10008.1.2.4.80",
    "1.2.840.10008.1.2.4.81",
    "1.2.840.10008.1.2.4.57",
    "1.2.840.10008.1.2.4.51",
    "1.2.840.10008.1.2.5",
    "1.2.840.10008.1.2.1.99",
)
#: Proposed one after the other for what did not come: some peers look only at the first context
#: of a SOP class, and cannot send what is in another transfer syntax than that.
_ONE_BY_ONE = ((EXPLICIT, IMPLICIT), *((syntax,) for syntax in SYNTAXES[:2]))
_STORAGE = "1.2.840.10008.5.1.4.1.1."
#: Proposed where nobody knows what will come: photographs, dental radiographs, notes on them.
USUAL_CLASSES = tuple(
    _STORAGE + ending
    for ending in ("77.1.4", "1.3", "1.3.1", "1.1", "1.1.1", "1", "2", "7", "7.4", "88.59", "104.1")
)
#: UIDs in one request; an answer names those that failed (VR UI with many values).
_AT_ONCE = 500


@dataclass(frozen=True)
class RetrieveScope:
    """What is to be fetched: a study, a series of it, or instances of that.

    Parameters
    ----------
    study
        Study Instance UID.
    series
        Series Instance UID; empty for the whole study.
    instances
        SOP Instance UIDs; empty for the whole series.
    patient_id
        Needed in the Patient Root.
    """

    study: str
    series: str = ""
    instances: tuple[str, ...] = ()
    patient_id: str = ""

    def only(self, uids: frozenset[str]) -> RetrieveScope | None:
        """Return what is wanted of some instances; None where it is none of them."""
        if not self.instances:
            return self
        some = tuple(uid for uid in self.instances if uid in uids)
        return replace(self, instances=some) if some else None

    @property
    def level(self) -> Level:
        """The level of the request."""
        if self.instances:
            return Level.IMAGE
        return Level.SERIES if self.series else Level.STUDY

    def identifiers(self, root: str) -> list[Dataset]:
        """Return the requests; they carry unique keys only (PS3.4 C.4.2.2.1)."""
        keys: dict[str, object] = {"StudyInstanceUID": self.study}
        if root == "patient":
            keys["PatientID"] = self.patient_id
        if self.series:
            keys["SeriesInstanceUID"] = self.series
        if not self.instances:
            return [question(self.level, keys)]
        return [
            question(self.level, {**keys, "SOPInstanceUID": list(self.instances[n : n + _AT_ONCE])})
            for n in range(0, len(self.instances), _AT_ONCE)
        ]


@dataclass(frozen=True)
class Retrieved:
    """What came.

    Parameters
    ----------
    files
        Files by SOP Instance UID.
    status
        The peer's last word, the worst of all requests.
    failed
        UIDs that the peer says it could not send.
    problems
        What went wrong here.
    """

    files: dict[str, Path]
    status: DimseStatus
    failed: tuple[str, ...]
    problems: tuple[Problem, ...]


def retrieve(
    peer: DimsePeer,
    wanted: Sequence[RetrieveScope],
    folder: Path,
    *,
    classes: Sequence[str] = USUAL_CLASSES,
    each: Callable[[int], None] | None = None,
) -> Retrieved:
    """Fetch objects into a folder, in the way that the peer is set to.

    Parameters
    ----------
    peer
        Whom to ask.
    wanted
        What.
    folder
        Where the files go, named by their UIDs.
    classes
        SOP classes of what may come.
    each
        Told after each object how many have come.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, is silent, or has no such service.
    UsageError
        If it is set to ``move`` and we have no port to listen on.
    """
    return retrieve_into(peer, wanted, Basket(folder, each), classes=classes)


def retrieve_into(
    peer: DimsePeer,
    wanted: Sequence[RetrieveScope],
    basket: Basket,
    *,
    classes: Sequence[str] = USUAL_CLASSES,
) -> Retrieved:
    """Fetch objects into a basket; see `retrieve`."""
    if peer.retrieve == "move":
        return _by_move(peer, wanted, basket, classes)
    return _by_get(peer, wanted, basket, classes)


def _unique(classes: Sequence[str]) -> list[str]:
    """Return each SOP class once; the usual ones where the peer did not tell any."""
    return list(dict.fromkeys(uid for uid in classes if uid)) or list(USUAL_CLASSES)


def _storage_contexts(classes: Sequence[str], room: int) -> list[PresentationContext]:
    unique = _unique(classes)
    each = max(1, min(len(SYNTAXES), room // len(unique)))
    alone = [build_context(uid, syntax) for uid in unique for syntax in SYNTAXES[: each - 1]]
    rest = [build_context(uid, list(SYNTAXES[each - 1 :])) for uid in unique]
    return (alone + rest)[:room]


def _by_get(
    peer: DimsePeer, wanted: Sequence[RetrieveScope], basket: Basket, classes: Sequence[str]
) -> Retrieved:
    tally = _Tally(basket)
    _get(peer, wanted, _storage_contexts(classes, MOST_CONTEXTS - 1), tally)
    for syntaxes in _ONE_BY_ONE:
        missing = tally.missing
        if not missing:
            break
        again = [one.only(missing) for one in wanted]
        names = _unique(classes)[: MOST_CONTEXTS - 1]
        contexts = [build_context(name, list(syntaxes)) for name in names]
        _get(peer, [one for one in again if one is not None], contexts, tally)
    return tally.retrieved()


def _get(
    peer: DimsePeer,
    wanted: Sequence[RetrieveScope],
    storage: Sequence[PresentationContext],
    tally: _Tally,
) -> None:
    model = MODELS[peer.root] + GET
    # The peer sends to us on our own association, so we are SCP there (PS3.4 C.5.3).
    roles = [build_role(u, scp_role=True) for u in {str(c.abstract_syntax) for c in storage}]
    bound = [storing(tally.basket)]
    with open_link(peer, [build_context(model), *storage], roles=roles, bound=bound) as link:
        _check_service(link, model, "C-GET")
        for one in wanted:
            for identifier in one.identifiers(peer.root):
                number = link.next_message()
                answers = link.association.send_c_get(identifier, model, number)
                tally.go_through(link, Service.GET, answers)


def _by_move(
    peer: DimsePeer, wanted: Sequence[RetrieveScope], basket: Basket, classes: Sequence[str]
) -> Retrieved:
    if not peer.listen_port:
        raise UsageError(Problem("network.dimse.move_without_port").at(peer=peer.place))
    model = MODELS[peer.root] + MOVE
    taken = [build_context(uid, list(SYNTAXES)) for uid in _unique(classes)]
    tally = _Tally(basket)
    with (
        listening(peer, taken, [storing(basket)]),
        open_link(peer, [build_context(model)]) as link,
    ):
        for one in wanted:
            for identifier in one.identifiers(peer.root):
                number = link.next_message()
                tally.go_through(
                    link,
                    Service.MOVE,
                    link.association.send_c_move(identifier, peer.calling, model, number),
                )
    return tally.retrieved()


def _check_service(link: Link, model: str, name: str) -> None:
    if not link.takes(model):
        problem = Problem("network.dimse.no_service", service=name)
        raise NetworkError(problem.at(peer=link.peer.place))


class _Tally:
    """Adds up the answers to several requests."""

    def __init__(self, basket: Basket) -> None:
        self.basket = basket
        self.status = status_of(Service.ANY, 0)
        self.failed: list[str] = []

    @property
    def missing(self) -> frozenset[str]:
        """UIDs that the peer could not send, and has not sent since."""
        return frozenset(self.failed) - self.basket.came

    def go_through(self, link: Link, service: Service, answers: object) -> None:
        """Take the answers to one request.

        Raises
        ------
        NetworkError
            If the association ends or the peer is silent.
        """
        for answer, identifier in answers:  # type: ignore[attr-defined]
            if "Status" not in answer:
                raise link.lost(Text("network.lost.fetching"))
            link.heard()
            status = status_of(service, int(answer.Status))
            if status.category is Category.PENDING:
                continue
            if status.category is not Category.SUCCESS:
                self.status = status
            listed = identifier.get("FailedSOPInstanceUIDList") if identifier else None
            if listed:
                self.failed += [listed] if isinstance(listed, str) else [str(u) for u in listed]

    def retrieved(self) -> Retrieved:
        """Return the sum; a failure that a later request made good is none."""
        made_good = bool(self.failed) and not self.missing
        return Retrieved(
            dict(self.basket.files),
            status_of(Service.ANY, 0) if made_good else self.status,
            tuple(sorted(self.missing)),
            tuple(self.basket.problems),
        )
