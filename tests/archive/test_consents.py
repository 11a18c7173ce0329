"""Consent: who noted it, until when, and what is refused without it."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from archive_samples import NOON, Clock, incoming, uid
from pydicom import dcmread

from archiver.archive.statements import attach_form, jsonl_log
from archiver.archive.statements.consents import (
    FILE,
    GIVEN,
    WITHDRAWN,
    Consent,
    ConsentScope,
    consents_of,
    demand,
    note,
)
from archiver.archive.statements.sheet_consents import note_session
from archiver.archive.store.archive import Archive
from archiver.archive.store.schema import Fields, Schema, unchanged
from archiver.archive.store.secret import keyed, secret_of
from archiver.errors import InputError, IntegrityError, ObjectError
from archiver.objects.purposes import Purpose
from archiver.objects.session import ConsentSaid, Patient, Session, Visit
from archiver.standard.finding import Severity
from archiver.standard.validator import validate_bytes
from tests.standard.verifier import errors_of

WHO = ("P-0417", "RIVERBEND")
LINES: Schema[Fields] = Schema("notes", (unchanged,))


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    opened = Archive.open(tmp_path / "archive", clock=Clock(), actor="test")
    opened.put([incoming(1)])
    return opened


def give(archive: Archive, purpose: Purpose, **words: object) -> Consent:
    return note(archive, WHO, purpose, by="Haugen^Liv", now=NOON, **words)  # type: ignore[arg-type]


def run_sheet(
    archive: Archive, visit: date, *, until: date | None = None, now: datetime = NOON
) -> list[str]:
    """Run a session sheet of a visit that says that the patient consents to teaching."""
    said = ConsentSaid((Purpose.TEACHING,), "Haugen^Liv", until)
    patient = Patient(WHO[0], "Okafor^Nadia", issuer=WHO[1])
    return note_session(archive, Session(patient, Visit(visit), (), Path("s"), said), now)


def lines(archive: Archive) -> int:
    return (archive.layout.root / FILE).read_bytes().count(b"\n")


def refusal(archive: Archive, purpose: Purpose, day: date) -> str:
    with pytest.raises(InputError) as caught:
        demand(archive.layout.root, WHO, purpose, day)
    return str(caught.value)


def test_a_purpose_without_consent_is_refused_in_one_line(archive: Archive) -> None:
    give(archive, Purpose.LABORATORY)
    told = refusal(archive, Purpose.TEACHING, NOON.date())
    assert "consent for the purpose teaching is not on record" in told and "\n" not in told


def test_a_consent_holds_until_its_last_day_and_not_after(archive: Archive) -> None:
    given = give(archive, Purpose.REFERRAL, until=date(2027, 3, 4))
    assert demand(archive.layout.root, WHO, Purpose.REFERRAL, date(2027, 3, 4)) == given
    assert "ended on 2027-03-04" in refusal(archive, Purpose.REFERRAL, date(2027, 3, 5))


def test_a_withdrawal_is_honoured_and_a_new_consent_holds_again(archive: Archive) -> None:
    give(archive, Purpose.PUBLICATION)
    give(archive, Purpose.PUBLICATION, state=WITHDRAWN)
    told = refusal(archive, Purpose.PUBLICATION, NOON.date())
    assert "was withdrawn (noted 2026-03-04 by Haugen^Liv)" in str(told)
    give(archive, Purpose.PUBLICATION)
    assert demand(archive.layout.root, WHO, Purpose.PUBLICATION, NOON.date())


def test_a_sheet_that_is_run_again_takes_no_withdrawal_back(archive: Archive) -> None:
    visit = NOON.date() - timedelta(days=1)
    assert run_sheet(archive, visit) == []
    give(archive, Purpose.TEACHING, state=WITHDRAWN)
    for late in (visit, NOON.date()):
        (told,) = run_sheet(archive, late, now=NOON + timedelta(days=9))
        assert "teaching was withdrawn (noted 2026-03-04 by Haugen^Liv)" in str(told)
        assert f"the sheet of {late} does not give it again" in str(told)
    assert "was withdrawn" in refusal(archive, Purpose.TEACHING, NOON.date())
    assert lines(archive) == 2


def test_a_sheet_of_a_visit_before_the_withdrawal_that_is_run_only_now_does_not_count(
    archive: Archive,
) -> None:
    give(archive, Purpose.TEACHING, state=WITHDRAWN)
    assert run_sheet(archive, NOON.date() - timedelta(days=300))
    assert "was withdrawn" in refusal(archive, Purpose.TEACHING, NOON.date())


def test_a_sheet_of_a_later_visit_gives_anew_what_was_withdrawn(archive: Archive) -> None:
    run_sheet(archive, NOON.date() - timedelta(days=1))
    give(archive, Purpose.TEACHING, state=WITHDRAWN)
    later = NOON + timedelta(days=1)
    assert run_sheet(archive, later.date(), now=later) == []
    assert demand(archive.layout.root, WHO, Purpose.TEACHING, later.date()).state == GIVEN


def test_a_sheet_that_is_run_again_does_not_lengthen_what_was_shortened_since(
    archive: Archive,
) -> None:
    for visit in (NOON.date(), NOON.date() - timedelta(days=7)):
        run_sheet(archive, visit)
        give(archive, Purpose.TEACHING, until=date(2026, 6, 1))
        run_sheet(archive, visit, now=NOON + timedelta(days=2))
        assert "ended on 2026-06-01" in refusal(archive, Purpose.TEACHING, date(2026, 6, 2))


def test_the_sheet_of_the_later_visit_counts_whichever_is_run_first(archive: Archive) -> None:
    ends = NOON.date() + timedelta(days=30)
    run_sheet(archive, NOON.date(), until=ends)
    run_sheet(archive, NOON.date() - timedelta(days=60))
    (held,) = consents_of(archive.layout.root, *WHO)
    assert (held.until, held.said_on, held.noted_at[:10]) == (ends, NOON.date(), "2026-03-04")


def test_what_was_noted_before_sheets_told_their_visit_is_read(archive: Archive) -> None:
    give(archive, Purpose.LABORATORY)
    path = archive.layout.root / FILE
    old = {k: v for k, v in json.loads(path.read_text()).items() if k not in ("said_on", "version")}
    path.write_text(json.dumps(old) + "\n")
    assert demand(archive.layout.root, WHO, Purpose.LABORATORY, NOON.date()).as_of == NOON.date()


def test_a_consent_is_of_one_patient_of_one_issuer(archive: Archive) -> None:
    give(archive, Purpose.LABORATORY)
    root = archive.layout.root
    assert consents_of(root, "P-0417", "ELSEWHERE") == consents_of(root, "P-0418") == []
    assert [one.purpose for one in consents_of(root, *WHO)] == [Purpose.LABORATORY]


def test_the_journal_tells_of_consent_without_the_patient(archive: Archive) -> None:
    give(archive, Purpose.LABORATORY, until=date(2027, 3, 4))
    last = archive.layout.journal.read_text().splitlines()[-1]
    assert "P-0417" not in last and "RIVERBEND" not in last and "Haugen" not in last
    told = json.loads(last)
    assert told["action"] == "consent" and told["note"] == "laboratory: given, until 2027-03-04"
    line = (archive.layout.root / FILE).read_bytes().decode()
    assert told["digest"] == keyed(secret_of(archive.layout.root), "consent", line).hex()


def test_a_torn_line_was_never_noted_and_is_cut_away(archive: Archive) -> None:
    path = archive.layout.root / FILE
    give(archive, Purpose.LABORATORY)
    whole = path.read_bytes()
    for torn in (b"{", b'{"state": "given"', whole[:-1]):
        path.write_bytes(whole + torn)
        assert len(consents_of(archive.layout.root, *WHO)) == 1
    give(archive, Purpose.TEACHING)
    assert len(consents_of(archive.layout.root, *WHO)) == 2
    assert path.read_bytes().startswith(whole) and path.read_bytes().count(b"\n") == 2


def test_a_damaged_line_is_told_and_nothing_is_taken_for_consent(archive: Archive) -> None:
    path = archive.layout.root / FILE
    give(archive, Purpose.LABORATORY)
    path.write_bytes(path.read_bytes().replace(b'"given"', b'"gixen"'))
    with pytest.raises(IntegrityError, match=r"consents.jsonl, line 1"):
        demand(archive.layout.root, WHO, Purpose.LABORATORY, NOON.date())


def test_the_secret_is_made_once_and_read_by_nobody_else(tmp_path: Path) -> None:
    first = secret_of(tmp_path)
    assert secret_of(tmp_path) == first and len(first) == 32
    assert (tmp_path / "secret").stat().st_mode & 0o077 == 0
    assert keyed(first, "ab", "c") != keyed(first, "a", "bc")
    (tmp_path / "secret").write_text("abc")
    with pytest.raises(IntegrityError, match="secret is damaged"):
        secret_of(tmp_path)


def test_a_notebook_is_as_it_was_when_the_disk_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "notes.jsonl"
    jsonl_log.append(path, LINES, {"n": 1})
    before = path.read_bytes()

    def refuse(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("archiver.archive.statements.jsonl_log.os.fsync", refuse)
    with pytest.raises(Exception, match="the disk is full"):
        jsonl_log.append(path, LINES, {"n": 2})
    assert path.read_bytes() == before


@pytest.mark.parametrize("torn", [0, 1, 8190, 8191, 8192, 8193, 20_000])
def test_a_torn_rest_of_any_length_gives_way_to_the_next_line(tmp_path: Path, torn: int) -> None:
    path = tmp_path / "log.jsonl"
    jsonl_log.append(path, LINES, {"n": 1})
    jsonl_log.append(path, LINES, {"n": 2})
    with path.open("ab") as file:
        file.write(b"x" * torn)
    assert jsonl_log.last_version(path) == 1
    jsonl_log.append(path, LINES, {"n": 3})
    assert [one["n"] for one in jsonl_log.read(path, LINES, dict)] == [1, 2, 3]


def test_a_log_of_one_line_has_the_version_of_that_line(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    assert jsonl_log.last_version(path) == 0
    jsonl_log.append(path, LINES, {"n": 1})
    assert jsonl_log.last_version(path) == 1
    path.write_bytes(b"")
    assert jsonl_log.last_version(path) == 0


# Scope: recipient, visits, who gave it

LAB = Purpose.LABORATORY
NORTH, SOUTH = "North laboratory", "South laboratory"
VISIT = "1.2.826.0.1.3680043.8.498.1.1"


def allowed(archive: Archive, to: str, *visits: str, **pictures: str) -> str:
    """Why it is refused; empty where it is not."""
    try:
        about = {f"of {visit}": visit for visit in visits} | pictures
        demand(archive.layout.root, WHO, LAB, NOON.date(), to=to, pictures=about)
    except InputError as error:
        return str(error)
    return ""


def scoped(archive: Archive, state: str = GIVEN, **scope: Any) -> Consent:
    return give(archive, LAB, state=state, scope=ConsentScope(**scope))


def test_a_consent_for_a_recipient_is_for_nobody_else(archive: Archive) -> None:
    scoped(archive, recipient=NORTH)
    assert not allowed(archive, NORTH) and not allowed(archive, " north  LABORATORY")
    assert f"is given for {NORTH} alone" in allowed(archive, SOUTH)
    scoped(archive, recipient=SOUTH)
    assert not allowed(archive, NORTH) and not allowed(archive, SOUTH)


def test_a_recipient_is_barred_by_a_withdrawal_and_let_in_by_a_later_consent(
    archive: Archive,
) -> None:
    scoped(archive)
    scoped(archive, WITHDRAWN, recipient=NORTH)
    assert "was withdrawn" in allowed(archive, NORTH) and not allowed(archive, SOUTH)
    scoped(archive, recipient=NORTH)
    assert not allowed(archive, NORTH)
    scoped(archive, WITHDRAWN)
    assert "was withdrawn" in allowed(archive, NORTH) and "was withdrawn" in allowed(archive, SOUTH)
    scoped(archive, recipient=NORTH)
    assert not allowed(archive, NORTH) and "was withdrawn" in allowed(archive, SOUTH)


def test_a_consent_for_visits_covers_them_alone(archive: Archive) -> None:
    scoped(archive, visits=(VISIT,))
    assert not allowed(archive, NORTH, VISIT)
    assert "not given for 1 of the pictures" in allowed(archive, NORTH, VISIT, "1.2.3")
    scoped(archive)
    assert not allowed(archive, NORTH, VISIT, "1.2.3")


def test_a_consent_is_for_visits_of_the_patient_and_by_a_parent_with_a_name(
    archive: Archive,
) -> None:
    with pytest.raises(InputError, match="no visit"):
        scoped(archive, visits=("1.2.3",))
    with pytest.raises(InputError, match="--giver"):
        scoped(archive, given_by="parent")
    scoped(archive, given_by="parent", giver="Okafor^Amara")
    (kept,) = consents_of(archive.layout.root, *WHO)
    assert (kept.given_by, kept.giver) == ("parent", "Okafor^Amara")


def test_a_sheet_says_nothing_of_what_is_on_record_for_a_recipient(archive: Archive) -> None:
    scope = ConsentScope(recipient=NORTH)
    give(archive, Purpose.TEACHING, state=WITHDRAWN, scope=scope)
    assert run_sheet(archive, NOON.date()) == []
    assert demand(archive.layout.root, WHO, Purpose.TEACHING, NOON.date(), to=SOUTH)


def pdf(words: str = "signed") -> bytes:
    """A PDF of one empty page."""
    from io import BytesIO

    from PIL import Image

    buffer = BytesIO()
    Image.new("L", (60, 80), 255).save(buffer, "PDF", title=words)
    return buffer.getvalue()


def test_a_consent_for_pictures_covers_them_and_what_was_made_from_the_same_file(
    archive: Archive,
) -> None:
    archive.put([incoming(2), incoming(3, source="shot"), incoming(4, source="shot")])
    scoped(archive, pictures=(uid(1), uid(3)))
    assert not allowed(archive, NORTH, **{uid(1): VISIT, uid(3): VISIT, uid(4): VISIT})
    told = allowed(archive, NORTH, **{uid(1): VISIT, uid(2): VISIT})
    assert "not given for 1 of the pictures" in told
    scoped(archive, pictures=(uid(2),))
    assert not allowed(archive, NORTH, **{uid(1): VISIT, uid(2): VISIT})
    with pytest.raises(InputError, match="has nothing"):
        scoped(archive, pictures=("1.2.3",))


def test_a_scanned_form_is_kept_once_as_an_encapsulated_pdf(
    archive: Archive, tmp_path: Path
) -> None:
    scan = pdf()  # says when it was made
    form = attach_form(archive, WHO, scan, NOON)
    assert attach_form(archive, WHO, scan, NOON) == form
    kept = scoped(archive, form=form)
    assert consents_of(archive.layout.root, *WHO) == [kept]
    path = archive.path_of(form)
    assert path is not None
    ds = dcmread(path)
    assert ds.EncapsulatedDocument[: ds.EncapsulatedDocumentLength] == scan
    assert (ds.PatientID, ds.IssuerOfPatientID) == WHO
    assert [f for f in validate_bytes(path.read_bytes()) if f.severity is Severity.ERROR] == []
    assert errors_of(path) == []
    with pytest.raises(ObjectError, match="PDF"):
        attach_form(archive, WHO, b"no form", NOON)
    with pytest.raises(InputError, match="has nothing"):
        scoped(archive, form="1.2.3")
