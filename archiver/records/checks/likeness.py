"""Pictures of an archive that look almost the same, by their perceptual hashes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from archiver.records.model import Concern, ObjectFacts
from archiver.records.pictures import RecordPicture
from archiver.vision import bits_apart, near_pairs
from archiver.wording import Text

#: Positions that are reflections: flips, transpose and transverse, by the number of their turn.
_REFLECTED = frozenset({2, 4, 5, 7})


def check_likeness(
    pictures: Sequence[RecordPicture],
    facts: Mapping[str, ObjectFacts],
    same: Sequence[Sequence[RecordPicture]],
) -> Iterator[Concern]:
    """Tell pairs of pictures that look almost the same.

    Parameters
    ----------
    same
        Groups that are the same picture, told already.
    """
    told = {p.first.uid: n for n, group in enumerate(same) for p in group}
    hashed: list[tuple[RecordPicture, tuple[int, ...]]] = []
    for picture in pictures:
        known = facts.get(picture.first.uid)
        if known is not None and known.look is not None and known.look.hashes:
            hashed.append((picture, tuple(int(h, 16) for h in known.look.hashes)))
    for first, second in sorted(near_pairs([hashes for _, hashes in hashed])):
        one, other = hashed[first][0], hashed[second][0]
        if told.get(one.first.uid, -1) == told.get(other.first.uid, -2):
            continue
        if _made_of(one, other, facts) or _made_of(other, one, facts):
            continue
        best = min(
            (bits_apart(hashed[first][1][0], h), turn)
            for turn, h in enumerate(hashed[second][1], start=1)
        )
        yield _concern(one, other, *best)


def _made_of(one: RecordPicture, other: RecordPicture, facts: Mapping[str, ObjectFacts]) -> bool:
    """Whether one is derived from the other: alike by right, and checked as a derivation."""
    known = facts.get(one.first.uid)
    return known is not None and any(uid in other.uids for uid in known.sources)


def _concern(one: RecordPicture, other: RecordPicture, apart: int, turn: int) -> Concern:
    same_meaning = (one.teeth, one.view) == (other.teeth, other.view)
    found = Text("records.likeness.bits", apart=apart)
    if one.person.key != other.person.key:
        kind = "look-alike-patients"
        found = Text("records.likeness.patients", apart=apart, patient=one.person.label)
    elif turn in _REFLECTED and one.mirror == other.mirror:
        kind, found = "look-alike-reflected", Text("records.likeness.flipped", apart=apart)
    else:
        kind = "look-alike" if same_meaning else "look-alike-teeth"
    last = other.first
    return Concern(
        kind,
        found,
        patient=last.person.label,
        date=last.date,
        teeth=tuple(sorted(one.teeth | other.teeth)),
        view=last.view,
        uids=(one.first.uid, last.uid),
        path=last.path,
        who=last.who,
    )
