"""Tables that the pages keep in the archive's folder."""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from archiver.archive.store import flush_folder, translated, write_whole
from archiver.wording import Text


def write_json(path: Path, table: Mapping[str, Any]) -> None:
    """Write a table whole or not at all.

    Raises
    ------
    ArchiveError
        If the disk refuses.
    """
    text = json.dumps(table, ensure_ascii=False, separators=(",", ":"))
    # surrogateescape: a name may hold bytes that are no text in any encoding.
    octets = text.encode("utf-8", "surrogatepass")
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    with translated(Text("web.take_in.nothing_kept"), path.parent.name):
        write_whole(part, [octets])
        part.replace(path)
        flush_folder(path.parent)
