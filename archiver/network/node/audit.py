"""Audit events with the fields of PS3.15 A.5, as lines of the archive's journal.

The journal names no person: the patient of an event is told by the Study Instance UIDs, which
the objects lead back to the patient for whoever may read them; of a query the level and the keys
are told, not their values.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum

from archiver.archive.store import Deed

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
    DELETED = ("110103", "D")
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
#: EventTypeCode (CID 401).
STARTED, STOPPED, NODE_AUTHENTICATION, RESTRICTED = "110120", "110121", "110126", "110132"
#: RoleIDCode (CID 402) of the two participants of every event.
APPLICATION, DESTINATION, SOURCE = "110150", "110152", "110153"
_ROLES = {Event.APPLICATION: (APPLICATION, APPLICATION)}
#: ParticipantObjectIDTypeCode (CID 404): what is named beside the participants.
STUDY, SOP_CLASS = "110180", "110181"
#: NetworkAccessPointTypeCode: a name of a machine, an IP address.
_MACHINE, _ADDRESS = 1, 2


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
    kind
        EventTypeCode, where the event has one.
    requestor
        Who asked for it: the source, where this is left out.
    sop_class
        Of a query, its model.
    """

    event: Event
    source: str
    destination: str
    outcome: int = DONE
    studies: Mapping[str, int] | None = None
    detail: str = ""
    kind: str = ""
    requestor: str = ""
    sop_class: str = ""

    def deeds(self) -> Iterable[Deed]:
        """Yield a line for each study, one where there is none (one patient a message, A.5.3.7)."""
        for study, count in (self.studies or {"": 0}).items():
            fields: dict[str, object] = {
                "event": self.event.code,
                "action": self.event.action,
                "outcome": self.outcome,
                "from": self.source,
                "to": self.destination,
            }
            optional = {
                "type": self.kind,
                "requestor": self.requestor,
                "class": self.sop_class,
                "instances": count,
            }
            fields.update({name: value for name, value in optional.items() if value})
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


@dataclass(frozen=True)
class Participant:
    """An active participant of an event (PS3.15 A.5.2).

    Parameters
    ----------
    user
        UserID: a title, or the name of a user.
    role
        RoleIDCode.
    is_requestor
        UserIsRequestor.
    access_point
        NetworkAccessPointID, empty for this node itself.
    access_point_type
        NetworkAccessPointTypeCode, 0 where there is none.
    """

    user: str
    role: str
    is_requestor: bool
    access_point: str
    access_point_type: int


@dataclass(frozen=True)
class AuditEvent:
    """An event as the journal has it, in the fields of PS3.15 A.5.2.

    Parameters
    ----------
    event, kind, action, time, outcome
        EventID, EventTypeCode, EventActionCode, EventDateTime, EventOutcomeIndicator.
    participants
        Active participants.
    source
        AuditSourceID: who wrote the journal.
    objects
        Participant objects: (ID, ParticipantObjectIDTypeCode, number of instances).
    detail
        Service, level, keys, reason.
    """

    event: str
    kind: str
    action: str
    time: str
    outcome: int
    participants: tuple[Participant, ...]
    source: str
    objects: tuple[tuple[str, str, int], ...]
    detail: str


def event_of(line: Mapping[str, str]) -> AuditEvent:
    """Read an audit event from a line of the journal.

    Parameters
    ----------
    line
        With ``time``, ``who``, ``study`` and ``note``, as `Happening.deeds` had it written.
    """
    note = json.loads(line["note"])
    event = next(e for e in Event if (e.code, e.action) == (note["event"], note["action"]))
    requestor = note.get("requestor", note["from"])
    roles = _ROLES.get(event, (SOURCE, DESTINATION))
    pairs = dict.fromkeys(zip((note["from"], note["to"]), roles, strict=True))
    participants = [_participant(name, role, name == requestor) for name, role in pairs]
    if requestor not in (note["from"], note["to"]):
        participants.append(_participant(requestor, "", True))
    objects = [(note["class"], SOP_CLASS, 0)] if "class" in note else []
    if line["study"]:
        objects.append((line["study"], STUDY, note.get("instances", 0)))
    return AuditEvent(
        note["event"],
        note.get("type", ""),
        note["action"],
        line["time"],
        note["outcome"],
        tuple(participants),
        line["who"],
        tuple(objects),
        note.get("detail", ""),
    )


def _participant(text: str, role: str, is_requestor: bool) -> Participant:
    user, at, place = text.rpartition("@")
    if not at:
        user, place = text, ""
        if _is_address(text):
            # A connection that was refused before it said who it is.
            user, place = "", text
    kind = (_ADDRESS if _is_address(place) else _MACHINE) if place else 0
    return Participant(user, role, is_requestor, place, kind)


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return False
    return True
