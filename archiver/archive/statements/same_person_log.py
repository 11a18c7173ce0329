"""Who are said to be one person under an identifier.

Kept in ``<archive>/same_person.jsonl``, which only grows.
"""

from __future__ import annotations

from pathlib import Path

from archiver.archive.statements import jsonl_log
from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.objects import Person
from archiver.wording import Text

FILE = "same_person.jsonl"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.same_person"), (unchanged,))


def one_person(root: Path, patient: tuple[str, str]) -> list[frozenset[Person]]:
    """Return the groups of people who were said to be one, under an identifier.

    Raises
    ------
    ArchiveError
        If the notes cannot be read.
    IntegrityError
        If a line of them is damaged.
    """
    groups = jsonl_log.read(root / FILE, SCHEMA, _group)
    return [people for whose, people in groups if whose == patient]


def _group(line: Fields) -> tuple[tuple[str, str], frozenset[Person]]:
    people = frozenset(Person(**one) for one in line["people"])
    return (line["patient_id"], line["issuer"]), people
