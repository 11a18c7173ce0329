"""The record in the browser: what a visit lacks, the audit and its report; people at work."""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path

from playwright.sync_api import Page, expect
from pydicom import dcmread
from web_serving import PASSWORD, TABLET, Client, Served, Watch, serious

from archiver.access.users import users_of
from archiver.archive.query import Query, Record
from archiver.archive.statements import KeptDoubt, consents_of, keep_doubts, patient_of
from archiver.archive.store.archive import Archive
from archiver.network.outbox.outbox import Outbox
from archiver.network.outbox.peer_corrections import note_holder
from archiver.objects import concepts, key_objects, part10
from archiver.objects.confirmation import code_of, read_shown
from archiver.objects.description import describe
from archiver.objects.uids import DerivedUids
from archiver.photo import DoubtKind
from archiver.priors import keep_outcomes
from archiver.records.archive_survey import survey_archive
from archiver.records.audit_memory import Memory
from archiver.records.examination import Depth
from archiver.records.report.visit_report import report_visit
from archiver.records.rules.rule_reader import read_rules, shipped
from archiver.vision import Way
from archiver.wording import Text

NOON = datetime(2026, 5, 4, 12, tzinfo=timezone.utc)


def test_a_visit_shows_what_the_command_line_says_it_lacks(page: Page, served: Served) -> None:
    from archiver.archive.store.layout import Layout
    from archiver.cli.context import now

    survey = survey_archive(Layout(served.archive), Depth.INDEX, Memory(None, ""), now())
    rules = read_rules(shipped()["five-intraoral"])
    told = report_visit(survey.instances, {}, [rules], "P-1180", day="2026-04-21")
    missing = sorted(d.requirement for d in told.demands if d.status == "missing")
    assert missing

    page.goto(served.url + "/record")
    page.get_by_role("link", name="Record of Castellanos, Idris, 2026-04-21").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Castellanos, Idris")
    shown = page.locator(".demand-missing .demand-what").all_inner_texts()
    assert sorted(text.strip() for text in shown) == missing
    assert page.locator("main figure.picture").count() == len(told.pictures)


def test_other_rules_are_chosen_and_remembered(page: Page, served: Served) -> None:
    page.goto(served.url + "/record")
    page.get_by_label("Rules").select_option(label="Eight views of a first examination")
    page.get_by_role("button", name="Apply").click()
    page.goto(served.url + "/record")
    chosen = page.get_by_label("Rules").evaluate("e => e.selectedOptions[0].text")
    assert chosen == "Eight views of a first examination"


def test_visits_of_a_patient_are_found_without_the_identifier_in_the_address(
    page: Page, served: Served
) -> None:
    page.goto(served.url + "/record")
    page.get_by_label("Patient's identifier").fill("P-1042")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Visits of this patient")).to_be_visible()
    assert page.locator("tbody tr").count() == 3
    assert "P-1042" not in page.url
    page.get_by_label("Patient's identifier").fill("P-0")
    page.get_by_role("button", name="Show visits").click()
    expect(page.get_by_text("No photographs are archived under this identifier.")).to_be_visible()


def test_every_picture_carries_its_label(page: Page, served: Served) -> None:
    page.goto(served.url + "/record")
    page.locator("tbody a").first.click()
    for figure in page.locator("figure.picture").all():
        letters = "".join(figure.locator(".edge").all_inner_texts())
        assert len(letters) == 4 and set(letters) <= set("LRAPHF"), letters
        assert figure.locator(".tooth").inner_text()
        assert figure.locator("time").get_attribute("datetime") == "2026-04-21"
        assert figure.locator(".side").inner_text() in ("Side confirmed", "Side not confirmed")
        image = figure.locator("img")
        image.scroll_into_view_if_needed()
        expect(image).to_have_js_property("complete", True)
        assert image.evaluate("e => e.naturalWidth") > 100
        assert "patient's" in (image.get_attribute("alt") or "")


def test_a_side_is_confirmed_later_and_what_was_unconfirmed_is_hidden(
    archive: Path, start: Callable[..., Served], page: Page
) -> None:
    users = users_of(archive)
    users.add("liv", frozenset({"assistant"}), PASSWORD)
    users.add("cory", frozenset({"auditor"}), PASSWORD)
    with Archive.open(archive, read_only=True) as opened:
        asked = Query(patient_id="P-1107", confirmed=False, role="derived", since="2026-01-01")
        (record,) = opened.query(asked)
    note_holder(archive, "clinic", [record.sop_instance_uid])
    served = start(archive)
    auditor, uid = Client(served), record.sop_instance_uid
    auditor.log_in("cory")
    auditor.ask("/")
    assert auditor.ask(f"/record/side/{uid}").status == 403
    shown = auditor.ask(f"/record/visit/{record.study_uid}").text
    assert "Confirm the side" not in shown and "/record/rejection/" not in shown
    assert auditor.post(f"/record/rejection/{uid}", {"what": "reject"}).status == 403
    assert auditor.post(f"/record/side/{uid}", {"seen": "AL"}).status == 403

    page.goto(served.url + "/login")
    page.get_by_label("Name").fill("liv")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url(served.url + "/")
    page.goto(f"{served.url}/record/visit/{record.study_uid}")
    page.get_by_role("link", name="Confirm the side").click()
    question = "front teeth towards the top edge, and is the left edge the patient's right?"
    expect(page.get_by_role("heading", level=2)).to_contain_text(question)
    expect(page.locator(".side-drawing")).to_be_visible()
    assert not serious(page)
    page.get_by_role("button", name="Yes, I compared it").click()
    page.wait_for_url("**/record/visit/*")
    # What was replaced is not among the pictures that somebody rejected.
    expect(page.get_by_text("Side not confirmed")).to_have_count(0)
    expect(page.get_by_text("Rejected")).to_have_count(0)
    with Outbox.open(archive) as outbox:
        assert len(outbox.shipments("clinic")) >= 2, "the successor and the note are owed"

    with Archive.open(archive, read_only=True) as opened:
        (now,) = opened.query(
            Query(patient_id="P-1107", view=record.view, since="2026-01-01", role="derived")
        )
    described = describe(dcmread(now.path, stop_before_pixels=True))
    assert (described.confirmed, described.confirmed_by.strip("^")) == (True, "liv")
    client = Client(served)
    client.log_in("liv")
    client.ask("/")
    for one in (uid, now.sop_instance_uid):
        assert client.post(f"/record/side/{one}", {"seen": "AL"}).status == 409


def test_a_confirmation_is_of_what_was_seen(served: Served) -> None:
    with Archive.open(served.archive, read_only=True) as opened:
        record = opened.query(Query(confirmed=False, role="derived", limit=1))[0]
    client = Client(served)
    client.ask("/")
    for seen in ("", "XX", "RA"):
        answer = client.post(f"/record/side/{record.sop_instance_uid}", {"seen": seen})
        assert answer.status == 409
    assert "Look at it again" in answer.text


def test_more_pictures_of_a_visit_go_to_the_same_patient_and_study(
    page: Page, served: Served
) -> None:
    with Archive.open(served.archive, read_only=True) as opened:
        record = opened.query(Query(patient_id="P-1180", role="original", limit=1))[0]
    page.goto(f"{served.url}/record/visit/{record.study_uid}")
    page.get_by_role("button", name="Take in more pictures of this visit").click()
    page.wait_for_url("**/take-in/*")
    assert record.study_uid not in page.url
    client = Client(served)
    client.ask("/")
    told = json.loads(client.ask(page.url.removeprefix(served.url) + "/state").text)
    assert told["patient"]["id"] == "P-1180"
    assert told["visit"]["date"] == record.study_date
    assert told["study"] == {"study_uid": record.study_uid}
    expect(page.get_by_text("Castellanos").first).to_be_visible()
    assert client.post("/take-in/new", {"study": "1.2.3"}).status == 303


def test_a_picture_is_rejected_and_shown_again(page: Page, served: Served) -> None:
    with Archive.open(served.archive, read_only=True) as opened:
        record = opened.query(Query(patient_id="P-1042", role="derived", limit=1))[0]
    page.goto(f"{served.url}/find/picture/{record.sop_instance_uid}")
    page.get_by_role("link", name="Reject").click()
    assert not serious(page)
    page.get_by_label("It endangers the patient").check()
    page.get_by_label("In words, for the note").fill("of another patient")
    page.get_by_role("button", name="Reject").click()
    expect(page.get_by_role("heading", level=2)).to_have_text("It is rejected")
    expect(page.get_by_text("of another patient")).to_be_visible()
    assert _rejected(served, record) == {"Rejected for Patient Safety Reasons"}
    page.goto(served.url + "/record")
    page.get_by_label("Patient's identifier").fill("P-1042")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Show it again").click()
    assert not serious(page)
    page.get_by_label("In words, for the note").fill("it was hers")
    page.get_by_role("button", name="Show it again").click()
    expect(page.get_by_role("heading", level=2)).to_have_text("Is it not to be used?")
    assert _rejected(served, record) == {None}
    journal = (served.archive / "journal.jsonl").read_text("utf-8")
    assert "pages: rejected" in journal and "pages: rejection revoked" in journal


def _rejected(served: Served, record: Record) -> set[str | None]:
    """Return why the instances of a photograph are rejected."""
    with Archive.open(served.archive, read_only=True) as opened:
        same = Query(source_sha256=record.source_sha256, include_rejected=True)
        return {one.rejected for one in opened.query(same)}


def test_a_person_decides_about_a_note_that_came_in(page: Page, served: Served) -> None:
    with Archive.open(served.archive, read_only=True) as opened:
        asked = Query(patient_id="P-1180", role="derived", limit=2)
        heeded, dismissed = opened.query(asked)
    client = Client(served)
    for record in (heeded, dismissed):
        beside = dcmread(record.path)
        said = key_objects.Note(
            concepts.REJECTED_FOR_QUALITY, (key_objects.referenced(beside),), "sent by a device"
        )
        made = key_objects.build(said, beside, created=NOON, uids=DerivedUids())
        head = b"--x\r\nContent-Type: application/dicom\r\n\r\n"
        sent = head + part10.whole(made) + b"\r\n--x--\r\n"
        kind = 'multipart/related; type="application/dicom"; boundary=x'
        answer = client.ask("/dicomweb/studies", "POST", sent, {"Content-Type": kind})
        assert answer.status in (200, 202), answer.text
    assert _rejected(served, heeded) == _rejected(served, dismissed) == {None}
    for button in ("It counts: hide what it names", "It does not count"):
        page.goto(served.url + "/record")
        page.locator("[aria-labelledby=undecided] a").first.click()
        assert not serious(page)
        page.get_by_role("button", name=button).click()
        expect(page.get_by_role("button", name=button)).to_have_count(0)
    assert "Rejected for Quality Reasons" in _rejected(served, heeded)
    assert _rejected(served, dismissed) == {None}
    page.goto(served.url + "/record")
    expect(page.locator("[aria-labelledby=undecided]")).to_have_count(0)


def test_a_consent_to_single_pictures_is_noted_with_its_paper_and_withdrawn(
    page: Page, served: Served, tmp_path: Path
) -> None:
    scan = tmp_path / "signed.pdf"
    scan.write_bytes(b"%PDF-1.4\n%%EOF\n")
    page.goto(served.url + "/record")
    page.get_by_role("link", name="Record of Castellanos, Idris, 2026-04-21").click()
    page.get_by_role("link", name="Consents").click()
    expect(page.get_by_text("No consent is on record.")).to_be_visible()
    page.get_by_label("What the patient consents to").select_option("referral")
    page.get_by_label("Attach a scan").set_input_files(scan)
    expect(page.locator("#scan-told")).to_have_text("the scan just attached")
    page.get_by_label("those ticked below").check()
    page.get_by_text("Choose pictures of this visit").click()
    page.get_by_label("about this picture").first.check()
    assert not serious(page)
    page.get_by_role("button", name="Note it").click()
    expect(page.locator("dd")).to_contain_text("for one picture alone")
    with Archive.open(served.archive, read_only=True) as opened:
        (kept,) = consents_of(served.archive, *patient_of(opened, "P-1180", None))
        assert len(kept.pictures) == 1 and kept.purpose.value == "referral"
        assert opened.has(kept.form)
    page.get_by_label("What the patient consents to").select_option("referral")
    page.get_by_label("The patient withdraws the consent").check()
    page.get_by_role("button", name="Note it").click()
    expect(page.locator("dd")).to_contain_text("was withdrawn")


def test_an_audit_is_run_followed_read_and_downloaded(page: Page, served: Served) -> None:
    page.goto(served.url + "/record/audit")
    page.get_by_label("Limits of every record").check()
    page.get_by_role("button", name="Run the audit").click()
    page.wait_for_url("**/record/report/*", timeout=60_000)
    expect(page.get_by_role("heading", name="Audit report")).to_be_visible()
    assert "wanted views" in page.locator(".notice").inner_text()
    text = page.locator("main").inner_text()
    for told in ("By month", "By view", "By operator", "Limits of every record 2026.1"):
        assert told in text, told
    told = (served.archive / "journal.jsonl").read_text("utf-8")
    assert re.search(r"statement and user and for the secret, is ([0-9a-f]{64})\.", text)[1] in told  # type: ignore[index]
    page.get_by_text("Nobody has confirmed the side").first.click()
    expect(page.get_by_text("To do:").nth(0)).to_be_attached()
    assert not serious(page)
    with page.expect_download() as waiting:
        page.get_by_role("link", name="Download the report").click()
    names = zipfile.ZipFile(io.BytesIO(Path(waiting.value.path()).read_bytes())).namelist()
    assert {name.rpartition("/")[2] for name in names} == {
        "audit.html",
        "audit.json",
        "findings.csv",
        "required-views.csv",
        "statistics.csv",
    }
    page.goto(served.url + "/record/audit")
    assert page.locator("tbody tr").count() >= 1


def test_an_audit_can_be_cancelled(archive: Path, start: Callable[..., Served], page: Page) -> None:
    # Many objects to look at, so that there is time to press a button.
    one = next((archive / "objects").rglob("*.dcm"))
    many = archive / "objects" / "1.2.3" / "1.2.4"
    many.mkdir(parents=True)
    for number in range(3000):
        (many / f"1.2.5.{number}.dcm").hardlink_to(one)
    served = start(archive)
    page.goto(served.url + "/record/audit")
    page.get_by_label("Look at the pictures").check()
    page.get_by_role("button", name="Run the audit").click()
    page.wait_for_url("**/record/audit/*")
    following = page.url
    page.goto(served.url + "/record/audit")
    page.get_by_role("link", name="See how far it is").click()
    assert page.url == following
    expect(page.locator("#task-count")).to_contain_text(" of ")
    page.get_by_role("button", name="Cancel").click()
    expect(page.locator("#task-words")).to_have_text("Cancelled")
    page.get_by_role("link", name="Back").click()
    expect(page.get_by_text("No audit has been run from these pages.")).to_be_visible()
    assert not list((archive / "pages" / "reports").glob("2*"))


def test_an_audit_of_no_rules_is_refused_in_words(served: Served) -> None:
    client = Client(served)
    client.ask("/")
    answer = client.post("/record/audit")
    assert answer.status == 400
    assert "Choose at least one set of rules." in answer.text
    assert client.post("/record/audit", {"rules": "/etc/passwd"}).status == 400


def test_people_log_in_work_and_log_out_by_the_keyboard(
    archive: Path, start: Callable[..., Served], page: Page
) -> None:
    users_of(archive).add("berg", frozenset({"dentist"}), PASSWORD)
    served = start(archive)
    page.set_viewport_size(TABLET)
    page.goto(served.url + "/record")
    assert not serious(page)
    page.keyboard.type("berg")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/record")
    page.locator("summary").press("Enter")
    expect(page.get_by_text("May work as: dentist")).to_be_visible()
    assert not serious(page)
    page.keyboard.press("Escape")
    expect(page.get_by_text("May work as: dentist")).to_be_hidden()
    page.locator("summary").press("Enter")
    page.get_by_role("button", name="Log out").press("Enter")
    expect(page.get_by_text("You have logged out.")).to_be_visible()
    page.go_back()
    page.reload()
    expect(page.get_by_role("button", name="Log in")).to_be_visible()


def test_a_wrong_password_is_told_on_the_page(
    archive: Path, start: Callable[..., Served], page: Page, watch: Watch
) -> None:
    users_of(archive).add("berg", frozenset({"dentist"}), PASSWORD)
    watch.expected = ("401",)
    page.goto(start(archive).url)
    page.get_by_label("Name").fill("berg")
    page.get_by_label("Password").fill("a wrong one")
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_role("alert")).to_have_text("Name or password is wrong.")


def test_the_colours_of_the_screen_are_chosen(page: Page, served: Served) -> None:
    page.goto(served.url)
    light = page.evaluate("getComputedStyle(document.body.parentElement).backgroundColor")
    page.locator("summary").click()
    page.get_by_role("button", name="Dark").click()
    page.wait_for_load_state()
    dark = page.evaluate("getComputedStyle(document.body.parentElement).backgroundColor")
    assert dark != light
    page.goto(served.url + "/find")
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"


def test_what_can_be_pressed_is_large_enough_for_a_finger(page: Page, served: Served) -> None:
    page.set_viewport_size(TABLET)
    for path in ("/", "/record", "/record/audit", "/server"):
        page.goto(served.url + path)
        small = page.evaluate(
            "[...document.querySelectorAll('button, summary, nav a, select, .check')]"
            ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 44)"
            ".map(e => e.outerHTML.slice(0, 120))"
        )
        assert not small, path


def test_the_skip_link_leads_past_the_head(page: Page, served: Served) -> None:
    page.goto(served.url)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_a_page_that_outlives_its_server_goes_on_with_the_next(
    archive: Path, start: Callable[..., Served], page: Page, watch: Watch
) -> None:
    watch.expected = ("net::ERR_", "/tasks/none/cancel")
    served = start(archive)
    port = served.address[1]
    page.goto(served.url + "/record")
    served.kill()
    start(archive, port=port)
    name = page.evaluate(
        "import('/static/calling.js').then(m => m.callJson('/tasks/none/cancel', {method: 'POST'}))"
        ".catch(e => e.status)"
    )
    assert name == 404  # the token was renewed: otherwise it would be 403
    assert json.loads(Client(served).ask("/session").text)["name"]


def test_a_second_person_countersigns_what_is_shown_to_them(
    archive: Path, start: Callable[..., Served]
) -> None:
    users_of(archive).add("liv", frozenset({"assistant"}), PASSWORD)
    with Archive.open(archive, read_only=True) as opened:
        asked = Query(patient_id="P-1042", confirmed=True, role="derived", limit=1)
        (record,) = opened.query(asked)
    # What speaks against it is told to who is asked.
    now, uid = datetime.now(timezone.utc), record.sop_instance_uid
    flipped = Text("photo.doubt.embedded", where="thumbnail", turn=Text("photo.doubt.turn.2"))
    keep_doubts(archive, [KeptDoubt(uid, DoubtKind.EMBEDDED, flipped)], time=now, by="wrap")
    keep_outcomes(archive, uid, [("1.2.3", Way.REVERSED)], time=now, by="compare")
    served = start(archive)
    client = Client(served)
    client.log_in("liv")
    client.ask("/")
    told = "In doubt: the camera&#39;s own thumbnail shows it otherwise"
    assert told in client.ask(f"/record/visit/{record.study_uid}").text
    asks = client.ask(f"/record/side/{uid}").text
    assert told in asks and "1 of 2 pictures compared is this way round" in asks
    assert "Countersign" in client.ask(f"/record/visit/{record.study_uid}").text
    page = client.ask(f"/record/side/{record.sop_instance_uid}").text
    (seen,) = re.findall(r'name="seen" value="([0-9a-f]{64})"', page)
    (code,) = set(re.findall(r'class="code"[^>]*>([^<]+)<', page))
    assert read_shown(code) == code_of(seen)
    assert code in client.ask(f"/find/picture/{record.sop_instance_uid}").text
    assert code in client.ask(f"/record/visit/{record.study_uid}").text
    wrong = client.post(f"/record/side/{record.sop_instance_uid}", {"seen": seen[::-1]})
    assert wrong.status == 409
    assert client.post(f"/record/side/{record.sop_instance_uid}", {"seen": seen}).status == 303
    with Archive.open(archive, read_only=True) as opened:
        found = opened.query(Query(study_uid=record.study_uid, view=record.view, role="derived"))
    told = [describe(dcmread(one.path, stop_before_pixels=True)) for one in found]
    (now,) = [one for one in told if one.predecessor == record.sop_instance_uid]
    assert now.certainty == "countersigned"
