"""Whether the node is well, for who watches over it."""

from __future__ import annotations

from starlette.responses import JSONResponse, Response

from archiver.archive.store import Archive
from archiver.errors import ArchiverError


def health(archive: Archive) -> Response:
    """Return 200 where the archive can be read and written, 503 where it cannot."""
    try:
        count = len(archive)
    except ArchiverError:
        return JSONResponse({"status": "failing"}, 503)
    writer = archive.writer
    found: dict[str, object] = {"status": "ok", "instances": count}
    if not writer.is_alive or writer.health.faults:
        found["status"] = "degraded" if writer.is_alive else "failing"
        found["writer"] = {"alive": writer.is_alive, "faults": writer.health.faults}
    return JSONResponse(found, 200 if writer.is_alive else 503)
