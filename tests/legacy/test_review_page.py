"""The page of a dry run: it sorts and sifts, and what a person says in it comes back as a file."""

from __future__ import annotations

from datetime import date, datetime, timezone
from pathlib import Path

import pytest
from legacy_tree import drawn, encoded
from playwright.sync_api import Browser

from archiver.dentition import View
from archiver.legacy.decisions import Decider
from archiver.legacy.import_memory import ImportMemory
from archiver.legacy.import_rules import ImportRules
from archiver.legacy.mends import read_mends
from archiver.legacy.path_templates import PathTemplate
from archiver.legacy.patient_register import PatientRegister
from archiver.legacy.reasons import ImportReason
from archiver.legacy.review_page import write_import_report
from archiver.legacy.survey import decide_all, look_at_all
from archiver.objects import Patient

REGISTER = PatientRegister([Patient("P-1", "Okafor^Nadia", birth_date=date(1981, 3, 12))])
DECIDER = Decider(
    ImportRules((PathTemplate("{name} {birth_date}/{words}"),), ("D.M.YYYY",)),
    REGISTER,
    date(2026, 3, 4),
)


@pytest.fixture
def memory(tmp_path: Path) -> ImportMemory:
    for number in range(3):
        path = tmp_path / "old" / "<b>loose" / f"IMG_{number}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(encoded(drawn(number), datetime(2017, 4, 5, 9, number)))
    return ImportMemory(tmp_path / "report")


def test_what_a_person_says_of_many_files_on_the_page_is_read_again(
    browser: Browser, memory: ImportMemory, tmp_path: Path
) -> None:
    with memory:
        look_at_all(tmp_path / "old", memory)
        decide_all(memory, DECIDER, {})
        assert memory.counts() == {ImportReason.NO_RULE: 3}
        now = datetime(2026, 3, 4, tzinfo=timezone.utc)
        shown = write_import_report(
            memory, tmp_path / "report", root=tmp_path / "old", register=REGISTER, when=now
        )
        page = browser.new_page()
        page.set_default_timeout(120_000)
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda said: faults.append(said.text))
        page.goto(shown.as_uri())
        rows = page.locator("#rows tr")
        assert rows.count() == 3
        page.wait_for_function(
            "[...document.images].every((one) => one.complete && one.naturalWidth)"
        )
        page.locator("th[data-column=path] button").click()
        assert "IMG_2" in rows.first.inner_text()
        page.locator("#ask").fill("img_1")
        assert rows.count() == 1
        page.locator("#ask").fill("")
        page.locator("#all").click()
        page.locator("#patient").fill("Okafor, Nadia · 1981-03-12 · P-1")
        page.locator("#view").select_option("frontal")
        page.locator("#mirror").select_option("no")
        page.locator("#say").click()
        assert page.locator(".said").count() == 3
        page.locator("#by").fill("Haugen^Liv")
        with page.expect_download() as saved:
            page.locator("#save").click()
        saved.value.save_as(tmp_path / "mends.json")
        page.close()
        assert faults == []
        mends = read_mends([tmp_path / "mends.json"])
        assert {(one.view, one.mirror, one.by) for one in mends.values()} == {
            (View.FRONTAL, False, "Haugen^Liv")
        }
        decide_all(memory, DECIDER, mends)
        assert memory.counts() == {ImportReason.WHOLE: 3}
