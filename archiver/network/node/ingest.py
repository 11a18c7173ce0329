"""Keeping what arrived, by DIMSE or by web: looked at, flushed, kept, and only then confirmed.

The object is not changed in any way (PS3.4 B.2.3: no coercion). Whether it is what the standard
demands is looked at later; here only whether it is an object at all, and the one that was named.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from archiver.access import EVERYTHING, Scope
from archiver.archive.ingest import Ingest, read_whole
from archiver.archive.store import (
    Archive,
    Aside,
    Incoming,
    Outcome,
    Stored,
    relative_path,
)
from archiver.errors import ArchiveError, ObjectError, Problem
from archiver.network.node import answers
from archiver.network.node.dimse.messages import Fault
from archiver.network.node.free_space import Reserve
from archiver.network.node.incoming_file import IncomingFile, TooLargeError
from archiver.network.node.supported import STORAGE
from archiver.objects import Description, describe
from archiver.wording import Text

#: Objects that are flushed at one time; what is beyond them waits.
_FLUSHES = 16
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


#: PS3.5 9.1; a leading zero in a component is met too often to be refused here.
_UID = re.compile(r"[0-9]+(\.[0-9]+)*")


def is_uid(text: str) -> bool:
    """Return whether a text can be a UID."""
    return len(text) <= 64 and _UID.fullmatch(text) is not None


@dataclass(frozen=True)
class IngestResult:
    """What became of an object that arrived.

    Parameters
    ----------
    status
        A status of PS3.4 B.2.3; in DICOMweb the Failure Reason (PS3.18 annex I).
    comment
        Why, in a few words that name nobody.
    description
        What the object says, None where it could not be read.
    new
        Whether the archive did not have it before.
    in_doubt
        Whether its identifier or study is known as somebody else's; it is kept all the same,
        since who stores cannot be asked.
    size
        Bytes of what came.
    differing
        The attributes in which it differs from what is kept under its UID.
    """

    status: int
    comment: Text | Problem | None = None
    description: Description | None = None
    new: bool = False
    in_doubt: bool = False
    size: int = 0
    differing: tuple[str, ...] = ()


class NodeIngest:
    """Keeps files that have arrived.

    Parameters
    ----------
    archive
        Open for writing.
    reserve
        Free space into which nothing is received.
    more_classes
        SOP classes that are taken beside those of the standard.
    """

    def __init__(
        self, archive: Archive, reserve: Reserve, more_classes: Iterable[str] = ()
    ) -> None:
        self.reserve = reserve
        self._classes = frozenset((*STORAGE, *more_classes))
        self._ingest = Ingest.of(archive)
        self._flushing = ThreadPoolExecutor(_FLUSHES, thread_name_prefix="flush")

    def close(self) -> None:
        """End the threads."""
        self._flushing.shutdown()

    def keep(
        self,
        arrived: IncomingFile | Aside | Fault | None,
        *,
        sop_class: str,
        sop_instance: str,
        origin: str,
        may_reject: bool = False,
        scope: Scope = EVERYTHING,
        accept: Callable[[Description], Text | None] = lambda _: None,
    ) -> IngestResult:
        """Keep one object; its file is gone, or in the archive, afterwards.

        Parameters
        ----------
        arrived
            The file, flushed already or not, or why there is none.
        sop_class, sop_instance
            What the sender calls it; empty where it does not say.
        origin
            From where it came, for the journal.
        may_reject
            Whether a rejection note of the sender counts.
        scope
            Of the sender; nothing beyond it is kept.
        accept
            Says why an object is not wanted here; None where it is.
        """
        if not isinstance(arrived, IncomingFile | Aside):
            return _without_file(arrived)
        # While the disk is busy with it, it is looked at.
        flushing = self._flushing.submit(_flushed, arrived)
        try:
            looked = self._look_at(arrived.path, sop_class, sop_instance, scope, accept)
            if isinstance(looked, IngestResult):
                return looked
            aside = flushing.result()
            item = Incoming(looked, aside=aside, origin=origin, may_reject=may_reject)
            stored = self._ingest.accept([item])[0]
            return self._result(stored, aside, looked)
        except OSError as error:
            return _without_file(error)
        except ArchiveError:
            return IngestResult(answers.OUT_OF_RESOURCES, Text("network.ingest.not_now"))
        except Exception:
            # The writer has counted and reported it.
            return IngestResult(answers.PROCESSING_FAILURE, Text("network.ingest.unforeseen"))
        finally:
            wait([flushing])
            _remove(arrived)

    def _look_at(
        self,
        arrived: Path,
        sop_class: str,
        sop_instance: str,
        scope: Scope,
        accept: Callable[[Description], Text | None],
    ) -> IngestResult | Description:
        """Return what an object says, or why it is not kept."""
        # The errors quote the object; what is told of them must not.
        refused = Text("network.ingest.not_to_its_end")
        try:
            _, header = read_whole(arrived)
            refused = Text("network.ingest.unreadable")
            description = describe(header)
            refused = Text("network.ingest.no_uid")
            relative_path(
                description.study_uid, description.series_uid, description.sop_instance_uid
            )
        except ObjectError:
            return IngestResult(answers.CANNOT_UNDERSTAND, refused)
        if not is_uid(description.sop_class_uid):
            return IngestResult(answers.CANNOT_UNDERSTAND, Text("network.ingest.no_class"))
        if description.sop_class_uid not in self._classes:
            comment = Text("network.ingest.class_not_taken")
            return IngestResult(answers.CLASS_NOT_SUPPORTED, comment, description)
        if sop_instance and description.sop_instance_uid != sop_instance:
            comment = Text("network.ingest.other_instance")
            return IngestResult(answers.MISMATCH, comment, description)
        if sop_class and description.sop_class_uid != sop_class:
            return IngestResult(answers.MISMATCH, Text("network.ingest.other_class"), description)
        if not scope.covers(description.patient_id, description.issuer, description.study_uid):
            return IngestResult(answers.NOT_AUTHORIZED, Text("network.ingest.beyond"), description)
        unwanted = accept(description)
        if unwanted:
            return IngestResult(answers.PROCESSING_FAILURE, unwanted, description)
        return description

    @staticmethod
    def _result(stored: Stored, aside: Aside, description: Description) -> IngestResult:
        if stored.outcome is Outcome.CONFLICT:
            comment = Text("network.ingest.conflict")
            if stored.differing:
                comment = Text("network.ingest.differing", attributes=stored.differing)
            return IngestResult(
                answers.DUPLICATE_INSTANCE, comment, description, differing=stored.differing
            )
        return IngestResult(
            answers.SUCCESS,
            None,
            description,
            new=stored.outcome is Outcome.NEW,
            in_doubt=stored.doubt is not None,
            size=aside.written.size,
        )


def _flushed(arrived: IncomingFile | Aside) -> Aside:
    return arrived.flush() if isinstance(arrived, IncomingFile) else arrived


def _remove(arrived: IncomingFile | Aside) -> None:
    if isinstance(arrived, IncomingFile):
        arrived.discard()
        return
    with suppress(OSError):  # removed when the archive is next opened
        arrived.path.unlink(missing_ok=True)


def _without_file(fault: Fault | None) -> IngestResult:
    if isinstance(fault, TooLargeError):
        return IngestResult(answers.OUT_OF_RESOURCES, Text("network.ingest.too_large"))
    if isinstance(fault, OSError):
        full = fault.errno in _NO_ROOM
        comment = Text("network.ingest.disk_full") if full else Text("network.ingest.disk_refused")
        return IngestResult(answers.OUT_OF_RESOURCES, comment)
    return IngestResult(answers.CANNOT_UNDERSTAND, Text("network.ingest.no_dataset"))
