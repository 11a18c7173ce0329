"""The tables that last, as each version of them was found right.

`python tests/archive/test_index_tables.py` writes down those of a new version.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from archive_samples import Clock, incoming
from sqlalchemy import create_engine, text

from archiver.archive.ingest import validation
from archiver.archive.ingest.service import Ingest
from archiver.archive.store import tables
from archiver.archive.store.archive import Archive

RECORDED = Path(__file__).parent / "fixtures"
#: The findings have no version: what is found can be found again, but nobody would look for it.
FILES = {"index": f"index-tables-{tables.SCHEMA}.sql", "findings": "findings-tables.sql"}


def statements(database: Path) -> str:
    """What makes the tables and indices of a database, one a line, by name."""
    engine = create_engine(f"sqlite:///{database}")
    asked = text("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name")
    with engine.connect() as connection:
        rows = [" ".join(row.sql.split()) for row in connection.execute(asked)]
    engine.dispose()
    return "".join(f"{row};\n" for row in rows)


def made(folder: Path) -> dict[str, str]:
    with Archive.open(folder / "archive", clock=Clock()) as archive:
        Ingest.of(archive).accept([incoming(1)])
        assert Ingest.of(archive).validation.wait(30)
    return {
        "index": statements(archive.layout.index),
        "findings": statements(archive.layout.root / validation.FILE),
    }


@pytest.mark.parametrize("which", FILES)
def test_tables_change_only_with_their_version(tmp_path: Path, which: str) -> None:
    file = RECORDED / FILES[which]
    assert file.exists(), "a new version: look at its tables, then write them down"
    assert made(tmp_path)[which] == file.read_text("utf-8")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for which, written in made(Path(folder)).items():
            (RECORDED / FILES[which]).write_text(written, "utf-8")
