"""Which treatments the codes of a practice's own program stand for: a table of two columns::

code;treatment
2740;ceramic crown
3310;root canal
"""

from __future__ import annotations

from pathlib import Path

from archiver.errors import InputError, Problem
from archiver.objects import BadTableError, read_table

_HEADINGS = {
    "code": ("code", "treatment code", "procedure code", "item"),
    "treatment": ("treatment", "procedure", "meaning", "description"),
}


def folded_code(code: str) -> str:
    """Return a code as codes are compared: a column of numbers may have saved 2740 as 2740.0."""
    return "".join(code.casefold().split()).removesuffix(".0").removesuffix(",0")


def read_treatment_codes(path: Path) -> dict[str, str]:
    """Read the table: treatments by `folded_code`.

    Raises
    ------
    InputError
        If it cannot be read, a row lacks one of the two, or a code stands for two treatments.
    """
    try:
        rows = read_table(path.read_bytes()).rows
    except OSError as error:
        problem = Problem("records.episodes.unreadable", reason=error.strerror)
        raise InputError(problem.at(file=str(path))) from error
    except BadTableError as error:
        problem = Problem("records.episodes.no_table", what=error.problem)
        raise InputError(problem.at(file=path.name)) from error
    headings = [" ".join(one.casefold().split()) for one in rows[0][1]] if rows else []
    places = {
        name: next((n for n, one in enumerate(headings) if one in words), None)
        for name, words in _HEADINGS.items()
    }
    missing = [name for name, place in places.items() if place is None]
    if missing:
        told = (Problem("records.episodes.no_column", column=m, heading=m) for m in missing)
        raise InputError(*(one.at(file=path.name) for one in told))
    codes: dict[str, str] = {}
    problems: list[Problem] = []
    for line, row in rows[1:]:
        said = {n: row[p].strip() for n, p in places.items() if p is not None and p < len(row)}
        code, treatment = folded_code(said.get("code", "")), said.get("treatment", "")
        if not code or not treatment:
            problem = Problem("records.episodes.code_incomplete")
        elif codes.get(code, treatment) != treatment:
            problem = Problem("records.episodes.code_twice", code=code)
        else:
            codes[code] = treatment
            continue
        problems.append(problem.at(file=path.name, line=line))
    if problems:
        raise InputError(*problems)
    return codes
