"""Telling the journal what was taken out of the outbox.

The journal has one writer, and while the archive is served that is the node. So a drop is noted in
the outbox, in one transaction with the drop itself, and whoever may write next tells the journal.
"""

from __future__ import annotations

from archiver.archive.store import Archive, Deed
from archiver.network.outbox.outbox import FILE, Drop, Outbox


def journal_drops(archive: Archive) -> int:
    """Tell the journal of drops that it does not know of; return how many.

    Parameters
    ----------
    archive
        Open for writing.

    Raises
    ------
    ArchiveError
        If journal or outbox cannot be used.
    """
    root = archive.layout.root
    if not (root / FILE).is_file():
        return 0
    with Outbox.open(root) as outbox:
        drops = outbox.drops()
        if drops:
            # Killed in between, they are told twice, and not never.
            archive.record([_deed(drop) for drop in drops])
            outbox.strike(drops)
    return len(drops)


def _deed(drop: Drop) -> Deed:
    return Deed(
        "dropped",
        study=drop.study,
        sop=drop.sop_instance,
        note=f"not sent to {drop.destination} any more; was {drop.state}; by {drop.who} "
        f"at {drop.dropped_at}",
    )
