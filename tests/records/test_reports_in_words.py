"""No word of an audit's reports stands outside the catalogue, but for what the record says."""

from __future__ import annotations

import json
import re
from html import unescape
from pathlib import Path

import pytest
from fault_scene import FAULTS
from scoring import audited, faulty

from archiver.records.audit import Audit
from archiver.records.audit_memory import facts_of, text_of
from archiver.records.kinds import all_kinds
from archiver.records.model import ObjectFacts, ValidatorFinding
from archiver.records.report import VisitReport, lines_of
from archiver.records.report.report_page import page_of
from archiver.records.report.summary import concern_rows
from archiver.records.rules import explain
from archiver.wording import Text
from tests.pseudo_language import plain_words, pseudo_language

#: Views, sides, quality figures and states are the same words in every language; a column of a
#: table is called as the table calls it, a treatment as its list does.
OTHERS = (
    "compare hilltop blur pixels soon too many levels of symbolic links and right left mirror tooth"
    " filling episodes visits"
)
DATA = re.compile(r"<code>.*?</code>|<style>.*?</style>|<script>.*?</script>|<[^>]*>", re.S)


@pytest.fixture(scope="module")
def audit(tmp_path_factory: pytest.TempPathFactory) -> Audit:
    """An audit of every fault."""
    folder = tmp_path_factory.mktemp("audit")
    with pseudo_language():
        scene, root, _ = faulty(71830, folder, 0, list(FAULTS))
        return audited(scene, root, folder)


def said_by(audit: Audit) -> set[str]:
    """Return the words that records, rules and the run itself gave."""
    told: list[object] = [audit.survey.where, audit.who, "archiver toml csv utf sig", OTHERS]
    told += [
        (s.name, s.source, s.standing, *((r.name, r.views) for r in s.requirements))
        for s in audit.sets
    ]
    told += [one.rejected for one in audit.survey.instances]
    told += [(d.view, d.by, d.status, d.stage, d.occasion, d.target) for d in audit.demands]
    told += [(c.patient, c.view, c.path, c.rule, c.source, c.who) for c in audit.concerns]
    return {word.casefold() for word in re.findall(r"[A-Za-z]+", " ".join(map(str, told)))}


def left_over(audit: Audit, told: str) -> set[str]:
    """Return the words that nobody gave; what has capitals within it is a keyword of DICOM."""
    return {w for w in plain_words(told) if w.casefold() not in said_by(audit) and w.islower()}


def test_of_a_finding_of_an_audit_nothing_is_told_but_by_the_catalogue(audit: Audit) -> None:
    with pseudo_language():
        rows = [(r[3], r[8], r[9], r[15], r[16]) for r in concern_rows(audit)]
    assert {c.kind for c in audit.concerns} > {"object-invalid", "view-missing", "look-alike"}
    # A value that is shown stands in quotes.
    told = re.sub(r"'[^']*'", "", "\n".join(text for row in rows for text in row))
    assert not left_over(audit, told)


def test_of_the_page_nothing_is_told_but_by_the_catalogue(audit: Audit) -> None:
    with pseudo_language():
        shown = page_of(audit)
    text = unescape(DATA.sub(" ", shown))
    assert not left_over(audit, re.sub(r"'[^']*'", "", text))
    # What the script writes stands with the body; in itself it has names and selectors.
    texts = re.findall(r'data-\w+="([^"]*)"', re.findall(r"<body[^>]*>", shown)[0])
    assert len(texts) == 2
    assert not left_over(audit, re.sub(r"\{\w+\}", "", " ".join(texts)))
    (script,) = re.findall(r"<script>(.*?)</script>", shown, re.S)
    literals = re.findall(r'"([^"\n]*)"|`([^`]*)`', script)
    told = [a + b for a, b in literals if re.search(r"[a-z]{2,} [a-z]{2,}", a + b)]
    assert told == ["use strict", ".sheet tbody tr[hidden]"]


def test_of_a_visit_and_of_rules_nothing_is_told_but_by_the_catalogue(audit: Audit) -> None:
    with pseudo_language():
        visit = VisitReport("N-1", "2026-03-04", [], audit.demands, 3)
        told = [*lines_of(visit), *(line for rules in audit.sets for line in explain(rules))]
    assert not left_over(audit, " ".join(told))


def test_every_kind_has_its_words() -> None:
    for kind in all_kinds().values():
        assert all(map(str, (kind.title, kind.next_step, kind.by_whom, kind.counted)))


def test_a_finding_that_is_remembered_has_no_language(tmp_path: Path) -> None:
    inner = Text("records.one.name")
    found = Text("records.objects.attribute", attribute="Rows", found=(inner, "x"))
    facts = ObjectFacts(
        "d", 1, validator_findings=(ValidatorFinding("error", "r", "Rows", found, "y", "c"),)
    )
    assert "one name" not in json.dumps(text_of(facts))
    assert facts_of(text_of(facts)) == facts
