"""The register of what an audit can find, read from ``kinds.toml``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from archiver.records.model import Concern
from archiver.wording import Text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

#: From the worst on. A danger can hurt a patient or has lost something; a fault is against a
#: rule; a doubt wants a person's eyes; a note fails nothing.
SEVERITIES = ("danger", "fault", "doubt", "note")


@dataclass(frozen=True)
class Kind:
    """One kind of finding.

    Parameters
    ----------
    group
        ``completeness``, ``correctness``, ``integrity`` or ``retention``.
    severity
        One of `SEVERITIES`.
    who
        Who acts on it.
    heads
        Whether it stands before others of its severity.
    """

    name: str
    group: str
    severity: str
    who: str
    heads: bool = False

    @property
    def title(self) -> Text:
        """What the report calls it."""
        return Text(f"kinds.{self.name}.title")

    @property
    def next_step(self) -> Text:
        """What is to be done."""
        return Text(f"kinds.{self.name}.next")

    @property
    def by_whom(self) -> Text:
        """Who does it."""
        return Text(f"records.by_whom.{self.who}")

    @property
    def counted(self) -> Text:
        """How its figure is counted."""
        return Text(f"kinds.{self.name}.counted")

    @property
    def rank(self) -> int:
        """0 for the worst."""
        return SEVERITIES.index(self.severity)

    @property
    def fails(self) -> bool:
        """True where one finding of the kind makes the audit fail."""
        return self.rank <= 1


@cache
def all_kinds() -> Mapping[str, Kind]:
    """Return every kind by its name."""
    text = files(__package__).joinpath("kinds.toml").read_text("utf-8")
    rows = tomllib.loads(text)
    return {name: Kind(name, **row) for name, row in rows.items()}


def kind_of(concern: Concern) -> Kind:
    """Return the kind of a concern.

    Raises
    ------
    KeyError
        The register has no such kind: a slip in a check.
    """
    return all_kinds()[concern.kind]
