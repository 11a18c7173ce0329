"""The report of a dry run: a page on which a person looks and mends, and the same as a table.

The page needs no network and no server: what a person says in it comes back as a file. It is
written row by row, so that a large import takes no more memory than a small one.
"""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterable
from datetime import datetime
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, TextIO

from archiver.archive import harmless_row
from archiver.dentition import View
from archiver.legacy.decisions import PictureMeaning
from archiver.legacy.import_memory import ImportMemory, ImportRow
from archiver.legacy.mends import FORMAT
from archiver.legacy.patient_register import PatientRegister
from archiver.legacy.reasons import FileFate, ImportReason
from archiver.legacy.survey import thumbnail_of
from archiver.objects import FLIPS, Patient, readable_name
from archiver.wording import words_of

PAGE, TABLE = "import.html", "import.csv"
_FATES, _REASONS = list(FileFate), list(ImportReason)
#: Words that the script says.
_SPOKEN = (
    *("shown", "pick", "larger", "only_folder", "copy_of", "said", "not", "picked", "mended"),
    *("all", "unknown", "no_mends", "patient", "issuer", "day", "view", "teeth", "state"),
    *("mirror", "flipped", "leave_out", "is_photograph"),
)
_COLUMNS = ("path", "reason", "patient", "day", "shown")


def page_text(key: str, **values: object) -> str:
    """Return a text of the page."""
    return words_of()(f"legacy.page.{key}", **values)


def write_import_report(
    memory: ImportMemory, folder: Path, *, root: Path, register: PatientRegister, when: datetime
) -> Path:
    """Write page and table into the folder of the report; return the page."""
    page = folder / PAGE
    with page.open("w", encoding="utf-8") as file:
        _write_page(file, memory, root, register, when)
    with (folder / TABLE).open("w", encoding="utf-8", newline="", errors="replace") as file:
        _write_table(file, memory)
    return page


def _write_table(file: TextIO, memory: ImportMemory) -> None:
    table = csv.writer(file)
    names = ("file", "fate", "reason", "why", "patient", "day", "view", "teeth", "state")
    table.writerow((*names, "copy of", "sop instance uid"))
    for row in memory.rows():
        decided = row.decision
        assert decided is not None
        shown, who = decided.shown, decided.patient
        best = memory.row(row.best).path if row.best else ""
        cells = (row.path, decided.fate.value, decided.reason.value, str(decided.problem or ""))
        meaning = (shown.view.value if shown.view else "", _teeth(shown), shown.state)
        day = str(decided.day) if decided.day is not None else ""
        who_id = who.id if who else ""
        table.writerow(harmless_row([*cells, who_id, day, *meaning, best, row.uid]))


def _teeth(shown: PictureMeaning) -> str:
    return " ".join(tooth.iso for tooth in shown.teeth)


def _write_page(
    file: TextIO, memory: ImportMemory, root: Path, register: PatientRegister, when: datetime
) -> None:
    parts = files(__package__).joinpath("page_parts")
    counts = memory.counts()
    frame = {
        "words": {key: page_text(f"spoken.{key}") for key in _SPOKEN},
        "fates": [str(fate.text) for fate in _FATES],
        "reasons": [
            {"fate": _FATES.index(one.fate), "text": str(one.text), "count": counts.get(one, 0)}
            for one in _REASONS
        ],
        "format": FORMAT,
        # What was said of one folder is not offered for another.
        "key": f"import {hashlib.sha256(str(root).encode(errors='replace')).hexdigest()[:16]}",
    }
    title = page_text("title")
    file.write(
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src 'self' file:; style-src 'unsafe-inline'; script-src 'unsafe-inline'\">"
        f"<title>{escape(title)}</title>"
        f"<style>{parts.joinpath('import.css').read_text('utf-8')}</style></head><body>"
        f"{_head(memory, root, when, title)}<main>{_work()}{_mending(register)}</main>"
        f'<script type="application/json" id="frame">{_json(frame)}</script>'
        '<script type="application/json" id="files">['
    )
    for number, row in enumerate(memory.rows()):
        file.write(("," if number else "") + "\n" + _json(_cells(row, memory)))
    script = parts.joinpath("import.js").read_text("utf-8")
    file.write(f"]</script><script>{script}</script></body></html>\n")


def _json(value: Any) -> str:
    return json.dumps(value).replace("<", "\\u003c")


def _cells(row: ImportRow, memory: ImportMemory) -> list[Any]:
    decided, picture = row.decision, row.seen.picture
    assert decided is not None
    return [
        row.path,
        _REASONS.index(decided.reason),
        str(decided.problem or ""),
        thumbnail_of(row.seen.sha256) if picture is not None else "",
        _label(decided.patient) if decided.patient is not None else "",
        decided.day.isoformat() if decided.day is not None else "",
        _meaning(decided.shown),
        memory.row(row.best).path if row.best else "",
        f"{picture.columns} × {picture.rows}" if picture is not None else "",
    ]


def _meaning(shown: PictureMeaning) -> str:
    parts = [_teeth(shown), shown.view.value if shown.view else "", shown.state]
    if shown.mirror is not None:
        parts.append(page_text("through_mirror" if shown.mirror else "direct"))
    if shown.flipped is not None:
        flip = next(name for name, turn in FLIPS.items() if turn is shown.flipped)
        parts.append(page_text("flip", how=flip))
    return ", ".join(filter(None, parts))


def _label(patient: Patient) -> str:
    parts = (readable_name(patient.name), str(patient.birth_date or ""), patient.id, patient.issuer)
    return " · ".join(filter(None, parts))


def _head(memory: ImportMemory, root: Path, when: datetime, title: str) -> str:
    counts = memory.counts()
    tiles = []
    for number, fate in enumerate(_FATES):
        count = sum(n for reason, n in counts.items() if reason.fate is fate)
        tiles.append(f'<li class="f{number}"><b>{count:,}</b>{escape(str(fate.text))}</li>')
    seen = escape(page_text("seen"))
    tiles.append(f'<li class="all"><b>{len(memory):,}</b>{seen}</li>')
    where = page_text("where", folder=root, when=f"{when:%Y-%m-%d %H:%M}")
    said = where.encode(errors="replace").decode()
    return (
        f"<header><h1>{escape(title)}</h1>"
        f'<p class="soft">{escape(said)}<br>{escape(page_text("how"))}</p>'
        f'<ul class="fates">{"".join(tiles)}</ul></header>'
    )


def _work() -> str:
    headings = "".join(
        f'<th scope="col" data-column="{one}">{escape(page_text(f"column.{one}"))}</th>'
        for one in _COLUMNS
    )
    picture = escape(page_text("column.picture"))
    return (
        f'<div class="work"><nav class="reasons" id="reasons" aria-label="'
        f'{escape(page_text("reasons"))}"></nav><section aria-label="{escape(page_text("files"))}">'
        f'<div class="tools"><input id="ask" type="search" autocomplete="off" '
        f'aria-label="{escape(page_text("ask"))}" placeholder="{escape(page_text("ask"))}">'
        f"{_button('everywhere', 'plain')}{_button('all', 'plain')}{_button('none', 'plain')}"
        '<output id="told"></output></div>'
        f"<table><caption>{escape(page_text('files'))}</caption><thead><tr>"
        f'<th scope="col"><span hidden></span></th><th scope="col">{picture}</th>{headings}</tr>'
        f'</thead><tbody id="rows"></tbody></table>{_button("more", "plain")}'
    )


def _button(key: str, kind: str) -> str:
    words = escape(page_text(f"button.{key}"))
    return f'<button type="button" class="{kind}" id="{key}">{words}</button>'


def _mending(register: PatientRegister) -> str:
    people = "".join(
        f'<option value="{escape(_label(one))}" data-id="{escape(one.id)}" '
        f'data-issuer="{escape(one.issuer)}"></option>'
        for one in register.patients
    )
    views = [(view.value, view.value) for view in View]
    yes_no = [(one, page_text(f"answer.{one}")) for one in ("yes", "no")]
    flips = [(one, page_text(f"flips.{one.replace('-', '_')}")) for one in FLIPS]
    numberings = "".join(
        f'<option value="{prefix}">{escape(words)}</option>'
        for prefix, words in (("iso", "ISO 3950"), ("universal", "Universal"), ("palmer", "Palmer"))
    )
    return (
        '<div class="mend">'
        f'<h2>{escape(page_text("mend"))} <output id="picked"></output></h2><div class="fields">'
        f"{_field('patient', '<input id=patient list=people autocomplete=off>')}"
        f'<datalist id="people">{people}</datalist>'
        f"{_field('day', '<input id=day type=date>')}{_field('view', _select('view', views))}"
        f"{_field('numbering', f'<select id=numbering>{numberings}</select>')}"
        f"{_field('teeth', '<input id=teeth size=6>')}"
        f"{_field('mirror', _select('mirror', yes_no))}"
        f"{_field('flipped', _select('flipped', flips))}"
        f"{_field('state', '<input id=state maxlength=64 size=14>')}"
        f"{_tick('is_photograph')}{_tick('leave_out')}{_button('say', 'strong')}</div>"
        '<div class="fields file">'
        f"{_field('by', '<input id=by required maxlength=64 placeholder=Haugen^Liv>')}"
        f'{_button("save", "strong")}{_button("undo", "plain")}<output id="mended"></output>'
        f"{_field('earlier', '<input id=earlier type=file accept=.json>')}</div></div>"
        "</section></div>"
    )


def _field(key: str, control: str) -> str:
    return f"<label>{escape(page_text(f'field.{key}'))}{control}</label>"


def _tick(key: str) -> str:
    words = escape(page_text(f"field.{key}"))
    return f'<label class="tick"><input id="{key}" type="checkbox">{words}</label>'


def _select(key: str, options: Iterable[tuple[str, str]]) -> str:
    listed = "".join(f'<option value="{value}">{escape(text)}</option>' for value, text in options)
    return f'<select id="{key}"><option value=""></option>{listed}</select>'
