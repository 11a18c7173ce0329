"""Examples:

  archiver worklist clinic                      today
  archiver worklist clinic --day 2026-03-04 --modality XC
  archiver worklist clinic --station CAMERA1 --json

NAME is one of the [[peer]] tables of the settings.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, argument, verb
from archiver.cli.options import JSON
from archiver.cli.parameters import DAY, WORKLIST_PEER
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.network.client.dimse import Scheduled


@verb(
    argument("peer", type=WORKLIST_PEER, metavar="NAME", help="of a peer in the settings"),
    Option("--day", type=DAY, not_with=["any_day"], help="such as 2026-03-04; else today"),
    Option("--any-day", is_flag=True),
    Option("--modality", default="", metavar="XC"),
    Option("--station", default="", metavar="TITLE", help="application entity title of the camera"),
    Option("--patient-id", default="", metavar="ID"),
    Option("--patient-name", default="", metavar="NAME", help="with * and ? as wildcards"),
    JSON,
)
def command(options: Options) -> int:
    """Carry the verb out."""
    from archiver.cli.context import now
    from archiver.network.client.dimse import ask_worklist

    scheduled = ask_worklist(
        options.peer,
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
        print(words_of()("cli.worklist.nobody"))
    else:
        for one in scheduled:
            print(line_of(one))
    return 0


def line_of(one: Scheduled) -> str:
    """Return one line that tells an entry of the worklist."""
    start = f"{one.start:%Y-%m-%d %H:%M}" if one.start else words_of()("cli.worklist.no_time")
    words = (start, one.patient_id, one.patient_name, one.accession, one.modality, one.description)
    return "  ".join(word for word in words if word)
