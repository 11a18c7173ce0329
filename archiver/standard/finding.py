"""What a check finds, and the sum of what was found.

Imports neither pydicom nor numpy, so that a caller can print findings cheaply.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from enum import Enum

from archiver.errors import Problem
from archiver.wording import Text, Words, words_of


class Severity(str, Enum):
    """How bad a finding is.

    An error breaks the standard or contradicts the picture; a warning is allowed but harmful or
    suspicious; a note tells what a reader may want to know.
    """

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"

    def __str__(self) -> str:
        return self.value

    @property
    def rank(self) -> int:
        """0 for an error, 1 for a warning, 2 for a note."""
        return ("error", "warning", "note").index(self.value)


@dataclass(frozen=True)
class Finding:
    """One thing that a rule has to say about one attribute.

    Parameters
    ----------
    path
        The file, as the caller named it; empty for an object that is not written yet.
    severity
        How bad it is.
    rule
        Stable name of the rule, a key of ``rules.toml``.
    attribute
        Where: ``SourceImageSequence[1].PatientOrientation (0020,0020)``; items count from 1.
        Empty where the whole file is meant.
    found, expected
        What is there and what should be. Values of names, identifiers and birth dates are never
        repeated here.
    clause
        Part and section of the standard.
    hint
        What to do about it.
    """

    path: str
    severity: Severity
    rule: str
    attribute: str
    found: Text | str
    expected: Text | str
    clause: str
    hint: Text | str

    def problem(self) -> Problem:
        """Return it as a problem, its place the attribute."""
        problem = Problem(
            "standard.finding.problem",
            found=self.found,
            expected=self.expected or None,
            hint=self.hint or None,
        )
        return problem.at(attribute=self.attribute) if self.attribute else problem

    def as_json(self) -> dict[str, str]:
        """Return plain values, ready for ``json.dumps``."""
        return {field.name: str(getattr(self, field.name)) for field in fields(self)}

    def in_words(self, words: Words) -> str:
        """Return the finding in a language, on one line."""
        place = ": ".join(part for part in (self.path, self.attribute) if part)
        parts = {"found": self.found, "expected": self.expected}
        text = words("problem.found_expected" if self.expected else "problem.found", **parts)
        severity = words(f"standard.finding.{self.severity.value}")
        told = ": ".join(part for part in (severity, place, text) if part)
        ruled = words("standard.finding.ruled", told=told, rule=self.rule, clause=self.clause)
        return words("standard.finding.hinted", told=ruled, hint=self.hint) if self.hint else ruled

    def __str__(self) -> str:
        return self.in_words(words_of())


@dataclass(frozen=True)
class Summary:
    """The findings of a run over files, in the form that ``--json`` prints."""

    objects: int
    findings: tuple[Finding, ...]

    @classmethod
    def of(cls, objects: int, findings: Iterable[Finding]) -> Summary:
        """Make a summary whose findings stand file by file, worst first."""
        return cls(objects, tuple(sorted(findings, key=lambda f: (f.path, f.severity.rank))))

    @property
    def errors(self) -> int:
        """Number of findings that are errors."""
        return sum(f.severity is Severity.ERROR for f in self.findings)

    @property
    def warnings(self) -> int:
        """Number of findings that are warnings."""
        return sum(f.severity is Severity.WARNING for f in self.findings)

    def as_json(self) -> Mapping[str, object]:
        """Return plain values, ready for ``json.dumps``."""
        return {
            "objects": self.objects,
            "errors": self.errors,
            "warnings": self.warnings,
            "findings": [f.as_json() for f in self.findings],
        }
