"""The register of rules, read from ``rules.toml``: name, severity, clause and hint of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from archiver.standard.finding import Severity
from archiver.standard.tables import load_toml


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
    demands
        What the rule demands, as one sentence for the documentation.
    expected
        Default for the ``expected`` field of a finding.
    hint
        What to do about a finding.
    """

    name: str
    severity: Severity
    clause: str
    demands: str
    expected: str
    hint: str


@cache
def all_rules() -> Mapping[str, Rule]:
    """Return every rule by its name."""
    return {
        name: Rule(
            name,
            Severity(row["severity"]),
            row["clause"],
            row["demands"],
            row.get("expected", ""),
            row.get("hint", ""),
        )
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
