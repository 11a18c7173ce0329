"""Reading a session sheet: all that is wrong with it is told at once, each with its line.

Nothing is written as long as a sheet is wrong. The photographs themselves are not read here;
only that they exist, and that a crop lies inside (through the size that the caller's `size_of`
tells).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from archiver.dentition import (
    Numbering,
    Tooth,
    Turn,
    bare_number,
    in_arch_order,
    numbering_of,
    parse_teeth,
    read_teeth,
)
from archiver.errors import InputError, MeaningError, Problem, SheetError
from archiver.objects.session import (
    Circumstances,
    ConsentSaid,
    Crop,
    Patient,
    Photograph,
    SamePerson,
    Session,
    Visit,
)
from archiver.objects.sheet_keys import (
    CONSENT,
    PATIENT,
    PHOTO,
    SAME_PERSON,
    TABLES,
    VISIT,
    Key,
    Unfit,
)
from archiver.objects.sheet_text import load, shown
from archiver.objects.toml_lines import Path as KeyPath
from archiver.photo import read_size
from archiver.wording import Text

#: (columns, rows, EXIF orientation) of a camera file, told from its header alone.
SizeOf = Callable[[Path], tuple[int, int, int]]
#: Names that are compared to find one that could be meant where a file is missing.
_COMPARISONS = 20_000
_CIRCUMSTANCES = tuple(Circumstances.__dataclass_fields__)


@dataclass
class _Reader:
    """Collects problems, each with the line that it is sorted by, while a sheet is read."""

    path: Path
    lines: dict[KeyPath, int]
    numbering: Numbering | None = None
    numbering_is_wrong: bool = False
    problems: list[tuple[int, Problem]] = field(default_factory=list)
    known: set[tuple[int, Problem]] = field(default_factory=set)
    beside: dict[Path, dict[str, str]] = field(default_factory=dict)
    comparisons: int = _COMPARISONS

    def line(self, path: KeyPath) -> int:
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def add(self, path: KeyPath, problem: Problem) -> None:
        line = self.line(path)
        if (line, problem) not in self.known:  # a fault of [defaults] is every photograph's
            self.known.add((line, problem))
            place = problem.at(file=self.path.name, line=line, key=path)
            self.problems.append((line, place))

    def report(self, path: KeyPath, code: str, /, **values: object) -> None:
        self.add(path, Problem(code, **values))

    def take(self, path: KeyPath, error: InputError) -> None:
        for problem in error.problems:
            self.add(path, problem)

    def unknown(self, path: KeyPath, keys: Mapping[str, Key] | tuple[str, ...]) -> None:
        name = str(path[-1])
        near = get_close_matches(name, keys, n=1) or [k for k in keys if k == name.casefold()]
        hint = Text("objects.sheet.did_you_mean", near=near[0]) if near else _belongs(name)
        self.report(path, "objects.sheet.unknown_key", key=shown(name), keys=tuple(keys), hint=hint)

    def table(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> dict[str, Any]:
        """Convert the known keys of a table; tell the unknown and the unfit ones."""
        if not isinstance(value, Mapping):
            self.report(path, "objects.sheet.no_table", name=path[-1])
            return {}
        read: dict[str, Any] = {}
        for name, given in value.items():
            place = (*path, name)
            if name not in keys:
                self.unknown(place, keys)
                continue
            try:
                read[name] = keys[name].convert(given)
            except Unfit as unfit:
                self.add(place, unfit.problem(name, given))
            except MeaningError as error:
                self.take(place, error)
        return read

    def required(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> None:
        if not isinstance(value, Mapping):
            return
        for name, key in keys.items():
            if key.required and name not in value:
                self.report(path, "objects.sheet.missing_key", name=name, table=path[0])

    def similar(self, file: Path) -> str:
        """Return the name of a file that could be meant; empty where there is none."""
        names = self.beside.get(file.parent)
        if names is None:
            try:
                there = sorted(one.name for one in file.parent.iterdir() if one.is_file())
            except (OSError, ValueError):
                there = []
            # Cards write names in capitals, people often do not.
            names = self.beside[file.parent] = {name.upper(): name for name in there}
        wanted = file.name.upper()
        if wanted in names or self.comparisons < len(names):
            return names.get(wanted, "")
        self.comparisons -= len(names)
        near = get_close_matches(wanted, names, n=1, cutoff=0.5)
        return names[near[0]] if near else ""

    def teeth(self, path: KeyPath, words: tuple[str, ...]) -> tuple[Tooth, ...] | None:
        """Read teeth; None, and the problems told, where not all of them can be read."""
        found: list[Tooth] = []
        readable = True
        for number, word in enumerate(words):
            try:
                found.extend(self._teeth_of(word))
            except MeaningError as error:
                readable = False
                if not self.numbering_is_wrong:
                    self.take((*path, number), error)
        return in_arch_order(tuple(found)) if readable else None

    def _teeth_of(self, word: str) -> tuple[Tooth, ...]:
        if ":" in word or re.search(r"quadrant|arch|sextant", word.casefold()):
            return parse_teeth(word)
        if self.numbering is not None:
            return read_teeth(word, self.numbering)
        raise MeaningError(bare_number(word, Text("objects.sheet.set_numbering")))


def _belongs(name: str) -> Text | None:
    """Return where a key belongs that stands in the wrong table."""
    if name in TABLES:
        return Text("objects.sheet.stands_at_top", name=name)
    homes: dict[str, Collection[str]] = {
        "[patient]": (*PATIENT, *SAME_PERSON),
        "[visit]": VISIT,
        "[consent]": CONSENT,
        "[[photo]]": (*PHOTO, "file"),
    }
    home = next((table for table, keys in homes.items() if name in keys), "")
    return Text("objects.sheet.belongs_into", name=name, table=home) if home else None


def read_sheet(
    path: Path,
    *,
    size_of: SizeOf | None = None,
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
        for the moment when the photograph itself is taken. Reads the file's header if None.
    like
        Patient and visit of an existing object, in place of the sheet's own tables.
    habits
        The practice's own defaults, below those of the sheet; keys as in `[defaults]`.

    Raises
    ------
    SheetError
        With every problem of the sheet.
    """
    given, lines = load(path)
    reader = _Reader(path, lines)
    for name in given:
        if name not in TABLES:
            reader.unknown((name,), TABLES)
    _set_numbering(reader, given)
    rest, same_person = _same_person(reader, given)
    patient, visit = _context(reader, rest, like)
    consent = _consent(reader, given)
    base = _habits(reader, habits or {})
    entries = _entries(reader, given, base, size_of or read_size)
    if reader.problems:
        raise SheetError(*(p for _, p in sorted(reader.problems, key=lambda told: told[0])))
    assert patient is not None and visit is not None
    return Session(patient, visit, entries, path, consent, same_person)


def _same_person(
    reader: _Reader, given: Mapping[str, object]
) -> tuple[Mapping[str, object], SamePerson | None]:
    """Return the sheet without what it says of who has looked at the patient, and that."""
    table = given.get("patient")
    if not isinstance(table, Mapping) or not any(name in table for name in SAME_PERSON):
        return given, None
    own = {name: value for name, value in table.items() if name in SAME_PERSON}
    said = reader.table(("patient",), own, SAME_PERSON)
    for name in SAME_PERSON:
        if not said.get(name, name not in own):
            reader.report(("patient", name), "objects.sheet.same_person_empty", name=name)
        elif name not in own:
            reader.report(("patient",), "objects.sheet.missing_key", name=name, table="patient")
    rest = {name: value for name, value in table.items() if name not in SAME_PERSON}
    if not all(said.get(name) for name in SAME_PERSON):
        return {**given, "patient": rest}, None
    checked = SamePerson(said["same_person_checked_by"], said["same_person_reason"])
    return {**given, "patient": rest}, checked


def _consent(reader: _Reader, given: Mapping[str, object]) -> ConsentSaid | None:
    if "consent" not in given:
        return None
    said = reader.table(("consent",), given["consent"], CONSENT)
    reader.required(("consent",), given["consent"], CONSENT)
    if "purposes" not in said or "noted_by" not in said:
        return None
    if not said["noted_by"]:
        reader.report(("consent", "noted_by"), "objects.sheet.noted_by_empty")
    return ConsentSaid(**said)


def _set_numbering(reader: _Reader, given: Mapping[str, object]) -> None:
    if "numbering" not in given:
        return
    said = given["numbering"]
    try:
        reader.numbering = numbering_of(said if isinstance(said, str) else shown(said))
    except MeaningError as error:
        reader.numbering_is_wrong = True
        reader.take(("numbering",), error)


def _habits(reader: _Reader, habits: Mapping[str, object]) -> dict[str, Any]:
    """Read the practice's own defaults; what is wrong there has no line in the sheet."""
    read: dict[str, Any] = {}
    for name, value in habits.items():
        if name not in PHOTO:
            key, keys = shown(name), tuple(PHOTO)
            problem = Problem("objects.sheet.unknown_key", key=key, keys=keys, hint=None)
        else:
            try:
                read[name] = PHOTO[name].convert(value)
                continue
            except Unfit as unfit:
                problem = unfit.problem(name, value)
            except MeaningError as error:
                problem = error.problems[0]
        place = problem.at(file=Text("objects.sheet.practice"), table="defaults", key=(name,))
        reader.problems.append((0, place))
    return read


def _context(
    reader: _Reader, given: Mapping[str, object], like: tuple[Patient, Visit] | None
) -> tuple[Patient | None, Visit | None]:
    tables: dict[str, dict[str, Any]] = {}
    for name, keys in (("patient", PATIENT), ("visit", VISIT)):
        tables[name] = reader.table((name,), given.get(name, {}), keys)
        if like is None:
            if name not in given:
                reader.report((), "objects.sheet.missing_table", name=name)
            else:
                reader.required((name,), given[name], keys)
    said = tables["patient"], tables["visit"]
    if like is None:
        if "id" not in said[0] or "date" not in said[1]:
            return None, None
        patient, visit = Patient(**said[0]), Visit(**said[1])
    else:
        _compare_with_like(reader, said, like)
        patient, visit = like
        visit = replace(visit, clock_offset=said[1].get("clock_offset", visit.clock_offset))
    if patient.birth_date is not None and patient.birth_date > visit.date:
        reader.report(
            ("patient", "birth_date"),
            "objects.sheet.born_after_visit",
            birth=patient.birth_date,
            visit=visit.date,
        )
    return patient, visit


def _compare_with_like(
    reader: _Reader, said: tuple[dict[str, Any], dict[str, Any]], like: tuple[Patient, Visit]
) -> None:
    """Refuse a sheet that names another patient or day than the object that it shall join."""
    for table, words, object_ in (("patient", said[0], like[0]), ("visit", said[1], like[1])):
        for name in ("id", "issuer", "birth_date", "sex", "date"):
            there = getattr(object_, name, None)
            if name in words and words[name] and there and words[name] != there:
                reader.report(
                    (table, name),
                    f"objects.sheet.another_{table}",
                    name=name,
                    there=shown(there),
                )


def _entries(
    reader: _Reader, given: Mapping[str, object], base: Mapping[str, Any], size_of: SizeOf
) -> tuple[Photograph, ...]:
    own_defaults = given.get("defaults", {})
    defaults = {**base, **reader.table(("defaults",), own_defaults, PHOTO)}
    told = set(own_defaults) if isinstance(own_defaults, Mapping) else set()
    photos = given.get("photo", [])
    if not isinstance(photos, list) or not photos:
        hint = Text("objects.sheet.two_brackets") if isinstance(photos, Mapping) else None
        reader.report(("photo",), "objects.sheet.no_photograph", hint=hint)
        return ()
    entries: dict[Photograph, Photograph] = {}
    for index, photo in enumerate(photos):
        place: KeyPath = ("photo", index)
        if not isinstance(photo, Mapping):
            reader.report(place, "objects.sheet.photo_no_table")
            continue
        own = reader.table(place, {k: v for k, v in photo.items() if k != "file"}, PHOTO)
        file = _file(reader, place, photo)
        merged = {**defaults, **own}
        for name, key in PHOTO.items():
            if key.required and name not in merged and name not in photo and name not in told:
                reader.report(place, "objects.sheet.missing_from_photo", name=name)
        at_teeth = (*place, "teeth") if "teeth" in photo else ("defaults", "teeth")
        teeth = reader.teeth(at_teeth, merged.pop("teeth", ()))
        if file is None or teeth is None or "view" not in merged or "mirror" not in merged:
            continue
        if "teeth" in photo and "teeth" not in own:
            continue  # told already; without its teeth the rest cannot be judged
        try:
            entry = _entry(file, teeth, merged, reader.line(place))
        except MeaningError as error:
            reader.take(place, error)
            continue
        if _is_inside(reader, place, entry, size_of):
            other = entries.setdefault(replace(entry, line=0), entry)
            if other is not entry:
                reader.report(
                    place,
                    "objects.sheet.photograph_twice",
                    name=entry.file.name,
                    line=other.line,
                )
    return tuple(entries.values())


def _file(reader: _Reader, place: KeyPath, photo: Mapping[str, object]) -> Path | None:
    if "file" not in photo:
        reader.report(place, "objects.sheet.no_file_named")
        return None
    name = photo["file"]
    if not isinstance(name, str) or not name.strip():
        reader.report((*place, "file"), "objects.sheet.file_no_name", given=shown(name))
        return None
    file = reader.path.parent / name
    try:
        if file.is_file():
            return file
    except (OSError, ValueError):
        pass  # a name that no file can have
    near = reader.similar(file)
    hint = (
        Text("objects.sheet.did_you_mean", near=near)
        if near
        else Text("objects.sheet.looked_beside")
    )
    reader.report((*place, "file"), "objects.sheet.no_such_file", name=shown(name), hint=hint)
    return None


def _entry(
    file: Path, teeth: tuple[Tooth, ...], merged: Mapping[str, Any], line: int
) -> Photograph:
    words = {n: v for n, v in merged.items() if n not in _CIRCUMSTANCES}
    how = {n: merged[n] for n in _CIRCUMSTANCES if n in merged}
    return Photograph(file, **words, teeth=teeth, circumstances=Circumstances(**how), line=line)


def _is_inside(reader: _Reader, place: KeyPath, entry: Photograph, size_of: SizeOf) -> bool:
    """Check that a crop, where there is one, lies inside the picture."""
    if entry.crop is None:
        return True
    try:
        columns, rows, exif = size_of(entry.file)
        turn = entry.plan(exif).correction
    except InputError:
        return True  # told when the photograph itself is taken
    problem = crop_problem(entry.crop, columns, rows, turn)
    if problem is not None:
        said_here = (*place, "crop") in reader.lines
        reader.add((*place, "crop") if said_here else ("defaults", "crop"), problem)
    return problem is None


def crop_problem(crop: Crop, columns: int, rows: int, turn: Turn) -> Problem | None:
    """Return what is wrong with a crop of a picture of this size once it is turned."""
    width, height = (rows, columns) if turn.swaps_sides else (columns, rows)
    if crop.left + crop.width <= width and crop.top + crop.height <= height:
        return None
    return Problem("objects.sheet.crop_outside", crop=crop, width=width, height=height)
