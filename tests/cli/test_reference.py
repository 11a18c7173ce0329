"""The command reference is what the commands say."""

from __future__ import annotations

import json

from archiver.cli.verbs import VERBS
from tests.cli.reference import FILE, reference


def test_the_reference_is_what_the_commands_say() -> None:
    assert FILE.read_text("utf-8") == reference(), "python -m tests.cli.reference makes it anew"


def test_every_verb_is_in_it_with_an_example() -> None:
    verbs = json.loads(FILE.read_text("utf-8"))
    assert [verb["name"] for verb in verbs] == list(VERBS)
    for verb in verbs:
        assert f"archiver {verb['name']}" in verb["more"]
