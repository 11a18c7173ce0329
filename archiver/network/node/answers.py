"""The statuses that this node answers with; their words are in `archiver.network.statuses`."""

from __future__ import annotations

from dataclasses import dataclass

SUCCESS = 0x0000
CANCELLED = 0xFE00
PENDING = 0xFF00
PENDING_UNSUPPORTED_KEYS = 0xFF01

#: PS3.7 annex C.5.
PROCESSING_FAILURE = 0x0110
DUPLICATE_INSTANCE = 0x0111
NO_SUCH_INSTANCE = 0x0112
INVALID_ARGUMENT = 0x0115
CLASS_INSTANCE_CONFLICT = 0x0119
CLASS_NOT_SUPPORTED = 0x0122
NO_SUCH_EVENT = 0x0113
NO_SUCH_ACTION = 0x0123
NOT_AUTHORIZED = 0x0124
RESOURCE_LIMITATION = 0x0213

#: PS3.4 B.2.3, C.4.1.1.4, C.4.2.1.5, C.4.3.1.4.
OUT_OF_RESOURCES = 0xA700
SUBOPERATIONS_FAILED = 0xA702
DESTINATION_UNKNOWN = 0xA801
MISMATCH = 0xA900
SOME_SUBOPERATIONS_FAILED = 0xB000
CANNOT_UNDERSTAND = 0xC000


def error_comment(said: object) -> str:
    """Return Error Comment (0000,0902): 64 characters at most, of the default repertoire.

    No character set is told of a command (PS3.7 6.3.1), so other characters cannot be.
    """
    return str(said).encode("ascii", "replace").decode("ascii")[:64]


@dataclass(frozen=True)
class Behaviour:
    """When the node answers with a status; the conformance statement prints these.

    Parameters
    ----------
    services
        Which answer so.
    status
        One of the above.
    when
        In words.
    """

    services: tuple[str, ...]
    status: int
    when: str


_STORE, _FIND, _GET, _MOVE = ("C-STORE",), ("C-FIND",), ("C-GET",), ("C-MOVE",)
_FETCH = _GET + _MOVE
_ACTION, _EVENT = ("N-ACTION",), ("N-EVENT-REPORT",)
_REPORT = ("N-EVENT-REPORT, Failure Reason",)
_STOW = ("STOW-RS, Failure Reason",)
_CONFLICT = (
    "an object with other values is kept under this SOP Instance UID; the comment, the log and, of "
    "STOW-RS, a Warning header name the attributes"
)
BEHAVIOUR: tuple[Behaviour, ...] = (
    Behaviour(("C-ECHO",), SUCCESS, "always"),
    Behaviour(
        _STORE,
        SUCCESS,
        "the object is on the disk, flushed, in the journal and in the index; also where the same "
        "object was there before, however encoded",
    ),
    Behaviour(_STORE, DUPLICATE_INSTANCE, _CONFLICT),
    Behaviour(
        _STORE,
        CLASS_NOT_SUPPORTED,
        "the SOP class is not that of the context, or neither the standard's nor of the settings",
    ),
    Behaviour(
        _STORE,
        OUT_OF_RESOURCES,
        "the object is larger than this node takes, or the disk is full or refuses",
    ),
    Behaviour(_STORE, MISMATCH, "SOP class or instance UID of object and request differ"),
    Behaviour(
        _STORE, CANNOT_UNDERSTAND, "the object cannot be read to its end, or its UIDs are malformed"
    ),
    Behaviour(
        _STORE + _FIND + _FETCH + _ACTION,
        NOT_AUTHORIZED,
        "the rights of the calling title do not allow it, or, of C-STORE, not of that patient",
    ),
    Behaviour(_FIND, PENDING, "an answer; all keys were looked at"),
    Behaviour(
        _FIND,
        PENDING_UNSUPPORTED_KEYS,
        "an answer; keys that are not supported at this level were passed over",
    ),
    Behaviour(_FIND, SUCCESS, "there are no more answers"),
    Behaviour(_FIND, CANCELLED, "a C-CANCEL came"),
    Behaviour(
        _FIND, MISMATCH, "the level is not of the model, a unique key above is missing, a bad range"
    ),
    Behaviour(
        _FIND,
        OUT_OF_RESOURCES,
        "the index cannot be read, or more objects would have to be looked into than is allowed",
    ),
    Behaviour(_FIND, CANNOT_UNDERSTAND, "the identifier cannot be read"),
    Behaviour(
        _FETCH, PENDING, "after each object but the last, with the numbers of sub-operations"
    ),
    Behaviour(_FETCH, SUCCESS, "all objects were taken, or none matched"),
    Behaviour(_FETCH, SOME_SUBOPERATIONS_FAILED, "some objects were not taken; their UIDs follow"),
    Behaviour(_FETCH, SUBOPERATIONS_FAILED, "no object was taken"),
    Behaviour(_FETCH, CANCELLED, "a C-CANCEL came; the objects that remain are counted"),
    Behaviour(_MOVE, DESTINATION_UNKNOWN, "the destination is no configured peer"),
    Behaviour(_FETCH, MISMATCH, "the level is not of the model, or a unique key is missing"),
    Behaviour(_FETCH, OUT_OF_RESOURCES, "the index cannot be read"),
    Behaviour(_FETCH, CANNOT_UNDERSTAND, "the identifier cannot be read"),
    Behaviour(_ACTION, SUCCESS, "the report follows"),
    Behaviour(_ACTION, NO_SUCH_ACTION, "the action type is not 1"),
    Behaviour(_ACTION, NO_SUCH_INSTANCE, "it is not for the well-known instance"),
    Behaviour(_ACTION, INVALID_ARGUMENT, "transaction or references are missing"),
    Behaviour(_ACTION, RESOURCE_LIMITATION, "the disk refuses to note that a report is owed"),
    Behaviour(_EVENT, SUCCESS, "the report is noted in the outbox, or is of no transaction there"),
    Behaviour(_EVENT, NO_SUCH_EVENT, "the event type is neither 1 nor 2"),
    Behaviour(_EVENT, INVALID_ARGUMENT, "the report cannot be read"),
    Behaviour(_EVENT, PROCESSING_FAILURE, "the outbox cannot be used"),
    Behaviour(_REPORT, NO_SUCH_INSTANCE, "there is no such object for the calling title"),
    Behaviour(_REPORT, CLASS_INSTANCE_CONFLICT, "the object is of another SOP class"),
    Behaviour(
        _REPORT, PROCESSING_FAILURE, "the object's digest on the disk is not that of its receipt"
    ),
    Behaviour(_STOW, SUCCESS, "as for C-STORE; the object is in Referenced SOP Sequence"),
    Behaviour(_STOW, PROCESSING_FAILURE, "the object is of another study than the path names"),
    Behaviour(
        _STOW, CLASS_NOT_SUPPORTED, "the SOP class is neither the standard's nor of the settings"
    ),
    Behaviour(_STOW, NOT_AUTHORIZED, "the rights of the sender do not name that patient and study"),
    Behaviour(_STOW, DUPLICATE_INSTANCE, _CONFLICT),
    Behaviour(
        _STOW,
        OUT_OF_RESOURCES,
        "the object is larger than this node takes, or the disk is full or refuses",
    ),
    Behaviour(
        _STOW,
        CANNOT_UNDERSTAND,
        "the part is no object, cannot be read to its end, or metadata name bulk data that did not "
        "come or are of a media type that is not taken",
    ),
)
