"""Run as a process of its own: writes to an archive until it is ended, telling what is confirmed.

``FOLDER SIZE``. Of each instance it prints the UID when it is kept; now and then it notes consents,
and puts what is kept into the outbox.
"""

from __future__ import annotations

import sys
from itertools import count
from pathlib import Path

from archive_samples import NOON
from killed_writer import numbered

from archiver.archive.statements import Operation, OperationKind, note_operation
from archiver.archive.store.archive import Archive
from archiver.network.outbox import Goods, Outbox

AT_ONCE = 3


def goods(sop: str, study: str, path: str) -> Goods:
    return Goods(sop, "1.2.840.10008.5.1.4.1.1.77.1.4", study, path, "")


def write(folder: Path, size: int) -> None:
    with Archive.open(folder) as archive, Outbox.open(folder) as outbox:
        archive.secret()
        for begin in count(0, AT_ONCE):
            batch = [numbered(n, size) for n in range(begin, begin + AT_ONCE)]
            stored = archive.put(batch)
            for one in stored:
                print("kept", one.sop_instance_uid, flush=True)
            rows = [
                goods(
                    one.sop_instance_uid,
                    incoming.description.study_uid,
                    one.path.relative_to(folder).as_posix(),
                )
                for one, incoming in zip(stored, batch, strict=True)
            ]
            outbox.queue("clinic", rows, NOON)
            note = Operation(OperationKind.AUDIT, NOON.isoformat(), True, f"audit {begin}")
            note_operation(archive, note)
            print("noted", begin, flush=True)


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]))
