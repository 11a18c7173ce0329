"""Whether the node is well, for who watches over it."""

from __future__ import annotations

from starlette.responses import JSONResponse, Response

from archiver.network.node.health import NodeHealth, Wellness, worst


def health(found: NodeHealth) -> Response:
    """Return 503 where nothing can be stored, else 200; the body says what is not well."""
    checks = found.checks()
    whole = worst(checks)
    told = {name: {"status": one.wellness.word, **one.facts} for name, one in checks.items()}
    status = 503 if whole is Wellness.FAILING else 200
    return JSONResponse({"status": whole.word, "checks": told}, status)
