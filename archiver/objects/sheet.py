"""Reading a session sheet: all that is wrong with it is told at once, each with its line.

Nothing is written as long as a sheet is wrong. The photographs themselves are not read here;
only that they exist, and that a crop lies inside (through the size that the caller's `size_of`
tells).
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from archiver.dentition.numbering import (
    Numbering,
    bare_number,
    numbering_of,
    parse_teeth,
    read_teeth,
)
from archiver.dentition.orientation import Turn
from archiver.dentition.teeth import Tooth, in_arch_order
from archiver.errors import InputError, MeaningError, Problem, SheetError
from archiver.objects.session import Circumstances, Crop, Entry, Patient, Session, Visit
from archiver.objects.sheet_keys import PATIENT, PHOTO, TABLES, VISIT, Key, Unfit
from archiver.objects.toml_lines import Path as KeyPath
from archiver.objects.toml_lines import lines_of

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

#: (columns, rows, EXIF orientation) of a camera file, told from its header alone.
SizeOf = Callable[[Path], tuple[int, int, int]]
_CIRCUMSTANCES = tuple(Circumstances.__dataclass_fields__)


@dataclass
class _Reader:
    """Collects problems while a sheet is read."""

    path: Path
    lines: dict[KeyPath, int]
    numbering: Numbering | None = None
    problems: list[Problem] = field(default_factory=list)

    def where(self, path: KeyPath) -> str:
        while path not in self.lines:
            path = path[:-1]
        return f"{self.path.name}, line {self.lines[path]}"

    def tell(self, path: KeyPath, found: str, expected: str = "", hint: str = "") -> None:
        self.problems.append(Problem(found, self.where(path), expected, hint))

    def take(self, path: KeyPath, error: InputError) -> None:
        self.problems.extend(p.at(self.where(path)) for p in error.problems)

    def table(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> dict[str, Any]:
        """Convert the known keys of a table; tell the unknown and the unfit ones."""
        if not isinstance(value, Mapping):
            self.tell(path, f'"{path[-1]}" is no table', f"[{path[-1]}] and its keys below")
            return {}
        read: dict[str, Any] = {}
        for name, given in value.items():
            place = (*path, name)
            if name not in keys:
                near = get_close_matches(name, keys, n=1)
                hint = f"did you mean {near[0]}?" if near else ""
                self.tell(place, f'unknown key "{name}"', ", ".join(keys), hint)
                continue
            try:
                read[name] = keys[name].convert(given)
            except Unfit as unfit:
                self.tell(place, f"{name} = {_shown(given)}", unfit.expected, unfit.hint)
            except MeaningError as error:
                self.take(place, error)
        return read

    def required(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> None:
        given = value if isinstance(value, Mapping) else {}
        for name, key in keys.items():
            if key.required and name not in given:
                table = path[0] if path else ""
                self.tell(path, f'"{name}" is missing from [{table}]', f"{name} = ...")

    def teeth(self, path: KeyPath, words: tuple[str, ...]) -> tuple[Tooth, ...]:
        found: list[Tooth] = []
        for word in words:
            try:
                if ":" in word or re.search(r"quadrant|arch|sextant", word):
                    found.extend(parse_teeth(word))
                elif self.numbering is None:
                    problem = bare_number(word)
                    hint = 'set numbering = "ISO 3950" at the top of the sheet'
                    self.take(path, MeaningError(replace(problem, hint=hint)))
                else:
                    found.extend(read_teeth(word, self.numbering))
            except MeaningError as error:
                self.take(path, error)
        return in_arch_order(tuple(found))


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"' if len(value) < 60 else f'"{value[:57]}..."'
    return str(value)


def _load(path: Path) -> tuple[dict[str, Any], str]:
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError:
        raise SheetError(Problem("there is no such sheet", str(path))) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SheetError(
            Problem("the sheet cannot be read as UTF-8 text", str(path), hint=str(error))
        ) from None
    try:
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r"\(at line (\d+), column (\d+)\)", message)
        where = f"{path.name}, line {place.group(1)}" if place else path.name
        said = re.sub(r"\s*\(at .*\)$", "", message)
        raise SheetError(
            Problem(f"no valid TOML: {said}", where, hint="texts stand in double quotes")
        ) from None


def read_sheet(
    path: Path,
    *,
    size_of: SizeOf,
    like: tuple[Patient, Visit] | None = None,
    habits: Mapping[str, object] | None = None,
) -> Session:
    """Read a session sheet.

    Parameters
    ----------
    path
        The sheet; the files that it names are looked for beside it.
    size_of
        Tells a camera file's size and EXIF orientation; may raise `InputError`, which is left
        for the moment when the photograph itself is taken.
    like
        Patient and visit of an existing object, in place of the sheet's own tables.
    habits
        The practice's own defaults, below those of the sheet; keys as in `[defaults]`.

    Raises
    ------
    SheetError
        With every problem of the sheet.
    """
    given, text = _load(path)
    reader = _Reader(path, lines_of(text))
    for name in given:
        if name not in TABLES:
            near = get_close_matches(name, TABLES, n=1)
            hint = f"did you mean {near[0]}?" if near else ""
            reader.tell((name,), f'unknown key "{name}"', ", ".join(TABLES), hint)
    reader.numbering = _numbering(reader, given)
    patient, visit = _context(reader, given, like)
    entries = _entries(reader, given, habits or {}, size_of)
    if reader.problems:
        raise SheetError(*sorted(reader.problems, key=_line_of))
    assert patient is not None and visit is not None
    return Session(patient, visit, entries, path)


def _line_of(problem: Problem) -> int:
    match = re.search(r"line (\d+)", problem.where)
    return int(match.group(1)) if match else 0


def _numbering(reader: _Reader, given: Mapping[str, object]) -> Numbering | None:
    if "numbering" not in given:
        return None
    try:
        return numbering_of(str(given["numbering"]))
    except MeaningError as error:
        reader.take(("numbering",), error)
        return Numbering.ISO


def _context(
    reader: _Reader, given: Mapping[str, object], like: tuple[Patient, Visit] | None
) -> tuple[Patient | None, Visit | None]:
    tables: dict[str, dict[str, Any]] = {}
    for name, keys in (("patient", PATIENT), ("visit", VISIT)):
        tables[name] = reader.table((name,), given.get(name, {}), keys)
        if like is None:
            if name not in given:
                hint = "or take both from an object with --like"
                reader.tell((), f"[{name}] is missing", f"[{name}] with its keys", hint)
            else:
                reader.required((name,), given[name], keys)
    if like is None:
        if "id" not in tables["patient"] or "date" not in tables["visit"]:
            return None, None
        return Patient(**tables["patient"]), Visit(**tables["visit"])
    patient, visit = like
    said = tables["patient"].get("id", patient.id)
    if said != patient.id:
        reader.tell(
            ("patient", "id"),
            "the sheet names another patient than the object given with --like",
            "the same patient identifier in both",
            "check whose photographs these are",
        )
    offset = tables["visit"].get("clock_offset", visit.clock_offset)
    return patient, replace(visit, clock_offset=offset)


def _entries(
    reader: _Reader, given: Mapping[str, object], habits: Mapping[str, object], size_of: SizeOf
) -> tuple[Entry, ...]:
    defaults = reader.table(("defaults",), given.get("defaults", {}), PHOTO)
    base = {name: PHOTO[name].convert(value) for name, value in habits.items()}
    photos = given.get("photo", [])
    if not isinstance(photos, list) or not photos:
        reader.tell(("photo",), "the sheet names no photograph", "[[photo]] with file and view")
        return ()
    entries: list[Entry] = []
    for index, photo in enumerate(photos):
        place: KeyPath = ("photo", index)
        if not isinstance(photo, Mapping):
            reader.tell(place, "a photo is no table", "[[photo]] and its keys below")
            continue
        own = reader.table(place, {k: v for k, v in photo.items() if k != "file"}, PHOTO)
        file = _file(reader, place, photo)
        merged = {**base, **defaults, **own}
        for name, key in PHOTO.items():
            if key.required and name not in merged and name not in photo:
                reader.tell(place, f'"{name}" is missing from the photo', f"{name} = ...")
        if file is None or "view" not in merged or "mirror" not in merged:
            continue
        entry = _entry(reader, place, file, merged)
        if _agrees(reader, place, entry, size_of):
            _tell_repeat(reader, place, entry, entries)
            entries.append(entry)
    return tuple(entries)


def _file(reader: _Reader, place: KeyPath, photo: Mapping[str, object]) -> Path | None:
    name = photo.get("file")
    if not isinstance(name, str) or not name:
        reader.tell(place, '"file" is missing from the photo', 'file = "IMG_0101.JPG"')
        return None
    file = reader.path.parent / name
    if file.is_file():
        return file
    folder = file.parent
    there = [p.name for p in folder.iterdir() if p.is_file()] if folder.is_dir() else []
    near = get_close_matches(file.name, there, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]}?" if near else "files are looked for beside the sheet"
    reader.tell((*place, "file"), f'there is no file "{name}"', "a camera file", hint)
    return None


def _entry(reader: _Reader, place: KeyPath, file: Path, merged: Mapping[str, Any]) -> Entry:
    words = {n: v for n, v in merged.items() if n not in _CIRCUMSTANCES and n != "teeth"}
    how = {n: merged[n] for n in _CIRCUMSTANCES if n in merged}
    teeth = reader.teeth((*place, "teeth"), merged.get("teeth", ()))
    line = reader.lines.get(place, 0)
    return Entry(file, **words, teeth=teeth, circumstances=Circumstances(**how), line=line)


def _agrees(reader: _Reader, place: KeyPath, entry: Entry, size_of: SizeOf) -> bool:
    """Check what was said against itself and, where there is a crop, against the picture."""
    try:
        turn = entry.plan(1).correction
        if entry.crop is None:
            return True
        columns, rows, exif = size_of(entry.file)
        turn = entry.plan(exif).correction
    except MeaningError as error:
        # A tooth that could not be read has been told already; "needs teeth" would repeat it.
        if not any(reader.where((*place, "teeth")) == p.where for p in reader.problems):
            reader.take(place, error)
        return False
    except InputError:
        return True  # told when the photograph itself is taken
    problem = crop_problem(entry.crop, columns, rows, turn)
    if problem:
        reader.problems.append(problem.at(reader.where((*place, "crop"))))
    return problem is None


def crop_problem(crop: Crop, columns: int, rows: int, turn: Turn) -> Problem | None:
    """Return what is wrong with a crop of a picture of this size once it is turned."""
    width, height = (rows, columns) if turn.swaps_sides else (columns, rows)
    if crop.left + crop.width <= width and crop.top + crop.height <= height:
        return None
    return Problem(
        f"the crop {crop} leaves the corrected picture",
        expected=f"left + width up to {width}, top + height up to {height}",
        hint="a crop is given in pixels of the corrected picture",
    )


def _tell_repeat(reader: _Reader, place: KeyPath, entry: Entry, earlier: list[Entry]) -> None:
    for other in earlier:
        if replace(entry, line=0) == replace(other, line=0):
            reader.tell(
                place,
                f'"{entry.file.name}" stands in the sheet twice with the same meaning',
                "each photograph once",
                f"the first is on line {other.line}",
            )
            return
