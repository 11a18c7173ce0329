"""The conformance statement says what the program does."""

from __future__ import annotations

import re

from archiver.network.node import answers
from archiver.standard.requirements import PHOTOGRAPHIC, modules_of
from tests.conformance.statement import STATEMENT, TABLES, named, written
from tests.conformance.statement_objects import beyond_the_iod
from tests.conformance.statement_services import tag_text


def test_the_statement_is_fresh() -> None:
    """Run ``python -m tests.conformance.statement`` where this fails."""
    text = STATEMENT.read_text("utf-8")
    assert written(text) == text


def test_every_table_has_its_place_once() -> None:
    places = named(STATEMENT.read_text("utf-8"))
    assert sorted(places) == sorted([*TABLES, "contents"])


def test_every_status_of_the_node_is_told() -> None:
    constants = {
        value for name, value in vars(answers).items() if name.isupper() and type(value) is int
    }
    assert {one.status for one in answers.BEHAVIOUR} == constants


def test_every_attribute_of_our_objects_is_in_the_statement() -> None:
    assert not beyond_the_iod()
    told = TABLES["attributes"]()
    for module in modules_of(PHOTOGRAPHIC, True):
        for one in module.rows.by_tag.values():
            if module.usage == "M" and one.kind == "1":
                assert re.search(rf"{re.escape(tag_text(one.keyword))} \| 1 \| ALWAYS", told)


def test_no_line_is_left_for_somebody_to_fill_in() -> None:
    text = STATEMENT.read_text("utf-8")
    assert not re.search(r"<[a-z][^!>]*>", text.replace("<!--", ""))
