"""Who has looked and says that those who share an identifier are one person, and why.

The journal tells of each statement without the patient: a keyed digest of the line in the log.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import asdict
from datetime import datetime

from archiver.archive.statements import jsonl_log
from archiver.archive.statements.same_person_log import FILE, SCHEMA
from archiver.archive.store.archive import Archive
from archiver.archive.store.journal_lines import Deed
from archiver.archive.store.secret import keyed
from archiver.objects import Person, SamePerson


def note_same_person(
    archive: Archive,
    patient: tuple[str, str],
    people: Collection[Person],
    said: SamePerson,
    now: datetime,
) -> None:
    """Note that all who are named under an identifier are one person.

    Parameters
    ----------
    archive
        Open for writing.
    patient
        Identifier and its issuer.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    fields = {
        "patient_id": patient[0],
        "issuer": patient[1],
        "people": sorted((asdict(one) for one in people), key=lambda one: sorted(one.items())),
        "checked_by": said.checked_by,
        "reason": said.reason,
        "noted_at": now.isoformat(timespec="seconds"),
    }
    line = jsonl_log.line_of(SCHEMA, fields)
    digest = keyed(archive.secret(), "same person", line.decode()).hex()
    deed = Deed("same-person", digest=digest, note=f"{len(people)} checked")
    archive.append_line(FILE, SCHEMA, fields, [deed])
