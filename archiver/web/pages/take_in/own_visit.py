"""Pictures of another day or patient go into their own visit, with what was said of them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection
from dataclasses import replace
from datetime import datetime

from archiver.archive.store import translated
from archiver.web.pages.take_in.card_gaps import Entry
from archiver.web.pages.take_in.draft_store import Drafts, Open
from archiver.web.pages.take_in.drafts import Photo
from archiver.web.pages.take_in.examined_sides import unconfirmed
from archiver.wording import Text


def own_visit(drafts: Drafts, opened: Open, day: str, now: datetime) -> Open:
    """Return a new draft of the same patient, of a day.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    draft, new = opened.draft, drafts.create(opened.draft.owner)
    began = replace(new.draft, patient=draft.patient, same_person=draft.same_person)
    with new.guard:
        new.save(replace(began, visit={"date": day}), now)
    return new


def visit_of_entry(
    drafts: Drafts, opened: Open, entry: Entry | None, day: str, now: datetime
) -> Open:
    """Return a new draft of a visit of the worklist; of nobody yet where there is none.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    new = drafts.create(opened.draft.owner)
    given = entry or {"patient": {}, "visit": {"date": day}, "study": {}}
    told = {key: given[key] for key in ("patient", "visit", "study")}
    with new.guard:
        new.save(replace(new.draft, **told), now)
    return new


def move(opened: Open, new: Open, digests: Collection[str], now: datetime) -> None:
    """Move pictures into another draft, with what was said of them.

    A confirmed side is to be confirmed anew: it was of that visit. A kill in between leaves
    pictures in both drafts, never in none.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    first, second = sorted((opened, new), key=lambda one: one.draft.id)
    with first.guard, second.guard:
        draft = opened.draft
        for digest in digests:
            _copied(opened, new, opened.photos[digest])
        said = {d: unconfirmed(draft.said[d]) for d in digests if d in draft.said}
        new.save(new.draft.with_said(said), now)
        left = {digest: one for digest, one in draft.said.items() if digest not in digests}
        opened.save(replace(draft, said=left), now)
        for digest in digests:
            opened.remove(digest)


def _copied(opened: Open, new: Open, photo: Photo) -> None:
    part = new.files / f"{photo.digest}.part"
    with translated(Text("web.take_in.picture_not_kept"), new.folder.name):
        try:
            os.link(opened.path_of(photo), part)
        except OSError:  # a file system without links
            shutil.copyfile(opened.path_of(photo), part)
            with part.open("rb") as file:
                os.fsync(file.fileno())
        for made in opened.small.glob(f"{photo.digest}*"):
            shutil.copyfile(made, new.small / made.name)
    new.add(photo, part)
