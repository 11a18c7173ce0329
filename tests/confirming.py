"""Sides confirmed in tests as a person does it: with the code of what is shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

from archiver.archive.statements.amendments import AmendmentRequest, AmendmentSettings, prepare
from archiver.archive.statements.confirmations import looked_at
from archiver.archive.store.archive import Archive
from archiver.errors import ObjectError
from archiver.objects import photograph
from archiver.objects.confirmation import Witnessed
from archiver.objects.mistakes import Change
from archiver.objects.session import Photograph, Session
from archiver.objects.sheet import read_sheet
from archiver.photo.camera_reader import read_camera_file


def seen(session: Session, one: Photograph, edges: str = "trim") -> Witnessed:
    """What is shown of a photograph of a session."""
    photo = read_camera_file(one.file)
    return photograph.examined(session, one, one.plan(photo.exif_orientation), photo, edges=edges)


def looked(session: Session) -> Session:
    """The session after whoever is named has looked at each picture."""
    entries = tuple(
        replace(one, shown=seen(session, one).code) if one.confirmed_by else one
        for one in session.photographs
    )
    return replace(session, photographs=entries)


def look_at_sheet(sheet: Path) -> Path:
    """Write beside each name in a sheet the code of what that person saw."""
    entries = iter([one for one in read_sheet(sheet).photographs if one.confirmed_by])
    session = read_sheet(sheet)
    lines = []
    for line in sheet.read_text("utf-8").splitlines():
        lines.append(line)
        if line.startswith("confirmed_by = "):
            lines.append(f'shown = "{seen(session, next(entries)).code}"')
    sheet.write_text("\n".join(lines) + "\n", "utf-8")
    return sheet


def shown_after(archive: Archive, wish: AmendmentRequest, ways: AmendmentSettings) -> Witnessed:
    """What is shown of a photograph once it is amended."""
    unsaid = replace(wish, change=replace(wish.change, confirmed_by=None, shown=""))
    try:
        return prepare(archive, unsaid, ways).after.examined
    except ObjectError:
        return looked_at(archive, wish.uid).examined


def as_seen(archive: Archive, wish: AmendmentRequest, ways: AmendmentSettings) -> AmendmentRequest:
    """The statement with the code of what its person saw, where it has one."""
    change: Change = wish.change
    if not change.confirmed_by:
        return wish
    code = shown_after(archive, wish, ways).code
    return replace(wish, change=replace(change, shown=code))


def code_after(folder: Path, uid: str, change: Change) -> str:
    """The code under a picture of an archive once it is amended."""
    with Archive.open(folder, read_only=True) as archive:
        ways = AmendmentSettings(datetime.now(timezone.utc))
        return shown_after(archive, AmendmentRequest(uid, change), ways).code
