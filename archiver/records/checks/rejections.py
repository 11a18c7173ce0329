"""Instances that a rejection note withdrew: what the index says of them, and what came after.

A rejected instance is no part of what is complete or correct. An audit says that it exists, why,
and what took its place.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sqlalchemy import func, inspect, select

from archiver.archive.statements import right_marks
from archiver.archive.store import tables as t
from archiver.objects import concepts
from archiver.records.model import Concern, Instance, ObjectFacts, concern_about
from archiver.wording import Text

if TYPE_CHECKING:
    from sqlalchemy import Connection

#: Of a note and what it names: code, meaning and line of the journal.
Rejections = dict[tuple[str, str], tuple[str, str, int]]


def read_rejections(connection: Connection) -> Rejections:
    """Return what an index says that notes reject, by the UIDs of the instance and the note."""
    c, note = t.rejections.c, t.instances.c
    statement = select(
        c.sop_instance_uid,
        func.coalesce(note.sop_instance_uid, ""),
        c.code,
        c.meaning,
        c.journal_seq,
    ).select_from(t.rejections.outerjoin(t.instances, c.note == note.number))
    return {
        (uid, by): (code, meaning, seq)
        for uid, by, code, meaning, seq in connection.execute(statement)
    }


def read_heeded(connection: Connection) -> set[str] | None:
    """Return the instances that an index says are heeded; None where it is too old to say so."""
    if not inspect(connection).has_table(t.heeded.name):
        return None
    return set(connection.execute(select(t.heeded.c.sop_instance_uid)).scalars())


def wrong_marks(connection: Connection) -> int:
    """Return how many rows are marked otherwise than the index's own table of rejections says."""
    i, teeth = t.instances.c, t.instance_teeth.c
    statement = select(i.sop_instance_uid, i.rejected).where(i.rejected.is_not(None))
    marked = {row.sop_instance_uid: row.rejected for row in connection.execute(statement)}
    wrong = len(marked.items() ^ right_marks(connection).items())
    beside = t.instance_teeth.join(t.instances, teeth.instance == i.number)
    # Not a comparison with true or false: a damaged value is neither.
    sound = teeth.rejected == i.rejected.is_not(None)
    return wrong + len(connection.execute(select(i.number).select_from(beside).where(~sound)).all())


def rejections_of(facts: Mapping[str, ObjectFacts], line_of: Callable[[str], int]) -> Rejections:
    """Return what the notes themselves say.

    Parameters
    ----------
    facts
        Of the objects that are sound, by SOP Instance UID.
    line_of
        Returns the line of the journal of one; 0 where there is none.
    """
    found: Rejections = {}
    for note, known in facts.items():
        for uid in known.rejects:
            meaning = concepts.REJECTIONS[known.title].meaning
            found[uid, note] = (known.title, meaning, line_of(note))
    return found


def check_rejections(said: Rejections, right: Rejections, unsound: set[str]) -> Iterator[Concern]:
    """Compare what the index says is rejected with what the notes say.

    Parameters
    ----------
    unsound
        Objects that are gone or changed, of which nothing can be said.
    """
    # A damaged database gives values that no column should hold.
    for uid, note in sorted(said.keys() | right.keys(), key=str):
        if note not in unsound and said.get((uid, note)) != right.get((uid, note)):
            yield Concern(
                "index-differs",
                Text("records.rejections.differs", note=note or Text("records.rejections.none")),
                Text("records.rejections.note_says"),
                uids=tuple(str(one) for one in (uid, note) if one),
                path="index.sqlite",
            )


def check_heeded(
    instances: Sequence[Instance], facts: Mapping[str, ObjectFacts], heeded: Collection[str]
) -> Iterator[Concern]:
    """Tell of each rejection note that nobody who may reject has brought or decided about.

    Parameters
    ----------
    heeded
        Instances that the journal says are heeded as statements.
    """
    by_uid = {one.uid: one for one in instances}
    for note in instances:
        named = facts[note.uid].rejects if note.uid in facts else ()
        if not named or note.rejected:
            continue
        why = ""
        if not facts[note.uid].is_evidenced:
            why = "no_evidence"
        elif any(_is_elsewhere(by_uid.get(uid), note) for uid in named):
            why = "elsewhere"
        elif note.uid not in heeded:
            why = "nobody"
        if why:
            reason = concepts.REJECTIONS[facts[note.uid].title].meaning
            found = Text(f"records.rejections.{why}", reason=reason, count=len(named))
            concern = concern_about("rejection-undecided", note, found)
            yield replace(concern, uids=(note.uid, *named))


def _is_elsewhere(one: Instance | None, note: Instance) -> bool:
    return one is not None and (one.study, one.person.key) != (note.study, note.person.key)


def check_rejected(
    instances: Sequence[Instance], facts: Mapping[str, ObjectFacts]
) -> Iterator[Concern]:
    """Tell of each rejected photograph what took its place, and whether its side was changed."""
    places = _Places.of(instances)
    rejected = {one.uid: one for one in instances if one.rejected}
    for one in instances:
        sources = facts[one.uid].sources if one.uid in facts else ()
        made_from = [rejected[uid] for uid in sources if uid in rejected]
        if one.rejected and one.is_photograph:
            taken = places.taken_by(one)
            # A corrected picture that is no longer due gives way to the photograph as shot.
            yield from _rejected_concerns(
                one, taken or [new for old in made_from for new in places.taken_by(old)]
            )
        elif made_from:
            found = Text("records.rejections.source_rejected")
            yield concern_about("source-rejected", one, found)


@dataclass(frozen=True)
class _Places:
    """Valid photographs by what they were made from, and instances by what they replace."""

    made_from: Mapping[tuple[str, str], list[Instance]]
    after: Mapping[str, list[Instance]]

    @classmethod
    def of(cls, instances: Sequence[Instance]) -> _Places:
        made_from: dict[tuple[str, str], list[Instance]] = defaultdict(list)
        after: dict[str, list[Instance]] = defaultdict(list)
        for one in instances:
            if not one.rejected and one.is_photograph and one.source:
                made_from[one.source, one.role].append(one)
            if one.predecessor:
                after[one.predecessor].append(one)
        return cls(made_from, after)

    def taken_by(self, one: Instance) -> list[Instance]:
        """Return the valid photographs that took the place of a rejected one."""
        alike = self.made_from.get((one.source, one.role), []) if one.source else []
        # Another archive knows no camera files; there the instances say what they replace.
        return alike or self._replacing(one)

    def _replacing(self, one: Instance) -> list[Instance]:
        found: list[Instance] = []
        waiting, seen = [one], {one.uid}
        while waiting:
            for other in self.after.get(waiting.pop().uid, ()):
                if other.uid not in seen:
                    seen.add(other.uid)
                    (waiting if other.rejected else found).append(other)
        return found


def _rejected_concerns(one: Instance, after: Sequence[Instance]) -> Iterator[Concern]:
    reason = one.rejected
    if not after:
        found = Text("records.rejections.alone", reason=reason)
        yield concern_about("rejected-alone", one, found)
        return
    new = max(after, key=lambda other: other.seq)
    day = new.added[:10]
    when = {"day": day} if day else {}
    key = "day" if day else "ever"
    replaced = Text(f"records.replaced.{key}", reason=reason, **when)
    yield _with(concern_about("rejected-replaced", one, replaced), new)
    was, now = _side(one), _side(new)
    if was and now and was != now:
        found = Text(f"records.amended.{key}", was=was, now=now, **when)
        yield _with(concern_about("side-amended", new, found), one)


def _with(concern: Concern, other: Instance) -> Concern:
    return replace(concern, uids=(*concern.uids, other.uid))


def _side(one: Instance) -> str:
    if one.laterality in ("R", "L"):
        return one.laterality
    letters = {"R" if iso[0] in "1458" else "L" for iso in one.teeth}
    return letters.pop() if len(letters) == 1 else ""
