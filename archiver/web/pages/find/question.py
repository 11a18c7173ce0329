"""A question for pictures, as an address carries it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from urllib.parse import urlencode

from archiver.dentition import Tooth, View, in_arch_order, parse_tooth
from archiver.errors import MeaningError

#: Pages of answers that can be asked for.
_LAST_PAGE = 500


@dataclass(frozen=True)
class FindQuestion:
    """What is asked for; empty parts are not asked.

    Parameters
    ----------
    who
        The word that stands for a patient, see `archiver.web.pages.find.patient_tokens`.
    teeth, view, since, until
        As `archiver.archive.query.Query` has them.
    page
        From 1.
    faults
        Keys of words that tell what could not be understood, by the field.
    """

    who: str = ""
    teeth: tuple[Tooth, ...] = ()
    view: View | None = None
    since: date | None = None
    until: date | None = None
    page: int = 1
    faults: Mapping[str, str] = field(default_factory=dict)

    @property
    def path(self) -> str:
        """The address that asks it."""
        parts: list[tuple[str, str]] = [("who", self.who)] if self.who else []
        parts += [("tooth", f"iso:{tooth.iso}") for tooth in self.teeth]
        if self.view is not None:
            parts.append(("view", self.view.value))
        parts += [
            (key, day.isoformat())
            for key, day in (("since", self.since), ("until", self.until))
            if day is not None
        ]
        if self.page > 1:
            parts.append(("page", str(self.page)))
        return "/find?" + urlencode(parts) if parts else "/find"

    def on_page(self, page: int) -> FindQuestion:
        """Return the same question for another page of answers."""
        return replace(self, page=page)

    def about(self, who: str) -> FindQuestion:
        """Return the same question about one patient."""
        return replace(self, who=who, page=1)


def question_of(fields: Iterable[tuple[str, str]]) -> FindQuestion:
    """Read a question from an address or a form; what cannot be read is left out and told."""
    values: dict[str, list[str]] = {}
    for key, value in fields:
        values.setdefault(key, []).append(value.strip())
    faults: dict[str, str] = {}

    def first(key: str) -> str:
        return values.get(key, [""])[0]

    since, until = (_day(first(key), key, faults) for key in ("since", "until"))
    if since is not None and until is not None and until < since:
        faults["until"] = "find.fault_order"
    page = first("page")[:6]
    return FindQuestion(
        first("who")[:64],
        _teeth(values.get("tooth", []), faults),
        _view(first("view"), faults),
        since,
        until,
        min(max(int(page), 1), _LAST_PAGE) if page.isascii() and page.isdigit() else 1,
        faults,
    )


def _teeth(words: list[str], faults: dict[str, str]) -> tuple[Tooth, ...]:
    found = []
    for word in words[:60]:
        try:
            found.append(parse_tooth(word[:40]))
        except MeaningError:
            faults["tooth"] = "find.fault_tooth"
    return in_arch_order(tuple(found))


def _view(word: str, faults: dict[str, str]) -> View | None:
    try:
        return View(word) if word else None
    except ValueError:
        faults["view"] = "find.fault_view"
        return None


def _day(text: str, key: str, faults: dict[str, str]) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        faults[key] = "find.fault_day"
        return None
