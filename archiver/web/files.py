"""Files that come with the pages: modules, styles, icons; and the words for the modules."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from archiver.web.language import spoken
from archiver.wording import Words

_HERE = Path(__file__).parent
_TYPES = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".json": "application/json",
}
_NAME = re.compile(r"[a-z0-9_][a-z0-9_.-]*(/[a-z0-9_][a-z0-9_.-]*)*")
_CACHE = "no-cache"


def static_route(rooms: Iterable[str]) -> Route:
    """Serve ``static`` of the pages, and of each room under its name."""
    folders = {room: _HERE / "pages" / room / "static" for room in rooms}

    def answer(request: Request) -> Response:
        name = str(request.path_params["name"])
        room, _, rest = name.partition("/")
        folder, inside = (folders[room], rest) if room in folders else (_HERE / "static", name)
        kind = _TYPES.get(Path(name).suffix)
        path = folder / inside
        if kind is None or not _NAME.fullmatch(inside) or not path.is_file():
            return PlainTextResponse("no such file\n", 404)
        return unchanged_or(request, path.read_bytes(), kind)

    return Route("/static/{name:path}", answer)


def words_route(speak: Callable[[Request], None]) -> Route:
    """Serve the catalogue as a module, in the language that `speak` chooses for a request."""

    def answer(request: Request) -> Response:
        speak(request)
        answered = unchanged_or(request, _words_module(spoken()), _TYPES[".js"])
        answered.headers["Vary"] = "Accept-Language, Cookie"
        return answered

    return Route("/words.js", answer)


@cache
def _words_module(language: str) -> bytes:
    texts = Words(language, table="pages").all()
    return f"export default {json.dumps(texts, ensure_ascii=True)};\n".encode()


def unchanged_or(request: Request, body: bytes, kind: str, cache: str = _CACHE) -> Response:
    """Return a body with its ETag, or status 304 where the browser has it (RFC 9110 13.1.2)."""
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {"ETag": tag, "Cache-Control": cache}
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(body, media_type=kind, headers=headers)
