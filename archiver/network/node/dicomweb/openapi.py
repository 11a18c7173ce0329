"""All web services as one OpenAPI description: DICOMweb from its table, pages from their routes.

DICOMweb follows PS3.18; what the pages take and answer is their own, and may change with any
version. OpenAPI 3.1.0, https://spec.openapis.org/oas/v3.1.0.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from archiver import __version__
from archiver.network.node.dicomweb.qido import MORE, RETURNED
from archiver.network.node.dicomweb.resources import (
    GIVEN,
    RESOURCES,
    ROOT,
    STATUSES,
    Action,
    Resource,
)

PATH = ROOT + "/openapi.json"
_TEXT = {"type": "string"}
_UID = {"type": "string", "pattern": r"^[0-9]+(\.[0-9]+)*$", "maxLength": 64}
_COUNT = {"type": "integer", "minimum": 0, "maximum": 999_999_999}
_FRAMES = {"type": "string", "pattern": r"^[1-9][0-9]{0,6}(,[1-9][0-9]{0,6})*$"}
_PLACES: Mapping[str, Mapping[str, Any]] = {
    "study": _UID,
    "series": _UID,
    "instance": _UID,
    "frames": _FRAMES,
    "tag": {"type": "string", "pattern": "^[0-9A-Fa-f]{8}$"},
}
#: Parameters of PS3.18 8.3.4 and 8.3.5.
_SEARCHED: Mapping[str, Mapping[str, Any]] = {
    "limit": _COUNT,
    "offset": _COUNT,
    "includefield": _TEXT,
    "fuzzymatching": {"type": "boolean"},
}
_RENDERED: Mapping[str, Mapping[str, Any]] = {
    "viewport": {"type": "string", "pattern": "^[1-9][0-9]{0,3},[1-9][0-9]{0,3}$"},
    "quality": {"type": "integer", "minimum": 1, "maximum": 100},
    "window": {"type": "string", "examples": ["40,400,linear"]},
}
#: What the front door and the library answer by themselves, whatever is asked for.
_EVERYWHERE = {
    400: "the request cannot be understood",
    403: "not allowed",
    421: "the Host header names another server",
    429: "too much or too often",
    503: "not now",
}


def openapi(request: Request, pages: Iterable[object]) -> Response:
    """Answer with the description; `pages` are routes of the pages."""
    paths: dict[str, dict[str, Any]] = defaultdict(dict)
    for one in RESOURCES:
        paths[ROOT + one.path][one.method.lower()] = _resource(one)
    for route in pages:
        if isinstance(route, Route) and hasattr(route, "permission"):
            path = re.sub(r":\w+\}", "}", route.path)
            for method in sorted((route.methods or set()) - {"HEAD"}):
                paths[path][method.lower()] = _page(route, path)
    schemes = {name: {"type": "http", "scheme": name} for name in ("basic", "bearer")}
    told = {
        "openapi": "3.1.0",
        "info": {"title": "archiver", "version": __version__},
        "servers": [{"url": f"{request.url.scheme}://{request.url.netloc}"}],
        "components": {"securitySchemes": schemes},
        "security": [{"basic": []}, {"bearer": []}],
        "paths": paths,
    }
    return JSONResponse(told)


def _resource(one: Resource) -> dict[str, Any]:
    query: dict[str, Mapping[str, Any]] = {}
    if one.level is not None:
        levels = (*one.level.above, one.level)
        query = {k: _TEXT for level in levels for k in (*RETURNED[level], *MORE[level])}
        query = {**{k: v for k, v in query.items() if "Sequence" not in k}, **_SEARCHED}
    elif one.action in (Action.RENDERED, Action.THUMBNAIL):
        query = dict(_RENDERED)
    answers: dict[str, Any] = {str(code): {"description": why} for code, why in _EVERYWHERE.items()}
    for code, actions, why in STATUSES:
        if one.action in actions:
            answers[str(code)] = {"description": why}
    given = (*GIVEN[one.action], *(("multipart/related",) if one.permission == "fetch" else ()))
    answers["200"]["content"] = {kind: {} for kind in given}
    told: dict[str, Any] = {
        "operationId": f"{one.action.value} {one.path}",
        "tags": [one.action.service],
    }
    told |= {"parameters": _parameters(one.path, query), "responses": answers}
    if one.action is Action.STORE:
        # Of application/dicom, or of metadata and bulk data (PS3.18 10.5.1.2).
        body = {"multipart/related": {"schema": {"type": "string", "format": "binary"}}}
        told["requestBody"] = {"required": True, "content": body}
    return told


def _page(route: Route, path: str) -> dict[str, Any]:
    told: dict[str, Any] = {
        "tags": ["pages"],
        "parameters": _parameters(path, {}),
        "responses": {"default": {"description": "a page, or JSON where that is accepted"}},
        "security": [],
    }
    fields: Mapping[str, str] = getattr(route, "fields", {})
    if fields:
        known = {name: {"type": kind} for name, kind in fields.items()}
        body = {"application/json": {"schema": {"type": "object", "properties": known}}}
        told["requestBody"] = {"required": True, "content": body}
    return told


def _parameters(path: str, query: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    places = re.findall(r"\{(\w+)\}", path)
    return [
        *(
            {"name": one, "in": "path", "required": True, "schema": _PLACES.get(one, _TEXT)}
            for one in places
        ),
        *({"name": one, "in": "query", "schema": schema} for one, schema in query.items()),
    ]
