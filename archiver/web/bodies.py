"""What a request carries, never more than is allowed."""

from __future__ import annotations

import asyncio
import json
from io import BytesIO
from typing import Any, BinaryIO
from urllib.parse import parse_qsl

from starlette.requests import ClientDisconnect, Request

from archiver.web.http_errors import Refused

#: Bytes of a form or of JSON, where nothing else is said.
SMALL = 256 << 10
_FIELDS = 1000
#: Seconds within which each piece has to come.
_PATIENCE = 30.0
FORM = "application/x-www-form-urlencoded"


async def body_of(request: Request, limit: int = SMALL) -> bytes:
    """Read a body.

    Raises
    ------
    Refused
        413 where it is larger than `limit` bytes, 408 where it comes too slowly.
    """
    body = BytesIO()
    await body_into(request, body, limit)
    return body.getvalue()


async def body_into(request: Request, file: BinaryIO, limit: int) -> None:
    """Write a body to a file as it comes.

    Raises
    ------
    Refused
        As `body_of`.
    OSError
        As the system raised it.
    """
    told = request.headers.get("content-length", "0")
    if told.isdigit() and int(told) > limit:
        raise Refused(413, "errors.too_large")
    stream, size = request.stream(), 0
    while True:
        try:
            piece = await asyncio.wait_for(anext(stream), _PATIENCE)
        except StopAsyncIteration:
            return
        except asyncio.TimeoutError:
            raise Refused(408, "errors.too_slow", {"Connection": "close"}) from None
        except ClientDisconnect:
            raise Refused(400, "errors.malformed") from None
        size += len(piece)
        if size > limit:
            raise Refused(413, "errors.too_large", {"Connection": "close"})
        file.write(piece)


async def json_of(request: Request, limit: int = SMALL) -> Any:
    """Read a JSON body.

    Raises
    ------
    Refused
        400 where it is none.
    """
    try:
        return json.loads((await body_of(request, limit)).decode("utf-8"))
    except (ValueError, RecursionError):
        raise Refused(400, "errors.malformed") from None


async def read_form(request: Request) -> dict[str, list[str]]:
    """Read the fields of a form; done once, before the endpoint runs.

    Raises
    ------
    Refused
        400 where it is none.
    """
    try:
        text = (await body_of(request)).decode("utf-8")
        pairs = parse_qsl(text, keep_blank_values=True, max_num_fields=_FIELDS)
    except ValueError:
        raise Refused(400, "errors.malformed") from None
    fields: dict[str, list[str]] = {}
    for key, value in pairs:
        fields.setdefault(key, []).append(value)
    return fields


class Form:
    """The fields of a posted form."""

    def __init__(self, fields: dict[str, list[str]]) -> None:
        self._fields = fields

    def get(self, name: str, default: str = "") -> str:
        """Return the first value of a field, without blanks around it."""
        return self._fields.get(name, [default])[0].strip()

    def raw(self, name: str) -> str:
        """Return the first value of a field as it came."""
        return self._fields.get(name, [""])[0]

    def all(self, name: str) -> list[str]:
        """Return every value of a field."""
        return [value.strip() for value in self._fields.get(name, [])]


def form_of(request: Request) -> Form:
    """Return the posted form of a request; an empty one where there is none."""
    form: Form = getattr(request.state, "form", None) or Form({})
    return form
