"""The register of rules, read from ``rules.toml``: name, severity and clause of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from archiver.standard.finding import Severity
from archiver.standard.tables import load_toml
from archiver.wording import Text, words_of


@dataclass(frozen=True)
class Rule:
    """One row of the register.

    Parameters
    ----------
    name
        Stable; scripts may filter by it.
    severity
        Of its findings, unless the check lowers or raises it for a single case.
    clause
        Part and section of the standard, or ``common practice``.
    """

    name: str
    severity: Severity
    clause: str

    @property
    def demands(self) -> Text:
        """What the rule demands, as one sentence for the documentation."""
        return Text(f"rules.{self.name}.demands")

    @property
    def expected(self) -> Text | str:
        """Default for the ``expected`` field of a finding."""
        return self._text_of("expected")

    @property
    def hint(self) -> Text | str:
        """What to do about a finding."""
        return self._text_of("hint")

    def _text_of(self, part: str) -> Text | str:
        key = f"rules.{self.name}.{part}"
        return Text(key) if words_of().has(key) else ""


@cache
def all_rules() -> Mapping[str, Rule]:
    """Return every rule by its name."""
    return {
        name: Rule(name, Severity(row["severity"]), row["clause"])
        for name, row in load_toml("rules").items()
    }


def rule_named(name: str) -> Rule:
    """Return a rule.

    Raises
    ------
    KeyError
        The register has no such rule: a slip in a check.
    """
    return all_rules()[name]
