"""All objects of a request that come as metadata and bulk data; made in a worker process."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from archiver.archive.store import Aside
from archiver.errors import ArchiverError, Problem
from archiver.network.multipart import MediaType
from archiver.network.node import answers
from archiver.network.node.dicomweb.content_negotiation import JSON, XML
from archiver.network.node.dicomweb.json_objects import Composed, compose
from archiver.network.node.dicomweb.native_xml import BadXmlError, from_xml
from archiver.network.node.dicomweb.responses import RefusedRequest, refusal
from archiver.network.node.incoming_file import IncomingFile, Stretch, TooLargeError
from archiver.wording import Text

METADATA = (JSON, "application/json", XML)
#: All metadata of a request without its bulk data (bytes).
_LONGEST = 32 << 20


@dataclass(frozen=True)
class Composition:
    """A task.

    Parameters
    ----------
    metadata
        Media type and bytes of each part that describes objects.
    bulk
        The other parts, by their Content-Location.
    folder, mark
        Where files are made, and how their names begin.
    object_bytes
        Largest object.
    objects, attributes, nesting
        How many the metadata may tell of, with how many attributes, and how deep.
    """

    metadata: Sequence[tuple[str, Stretch]]
    bulk: Mapping[str, tuple[MediaType, Stretch]]
    folder: Path
    mark: str
    object_bytes: int
    objects: int
    attributes: int
    nesting: int


class Failed(NamedTuple):
    """Why one object was not made: a status, and in words that name nobody."""

    status: int
    comment: Text | Problem


def compose_all(task: Composition) -> list[Aside | Failed]:
    """Make the objects; their files are flushed.

    Raises
    ------
    HTTPException
        400 where the metadata are malformed, 413 where there is more of them than is taken.
    """
    described = _described(task)
    made: list[Aside | Failed] = []
    for one in described:
        try:
            made.append(_written(compose(one, task.bulk), task))
        except ArchiverError as error:
            made.append(Failed(answers.CANNOT_UNDERSTAND, error.problems[0].with_places()))
        except (OSError, TooLargeError):
            made.append(Failed(answers.OUT_OF_RESOURCES, Text("network.ingest.not_taken")))
    return made


def _described(task: Composition) -> list[Any]:
    if sum(part.size for _, part in task.metadata) > _LONGEST:
        raise refusal(413, "network.web.metadata_size", most=_LONGEST >> 20)
    texts = [(media, part.read()) for media, part in task.metadata]
    # Counted before anything is parsed: of JSON each object and attribute takes a brace.
    braces = sum(data.count(b"<" if media == XML else b"{") for media, data in texts)
    if braces > task.objects + task.attributes * _nodes(texts):
        raise refusal(413, "network.web.metadata_attributes", most=task.attributes)
    found = [one for media, data in texts for one in _parsed(media, data, task.nesting)]
    if len(found) > task.objects:
        raise refusal(413, "network.web.metadata_objects", most=task.objects)
    if _is_deeper(found, task.nesting):
        raise refusal(400, "network.xml.too_deep")
    return found


def _nodes(texts: Iterable[tuple[str, bytes]]) -> int:
    """Return how many marks one attribute takes; in XML it has tags, values and their ends."""
    return 6 if any(media == XML for media, _ in texts) else 1


def _parsed(media: str, data: bytes, nesting: int) -> list[Any]:
    try:
        if media == XML:
            return [from_xml(data, nesting)]
        found = json.loads(data)
    except BadXmlError as error:
        raise RefusedRequest(400, error.args[0]) from None
    except (ValueError, RecursionError):
        raise refusal(400, "network.web.no_json") from None
    return found if isinstance(found, list) else [found]


def _is_deeper(objects: list[Any], most: int) -> bool:
    """Return whether sequences lie in each other deeper; each is an object, a list, an object."""
    level: list[Any] = objects
    for _ in range(3 * most + 4):
        level = [
            inner
            for one in level
            if isinstance(one, dict | list)
            for inner in (one.values() if isinstance(one, dict) else one)
            if isinstance(inner, dict | list) and inner
        ]
        if not level:
            return False
    return True


def _written(composed: Composed, task: Composition) -> Aside:
    made = IncomingFile(task.folder, task.object_bytes, task.mark)
    try:
        for piece in composed.pieces():
            made.write(piece)
        return made.flush()
    except BaseException:
        made.discard()
        raise
