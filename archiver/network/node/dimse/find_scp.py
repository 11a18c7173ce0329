"""C-FIND as SCP: Query/Retrieve of both roots, and the worklist (PS3.4 C.4.1, K.4.1)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain, islice
from typing import Any

from pydicom import Dataset

from archiver.access import Scope
from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.node import answers
from archiver.network.node.audit import DONE, MINOR, Event, Happening
from archiver.network.node.dimse.association import NodeAssociation
from archiver.network.node.query.query_engine import (
    BadQuestionError,
    QueryQuestion,
    TooWideQuestionError,
    check_hierarchy,
    find,
)
from archiver.network.node.query.worklist import Visits
from archiver.network.node.supported import PATIENT_ROOT, WORKLIST
from archiver.network.query_level import Level
from archiver.wording import Text

#: Answers that are looked for before the first is sent; the audit trail counts them.
_AT_FIRST = 500

Responses = Iterator[tuple[int | Dataset, Dataset | None]]


def failure(status: int, comment: object) -> Dataset:
    """Return a status with Error Comment."""
    found = Dataset()
    found.Status = status
    found.ErrorComment = answers.error_comment(comment)
    return found


def _too_wide() -> Iterator[tuple[int, Dataset]]:
    raise TooWideQuestionError
    yield


def has_wide_text(dataset: Dataset) -> bool:
    """Return whether any text is outside the default repertoire (PS3.5 6.1.2.1)."""
    for element in dataset:
        if element.VR == "SQ":
            if any(has_wide_text(item) for item in element.value or ()):
                return True
        elif not str(element.value).isascii():
            return True
    return False


class Querying:
    """Answers C-FIND requests.

    Parameters
    ----------
    archive
        What is asked.
    title
        Of this node, for Retrieve AE Title.
    visits
        Today's visits, None where there is no worklist.
    tell
        Takes audit events.
    most_headers
        As `find` takes it.
    """

    def __init__(
        self,
        archive: Archive,
        title: str,
        visits: Visits | None,
        tell: Callable[[Happening], None],
        most_headers: int,
    ) -> None:
        self._most_headers = most_headers
        self._archive = archive
        self._title = title
        self._visits = visits
        self._tell = tell

    def __call__(self, event: Any) -> Responses:
        """Yield the responses to a C-FIND request, as pynetdicom wants them."""
        association: NodeAssociation = event.assoc
        model = str(event.context.abstract_syntax)
        try:
            keys: Dataset = event.identifier
            keys.decode()
        except Exception:
            # pydicom raises whatever the bytes lead it to.
            yield failure(answers.CANNOT_UNDERSTAND, Text("network.query.identifier")), None
            self._audit(association, model, MINOR, "an identifier that cannot be read")
            return
        found: Iterator[tuple[int, Dataset]] = iter(())
        first: list[tuple[int, Dataset]] = []
        refused: Dataset | None = None
        try:
            asks = self._of_worklist if model == WORKLIST else self._of_archive
            found = asks(model, keys, association.identity.scope)
            first.extend(islice(found, _AT_FIRST))
        except BadQuestionError as error:
            refused = failure(answers.MISMATCH, error)
        except TooWideQuestionError:
            # What was found is given, and that it is not all.
            found = _too_wide()
        except ArchiverError as error:
            refused = failure(answers.OUT_OF_RESOURCES, error.problems[0].found)
        asked = " ".join(element.keyword for element in keys if element.value not in (None, ""))
        many = f"{len(first)}{' or more' if len(first) == _AT_FIRST else ''}"
        level, outcome = keys.get("QueryRetrieveLevel", ""), DONE if refused is None else MINOR
        try:
            self._audit(association, model, outcome, f"{level}; answers: {many}; {asked}")
        except ArchiverError as error:
            refused, first = failure(answers.OUT_OF_RESOURCES, error.problems[0].found), []
        if refused is not None:
            yield refused, None
            return
        yield from self._sent(event, chain(first, found))

    @staticmethod
    def _sent(event: Any, found: Iterator[tuple[int, Dataset]]) -> Responses:
        try:
            for status, one in found:
                if event.is_cancelled:
                    yield answers.CANCELLED, None
                    return
                yield status, one
        except TooWideQuestionError:
            yield failure(answers.OUT_OF_RESOURCES, Text("network.query.too_wide")), None
        except ArchiverError as error:
            yield failure(answers.OUT_OF_RESOURCES, error.problems[0].found), None

    def _audit(self, association: NodeAssociation, model: str, outcome: int, what: str) -> None:
        detail = f"C-FIND {what}"
        peer = association.peer
        self._tell(
            Happening(Event.QUERY, peer, self._title, outcome, detail=detail, sop_class=model)
        )

    def _of_archive(self, model: str, keys: Dataset, scope: Scope) -> Iterator[tuple[int, Dataset]]:
        try:
            level = Level(str(keys.get("QueryRetrieveLevel", "")).strip())
        except ValueError:
            raise BadQuestionError(Text("network.query.no_level")) from None
        question = QueryQuestion(level, keys)
        top = Level.PATIENT if model.startswith(PATIENT_ROOT) else Level.STUDY
        check_hierarchy(question, top)
        _, complete = question.supported()
        status = answers.PENDING if complete else answers.PENDING_UNSUPPORTED_KEYS
        for one in find(self._archive, question, self._most_headers, scope):
            response = one.attributes
            response.QueryRetrieveLevel = level.value
            response.RetrieveAETitle = self._title
            response.InstanceAvailability = "ONLINE"
            if has_wide_text(response):
                response.SpecificCharacterSet = "ISO_IR 192"
            yield status, response

    def _of_worklist(
        self, _model: str, keys: Dataset, scope: Scope
    ) -> Iterator[tuple[int, Dataset]]:
        if self._visits is None:
            raise BadQuestionError(Text("network.query.no_worklist"))
        complete = self._visits.knows(keys)
        status = answers.PENDING if complete else answers.PENDING_UNSUPPORTED_KEYS
        for one in self._visits.find(keys, scope):
            if has_wide_text(one):
                one.SpecificCharacterSet = "ISO_IR 192"
            yield status, one
