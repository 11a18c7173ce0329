"""Faults at known places of sheets of any layout are told with exactly their lines."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from sheet_samples import line_of, problems

_FILLING = st.lists(
    st.sampled_from(["", "# a comment", "   # [photo] mirror = 1", '# """', "\t"]), max_size=3
)
#: (good, bad) lines of each table; a bad one is one fault.
_TOP = [
    ('numbering = "ISO 3950"', 'numbering = "FDI"'),
]
_PATIENT = [
    ('id = "P-0417"', "id = 417"),
    ('name = "Okafor^Nadia"', 'name = "a^b^c^d^e^f"'),
    ("birth_date = 1988-02-17", 'birth_date = "1988-02-17"'),
    ('sex = "F"', 'sex = "w"'),
    ('issuer = """\nRIVERBEND"""', 'isuer = "RIVERBEND"'),
]
_VISIT = [
    ("date = 2026-03-04", 'date = "today"'),
    ("time = 14:20:00", "time = 14"),
    ('description = """Onlay,\\\n   recall"""', 'description = """Onlay,\nrecall"""'),
    ('clock_offset = "-00:03:10"', 'clock_offset = "early"'),
]
_PHOTO = [
    ('file = "IMG_0101.JPG"', 'file = "IMG_0101.CR"'),
    ("teeth = [25]", "teeth = 25.0"),
    ("teeth = [\n  24, # [25]\n  25,\n]", "teeth = false"),
    ('view = "occlusal"', 'view = "octagonal"'),
    ("mirror = true", 'mirror = "true"'),
    ('comment = """\nteeth = [59]\n[[photo]]\n"""', "comments = '''\nteeth = [59]\n'''"),
    ("crop = {left = 0, top = 0, width = 9, height = 9}", "crop = {left = 0, top = 0}"),
    ('light = "# none"', 'lihgt = "ring"'),
]


class _Writer:
    """Writes a sheet line by line and remembers where the faults are."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw
        self.lines: list[str] = []
        self.faults: list[int] = []

    def fill(self) -> None:
        self.lines += self.draw(_FILLING)

    def write(self, text: str) -> None:
        self.fill()
        self.lines += text.split("\n")

    def table(self, header: str, rows: list[tuple[str, str]]) -> None:
        if header:
            self.write(header)
        for good, bad in self.draw(st.permutations(rows)):
            self.fill()
            wrong = self.draw(st.booleans())
            if wrong:
                self.faults.append(len(self.lines) + 1)
            self.lines += (bad if wrong else good).split("\n")


@st.composite
def sheets(draw: st.DrawFn) -> tuple[str, list[int]]:
    """A sheet with faults, and the lines of the faults."""
    writer = _Writer(draw)
    writer.table("", _TOP)
    writer.table("[patient]", _PATIENT)
    writer.table("[visit]", _VISIT)
    for number in range(draw(st.integers(1, 3))):
        teeth = draw(st.integers(1, 2))  # one of the two ways to write them
        rows = [row for i, row in enumerate(_PHOTO) if i != teeth]
        rows.append((f'stage = "{number}"', "stage = 1"))
        writer.table("[[photo]]", rows)
    writer.fill()
    end = draw(st.sampled_from(["\n", "\r\n"]))
    return end.join(writer.lines) + end, writer.faults


@settings(max_examples=60, deadline=None)
@given(sheets())
def test_every_fault_is_told_on_its_own_line(sheet: tuple[str, list[int]]) -> None:
    text, faults = sheet
    with tempfile.TemporaryDirectory() as folder:
        told = problems(Path(folder), text)

    assert [line_of(p) for p in told] == faults
