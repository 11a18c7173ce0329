"""Which settings the archive was served by, and what changed in them when.

Kept in ``<archive>/settings.jsonl``, which only grows and stands under the journal's chain as other
statements do. The settings' own file may be edited by whoever may; that it was, and how, stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.statements import jsonl_log
from archiver.archive.store.journal_lines import Deed
from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.wording import Text

if TYPE_CHECKING:
    from archiver.archive.store.archive import Archive

FILE = "settings.jsonl"
SCHEMA: Schema[Fields] = Schema(Text("archive.schema.settings"), (unchanged,))
_ACTION = "settings"


@dataclass(frozen=True)
class NotedSettings:
    """Settings as they were taken into use.

    Parameters
    ----------
    time
        ISO 8601.
    who
        The account.
    values
        By dotted key, as text.
    changed
        Keys that are other than before; all of them at first.
    """

    time: str
    who: str
    values: Mapping[str, str]
    changed: tuple[str, ...]


def note_settings(
    archive: Archive, settings: Mapping[str, object], who: str, now: datetime
) -> tuple[str, ...]:
    """Note the settings that are in force from now on, unless they are those noted last.

    Parameters
    ----------
    settings
        As tables of the settings' file have them; without secrets.

    Returns
    -------
    tuple
        The keys that changed.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    before = noted_settings(archive.layout.root)
    old = before[-1].values if before else {}
    new = dict(_flat("", settings))
    changed = tuple(sorted(key for key in old.keys() | new if old.get(key) != new.get(key)))
    if changed:
        noted = {"time": now.isoformat(), "who": who, "values": new, "changed": list(changed)}
        deed = Deed(_ACTION, note=f"changed {' '.join(changed)}"[:1000])
        archive.append_line(FILE, SCHEMA, noted, [deed])
    return changed


def noted_settings(root: Path) -> list[NotedSettings]:
    """Return all settings that were noted, the earliest first.

    Raises
    ------
    ArchiveError
        If they cannot be read.
    IntegrityError
        If a line of them is damaged.
    """
    return jsonl_log.read(root / FILE, SCHEMA, _noted)


def _noted(line: Fields) -> NotedSettings:
    if datetime.fromisoformat(line["time"]).tzinfo is None:
        raise ValueError
    values = {str(key): str(value) for key, value in line["values"].items()}
    return NotedSettings(str(line["time"]), str(line["who"]), values, tuple(line["changed"]))


def _flat(prefix: str, value: object) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(f"{prefix}.{key}" if prefix else str(key), inner)
    elif isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
        for number, inner in enumerate(value, 1):
            # Peers and listeners have names of their own.
            yield from _flat(f"{prefix}.{inner.get('name', number)}", inner)
    else:
        yield prefix, str(value)
