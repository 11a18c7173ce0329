"""How far somebody who follows the journal has come, in a file beside it."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from archiver.archive.store import (
    Fields,
    Layout,
    Position,
    Schema,
    holds_at,
    mark_fields,
    read_fields,
    write_once,
)


class JournalMark:
    """A place in an archive's journal that is kept.

    Parameters
    ----------
    name
        Of the file, in the archive's folder.
    """

    def __init__(self, layout: Layout, name: str, schema: Schema[Fields]) -> None:
        self._layout, self._schema = layout, schema
        self.path: Path = layout.root / name

    def read(self) -> Position | None:
        """Return the place; None where nothing is known, or the journal is another."""
        try:
            told = read_fields(self._schema, json.loads(self.path.read_bytes()), self.path)
            position = Position(**told)
        except (FileNotFoundError, ValueError, TypeError):
            return None
        return position if holds_at(self._layout.journal, position) else None

    def note(self, position: Position) -> None:
        """Keep the place.

        Raises
        ------
        OSError
            If the disk refuses.
        """
        write_once(self.path, json.dumps(mark_fields(self._schema, asdict(position))).encode())
