"""What becomes of each instance of a batch: new, the same, or in conflict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver.archive.store.durable import Written, digest_file
from archiver.archive.store.file_transaction import (
    Incoming,
    OnDoubt,
    Outcome,
    Placement,
    Stored,
)
from archiver.archive.store.index import Index
from archiver.archive.store.indexed_instance import HeldFile, IndexedInstance
from archiver.archive.store.journal_lines import (
    HEEDED,
    QUARANTINED,
    RESTORED,
    STORED,
    Deed,
    JournalEntry,
)
from archiver.archive.store.known_people import KnownPeople
from archiver.archive.store.layout import Layout, quarantine_path, relative_path
from archiver.errors import ObjectError, Problem

#: What the journal says of an object that came in although it names another person.
IN_DOUBT = "patient in doubt"


@dataclass
class Decided:
    """What is to be done with one instance of a batch.

    Parameters
    ----------
    relative
        Where it is kept, or will be.
    action
        What the journal is told; empty where nothing is done.
    doubt
        Whom the instance contradicts; None where it is nobody.
    differing
        In which attributes it differs from what is kept.
    """

    incoming: Incoming
    relative: str
    outcome: Outcome
    written: Written
    action: str = ""
    note: str = ""
    doubt: Problem | None = None
    differing: tuple[str, ...] = ()


def decide(
    batch: Sequence[Incoming],
    index: Index,
    layout: Layout,
    placement: Placement,
    people: KnownPeople,
) -> list[Decided]:
    """Write aside what is new, compare what is not.

    What is new and names somebody else than its identifier or its study is taken and marked,
    kept aside, or refused, as whoever brings it has said.

    Raises
    ------
    OSError
        As the system raised it.
    ObjectError
        If an instance lacks one of its UIDs.
    """
    paths = []
    for one in batch:
        d = one.description
        paths.append(relative_path(d.study_uid, d.series_uid, d.sop_instance_uid))
    held = index.held(one.description.sop_instance_uid for one in batch)
    new: dict[str, tuple[Written, Path]] = {}
    decided = []
    for one, relative in zip(batch, paths, strict=True):
        uid = one.description.sop_instance_uid
        if uid in new:
            decided.append(_beside(one, relative, *new[uid], placement))
        elif uid in held:
            decided.append(_compare(one, held[uid], layout, placement))
        else:
            taken = [other.incoming.description for other in decided if other.action == STORED]
            doubt = people.doubt(one.description, taken)
            if doubt is not None and one.on_doubt is not OnDoubt.TAKE:
                decided.append(_turned_away(one, doubt, layout, placement))
                continue
            written = placement.write(relative, one)
            new[uid] = written, placement.aside_of(relative)
            note = ", ".join(filter(None, (one.origin, IN_DOUBT))) if doubt else ""
            decided.append(Decided(one, relative, Outcome.NEW, written, STORED, note, doubt))
    return decided


def _turned_away(one: Incoming, doubt: Problem, layout: Layout, placement: Placement) -> Decided:
    """Keep an instance aside that names somebody else, or refuse it."""
    written = one.digest()
    aside = quarantine_path(written.sha256)
    if one.on_doubt is OnDoubt.REFUSE:
        return Decided(one, aside, Outcome.REFUSED, written, doubt=doubt)
    if layout.path_of(aside).exists():
        return Decided(one, aside, Outcome.QUARANTINED, written, doubt=doubt)
    placement.write(aside, one)
    return Decided(one, aside, Outcome.QUARANTINED, written, QUARANTINED, IN_DOUBT, doubt)


def _compare(one: Incoming, held: HeldFile, layout: Layout, placement: Placement) -> Decided:
    """Compare with what is kept; bring back what was kept and is lost or damaged."""
    written = one.digest()
    path = layout.path_of(held.path)
    if written.sha256 != held.digest:
        return _beside(one, held.path, Written(held.digest, -1), path, placement)
    try:
        on_disk = digest_file(path).sha256
    except FileNotFoundError:
        on_disk = ""
    if on_disk == held.digest:
        return Decided(one, held.path, Outcome.SAME, written)
    note = f"was {on_disk}" if on_disk else "was missing"
    placement.write(held.path, one)
    return Decided(one, held.path, Outcome.NEW, written, RESTORED, note)


def _beside(
    one: Incoming, relative: str, there: Written, path: Path, placement: Placement
) -> Decided:
    """Compare with a file of the same instance: by digest, and where that differs by dataset."""
    written = one.digest()
    if written.sha256 == there.sha256:
        return Decided(one, relative, Outcome.SAME, written)
    # Only here: two objects are seldom compared, and pydicom takes long to import.
    from archiver.archive.store.same_dataset import differences

    try:
        with placement.file_of(one) as file:
            differing = differences(path, file)
    except ObjectError:
        return Decided(one, relative, Outcome.CONFLICT, written)
    outcome = Outcome.CONFLICT if differing else Outcome.SAME
    return Decided(one, relative, outcome, written, differing=differing)


def deeds_of(decided: Sequence[Decided]) -> list[Deed]:
    """Return what the journal is told of those with which something is done."""
    deeds = []
    for one in decided:
        if one.action:
            d = one.incoming.description
            deeds.append(
                Deed(
                    one.action,
                    study=d.study_uid,
                    series=d.series_uid,
                    sop=d.sop_instance_uid,
                    digest=one.written.sha256,
                    size=one.written.size,
                    source=one.incoming.source_sha256 or "",
                    note=one.note or one.incoming.origin,
                    who=one.incoming.by,
                )
            )
    return deeds


def heeded_of(decided: Sequence[Decided]) -> list[Deed]:
    """Return what the journal is told of notes that count since who brought them may reject."""
    return [
        Deed(
            HEEDED,
            study=d.study_uid,
            sop=d.sop_instance_uid,
            digest=one.written.sha256,
            note=one.incoming.origin,
            who=one.incoming.by,
        )
        for one in decided
        if one.action == STORED
        and one.incoming.may_reject
        and (d := one.incoming.description).selection is not None
        and d.selection.binds
    ]


def kept_of(decided: Sequence[Decided], entries: Sequence[JournalEntry]) -> list[IndexedInstance]:
    """Return what the index takes in, each with its line of the journal.

    Parameters
    ----------
    entries
        A line for each with which something was done, and any that follow from them.
    """
    acted = [one for one in decided if one.action]
    return [
        IndexedInstance(
            one.incoming.description,
            one.relative,
            one.written.size,
            one.written.sha256,
            one.incoming.source_sha256,
            entry.seq,
            entry.time,
        )
        for one, entry in zip(acted, entries, strict=False)
        if one.action == STORED
    ]


def stored_of(one: Decided, layout: Layout) -> Stored:
    """Return what became of an instance, for whoever handed it in."""
    uid = one.incoming.description.sop_instance_uid
    file = one.incoming.source_name or ""
    problem, doubt = None, one.doubt.at(file=file) if one.doubt else None
    if one.outcome is Outcome.CONFLICT:
        problem = Problem("archive.ingest_decision.other_content", uid=uid)
        if one.differing:
            code = "archive.ingest_decision.other_values"
            problem = Problem(code, uid=uid, attributes=one.differing)
        problem = problem.at(file=file)
    elif one.outcome in (Outcome.QUARANTINED, Outcome.REFUSED):
        problem, doubt = doubt, None
    path = layout.path_of(one.relative)
    return Stored(uid, one.outcome, path, one.written.sha256, problem, doubt, one.differing)
