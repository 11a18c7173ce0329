"""Examples:

  archiver worklist clinic                      today
  archiver worklist clinic --day 2026-03-04 --modality XC
  archiver worklist clinic --station CAMERA1 --json

NAME is one of the [[peer]] tables of the settings.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from archiver.cli.query import day_of

if TYPE_CHECKING:
    from archiver.network.client.dimse import Scheduled


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this verb."""
    add = parser.add_argument
    add("peer", metavar="NAME", help="of a peer in the settings")
    when = parser.add_mutually_exclusive_group()
    when.add_argument("--day", type=day_of, metavar="DAY", help="such as 2026-03-04; else today")
    when.add_argument("--any-day", action="store_true")
    add("--modality", default="", metavar="XC")
    add("--station", default="", metavar="TITLE", help="application entity title of the camera")
    add("--patient-id", default="", metavar="ID")
    add("--patient-name", default="", metavar="NAME", help="with * and ? as wildcards")
    add("--json", action="store_true", help="a list of objects")


def run(options: argparse.Namespace) -> int:
    """Carry the verb out."""
    from archiver.cli.context import now
    from archiver.cli.settings import read_settings
    from archiver.network import find_dimse_peer
    from archiver.network.client.dimse import ask_worklist

    peer = find_dimse_peer(read_settings().peers, options.peer, "a worklist")
    scheduled = ask_worklist(
        peer,
        day=None if options.any_day else options.day or now().date(),
        modality=options.modality,
        station=options.station,
        patient_id=options.patient_id,
        patient_name=options.patient_name,
    )
    if options.json:
        rows = [asdict(one) for one in scheduled]
        print(json.dumps(rows, ensure_ascii=False, indent=2, default=str))
    elif not scheduled:
        print("nobody is scheduled")
    else:
        for one in scheduled:
            print(line_of(one))
    return 0


def line_of(one: Scheduled) -> str:
    """Return one line that tells an entry of the worklist."""
    start = f"{one.start:%Y-%m-%d %H:%M}" if one.start else "no time"
    words = (start, one.patient_id, one.patient_name, one.accession, one.modality, one.description)
    return "  ".join(word for word in words if word)
