"""Writes the tables of the DICOM conformance statement anew, from the program itself.

    python -m tests.conformance.statement            # rewrites its tables
    python -m tests.conformance.statement --check    # fails where they are stale

The statement is ``conformance/dicom_conformance_statement.md``.

Its prose is written by hand; what lies between a line
``<!-- table: NAME -->`` and ``<!-- end of table -->`` is replaced.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from tests.conformance.statement_objects import OBJECT_TABLES
from tests.conformance.statement_services import SERVICE_TABLES
from tests.conformance.statement_settings import SETTING_TABLES

STATEMENT = Path(__file__).parents[2] / "conformance" / "dicom_conformance_statement.md"
TABLES = {**SERVICE_TABLES, **SETTING_TABLES, **OBJECT_TABLES}
_BLOCK = re.compile(r"(<!-- table: ([a-z ]+) -->\n).*?(<!-- end of table -->)", re.DOTALL)
_CONTENTS = "contents"


def contents(text: str) -> str:
    """The table of contents, from the headings."""
    lines = []
    for marks, title in re.findall(r"^(##+) (.+)$", text, re.MULTILINE):
        anchor = re.sub(r"[^a-z0-9 -]", "", title.lower()).replace(" ", "-")
        lines.append("  " * (len(marks) - 2) + f"- [{title}](#{anchor})")
    return "\n".join(lines)


def written(text: str) -> str:
    """Return the statement with every table as it should be."""

    def block(found: re.Match[str]) -> str:
        name = found[2]
        made = contents(text) if name == _CONTENTS else TABLES[name]()
        return f"{found[1]}{made}\n{found[3]}"

    return _BLOCK.sub(block, text)


def named(text: str) -> list[str]:
    """Return the tables that a statement has a place for."""
    return [name for _, name, _ in _BLOCK.findall(text)]


def main() -> int:
    """Rewrite the statement, or say whether it is fresh."""
    text = STATEMENT.read_text("utf-8")
    fresh = written(text)
    if "--check" in sys.argv:
        print("fresh" if fresh == text else "stale: run python -m tests.conformance.statement")
        return int(fresh != text)
    STATEMENT.write_text(fresh, "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
