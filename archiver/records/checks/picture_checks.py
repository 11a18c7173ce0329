"""Sides, duplicates, originals: do the pictures of an archive agree with each other?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from archiver.records.model import Concern, Instance, ObjectFacts, concern_about
from archiver.records.pictures import RecordPicture, needs_teeth, sides_of
from archiver.wording import Text


def check_pictures(
    instances: Sequence[Instance],
    pictures: Sequence[RecordPicture],
    facts: Mapping[str, ObjectFacts],
) -> list[Concern]:
    """Check sides, repeats and derivations.

    Parameters
    ----------
    instances
        All of them, those too that are rejected: something may be made of one.
    pictures
        Without those that are rejected.
    """
    concerns: list[Concern] = []
    for picture in pictures:
        concerns += _meaning(picture, facts.get(picture.first.uid))
    concerns += _repeats(pictures, facts)
    concerns += _derivations(instances, facts)
    return concerns


def _meaning(picture: RecordPicture, known: ObjectFacts | None) -> Iterator[Concern]:
    one = picture.first
    if not picture.confirmed:
        yield concern_about("side-unconfirmed", one, Text("records.pictures.unconfirmed"))
    if not picture.view:
        yield concern_about("view-unknown", one, Text("records.pictures.no_view"))
    elif needs_teeth(picture.view) and not picture.teeth:
        yield concern_about(
            "tooth-unknown", one, Text("records.pictures.no_tooth", view=picture.view)
        )
    if known is not None and one.mirror == "direct" and not known.orientation:
        # Without a word on mirrors a picture counts as direct; only its orientation shows that
        # somebody thought of it.
        yield concern_about("mirror-unknown", one, Text("records.pictures.no_mirror"))
    mirrors = {i.mirror for i in picture.instances}
    if "uncorrected" in mirrors and not mirrors & {"corrected"}:
        yield concern_about(
            "correction-missing",
            one,
            Text("records.pictures.uncorrected"),
            Text("records.pictures.corrected_too"),
        )


def same_pictures(
    pictures: Sequence[RecordPicture], facts: Mapping[str, ObjectFacts]
) -> list[list[RecordPicture]]:
    """Return groups of pictures of one camera file, or with the same pixel data."""
    firsts = [p for p in pictures if p.first.role != "derived"]
    parent = list(range(len(firsts)))

    def root(n: int) -> int:
        while parent[n] != n:
            parent[n] = parent[parent[n]]
            n = parent[n]
        return n

    known: dict[tuple[str, str], int] = {}
    for number, picture in enumerate(firsts):
        read = facts.get(picture.first.uid)
        for mark in (("source", picture.first.source), ("pixels", read.pixels if read else "")):
            if mark[1]:
                parent[root(number)] = root(known.setdefault(mark, number))
    groups: dict[int, list[RecordPicture]] = defaultdict(list)
    for number, picture in enumerate(firsts):
        groups[root(number)].append(picture)
    return [group for group in groups.values() if len(group) > 1]


def _repeats(
    pictures: Sequence[RecordPicture], facts: Mapping[str, ObjectFacts]
) -> Iterator[Concern]:
    for group in same_pictures(pictures, facts):
        group.sort(key=lambda p: p.first.seq)
        kind, found = _difference(group)
        uids = tuple(p.first.uid for p in group)
        last = group[-1].first
        yield Concern(
            kind,
            found,
            Text("records.pictures.once"),
            patient=last.person.label,
            date=last.date,
            teeth=tuple(sorted({iso for p in group for iso in p.teeth})),
            view=last.view,
            uids=uids,
            path=last.path,
            who=last.who,
        )


def _difference(group: Sequence[RecordPicture]) -> tuple[str, Text]:
    people = sorted({p.person.label for p in group})
    if len({p.person.key for p in group}) > 1:
        return "picture-two-patients", Text("records.pictures.under", people=people)
    sides = sorted({sides_of(p) for p in group} - {""})
    if len(sides) > 1:
        return "side-changed", Text("records.pictures.sides", sides=sides)
    if len({p.teeth for p in group}) > 1 or len({p.view for p in group}) > 1:
        shown = sorted({f"{p.view} {' '.join(sorted(p.teeth))}".strip() for p in group})
        return "picture-two-teeth", Text("records.pictures.shown", shown=shown)
    return "picture-twice", Text("records.pictures.times", n=len(group))


def _derivations(
    instances: Sequence[Instance], facts: Mapping[str, ObjectFacts]
) -> Iterator[Concern]:
    by_uid = {one.uid: one for one in instances}
    shot = {one.source for one in instances if one.role == "original" and one.source}
    for one in instances:
        if one.role != "derived" or not one.is_photograph or one.rejected:
            continue
        known = facts.get(one.uid)
        if known is None:
            # The index does not tell sources; the camera file's digest does.
            if one.source and one.source not in shot:
                found = Text("records.pictures.no_original")
                yield concern_about("derived-without-original", one, found)
            continue
        if not known.sources:
            yield concern_about("derived-without-source", one, Text("records.pictures.no_source"))
        kept = [by_uid[uid] for uid in known.sources if uid in by_uid]
        if known.sources and not kept:
            found = Text("records.pictures.source_not_kept")
            yield concern_about("derived-without-original", one, found)
        for source in kept:
            yield from _against_source(one, source)


def _against_source(one: Instance, source: Instance) -> Iterator[Concern]:
    if source.person.key != one.person.key:
        found = Text("records.pictures.source_of", patient=source.person.label)
        yield concern_about("original-of-other-patient", one, found, one.person.label)
        return
    if source.study != one.study:
        found = Text("records.pictures.other_study")
        yield concern_about("original-of-other-study", one, found)
    differs = [
        Text(f"records.meaning.{name}")
        for name, mine, theirs in (
            ("teeth", set(one.teeth), set(source.teeth)),
            ("side", one.laterality, source.laterality),
            ("view", one.view, source.view),
        )
        if mine != theirs
    ]
    if differs:
        found = Text("records.pictures.differ", which=differs)
        yield concern_about("original-shows-other", one, found)
