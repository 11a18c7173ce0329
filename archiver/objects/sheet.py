"""Reading a session sheet: all that is wrong with it is told at once, each with its line.

Nothing is written as long as a sheet is wrong. The photographs themselves are not read here;
only that they exist, and that a crop lies inside (through the size that the caller's `size_of`
tells).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from archiver.dentition import (
    Numbering,
    Tooth,
    numbering_of,
)
from archiver.errors import InputError, MeaningError, Problem
from archiver.objects.concepts import PLACES
from archiver.objects.session import (
    Circumstances,
    ConsentSaid,
    Patient,
    Photograph,
    SamePerson,
    Session,
    Visit,
    crop_problem,
)
from archiver.objects.sheet_keys import (
    CONSENT,
    NO_DEFAULT,
    OF_ONE_LOOK,
    PATIENT,
    PHOTO,
    REGIONS,
    SAME_PERSON,
    TABLES,
    VISIT,
    Unfit,
)
from archiver.objects.sheet_reader import SheetReader
from archiver.objects.sheet_text import load, shown
from archiver.objects.table_reader import listed
from archiver.objects.toml_lines import Path as KeyPath
from archiver.photo import read_size
from archiver.wording import Text

#: (columns, rows, EXIF orientation) of a camera file, told from its header alone.
SizeOf = Callable[[Path], tuple[int, int, int]]
_CIRCUMSTANCES = tuple(Circumstances.__dataclass_fields__)


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
    reader = SheetReader(path, lines)
    for name in given:
        if name not in TABLES:
            reader.unknown((name,), TABLES)
    _set_numbering(reader, given)
    rest, same_person = _same_person(reader, given)
    patient, visit = _context(reader, rest, like)
    consent = _consent(reader, given)
    base = _habits(reader, habits or {})
    entries = _entries(reader, given, base, size_of or read_size)
    reader.end()
    assert patient is not None and visit is not None
    numbering = reader.numbering or Numbering.ISO
    return Session(patient, visit, entries, path, consent, same_person, numbering)


def _same_person(
    reader: SheetReader, given: Mapping[str, object]
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


def _consent(reader: SheetReader, given: Mapping[str, object]) -> ConsentSaid | None:
    if "consent" not in given:
        return None
    said = reader.table(("consent",), given["consent"], CONSENT)
    reader.required(("consent",), given["consent"], CONSENT)
    if "purposes" not in said or "noted_by" not in said:
        return None
    if not said["noted_by"]:
        reader.report(("consent", "noted_by"), "objects.sheet.noted_by_empty")
    return ConsentSaid(**said)


def _set_numbering(reader: SheetReader, given: Mapping[str, object]) -> None:
    if "numbering" not in given:
        return
    said = given["numbering"]
    try:
        reader.numbering = numbering_of(said if isinstance(said, str) else shown(said))
    except MeaningError as error:
        reader.numbering_is_wrong = True
        reader.take(("numbering",), error)


def _habits(reader: SheetReader, habits: Mapping[str, object]) -> dict[str, Any]:
    """Read the practice's own defaults; what is wrong there has no line in the sheet."""
    read: dict[str, Any] = {}
    for name, value in habits.items():
        if name in NO_DEFAULT:
            problem = Problem("objects.sheet.one_look", key=name)
        elif name not in PHOTO:
            key, keys = shown(name), listed(PHOTO)
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
    reader: SheetReader, given: Mapping[str, object], like: tuple[Patient, Visit] | None
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
        own = {
            k: said[1][k] for k in ("clock_offset", "institution", "photographer") if k in said[1]
        }
        visit = replace(visit, **own)
    if patient.birth_date is not None and patient.birth_date > visit.date:
        reader.report(
            ("patient", "birth_date"),
            "objects.sheet.born_after_visit",
            birth=patient.birth_date,
            visit=visit.date,
        )
    return patient, visit


def _compare_with_like(
    reader: SheetReader, said: tuple[dict[str, Any], dict[str, Any]], like: tuple[Patient, Visit]
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
    reader: SheetReader, given: Mapping[str, object], base: Mapping[str, Any], size_of: SizeOf
) -> tuple[Photograph, ...]:
    own_defaults = given.get("defaults", {})
    defaults = {**base, **reader.table(("defaults",), own_defaults, PHOTO)}
    for name in NO_DEFAULT:
        if defaults.pop(name, None) is not None:
            reader.report(("defaults", name), "objects.sheet.one_look", key=name)
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
        if not own.get("confirmed_by"):
            for name in set(own) & set(OF_ONE_LOOK[1:]):
                reader.report((*place, name), "objects.sheet.shown_alone", key=name)
        for name, key in PHOTO.items():
            if key.required and name not in merged and name not in photo and name not in told:
                reader.report(place, "objects.sheet.missing_from_photo", name=name)
        absent = {n: reader.teeth((*place, n), merged.pop(n)) for n in PLACES if n in merged}
        at_teeth = (*place, "teeth") if "teeth" in photo else ("defaults", "teeth")
        teeth = reader.teeth(at_teeth, merged.pop("teeth", ()))
        if any(there is None for there in absent.values()):
            continue
        merged |= absent
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


def _file(reader: SheetReader, place: KeyPath, photo: Mapping[str, object]) -> Path | None:
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


def _is_inside(reader: SheetReader, place: KeyPath, entry: Photograph, size_of: SizeOf) -> bool:
    """Check that a crop and the regions that are drawn lie inside the picture."""
    drawn = {"crop": entry.crop, **{n: getattr(entry.circumstances, n) for n in REGIONS}}
    if not any(drawn.values()):
        return True
    try:
        columns, rows, exif = size_of(entry.file)
        turn = entry.plan(exif).correction
    except InputError:
        return True  # told when the photograph itself is taken
    found = {n: crop_problem(box, columns, rows, turn) for n, box in drawn.items() if box}
    for name, problem in found.items():
        if problem is not None:
            said_here = (*place, name) in reader.lines
            reader.add((*place, name) if said_here else ("defaults", name), problem)
    return not any(found.values())
