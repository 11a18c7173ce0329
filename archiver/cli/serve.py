"""Examples:

  archiver serve
  archiver serve --archive /srv/clinic/photographs --dimse-port 11112 --web-port 8042
  archiver serve --title PHOTOARCHIVE --worklist visits.csv

Other software stores to it, asks it and fetches from it, by DIMSE and DICOMweb. How it listens
and whom it serves is said in the table [node] of the settings; without it, it listens on this
machine only. It is stopped by SIGTERM or Ctrl-C, after finishing what it took.
"""

from __future__ import annotations

import argparse
import dataclasses
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.errors import ArchiverError, Problem

if TYPE_CHECKING:
    from archiver.network.node.node import Node
    from archiver.network.node.settings import NodeSettings


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    add = parser.add_argument
    add("--archive", type=Path, metavar="FOLDER", help="archive to serve")
    add("--title", metavar="TITLE", help="application entity title")
    add("--host", metavar="ADDRESS", help="address to listen on")
    add("--dimse-port", type=int, metavar="N", help="0 takes any free port")
    add("--web-port", type=int, metavar="N", help="0 takes any free port, -1 serves no DICOMweb")
    add("--worklist", type=Path, metavar="FILE", help="table of today's visits, .csv or .toml")
    add("--json", action="store_true", help="say where it listens as one JSON object")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    from archiver.archive.store import Archive
    from archiver.cli.context import actor, now
    from archiver.cli.settings import read_settings
    from archiver.network.node.node import Node
    from archiver.network.node.watching import Log
    from archiver.network.peers import DimsePeer

    practice = read_settings()
    settings = _settings(options, practice.node)
    peers = [peer for peer in practice.peers if isinstance(peer, DimsePeer)]
    stop = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: stop.set())
    with Archive.open(options.archive or practice.archive, clock=now, actor=actor()) as archive:
        try:
            node = Node(archive, settings, peers, Log(now))
        except OSError as error:
            said = (error.strerror or str(error)).lower()
            raise ArchiverError(Problem(f"the node cannot listen: {said}", settings.host)) from None
        with node:
            _tell(node, options.json)
            stop.wait()
            print("archiver: stopping", file=sys.stderr, flush=True)
    return 0


def _settings(options: argparse.Namespace, configured: NodeSettings) -> NodeSettings:
    """Return the settings with what the command line says put over them."""
    from archiver.network.node.settings import checked

    given: dict[str, Any] = {
        key: value
        for key in ("title", "host", "dimse_port", "web_port", "worklist")
        if (value := getattr(options, key)) is not None
    }
    return checked(dataclasses.replace(configured, **given))


def _tell(node: Node, as_json: bool) -> None:
    import json

    settings = node.settings
    secured = " (TLS)" if settings.certificate else ""
    where: dict[str, object] = {
        "title": settings.title,
        "host": settings.host,
        "dimse_port": node.dimse.port,
    }
    if node.web is not None:
        scheme = "https" if settings.certificate else "http"
        host = f"[{settings.host}]" if ":" in settings.host else settings.host
        where["web"] = f"{scheme}://{host}:{node.web.port}"
    if as_json:
        print(json.dumps(where), flush=True)
        return
    print(f"DIMSE     {settings.title} at {settings.host}:{node.dimse.port}{secured}", flush=True)
    if "web" in where:
        print(f"DICOMweb  {where['web']}/dicomweb", flush=True)
        print(f"health    {where['web']}/health, figures {where['web']}/metrics", flush=True)
