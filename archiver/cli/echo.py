"""Example:

  archiver echo clinic

NAME is one of the [[peer]] tables of the settings. A DIMSE peer is asked by C-ECHO, a DICOMweb
peer by a search for one study, so that the credentials are tried too.
"""

from __future__ import annotations

import json
import time

from archiver.cli.command import Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import PEER
from archiver.wording import words_of


@verb(argument("peer", type=PEER, metavar="NAME", help="of a peer in the settings"), JSON)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.errors import NetworkError
    from archiver.network import DimsePeer

    peer = options.peer
    begun = time.perf_counter()
    problem = ""
    try:
        if isinstance(peer, DimsePeer):
            from archiver.network.client.dimse import echo

            echo(peer)
        else:
            from archiver.network.client.dicomweb import connection

            connection.echo(peer)
    except NetworkError as error:
        if not options.json:
            raise
        problem = str(error)
    seconds = time.perf_counter() - begun
    if options.json:
        told = {"peer": peer.name, "answers": not problem, "seconds": round(seconds, 3)}
        print(json.dumps({**told, "problem": problem or None}, ensure_ascii=False, indent=2))
    else:
        print(words_of()("cli.echo.answers", peer=peer.place, seconds=f"{seconds:.2f}"))
    return 1 if problem else 0
