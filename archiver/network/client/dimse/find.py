"""Asking an archive (PS3.4 C.4.1): at every level, in both information models."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from pydicom import Dataset
from pynetdicom.presentation import build_context

from archiver.errors import NetworkError, Problem
from archiver.network.client.dimse.link import Link, open_link
from archiver.network.peers import DimsePeer
from archiver.network.query_level import Level
from archiver.network.statuses import Category, Service, status_of
from archiver.wording import Text

#: Information models by root, without the service's own ending (PS3.4 C.6).
MODELS = {
    "patient": "1.2.840.10008.5.1.4.1.2.1",
    "study": "1.2.840.10008.5.1.4.1.2.2",
}
FIND, MOVE, GET = ".1", ".2", ".3"
#: Answers to one question at most; whoever has more is asked to stop.
MOST_ANSWERS = 20_000
_OPTIONAL_NOT_LOOKED_AT = 0xFF01
_UNICODE = "ISO_IR 192"


@dataclass(frozen=True)
class FindAnswers:
    """What a peer answered.

    Parameters
    ----------
    matches
        One for each thing found.
    optional_ignored
        True where the peer said that it did not look at optional keys.
    cut
        True where it had more than it gave, or than we took.
    """

    matches: tuple[Dataset, ...]
    optional_ignored: bool = False
    cut: bool = False


def question(level: Level, keys: Mapping[str, object]) -> Dataset:
    """Return an identifier.

    Parameters
    ----------
    level
        Of the things asked for.
    keys
        By keyword. An empty text asks for the attribute without matching it.
    """
    identifier = Dataset()
    identifier.QueryRetrieveLevel = level.value
    for keyword, value in keys.items():
        # An empty text is no value of a number; an element without value is one of any.
        setattr(identifier, keyword, None if value == "" else value)
    if any(isinstance(value, str) and not value.isascii() for value in keys.values()):
        identifier.SpecificCharacterSet = _UNICODE
    return identifier


@contextmanager
def asking(peer: DimsePeer) -> Iterator[Link]:
    """Open an association for questions in the peer's information model.

    Raises
    ------
    NetworkError
        If the peer cannot be reached, refuses, or answers no questions.
    """
    model = MODELS[peer.root] + FIND
    with open_link(peer, [build_context(model)]) as link:
        yield link


def find(
    link: Link, identifier: Dataset, *, model: str = "", most: int = MOST_ANSWERS
) -> FindAnswers:
    """Ask a question on an open association.

    Parameters
    ----------
    link
        With a context for the model.
    identifier
        The question.
    model
        SOP class; the one of the peer's root where it is left out.
    most
        Answers at most; then the peer is asked to stop (C-CANCEL).

    Raises
    ------
    NetworkError
        If the association ends, the peer is silent, or it answers failure.
    """
    model = model or MODELS[link.peer.root] + FIND
    number = link.next_message()
    matches: list[Dataset] = []
    ignored = cut = False
    for answer, match in link.association.send_c_find(identifier, model, number):
        if "Status" not in answer:
            raise link.lost(Text("network.lost.asked"))
        link.heard()
        code = int(answer.Status)
        status = status_of(Service.FIND, code)
        if status.category is Category.PENDING:
            ignored = ignored or code == _OPTIONAL_NOT_LOOKED_AT
            if len(matches) < most:
                if match is None:
                    raise NetworkError(
                        Problem("network.dimse.unreadable_answer").at(peer=link.peer.place)
                    )
                matches.append(match)
            elif not cut:
                cut = True
                _cancel(link, number, model)
        elif status.category is Category.FAILURE:
            said = str(answer.get("ErrorComment", "")).strip()
            problem = Problem("network.dimse.not_answered", status=status.text)
            if said:
                problem = Problem("network.dimse.not_answered_why", status=status.text, said=said)
            raise NetworkError(problem.at(peer=link.peer.place))
        elif status.category is Category.WARNING:
            cut = True
    return FindAnswers(tuple(matches), ignored, cut)


def _cancel(link: Link, number: int, model: str) -> None:
    contexts = (c for (name, _), c in link.accepted().items() if name == model)
    context = next(contexts, None)
    if context is not None:
        link.association.send_c_cancel(number, context)


_UNIQUE = {
    Level.PATIENT: "PatientID",
    Level.STUDY: "StudyInstanceUID",
    Level.SERIES: "SeriesInstanceUID",
    Level.IMAGE: "SOPInstanceUID",
}


def below(
    link: Link, level: Level, above: Sequence[Dataset], keys: Mapping[str, object]
) -> list[Dataset]:
    """Ask for what lies below each of some answers, hierarchically (PS3.4 C.4.1.3.1).

    The unique keys of the levels above are put into every answer that lacks them.
    """
    found: list[Dataset] = []
    order = list(Level)
    for parent in above:
        unique = {
            _UNIQUE[upper]: parent.get(_UNIQUE[upper])
            for upper in order[: order.index(level)]
            if parent.get(_UNIQUE[upper]) and not (upper is Level.PATIENT and _study_root(link))
        }
        for match in find(link, question(level, {**keys, **unique})).matches:
            for keyword, value in {**_handed_down(parent), **unique}.items():
                if not match.get(keyword):
                    setattr(match, keyword, value)
            found.append(match)
    return found


def _study_root(link: Link) -> bool:
    # There the patient's identifier is a key of the study level (PS3.4 C.6.2.1).
    return link.peer.root == "study"


_KEPT = (
    "PatientID",
    "PatientName",
    "IssuerOfPatientID",
    "PatientBirthDate",
    "PatientSex",
    "StudyInstanceUID",
    "StudyDate",
    "StudyTime",
    "StudyDescription",
    "AccessionNumber",
    "StudyID",
    "SeriesInstanceUID",
    "SeriesDescription",
    "Modality",
)


def _handed_down(parent: Dataset) -> dict[str, object]:
    return {keyword: parent.get(keyword) for keyword in _KEPT if parent.get(keyword)}
