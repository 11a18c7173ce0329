"""Which camera files may be deleted from the card: those that another archive took charge of."""

from __future__ import annotations

from dataclasses import dataclass

from archiver.archive import Query
from archiver.archive.store import Archive
from archiver.errors import Problem
from archiver.network.outbox.delivery_state import State
from archiver.network.outbox.outbox import Outbox
from archiver.wording import Text, words_of


@dataclass(frozen=True)
class CardStanding:
    """Whether a camera file may go, and why."""

    safe: bool
    why: str


def standing_of(archive: Archive, outbox: Outbox, digest: str, peer: str | None) -> CardStanding:
    """Tell whether one peer has taken charge of everything that was made from a camera file.

    Parameters
    ----------
    archive, outbox
        Where it was archived, and from where it was sent.
    digest
        SHA-256 of the camera file.
    peer
        Name of the peer that counts; None for any.
    """
    made = {record.sop_instance_uid for record in archive.query(Query(source_sha256=digest))}
    count, words = len(made), words_of()
    if not made:
        return CardStanding(False, words("network.card.not_archived"))
    committed: dict[str, set[str]] = {}
    how: dict[str, set[Text | Problem]] = {}
    decoded: set[str] = set()
    for one in outbox.shipments(peer, [State.COMMITTED], instances=sorted(made)):
        committed.setdefault(one.destination, set()).add(one.sop_instance)
        how.setdefault(one.destination, set()).update([one.reason] if one.reason else [])
        decoded.update({one.destination} if one.recoded else ())
    for name, instances in committed.items():
        if instances >= made:
            # A peer without commitment has given the object back; the outbox says which it was.
            by = sorted(how[name], key=str)
            given = {"peer": name, "count": count}
            has = Text("network.card.has", **given, how=by)
            deed = has if by else Text("network.card.took_charge", **given)
            why = words("network.card.decoded", deed=deed) if name in decoded else str(deed)
            return CardStanding(True, why)
    most = max((len(instances) for instances in committed.values()), default=0)
    return CardStanding(False, words("network.card.not_committed", most=most, count=count))
