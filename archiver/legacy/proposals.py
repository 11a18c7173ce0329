"""Rules proposed from a folder itself: what its paths have in common, for a person to look over.

A proposal is read off the names alone; no file is opened. What it cannot tell, such as what a word
means, stands in it as a comment with the number of files that have it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path, PurePosixPath

from archiver.dentition import ALIASES, View
from archiver.errors import ArchiveError, Problem
from archiver.legacy.day_forms import bare_pattern, day_pattern
from archiver.legacy.path_templates import PathTemplate, bare_name
from archiver.legacy.survey import walk
from archiver.legacy.word_tables import look_up, words_in
from archiver.photo import EXTENSIONS
from archiver.wording import words_of

#: Forms that are looked for; of two that read the same day, what comes first is settled by days
#: beyond the twelfth, and is the day where none is.
_FORMS = (
    *("YYYY-MM-DD", "YYYYMMDD", "YYYY.M.D", "YYYY_MM_DD"),
    *("D.M.YYYY", "D-M-YYYY", "D_M_YYYY", "M-D-YYYY", "M_D_YYYY", "D MMM YYYY", "D.M.YY"),
)
_MARKS = ("(#)", "- copy", "copy", "- Kopie", "Kopie", "copie", "kopia")
_YEAR = re.compile(r"(?:19|20)\d\d")
_ID = re.compile(r"[A-Za-z]{0,4}[-_]?\d{3,}")
_NAME = re.compile(r"[^\W\d_]+(?:[ ,._-]+[^\W\d_]+)+")
#: Templates, and words without a meaning, that are proposed at most.
_MOST_TEMPLATES, _MOST_WORDS = 12, 40
#: Paths that are looked at.
_MOST_PATHS = 50_000
_VIEWS = {**{view.value: view for view in View}, **ALIASES}


@dataclass(frozen=True)
class Proposal:
    """Rules that were proposed.

    Parameters
    ----------
    templates
        The one that fits most files first.
    states
        Names of folders that may tell a state of treatment, with the files in them.
    words
        Words of names that no table knows, with the files that have them.
    files, fit
        Pictures by their names, and how many of them a template fits.
    """

    templates: tuple[str, ...]
    dates: tuple[str, ...]
    copy_marks: tuple[str, ...]
    states: tuple[tuple[str, int], ...]
    words: tuple[tuple[str, int], ...]
    files: int
    fit: int


def propose_rules(folder: Path, target: Path) -> Proposal:
    """Write rules that fit a folder into a file that is not there yet.

    Raises
    ------
    ArchiveError
        If it cannot be written, or is there.
    """
    paths = (PurePosixPath(path.relative_to(folder).as_posix()) for path in walk(folder))
    made = propose(one for one in paths if one.suffix.lower() in EXTENSIONS)
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(rules_text(made))
    except OSError as error:
        reason = error.strerror or str(error)
        raise ArchiveError(
            Problem("legacy.proposal.not_written", reason=reason).at(file=str(target))
        ) from error
    return made


def propose(paths: Iterable[PurePosixPath]) -> Proposal:
    """Propose rules for paths of pictures."""
    seen = _Seen()
    kept: list[PurePosixPath] = []
    for path in paths:
        seen.add(path)
        if len(kept) < _MOST_PATHS:
            kept.append(path)
    dates = seen.dates()
    marks = tuple(mark for mark in _MARKS if seen.marks[mark])
    shapes = Counter(_shape(path, dates, kept_marks=marks) for path in kept)
    templates = [shape for shape, _ in shapes.most_common(_MOST_TEMPLATES) if shape]
    # A template with more parts says more; where two fit, it has to come first.
    templates.sort(key=lambda one: -len(PathTemplate(one).fields))
    fit = 0
    states: Counter[str] = Counter()
    words: Counter[str] = Counter()
    for path in kept:
        place = path.parent / bare_name(path.name, marks)
        found = (PathTemplate(one).match(place, dates) for one in templates)
        parts = next((one for one in found if one is not None), None)
        fit += parts is not None
        if parts is None:
            continue
        if parts.get("state"):
            states[parts["state"].casefold()] += 1
        free = parts.get("words", "")
        if not look_up(free, _VIEWS):
            words.update({one for one in words_in(free) if len(one) > 1 and one.isalpha()})
    return Proposal(
        tuple(templates),
        dates,
        marks,
        tuple(states.most_common(_MOST_WORDS)),
        tuple(words.most_common(_MOST_WORDS)),
        len(kept),
        fit,
    )


@dataclass
class _Seen:
    """What names have in common."""

    forms: Counter[str] = field(default_factory=Counter)
    beyond: Counter[str] = field(default_factory=Counter)
    marks: Counter[str] = field(default_factory=Counter)

    def add(self, path: PurePosixPath) -> None:
        """Count forms of days and marks of copies in a path."""
        for part in (*path.parent.parts, path.stem):
            for form in _FORMS:
                for found in re.finditer(rf"(?<!\d){day_pattern(form)}(?!\d)", part):
                    said = found.groupdict()
                    day, month = int(said["day"]), int(said.get("month") or 1)
                    if 1 <= month <= 12 and 1 <= day <= 31 and _is_year(said.get("year")):
                        self.forms[form] += 1
                        self.beyond[form] += day > 12
        for mark in _MARKS:
            # Marks stand behind one another: "copy (2)".
            others = tuple(one for one in _MARKS if one != mark)
            stripped = bare_name(path.name, _MARKS)
            self.marks[mark] += bare_name(path.name, others) != stripped

    def dates(self) -> tuple[str, ...]:
        """Return the forms that names have; of two that exclude each other one."""
        found = [form for form in _FORMS if self.forms[form]]
        for one, other in (("D-M-YYYY", "M-D-YYYY"), ("D_M_YYYY", "M_D_YYYY")):
            if one in found and other in found:
                found.remove(one if self.beyond[other] > self.beyond[one] else other)
        return tuple(found)


def _is_year(text: str | None) -> bool:
    return text is None or 1900 <= int(text) <= date.max.year // 4


def _shape(path: PurePosixPath, dates: Sequence[str], *, kept_marks: Sequence[str]) -> str:
    """Return the template that a path itself would have; empty where it says nothing."""
    days = "|".join(bare_pattern(form) for form in sorted(dates, key=len, reverse=True)) or "(?!)"
    used: set[str] = set()
    parts = [_folder(part, days, used) for part in path.parent.parts]
    stem = bare_name(path.name, kept_marks)
    last = "{words}"
    if "visit_date" not in used and (found := re.search(rf"(?<!\d)(?:{days})(?!\d)", stem)):
        before, after = stem[: found.start()], stem[found.end() :]
        mark = before[-1:] if before[-1:] in ("_", "-", " ") else ""
        behind = after[:1] if after[:1] in ("_", "-", " ") else ""
        last = (f"{{words}}{mark}" if before else "") + "{visit_date}"
        last += f"{behind}{{words}}" if after else ""
        used.add("visit_date")
    whose = used & {"name", "patient_id"}
    return "/".join([*parts, last]) if whose else ""


def _folder(name: str, days: str, used: set[str]) -> str:
    """Return what a folder's name may be, with fields for what changes from folder to folder."""
    if _YEAR.fullmatch(name) and "year" not in used:
        used.add("year")
        return "{year}"
    shape, rest = "", name
    day = re.search(rf"(?<!\d)(?:{days})(?!\d)", name)
    if day is not None:
        before, after = name[: day.start()], name[day.end() :]
        # A day beside a name is a birth date; one by itself, or before a word, is a visit's.
        key = "birth_date" if _NAME.search(before) and "name" not in used else "visit_date"
        if key in used:
            return "{any}"
        used.add(key)
        shape, rest = f"{{{key}}}", before or after
        if before:
            return _text(before, used).rstrip() + _gap(before[-1:]) + shape
        return shape + (_gap(after[:1]) + _text(after.strip(" _-"), used) if after else "")
    return _text(rest, used)


def _gap(mark: str) -> str:
    return mark if mark in (" ", "_", "-") else " "


def _text(text: str, used: set[str]) -> str:
    """Return a field for a text without days: identifier, name or state."""
    text = text.strip(" _-")
    found = _ID.match(text)
    if found is not None and "patient_id" not in used:
        used.add("patient_id")
        rest = text[found.end() :]
        if not rest:
            return "{patient_id}"
        return "{patient_id}" + _gap(rest[:1]) + _text(rest, used)
    if _NAME.fullmatch(text) and "name" not in used:
        used.add("name")
        return "{name}"
    if "state" not in used and used & {"name", "patient_id"}:
        used.add("state")
        return "{state}"
    return "{any}"


def rules_text(made: Proposal) -> str:
    """Return a proposal as a file of rules, with what a person has to look at as comments."""
    words = words_of()
    lines = [f"# {words('legacy.proposal.head', files=made.files, fit=made.fit)}", ""]
    lines += [f"# {words('legacy.proposal.numbering')}", '# numbering = "ISO 3950"']
    lines += [f"dates = [{_listed(made.dates)}]", f"copy_marks = [{_listed(made.copy_marks)}]", ""]
    lines += [f"# {words('legacy.proposal.fields')}"]
    for template in made.templates:
        lines += ["[[path]]", f"is = {_quoted(template)}"]
    lines += ["", f"# {words('legacy.proposal.days')}", "[visit]", 'dates = ["path", "camera"]']
    lines += ["apart = 1", "", f"# {words('legacy.proposal.states')}", "[words.state]"]
    lines += [f"{_quoted(name)} = {_quoted(name)}  # {count}" for name, count in made.states]
    lines += ["", f"# {words('legacy.proposal.views')}", "[words.view]"]
    lines += [f'# {_quoted(word)} = ""  # {count}' for word, count in made.words]
    lines += ["", f"# {words('legacy.proposal.mirror')}", "[mirror]", "# through = []"]
    lines += ["# direct = []", '# flipped = "no"', ""]
    return "\n".join(lines)


def _quoted(text: str) -> str:
    plain = "".join(c for c in text if c.isprintable())
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _listed(texts: Iterable[str]) -> str:
    return ", ".join(map(_quoted, texts))
