"""Whether the node is well, for who watches over it."""

from __future__ import annotations

from starlette.responses import JSONResponse, Response

from archiver.archive.store import Archive
from archiver.errors import ArchiverError
from archiver.network.node.query.worklist import Visits

#: Lines about the worklist that are told; the log has all.
_TOLD = 20


def health(archive: Archive, visits: Visits | None = None) -> Response:
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
    if visits is not None:
        table = visits.table
        refused = [str(problem) for problem in table.refused[:_TOLD]]
        found["worklist"] = {"visits": len(table.visits), "refused": refused}
        if refused and found["status"] == "ok":
            found["status"] = "degraded"
    return JSONResponse(found, 200 if writer.is_alive else 503)
