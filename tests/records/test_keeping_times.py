"""How long records are kept: by age at their making, last contact, capacity, whichever is longer.

The rules here are made up, in the shapes that advice and law have: years for adults, years or a
birthday for children. None ships, since no source could be read that supports one for a place.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from made_up_pictures import instance

from archiver.errors import InputError
from archiver.records.checks.retention import check_retention, passed_keeping_time
from archiver.records.contacts import Contact, read_contacts
from archiver.records.model import RecordPerson
from archiver.records.rules.rule_reader import read_rules, shipped
from archiver.records.rules.rule_set import RuleSet
from archiver.records.rules.rule_words import explain
from tests.cli.in_process import archiver
from tests.new_archive import new_archive

HEAD = 'name = "Keeping"\nversion = "1"\nsource = "S"\nstanding = "local"\n'
#: Adults fifteen years, children to their 25th birthday or fifteen years, whichever is later;
#: whoever was seventeen, to the 26th.
AGES = """
[[retention]]
name = "adults"
from_age = 18
years = 15
source = "made up"
source_date = "2023"
place = "Harbour"
[[retention]]
name = "children"
below_age = 18
years = 15
until_age = 25
source = "made up"
[[retention]]
name = "seventeen"
from_age = 17
below_age = 18
until_age = 26
source = "made up"
"""
INCAPABLE = """
[[retention]]
name = "without capacity"
lacking_capacity = true
for_ever = true
source = "made up"
"""
KEY = ("T-1", "")


def rules_in(folder: Path, text: str) -> RuleSet:
    path = folder / "keeping.toml"
    path.write_text(HEAD + text, "utf-8")
    return read_rules(path)


@pytest.mark.parametrize(
    ("born", "made", "contact", "last_day"),
    [
        # an adult: fifteen years after the last visit
        ("1970-03-03", ["2005-05-08"], "", "2020-05-08"),
        # a child of ten: to the 25th birthday, which is later than fifteen years
        ("2004-02-01", ["2005-01-10"], "", "2029-02-01"),
        # a child of nine in 2014 is not due in 2024: to the birthday in 2030
        ("2005-02-01", ["2014-06-01"], "", "2030-02-01"),
        # a child of sixteen: fifteen years are later than the birthday
        ("2006-02-01", ["2022-06-01"], "", "2037-06-01"),
        # seventeen: the 26th birthday counts too
        ("2006-02-01", ["2023-03-01"], "", "2038-03-01"),
        ("2006-02-01", ["2007-03-01", "2010-03-01"], "", "2031-02-01"),
        # pictures of the child keep the record of the adult to the birthday
        ("1999-02-01", ["2006-01-01", "2019-05-01"], "", "2034-05-01"),
        # the last contact counts, not the last photograph
        ("1970-03-03", ["2005-05-08"], "2012-09-01", "2027-09-01"),
        # a contact before the last picture makes nothing shorter
        ("1970-03-03", ["2005-05-08"], "2001-09-01", "2020-05-08"),
        # fifteen years after a leap day end on the first of March
        ("1970-03-03", ["2004-02-29"], "", "2019-03-01"),
    ],
)
def test_a_record_is_due_from_the_day_after_its_latest_end(
    born: str, made: list[str], contact: str, last_day: str, tmp_path: Path
) -> None:
    rules = rules_in(tmp_path, AGES)
    person = RecordPerson(*KEY, "Okafor^Nadia", born, "F")
    shots = [instance(n, day=day, person=person) for n, day in enumerate(made)]
    contacts = {KEY: Contact(date.fromisoformat(contact))} if contact else None
    kept = date.fromisoformat(last_day)
    assert check_retention([rules], shots, kept, contacts) == []
    assert passed_keeping_time([rules], shots, kept, contacts) == set()
    over = kept + timedelta(days=1)
    (told,) = check_retention([rules], shots, over, contacts)
    assert told.kind == "retention-passed" and "made up" in told.source
    assert passed_keeping_time([rules], shots, over, contacts) == {KEY}


def test_years_from_the_making_take_no_notice_of_contacts(tmp_path: Path) -> None:
    text = '[[retention]]\nname = "a"\nyears = 5\ncounted_from = "making"\nsource = "made up"\n'
    rules = rules_in(tmp_path, text)
    shots = [instance(1, day="2010-05-08", person=RecordPerson(*KEY, "A^B", "", ""))]
    contacts = {KEY: Contact(date(2020, 1, 1))}
    assert check_retention([rules], shots, date(2015, 5, 8), contacts) == []
    assert len(check_retention([rules], shots, date(2015, 5, 9), contacts)) == 1


def test_whoever_lacks_capacity_is_kept_and_whoever_does_not_is_not(tmp_path: Path) -> None:
    rules = rules_in(tmp_path, AGES + INCAPABLE)
    person = RecordPerson(*KEY, "Okafor^Nadia", "1970-03-03", "F")
    shots, today = [instance(1, day="2001-05-08", person=person)], date(2090, 1, 1)
    assert len(check_retention([rules], shots, today, {KEY: Contact()})) == 1
    contacts = {KEY: Contact(lacks_capacity=True)}
    assert check_retention([rules], shots, today, contacts) == []
    assert passed_keeping_time([rules], shots, today, contacts) == set()


def test_what_is_held_is_listed_as_held_and_never_as_due(tmp_path: Path) -> None:
    rules = rules_in(tmp_path, AGES)
    person = RecordPerson(*KEY, "Okafor^Nadia", "1970-03-03", "F")
    shots, contacts = [instance(1, day="2001-05-08", person=person)], {KEY: Contact(hold="claim 7")}
    (told,) = check_retention([rules], shots, date(2026, 1, 1), contacts)
    assert told.kind == "retention-held" and "claim 7" in str(told.found)
    assert passed_keeping_time([rules], shots, date(2026, 1, 1), contacts) == set()


@pytest.mark.parametrize(("born", "day"), [("", "2012-05-08"), ("1970-03-03", "")])
def test_what_cannot_be_judged_is_told_and_never_due(born: str, day: str, tmp_path: Path) -> None:
    rules = rules_in(tmp_path, AGES)
    shots = [instance(1, day=day, person=RecordPerson(*KEY, "A^B", born, ""))]
    told = check_retention([rules], shots, date(2090, 1, 1))
    assert {c.kind for c in told} == {"retention-unknown"}
    assert passed_keeping_time([rules], shots, date(2090, 1, 1)) == set()


def test_a_record_with_a_part_without_a_date_is_listed_and_never_let_go(tmp_path: Path) -> None:
    rules = rules_in(tmp_path, AGES)
    person = RecordPerson(*KEY, "Okafor^Nadia", "1970-03-03", "F")
    shots = [instance(1, day="2001-05-08", person=person), instance(2, day="", person=person)]
    told = check_retention([rules], shots, date(2026, 1, 1))
    assert [one.kind for one in told] == ["retention-passed"]
    assert passed_keeping_time([rules], shots, date(2026, 1, 1)) == set()


def test_no_keeping_time_ships_and_a_practices_own_is_told_with_place_and_date(
    tmp_path: Path,
) -> None:
    assert not [key for key, path in shipped().items() if read_rules(path).retention]
    told = "\n".join(explain(rules_in(tmp_path, AGES + INCAPABLE)))
    assert "15 years after the last contact and until the age of 25, whichever is later" in told
    assert "Source: made up, Harbour, 2023" in told
    assert "of patients who cannot decide for themselves, records are kept until a person" in told


TABLE = "Patient;Issuer;Last contact;Lacks capacity;Legal hold\n"


def test_a_table_of_contacts_is_read_as_practices_export_it(tmp_path: Path) -> None:
    path = tmp_path / "contacts.csv"
    path.write_bytes((TABLE + "T-1;;04.03.2019;;\nT-2;NORTH;;yes;Schäden 7\n").encode("cp1252"))
    assert read_contacts(path, today=date(2026, 1, 1)) == {
        ("T-1", ""): Contact(date(2019, 3, 4)),
        ("T-2", "NORTH"): Contact(None, True, "Schäden 7"),
    }


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("Patient;Issuer\nT-1;\n", "last contact"),
        (TABLE + "T-1;;99.99.2019;;\n", "line 2"),
        (TABLE + ";;04.03.2019;;\n", "names no patient"),
        (TABLE + "T-1;;;perhaps;\n", "perhaps"),
        (TABLE + "T-1;;04.03.2019;;\nT-1;;04.03.2020;;\n", "line 3"),
    ],
)
def test_a_table_with_a_fault_is_refused_whole(text: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "contacts.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError, match=told):
        read_contacts(path, today=date(2026, 1, 1))


@pytest.mark.parametrize(
    "words",
    [
        ("audit", "--rules", "good-record", "--json"),
        ("reject", "1.2.3", "--reason", "retention", "--by", "Haugen^Liv"),
    ],
    ids=["audit", "reject"],
)
def test_a_table_that_cannot_be_read_is_wrong_use_of_every_verb(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    path = tmp_path / "contacts.csv"
    path.write_text(TABLE + "T-1;;99.99.2019;;\n", "utf-8")
    told = archiver(*words, "--contacts", path, "--archive", new_archive(tmp_path / "archive"))
    assert told.returncode == 2 and "line 2" in told.stderr
