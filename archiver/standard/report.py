"""Collects findings while the rules run, and shows values without giving a person away."""

from __future__ import annotations

from archiver.standard.dictionary import describe_tag
from archiver.standard.elements import Element, place_of
from archiver.standard.finding import Finding, Severity
from archiver.standard.rules import rule_named
from archiver.wording import Text

_SHOWN_VRS = frozenset(
    {"CS", "UI", "AE", "UR", "IS", "DS", "DA", "TM", "DT", "AS"}
    | {"US", "SS", "UL", "SL", "FL", "FD"}
)
_SHOWN_KEYWORDS = frozenset(
    {
        "CodeValue",
        "LongCodeValue",
        "CodeMeaning",
        "CodingSchemeDesignator",
        "CodingSchemeVersion",
        "MappingResourceName",
        "TimezoneOffsetFromUTC",
        "ImplementationVersionName",
    }
)
# Groups that identify, or may identify, a person (PS3.6): patient, visit, procedure.
_IDENTIFYING_GROUPS = frozenset({0x0010, 0x0012, 0x0032, 0x0038, 0x0040})
_LONGEST_SHOWN = 64


class ObjectFindings:
    """The findings about one object.

    Parameters
    ----------
    path
        Put into every finding.
    """

    def __init__(self, path: str = "") -> None:
        self._path = path
        self._findings: dict[tuple[str, str, Text | str], Finding] = {}

    def add(
        self,
        rule: str,
        attribute: str = "",
        *,
        found: Text | str,
        expected: Text | str = "",
        clause: str = "",
        severity: Severity | None = None,
    ) -> None:
        """Record a finding once; clause and severity come from the rule unless given."""
        row = rule_named(rule)
        finding = Finding(
            self._path,
            severity or row.severity,
            rule,
            attribute,
            _printable(found),
            _printable(expected or row.expected),
            clause or row.clause,
            row.hint,
        )
        key = (rule, attribute, found)
        earlier = self._findings.get(key)
        if earlier is None or finding.severity.rank < earlier.severity.rank:
            self._findings[key] = finding

    def add_at(
        self,
        rule: str,
        prefix: str,
        tag: int,
        *,
        found: Text | str,
        expected: Text | str = "",
        clause: str = "",
        severity: Severity | None = None,
    ) -> None:
        """Record a finding about the element with that tag in the item that the prefix names."""
        self.add(
            rule,
            place_of(prefix, tag),
            found=found,
            expected=expected,
            clause=clause,
            severity=severity,
        )

    @property
    def findings(self) -> list[Finding]:
        """The findings, worst first, otherwise in the order in which they were made."""
        return sorted(self._findings.values(), key=lambda f: f.severity.rank)


def _printable(text: Text | str) -> Text | str:
    """Return a text that stays on its line, whatever a broken file held."""
    if isinstance(text, Text):
        return Text(text.code, **{k: _value(v) for k, v in text.given})
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)


def _value(value: object) -> object:
    if isinstance(value, tuple):
        return tuple(map(_value, value))
    return _printable(value) if isinstance(value, str | Text) else value


def shown(element: Element, text: str | None = None) -> Text | str:
    """Return a value fit for a message: quoted, cut, or only measured where it may identify.

    Names, identifiers, birth dates and free text are told by their length alone.
    """
    if text is None:
        text = "\\".join(element.texts())
    entry = describe_tag(element.tag)
    group = element.tag >> 16
    harmless = entry is not None and (
        entry.keyword in _SHOWN_KEYWORDS
        or (element.vr in _SHOWN_VRS and (group not in _IDENTIFYING_GROUPS or element.vr == "CS"))
    )
    if not harmless:
        return Text("standard.report.characters", n=len(text))
    return f"'{text[:_LONGEST_SHOWN]}...'" if len(text) > _LONGEST_SHOWN else f"'{text}'"
