"""Reading a rules file: all that is wrong with it is told at once, each with its line."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path
from typing import Any

from archiver.errors import Problem, SheetError
from archiver.objects import Key, TableReader, load, shown
from archiver.objects import Path as KeyPath
from archiver.records.rules import rule_keys
from archiver.records.rules.rule_set import (
    Applies,
    AuditLimits,
    Retention,
    RuleSet,
    ViewRequirement,
)
from archiver.wording import Text

_TABLES = ("applies", "require", "limits", "retention")


def shipped() -> dict[str, Path]:
    """Return the sets that come with the program, by their names for the command line."""
    folder = Path(str(files(__package__).joinpath("sets")))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def find_rules(name: str) -> Path:
    """Return the file that a command line means: a path, or the name of a shipped set.

    Raises
    ------
    SheetError
        If there is neither.
    """
    path = Path(name)
    if path.is_file():
        return path
    known = shipped()
    if name in known:
        return known[name]
    near = get_close_matches(name, known, n=1)
    raise SheetError(
        Problem(
            "records.rule_reader.no_rules",
            name=shown(name),
            known=tuple(known),
            near=near[0] if near else None,
        )
    )


def read_rules(path: Path) -> RuleSet:
    """Read a rules file.

    Raises
    ------
    SheetError
        With every problem of the file.
    """
    given, lines = load(path, Text("records.rule_reader.rules_file"))
    reader = _Reader(path, lines)
    top = reader.table((), {k: v for k, v in given.items() if k not in _TABLES}, rule_keys.TOP)
    if "applies" not in given and "require" in given:
        reader.report((), "records.rule_reader.no_applies")
    applies = _applies(reader, given.get("applies"))
    requirements = _requirements(reader, given.get("require", []), applies)
    limits = _limits(reader, given.get("limits"))
    retention = _retention(reader, given.get("retention", []))
    if not any(name in given for name in ("require", "limits", "retention")):
        reader.report((), "records.rule_reader.demands_nothing")
    reader.end()
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return RuleSet(
        path.stem,
        top["name"],
        top["version"],
        top["source"],
        top["standing"],
        applies,
        requirements,
        limits,
        retention,
        digest,
    )


class _Reader(TableReader):
    """Reads the tables of a rules file."""

    def table(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> dict[str, Any]:
        """Convert the keys of a table; tell the unknown, unfit and missing ones."""
        if not isinstance(value, Mapping):
            self.report(path, "objects.sheet.no_table", name=path[0])
            return {}
        read = self.convert(path, value, keys)
        for name, key in keys.items():
            if key.required and name not in value:
                self.report(path, "records.rule_reader.missing_key", name=name)
        return read

    def tables(self, name: str, value: object, keys: Mapping[str, Key]) -> list[dict[str, Any]]:
        """Convert a list of tables."""
        if not isinstance(value, list):
            self.report((name,), "records.rule_reader.no_tables", name=name)
            return []
        return [self.table((name, n), one, keys) for n, one in enumerate(value)]


def _applies(reader: _Reader, value: object) -> Applies:
    if value is None:
        return Applies()
    read = reader.table(("applies",), value, rule_keys.APPLIES)
    applies = Applies(**read)
    if applies.to == "visits" and applies.treatments:
        reader.report(("applies", "treatments"), "records.rule_reader.no_treatments")
    if applies.to == "episodes" and applies.descriptions:
        reader.report(("applies", "descriptions"), "records.rule_reader.no_descriptions")
    return applies


def _requirements(reader: _Reader, value: object, applies: Applies) -> tuple[ViewRequirement, ...]:
    found: list[ViewRequirement] = []
    names: dict[str, int] = {}
    for number, read in enumerate(reader.tables("require", value, rule_keys.REQUIRE)):
        place = ("require", number)
        _check_together(reader, place, read, applies)
        name = read.get("name", "")
        if name and name in names:
            reader.report((*place, "name"), "records.rule_reader.name_twice", name=shown(name))
        names.setdefault(name, number)
        if any(needed not in read for needed in ("name", "view", "of")):
            continue
        before, after = read.pop("within", (0, 0))
        read["views"], read["scope"] = read.pop("view"), read.pop("of")
        if read.get("confirmed_by") or read.get("countersigned"):
            read["confirmed"] = True
        found.append(ViewRequirement(before=before, after=after, **read))
    for one in found:
        for name in one.taken_before:
            if name not in names or name == one.name:
                reader.report(
                    ("require", names[one.name], "taken_before"),
                    "records.rule_reader.no_such_requirement",
                    name=shown(name),
                )
    return tuple(found)


def _check_together(
    reader: _Reader, place: KeyPath, read: Mapping[str, Any], applies: Applies
) -> None:
    """Tell what contradicts itself within one requirement."""
    both = set(read.get("view", ())) & set(read.get("covered_by", ()))
    if both:
        reader.report(
            (*place, "covered_by"), "records.rule_reader.covers_itself", view=shown(sorted(both)[0])
        )
    relative = {rule_keys.OCCLUSAL_ARCH, rule_keys.SIDE_IN_OCCLUSION}
    named = relative & (set(read.get("view", ())) | set(read.get("covered_by", ())))
    if read.get("arch") and read.get("of") not in (None, "mouth"):
        reader.report((*place, "arch"), "records.rule_reader.arch_of_mouth")
    for parts in ("sextants", "quadrants"):
        if read.get(parts) and (read.get("arch") or read.get("of") not in (None, "mouth")):
            reader.report((*place, parts), "records.rule_reader.parts_of_mouth", parts=parts)
    if read.get("each") and len((*read.get("sextants", ()), *read.get("quadrants", ()))) < 2:
        reader.report((*place, "each"), "records.rule_reader.each_of_parts")
    if read.get("side") and read.get("of") not in (None, "mouth"):
        reader.report((*place, "side"), "records.rule_reader.side_of_mouth")
    if named and read.get("of") == "mouth":
        word = sorted(named)[0]
        reader.report((*place, "of"), "records.rule_reader.mouth_has_two", view=word)
    if read.get("of") == "arch" and rule_keys.SIDE_IN_OCCLUSION in named:
        reader.report((*place, "of"), "records.rule_reader.arch_has_two_sides")
    if read.get("confirmed") is False and read.get("confirmed_by"):
        reader.report((*place, "confirmed"), "records.rule_reader.confirmed_false")
    if "within" in read and applies.to == "visits":
        reader.report((*place, "within"), "records.rule_reader.visit_is_one_day")


def _limits(reader: _Reader, value: object) -> AuditLimits | None:
    if value is None:
        return None
    return AuditLimits(**reader.table(("limits",), value, rule_keys.LIMITS))


def _retention(reader: _Reader, value: object) -> tuple[Retention, ...]:
    found = []
    for number, read in enumerate(reader.tables("retention", value, rule_keys.RETENTION)):
        place = ("retention", number)
        ends = [key for key in ("years", "until_age") if key in read]
        if bool(read.get("for_ever")) == bool(ends):
            reader.report(place, "records.rule_reader.no_end")
        low, high = read.get("from_age"), read.get("below_age")
        if low is not None and high is not None and low >= high:
            reader.report((*place, "from_age"), "records.rule_reader.no_age", low=low, high=high)
        if "name" in read and "source" in read:
            found.append(Retention(**read))
    return tuple(found)
