"""What the services can do, told to whom asks by OPTIONS (PS3.18 8.9, annex H).

Every resource answers with the methods that it has, and with a description in WADL or JSON of
itself; the root of the services describes all.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree import ElementTree

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from archiver.network.node.dicomweb.content_negotiation import wishes
from archiver.network.node.dicomweb.resources import GIVEN, RESOURCES, ROOT, Resource
from archiver.network.node.dicomweb.responses import base_of, refusal

WADL = "application/vnd.sun.wadl+xml"
_JSON = "application/json"
_NAMESPACE = "http://wadl.dev.java.net/2009/02"


def described_paths() -> list[str]:
    """Return the paths that OPTIONS can be sent to."""
    return [ROOT, *dict.fromkeys(ROOT + one.path for one in RESOURCES)]


def described(request: Request) -> Response:
    """Answer a request for capabilities.

    Raises
    ------
    HTTPException
        406 where neither WADL nor JSON is accepted.
    """
    template = request.scope["route"].path
    all_of_them = template == ROOT
    chosen = [one for one in RESOURCES if all_of_them or ROOT + one.path == template]
    methods = {one.method for one in chosen} | {"OPTIONS"} | ({"HEAD"} if _gives(chosen) else set())
    headers = {"Allow": ", ".join(sorted(methods))}
    for wish in wishes(request):
        if wish.is_any or wish.name in (WADL, "application/xml", "application/*"):
            return Response(_wadl(chosen, base_of(request)), 200, headers, WADL)
        if wish.name == _JSON:
            told = [
                {"method": one.method, "path": one.path, "gives": GIVEN[one.action]}
                for one in chosen
            ]
            return JSONResponse({"base": base_of(request), "resources": told}, 200, headers)
    raise refusal(406, "network.web.capabilities", wadl=WADL, json=_JSON)


def _gives(chosen: Iterable[Resource]) -> bool:
    return any(one.method == "GET" for one in chosen)


def _wadl(chosen: Iterable[Resource], base: str) -> bytes:
    ElementTree.register_namespace("", _NAMESPACE)
    application = ElementTree.Element(f"{{{_NAMESPACE}}}application")
    resources = ElementTree.SubElement(application, f"{{{_NAMESPACE}}}resources", base=base)
    by_path: dict[str, ElementTree.Element] = {}
    for one in chosen:
        if one.path not in by_path:
            by_path[one.path] = ElementTree.SubElement(
                resources, f"{{{_NAMESPACE}}}resource", path=one.path.lstrip("/")
            )
        method = ElementTree.SubElement(
            by_path[one.path],
            f"{{{_NAMESPACE}}}method",
            name=one.method,
            id=f"{one.action.value} {one.path}",
        )
        answer = ElementTree.SubElement(method, f"{{{_NAMESPACE}}}response", status="200")
        for media in GIVEN[one.action]:
            ElementTree.SubElement(answer, f"{{{_NAMESPACE}}}representation", mediaType=media)
    text: bytes = ElementTree.tostring(application, "utf-8", xml_declaration=True)
    return text
