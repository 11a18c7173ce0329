"""Whatever lies in a folder: the four fates add up to the files seen, and no file has two."""

from __future__ import annotations

import io
import tempfile
from datetime import date
from functools import cache
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from legacy_tree import drawn, encoded

from archiver.legacy.decisions import Decider
from archiver.legacy.import_memory import ImportMemory
from archiver.legacy.import_rules import ImportRules, WordTables
from archiver.legacy.mends import Mend
from archiver.legacy.path_templates import PathTemplate
from archiver.legacy.patient_register import PatientRegister
from archiver.legacy.reasons import KEPT_COPIES, FileFate, ImportReason
from archiver.legacy.survey import decide_all, look_at_all
from archiver.objects import Patient

RULES = ImportRules(
    (PathTemplate("{name} {birth_date}/{visit_date}/{words}"),),
    ("D.M.YYYY",),
    ("(#)",),
    smallest=64,
    words=WordTables(tooth=("tooth",)),
)
REGISTER = PatientRegister(
    [
        Patient("P-1", "Okafor^Nadia", birth_date=date(1981, 3, 12)),
        Patient("P-2", "Haugen^Liv", birth_date=date(1990, 1, 2)),
    ]
)
FOLDERS = ("Okafor Nadia 12.3.1981/5.4.2017", "Haugen Liv 2.1.1990/5.4.2017", "loose", ".")
NAMES = ("a.jpg", "a (2).jpg", "tooth 99.jpg", "b.png", "c.pdf", "Thumbs.db", "d", "e.dcm")


@cache
def contents() -> tuple[bytes, ...]:
    first, second = drawn(1, 96, 72), drawn(2, 96, 72)
    png = io.BytesIO()
    second.save(png, "PNG")
    pictures = (encoded(first), encoded(first, quality=60), encoded(second), png.getvalue())
    return (
        *pictures,
        encoded(first)[:900],
        b"",
        b"%PDF-1",
        b"\0" * 400,
        bytes(128) + b"DICM",
        b"x",
    )


@settings(max_examples=25, deadline=None)
@given(
    st.dictionaries(
        st.tuples(st.sampled_from(FOLDERS), st.sampled_from(NAMES)), st.integers(0, 9), max_size=12
    ),
    st.dictionaries(st.sampled_from(NAMES), st.booleans(), max_size=2),
)
def test_accepted_quarantined_duplicates_and_no_pictures_are_all_files_seen(
    files: dict[tuple[str, str], int], mended: dict[str, bool]
) -> None:
    with tempfile.TemporaryDirectory() as name:
        root = Path(name, "old")
        root.mkdir()
        for (folder, file), number in files.items():
            (root / folder).mkdir(parents=True, exist_ok=True)
            (root / folder / file).write_bytes(contents()[number])
        mends = {
            f"loose/{file}": Mend(
                patient="P-1", day=date(2018, 1, 1), leave_out=out, by="Haugen^Liv"
            )
            for file, out in mended.items()
        }
        with ImportMemory(Path(name, "report")) as memory:
            seen = look_at_all(root, memory)
            decide_all(memory, Decider(RULES, REGISTER, date(2026, 3, 4)), mends)
            counts = memory.counts()
            rows = list(memory.rows())
    assert seen == len(files) == len(rows) == sum(counts.values())
    fates = [row.decision.fate for row in rows if row.decision is not None]
    assert sum(fates.count(fate) for fate in FileFate) == len(files)
    fate_of = {row.key: row.decision.fate for row in rows if row.decision is not None}
    for row in rows:
        assert row.decision is not None
        if row.decision.reason in KEPT_COPIES:
            assert row.best is not None and fate_of[row.best] is FileFate.ACCEPTED


def test_every_reason_has_one_fate_and_words_of_its_own() -> None:
    assert {one.fate for one in ImportReason} == set(FileFate)
    texts = [str(one.text) for one in ImportReason]
    assert len(set(texts)) == len(texts)
