"""What was done, so that what ought to exist is known: a table of treatments.

One row an episode. The columns are found by their headings, in any order::

    patient;issuer;tooth;numbering;treatment;start;prepared;finished
    P-0417;RIVERBEND;25;ISO 3950;ceramic onlay;04.03.2026;04.03.2026;18.03.2026

Only patient, treatment and start must be there. An empty tooth means the mouth. Every row that
cannot be read is told, with its line; the others are taken.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path

from archiver.dentition import WORD_SETS, Numbering, Tooth, bare_number, numbering_of, read_teeth
from archiver.errors import InputError, MeaningError, Problem
from archiver.objects import BadTableError, Table, day_order, read_day, read_table
from archiver.records.rules import RuleSet
from archiver.records.treatment_codes import folded_code

#: Headings by which a column is known, compared without case and punctuation.
HEADINGS: dict[str, tuple[str, ...]] = {
    "patient": ("patient", "patient id", "patientid", "id", "chart", "chart no", "record no"),
    "issuer": ("issuer", "issuer of patient id"),
    "tooth": ("tooth", "teeth", "tooth no", "tooth number", "site"),
    "numbering": ("numbering", "notation", "tooth system", "system"),
    "treatment": ("treatment", "procedure", "kind", "kind of treatment", "what was done"),
    "start": ("start", "date", "started", "begin", "start date", "date of treatment"),
    "prepared": ("prepared", "preparation", "preparation date", "placed", "placement"),
    "finished": ("finished", "end", "completed", "finish", "finished on", "end date"),
}
#: Other names that tables have for a numbering, without case and punctuation.
_NUMBERINGS = {"fdi": "ISO 3950", "fdi two digit": "ISO 3950", "uns": "Universal"}
REQUIRED = ("patient", "treatment", "start")
_DATES = ("start", "prepared", "finished")


@dataclass(frozen=True)
class Episode:
    """One treatment.

    Parameters
    ----------
    line
        In the file.
    issuer
        Empty where the table does not say; then any issuer's patient of that identifier.
    teeth
        Empty where the mouth is meant.
    """

    line: int
    patient_id: str
    issuer: str
    teeth: tuple[Tooth, ...]
    treatment: str
    start: date
    prepared: date | None = None
    finished: date | None = None

    @property
    def label(self) -> str:
        """What was done, on which teeth."""
        teeth = ", ".join(tooth.iso for tooth in self.teeth)
        return f"{self.treatment} {teeth}" if teeth else self.treatment


@dataclass(frozen=True)
class Episodes:
    """A table of treatments as it was read.

    Parameters
    ----------
    rows
        Rows that were seen; ``len(episodes) + len(problems)`` at most.
    problems
        Why rows could not be read, each with its line.
    order
        ``day`` or ``month`` first in dates such as 3/4/2026; empty where no such date needed it.
    """

    name: str
    episodes: tuple[Episode, ...]
    problems: tuple[Problem, ...]
    rows: int
    encoding: str
    separator: str
    order: str


def read_episodes(
    path: Path,
    *,
    today: date,
    numbering: Numbering | None = None,
    order: str | None = None,
    codes: Mapping[str, str] | None = None,
) -> Episodes:
    """Read a table of treatments.

    Parameters
    ----------
    numbering
        Of teeth without a column or a prefix of their own.
    order
        ``day`` or ``month`` for dates that can be read both ways; found from the file if None.
    codes
        Treatments by their code in the table (`read_treatment_codes`); one without a space and
        with a digit that is not among them cannot be read.

    Raises
    ------
    InputError
        If the file is no such table at all.
    """
    try:
        table = read_table(path.read_bytes())
    except OSError as error:
        raise InputError(
            Problem("records.episodes.unreadable", reason=error.strerror).at(file=str(path))
        ) from error
    except BadTableError as error:
        problem = Problem("records.episodes.no_table", what=error.problem)
        raise InputError(problem.at(file=path.name)) from error
    columns = _columns(path.name, table)
    body = table.rows[1:]
    dates = [columns[name] for name in _DATES if name in columns]
    cells = [row[place] for _, row in body for place in dates if place < len(row)]
    order = order or day_order(cells)
    reading = _Reading(path.name, columns, numbering, order, today, codes or {})
    episodes = [found for line, row in body if (found := reading.row(line, row)) is not None]
    return Episodes(
        path.name,
        tuple(episodes),
        tuple(reading.problems),
        len(body),
        table.encoding,
        table.separator,
        order or "",
    )


def unmatched_words(sets: Sequence[RuleSet], episodes: Episodes) -> tuple[Problem, ...]:
    """Tell of each word of treatments in rules that is in no treatment of a table.

    Parameters
    ----------
    sets
        The rules of an audit.
    episodes
        The table; rules for treatments that nobody had demand nothing, silently.
    """
    kinds = {one.treatment.casefold() for one in episodes.episodes}
    return tuple(
        Problem("records.episodes.unmatched", word=word, name=rules.name).at(file=episodes.name)
        for rules in sets
        for word in rules.applies.treatments
        if not any(word in kind for kind in kinds)
    )


def _numbering(said: str) -> Numbering:
    return numbering_of(_NUMBERINGS.get(_plain(said), said))


def _plain(heading: str) -> str:
    return " ".join(re.sub(r"[^a-z0-9]+", " ", heading.casefold()).split())


def _columns(name: str, table: Table) -> dict[str, int]:
    """Return the place of every known column."""
    if not table.rows:
        raise InputError(
            Problem("records.episodes.empty_table", headings=tuple(HEADINGS)).at(file=name)
        )
    line, headings = table.rows[0]
    found: dict[str, int] = {}
    problems = []
    for place, heading in enumerate(headings):
        for column, words in HEADINGS.items():
            if _plain(heading) in words:
                if column in found:
                    problems.append(
                        Problem("records.episodes.second_column", heading=heading, column=column)
                    )
                found.setdefault(column, place)
    missing = [column for column in REQUIRED if column not in found]
    problems += [
        Problem("records.episodes.no_column", column=m, heading=HEADINGS[m][0]) for m in missing
    ]
    if problems:
        raise InputError(*(p.at(file=name, line=line) for p in problems))
    return found


class _Reading:
    """Reads rows and collects why some cannot be read."""

    def __init__(
        self,
        name: str,
        columns: dict[str, int],
        numbering: Numbering | None,
        order: str | None,
        today: date,
        codes: Mapping[str, str],
    ) -> None:
        self.codes = codes
        self.name = name
        self.columns = columns
        self.numbering = numbering
        self.order = order
        self.today = today
        self.problems: list[Problem] = []

    def row(self, line: int, cells: Sequence[str]) -> Episode | None:
        """Return the episode, or None and one problem for each cell that cannot be read."""
        problems: list[Problem] = []

        def cell(column: str) -> str:
            place = self.columns.get(column)
            return cells[place] if place is not None and place < len(cells) else ""

        def read(column: str, convert: Callable[[str], object]) -> object:
            text = cell(column)
            try:
                return convert(text) if text else None
            except BadTableError as error:
                problems.append(error.problem.at(column=column))
            except MeaningError as error:
                problems.extend(p.at(column=column) for p in error.problems)
            return None

        for column in REQUIRED:
            if not cell(column):
                problems.append(Problem("records.episodes.empty", column=column))
        days = {name: read(name, self._day) for name in _DATES}
        treatment = read("treatment", self._treatment)
        teeth = read("tooth", lambda text: self._teeth(text, cell("numbering")))
        problems += self._out_of_order(days)
        if problems:
            row = Problem("records.episodes.bad_row", problems=problems)
            self.problems.append(row.at(file=self.name, line=line))
            return None
        assert isinstance(days["start"], date)
        return Episode(
            line,
            cell("patient"),
            cell("issuer"),
            teeth if isinstance(teeth, tuple) else (),
            str(treatment),
            days["start"],
            days["prepared"] if isinstance(days["prepared"], date) else None,
            days["finished"] if isinstance(days["finished"], date) else None,
        )

    def _treatment(self, text: str) -> str:
        known = self.codes.get(folded_code(text))
        if known is None and self.codes and re.fullmatch(r"\S*\d\S*", text.strip()):
            raise BadTableError("records.episodes.unknown_code", code=text)
        return known or text

    def _day(self, text: str) -> date:
        return read_day(text, self.order, self.today.year)

    def _out_of_order(self, days: dict[str, object]) -> list[Problem]:
        given = [(name, days[name]) for name in _DATES if isinstance(days[name], date)]
        return [
            Problem(
                "records.episodes.lies_before", later=later, then=then, earlier=earlier, first=first
            )
            for (earlier, first), (later, then) in pairwise(given)
            if then < first  # type: ignore[operator]
        ]

    def _teeth(self, text: str, said: str) -> tuple[Tooth, ...]:
        """Read teeth; a number alone is never read."""
        text = re.sub(r"(?<=\d)[.,]0\b", "", text)  # 36.0, as a column of numbers is saved
        if text.casefold() in WORD_SETS:
            return WORD_SETS[text.casefold()]
        numbering = _numbering(said) if said else self.numbering
        prefix, colon, rest = text.partition(":")
        if colon:
            numbering, text = _numbering(prefix), rest
        if numbering is None:
            raise MeaningError(bare_number(text))
        text = re.sub(r"\s*(-|–)\s*", r"\1", text.strip())
        return read_teeth(re.sub(r"\s*[/&]\s*|(?<=\d)\s+(?=\d)", ",", text), numbering)
