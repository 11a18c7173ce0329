"""The selection note that tells, in the archive, what was handed over to whom."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from archiver.archive import Record
from archiver.archive.store import Incoming
from archiver.handover.order import PackageOrder
from archiver.handover.profiles import profile_of
from archiver.objects import (
    DerivedUids,
    Note,
    Referenced,
    concepts,
    describe,
    key_objects,
    open_dataset,
    part10,
)


def selection_notes(
    order: PackageOrder, records: Sequence[Record], now: datetime
) -> list[Incoming]:
    """Make a Key Object Selection Document for each study of a package.

    Parameters
    ----------
    records
        What the package holds.
    now
        When it is handed over.
    """
    beside = {one.study_uid: one.path for one in records}
    references = [
        Referenced(one.sop_class_uid, one.sop_instance_uid, one.series_uid, one.study_uid)
        for one in records
    ]
    title = concepts.SELECTIONS[profile_of(order.purpose).selection]
    words = f"Handed over: case {order.case}, to {order.to}, {now:%Y-%m-%d}"
    made = []
    for study, several in key_objects.by_study(references).items():
        note = Note(title, several, words, by=order.insisted_by)
        header = open_dataset(Path(beside[study]))
        ds = key_objects.build(note, header, created=now, uids=DerivedUids())
        file = part10.whole(ds)
        # Read again, as its transfer syntax stands in the file and not in the dataset.
        made.append(Incoming(describe(open_dataset(file)), [file], None))
    return made
