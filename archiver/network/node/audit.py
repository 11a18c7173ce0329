"""Audit events with the fields of PS3.15 A.5, as lines of the archive's journal.

The journal names no person: the patient of an event is told by the Study Instance UIDs, which
the objects lead back to the patient for whoever may read them; of a query the level and the keys
are told, not their values.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum

from archiver.archive.journal import Deed

#: What the journal calls such a line.
AUDIT = "audit"
#: The journal cuts longer notes.
_LONGEST_NOTE = 400


class Event(Enum):
    """Event ID (CID 400, scheme DCM) and event action code (PS3.15 A.5.2)."""

    APPLICATION = ("110100", "E")
    BEGIN_TRANSFER = ("110102", "E")
    ACCESSED = ("110103", "R")
    CHANGED = ("110103", "U")
    RECEIVED = ("110104", "C")
    SENT = ("110104", "R")
    QUERY = ("110112", "E")
    ALERT = ("110113", "E")
    AUTHENTICATION = ("110114", "E")
    EXPORTED = ("110106", "R")

    @property
    def code(self) -> str:
        """The Event ID."""
        return self.value[0]

    @property
    def action(self) -> str:
        """C, R, U, D or E."""
        return self.value[1]


#: EventOutcomeIndicator: success, minor failure, serious failure.
DONE, MINOR, SERIOUS = 0, 4, 8


@dataclass(frozen=True)
class Happening:
    """Something that the audit trail has to tell.

    Parameters
    ----------
    event
        What kind of thing.
    source, destination
        Active participants: ``TITLE@address``, for the roles of CID 402 (110153, 110152).
    outcome
        `DONE`, `MINOR` or `SERIOUS`.
    studies
        Study Instance UIDs and the number of instances of each (object type 110180).
    detail
        Service, level, keys, reason.
    """

    event: Event
    source: str
    destination: str
    outcome: int = DONE
    studies: Mapping[str, int] | None = None
    detail: str = ""

    def deeds(self) -> Iterable[Deed]:
        """Yield a line for each study, one where there is none (one patient a message, A.5.3.7)."""
        for study, count in (self.studies or {"": 0}).items():
            fields = {
                "event": self.event.code,
                "action": self.event.action,
                "outcome": self.outcome,
                "from": self.source,
                "to": self.destination,
            }
            if count:
                fields["instances"] = count
            room = _LONGEST_NOTE - len(_packed(fields)) - 20
            if self.detail:
                fields["detail"] = _fitting(self.detail, room)
            yield Deed(AUDIT, study=study, note=_packed(fields))


def _packed(fields: Mapping[str, object]) -> str:
    return json.dumps(fields, separators=(",", ":"), ensure_ascii=True)


def _fitting(text: str, room: int) -> str:
    """Cut a text so that it fits when it is written as JSON."""
    while len(json.dumps(text)) > room and text:
        text = text[: max(0, len(text) * 3 // 4)]
    return text
