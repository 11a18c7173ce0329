"""What a DIMSE status means, from the one table ``tables/statuses.csv``."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from importlib.resources import files

from archiver.wording import Text


class Service(str, Enum):
    """The services whose statuses have meanings of their own."""

    ANY = "any"
    STORE = "store"
    FIND = "find"
    GET = "get"
    MOVE = "move"
    COMMITMENT = "commitment"


class Category(str, Enum):
    """What kind of answer a status is (PS3.7 C.1)."""

    SUCCESS = "success"
    WARNING = "warning"
    FAILURE = "failure"
    CANCEL = "cancel"
    PENDING = "pending"


@dataclass(frozen=True)
class DimseStatus:
    """A status with its meaning.

    Parameters
    ----------
    code
        As it came, 0 to 0xFFFF.
    category
        What kind of answer it is.
    passes
        True where the reason can pass by itself, so that asking later may help.
    meaning
        As a clause that can stand alone.
    clause
        Where the standard says so; empty for a status that it does not know.
    """

    code: int
    category: Category
    passes: bool
    meaning: Text
    clause: str

    @property
    def text(self) -> Text:
        """Meaning and code."""
        return Text("network.status.line", meaning=self.meaning, code=f"{self.code:04X}")

    def __str__(self) -> str:
        return str(self.text)

    @property
    def is_done(self) -> bool:
        """True where what was asked for was done, perhaps with a warning."""
        return self.category in (Category.SUCCESS, Category.WARNING)


@dataclass(frozen=True)
class StatusRow:
    """A row of the table: a range of statuses of one service."""

    service: Service
    first: int
    last: int
    category: Category
    passes: bool
    clause: str

    @property
    def meaning(self) -> Text:
        """As a clause that can stand alone."""
        return Text(f"network.status.{self.service.value}.{self.first:04x}")


@lru_cache(maxsize=1)
def rows() -> tuple[StatusRow, ...]:
    """Return the whole table."""
    text = (files("archiver.network") / "tables" / "statuses.csv").read_text("ascii")
    return tuple(
        StatusRow(
            Service(r["service"]),
            int(r["first"], 16),
            int(r["last"], 16),
            Category(r["category"]),
            r["retry"] == "later",
            r["clause"],
        )
        for r in csv.DictReader(text.splitlines())
    )


def status_of(service: Service, code: int) -> DimseStatus:
    """Return what a status means as the answer of a service.

    A status that the table does not have gets the category that its range says (PS3.7 C.1).
    """
    for wanted in (service, Service.ANY):
        for row in rows():
            if row.service is wanted and row.first <= code <= row.last:
                return DimseStatus(code, row.category, row.passes, row.meaning, row.clause)
    if code >> 12 == 0xB or code in (0x0001, 0x0107, 0x0116):
        meaning = Text("network.status.own_warning")
        return DimseStatus(code, Category.WARNING, False, meaning, "")
    return DimseStatus(code, Category.FAILURE, True, Text("network.status.own_failure"), "")
