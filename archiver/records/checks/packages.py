"""Packages outside that hold what was rejected, or whose consent was withdrawn, since."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from archiver.archive.statements import WITHDRAWN, HandedOver, consents_of, handovers
from archiver.errors import ArchiverError
from archiver.records.model import Concern, Instance
from archiver.wording import Text


def read_packages(root: Path) -> Sequence[HandedOver]:
    """Return the packages of an archive; none where the register cannot be read."""
    try:
        return handovers(root)
    except ArchiverError:
        return ()


def check_packages(
    root: Path, packages: Sequence[HandedOver], instances: Mapping[str, Instance]
) -> list[Concern]:
    """List them, each with to whom it went.

    Parameters
    ----------
    root
        The archive's folder. What cannot be read there is told where its evidence is compared.
    packages
        All of the archive.
    instances
        By SOP Instance UID, all those that packages hold.
    """
    try:
        return [concern for one in packages for concern in _of(root, one, instances)]
    except ArchiverError:
        return []


def _of(root: Path, package: HandedOver, by_uid: Mapping[str, Instance]) -> Iterator[Concern]:
    held = [by_uid[uid] for uid in package.uids if uid in by_uid]
    told = {"case": package.case, "to": package.to, "day": package.when[:10]}
    gone = [one for one in held if one.rejected]
    if gone:
        reasons = ", ".join(sorted({one.rejected for one in gone}))
        found = Text("records.packages.rejected", count=len(gone), reason=reasons, **told)
        yield _concern(gone[0], found, [one.uid for one in gone])
    for key in sorted({one.person.key for one in held}):
        for consent in consents_of(root, *key):
            concerned = consent.recipient in ("", package.to)
            withdrawn = consent.state == WITHDRAWN and consent.purpose.value == package.purpose
            if withdrawn and concerned:
                on = consent.noted_at[:10]
                found = Text("records.packages.withdrawn", on=on, by=consent.noted_by, **told)
                mine = [one for one in held if one.person.key == key]
                yield _concern(mine[0], found, [one.uid for one in mine])


def _concern(one: Instance, found: Text, uids: Sequence[str]) -> Concern:
    return Concern("package-outside", found, patient=one.person.label, uids=tuple(uids))
