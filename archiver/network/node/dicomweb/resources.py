"""The resources of the node's DICOMweb services as one table (PS3.18 10.4 to 10.6)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from archiver.network.node.dicomweb.content_negotiation import IMAGE_SYNTAXES, JSON, OCTETS, XML
from archiver.network.query_level import Level

ROOT = "/dicomweb"
#: Pictures for people (PS3.18 8.7.4): JPEG is the default, GIF and PNG are required.
RENDERED = ("image/jpeg", "image/png", "image/gif")
_STUDY = "/studies/{study}"
_SERIES = _STUDY + "/series/{series}"
_INSTANCE = _SERIES + "/instances/{instance}"


class Action(str, Enum):
    """What is done with a resource."""

    SEARCH = "search"
    STORE = "store"
    OBJECTS = "objects"
    METADATA = "metadata"
    RENDERED = "rendered"
    THUMBNAIL = "thumbnail"
    FRAMES = "frames"
    BULK = "bulk data"
    FINDINGS = "findings"

    @property
    def service(self) -> str:
        """The service of PS3.18 that it belongs to."""
        return {"search": "QIDO-RS", "store": "STOW-RS", "findings": "of our own"}.get(
            self.value, "WADO-RS"
        )

    @property
    def permission(self) -> str:
        """What it needs, in the words of the roles."""
        return {Action.SEARCH: "ask", Action.STORE: "store"}.get(self, "fetch")


@dataclass(frozen=True)
class Resource:
    """One resource and what a method does with it.

    Parameters
    ----------
    path
        Template below the root of the services.
    action
        What is done.
    level
        Of the entities that are searched for; None where nothing is.
    """

    path: str
    action: Action
    level: Level | None = None

    @property
    def method(self) -> str:
        """The HTTP method."""
        return "POST" if self.action is Action.STORE else "GET"

    @property
    def permission(self) -> str:
        """What it needs, in the words of the roles."""
        return self.action.permission


_FETCHED = (
    Action.OBJECTS,
    Action.METADATA,
    Action.RENDERED,
    Action.THUMBNAIL,
    Action.FRAMES,
    Action.BULK,
)
#: PS3.18 tables 10.4.1-1, 10.5.1-1 and 10.6.1-2; the findings of validation are our own.
RESOURCES: tuple[Resource, ...] = (
    Resource("/studies", Action.SEARCH, Level.STUDY),
    Resource("/series", Action.SEARCH, Level.SERIES),
    Resource("/instances", Action.SEARCH, Level.IMAGE),
    Resource(_STUDY + "/series", Action.SEARCH, Level.SERIES),
    Resource(_STUDY + "/instances", Action.SEARCH, Level.IMAGE),
    Resource(_SERIES + "/instances", Action.SEARCH, Level.IMAGE),
    Resource("/studies", Action.STORE),
    Resource(_STUDY, Action.STORE),
    *(
        Resource(path + ending, action)
        for path in (_STUDY, _SERIES, _INSTANCE)
        for ending, action in (
            ("", Action.OBJECTS),
            ("/metadata", Action.METADATA),
            ("/rendered", Action.RENDERED),
            ("/thumbnail", Action.THUMBNAIL),
        )
    ),
    Resource(_INSTANCE + "/frames/{frames}", Action.FRAMES),
    Resource(_INSTANCE + "/frames/{frames}/rendered", Action.RENDERED),
    Resource(_INSTANCE + "/frames/{frames}/thumbnail", Action.THUMBNAIL),
    Resource(_INSTANCE + "/pixeldata", Action.FRAMES),
    Resource(_INSTANCE + "/bulkdata/{tag}", Action.BULK),
    Resource(_INSTANCE + "/findings", Action.FINDINGS),
)


#: What a request is given, the default first (PS3.18 8.7.3, 8.7.4); parts of multipart/related
#: where there is more than one.
GIVEN: Mapping[Action, tuple[str, ...]] = {
    Action.SEARCH: (JSON, XML),
    Action.STORE: (JSON, XML),
    Action.OBJECTS: ("application/dicom",),
    Action.METADATA: (JSON, XML),
    Action.RENDERED: RENDERED,
    Action.THUMBNAIL: RENDERED,
    Action.FRAMES: (OCTETS, *IMAGE_SYNTAXES),
    Action.BULK: (OCTETS, *IMAGE_SYNTAXES),
    Action.FINDINGS: ("application/json",),
}

#: When a request is answered with an HTTP status, by what it does.
STATUSES: tuple[tuple[int, tuple[Action, ...], str], ...] = (
    (200, tuple(Action), "done; of STOW-RS: all objects were stored"),
    (202, (Action.STORE,), "some objects were stored, others not; the body says which and why"),
    (202, (Action.FINDINGS,), "the instance is not validated yet"),
    (204, (Action.SEARCH,), "nothing matches"),
    (400, (Action.SEARCH,), "a parameter is unknown or its value malformed"),
    (
        400,
        (*_FETCHED, Action.FINDINGS),
        "a UID, a tag, a list of frames or a parameter is malformed",
    ),
    (400, (Action.STORE,), "the body is not what its media type says, or empty"),
    (401, tuple(Action), "credentials are missing or wrong"),
    (403, tuple(Action), "the address of the client, or its credentials, are not allowed this"),
    (
        404,
        (*_FETCHED, Action.FINDINGS),
        "there is no such study, series, instance, frame or bulk data",
    ),
    (406, (Action.SEARCH, *_FETCHED), "no media type or transfer syntax that is accepted is here"),
    (406, _FETCHED, "the object cannot be decoded, or takes more than is allowed"),
    (408, (Action.STORE,), "the body comes too slowly"),
    (409, (Action.STORE,), "no object was stored; the body says why"),
    (413, (Action.STORE,), "the request is larger than this node takes"),
    (429, tuple(Action), "the address has used up what a minute gives, or sends too much at once"),
    (415, (Action.STORE,), "the media type is not taken"),
    (421, tuple(Action), "the Host header names another server"),
    (503, (Action.STORE,), "the disk is almost full; nothing of the request was read"),
)
