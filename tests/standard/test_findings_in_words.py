"""No word of a finding stands outside the catalogue, but for what the object itself says."""

from __future__ import annotations

import re

import pytest
from test_every_rule import MUTANTS

from archiver.dentition import Direction
from archiver.standard import validate_bytes
from tests.pseudo_language import plain_words, pseudo_language

#: Names of the standard, of surfaces and of the patient's directions are data.
SAID = {"and", "occlusal", *(direction.word for direction in Direction)}


@pytest.mark.parametrize("rule", MUTANTS)
def test_of_a_finding_nothing_is_told_but_by_the_catalogue(rule: str) -> None:
    data = MUTANTS[rule]()
    # A value that is shown stands in quotes; keywords and codes are the standard's own words.
    for finding in validate_bytes(data, "a.dcm"):
        with pseudo_language():
            told = [str(finding.found), str(finding.expected), str(finding.hint)]
        words = plain_words(re.sub(r"'[^']*'", "", " ".join(told)))
        assert not [w for w in words if w.islower() and w not in SAID], told
