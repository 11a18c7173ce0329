"""What verbs report comes from the catalogue: in a language nobody speaks it shows no English."""

from __future__ import annotations

import io
import json
import re
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from in_process import archiver
from sessions import camera_jpeg, photo, write_sheet

from archiver.cli import console
from archiver.cli.worklist import line_of
from archiver.dentition import Turn, turn_name
from archiver.network.client.dimse import Scheduled
from archiver.objects import describe, open_dataset
from archiver.wording import words_of
from tests.new_archive import new_archive
from tests.pseudo_language import plain_words, pseudo_language

#: What a report repeats of the objects.
VALUES = ("occlusal", "original", "derived", "iso", "Rejected for Patient Safety Reasons")

MIRROR = ("uncorrected", "corrected", "direct")


def english(told: str, *values: object) -> list[str]:
    """Return the plain words of a report outside the values of the input and option names."""
    for value in values:
        told = told.replace(str(value), "")
    return plain_words(re.sub(r"--[a-z-]+|[A-Z_]{4,}\d*\.JPG|\S+\.(?:toml|dcm)", "", told))


def test_the_summary_of_a_session_and_of_a_question_show_no_english(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG")])
    archive = new_archive(tmp_path / "archive")
    with pseudo_language():
        wrapped = archiver("wrap", sheet, "--archive", archive)
        nothing = archiver("query", "--patient-id", "P-1", "--archive", archive)
        found = archiver("query", "--patient-id", "P-0417", "--archive", archive)
    summary = [line for line in wrapped.stdout.splitlines() if not re.match(r"1/1 |    ", line)]
    assert len(summary) >= 2 and not english("\n".join(summary), archive)
    assert nothing.stdout.strip() and not english(nothing.stdout)
    assert not english(found.stdout.splitlines()[-1])


def test_a_starter_sheet_is_told_of_without_english(tmp_path: Path) -> None:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    with pseudo_language():
        told = archiver("wrap", "--new-sheet", tmp_path).stdout
    assert told.strip() and not english(told, tmp_path)


@pytest.mark.parametrize(
    "words",
    [
        ("wrap",),
        ("wrap", "sheet.toml", "--new-sheet", "folder"),
        ("compare",),
        ("handover", "--archive", "a"),
        ("audit", "--out", "a"),
        ("consent", "--patient-id", "1", "--noted-by", "A"),
        ("amend", "1.2.3", "--sex", "F"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_is_told_of_without_english(words: tuple[str, ...]) -> None:
    with pseudo_language():
        result = archiver(*words)
    assert result.returncode == 2
    assert not english(result.stderr, "archiver", *words)


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """A mirror picture of one tooth, its side unconfirmed."""
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    sheet = write_sheet(tmp_path, [photo("IMG_0001.JPG")])
    assert archiver("wrap", sheet, "--archive", new_archive(tmp_path / "archive")).returncode == 0
    return tmp_path / "archive"


def found(archive: Path) -> list[dict[str, Any]]:
    told = archiver("query", "--role", "derived", "--json", "--archive", archive)
    rows: list[dict[str, Any]] = json.loads(told.stdout)
    return rows


def test_an_amendment_is_told_of_without_english(archive: Path) -> None:
    uid = found(archive)[0]["sop_instance_uid"]
    with pseudo_language():
        planned = archiver("amend", uid, "--tooth", "iso:26", "--dry-run", "--archive", archive)
        done = archiver("amend", uid, "--mirror", "no", "--archive", archive)
    for told in (planned, done):
        assert told.returncode == 0 and told.stdout.count("\n") > 4
        assert not english(told.stdout + told.stderr, *VALUES)


def test_a_consent_is_told_of_without_english(archive: Path) -> None:
    asked = ("consent", "--patient-id", "P-0417", "--archive", archive)
    note = (*asked, "--purpose", "teaching", "--noted-by", "Haugen^Liv")
    with pseudo_language():
        told = [archiver(*asked), archiver(*note), archiver(*note, "--until", "2999-01-01")]
    for one in told:
        assert one.returncode == 0 and one.stdout.strip()
        assert not english(one.stdout, "teaching", "Haugen^Liv")


def test_an_audit_is_summed_up_without_english(archive: Path, tmp_path: Path) -> None:
    with pseudo_language():
        told = archiver(
            "audit", "--rules", "five-intraoral", "--out", tmp_path / "out", "--archive", archive
        ).stdout
    lines = [line for line in told.splitlines() if not line.startswith("  ")]
    assert len(lines) == 4 and not english("\n".join(lines), tmp_path / "out" / "audit.html")


def test_what_was_added_read_and_checked_is_told_of_without_english(
    archive: Path, tmp_path: Path
) -> None:
    bad = tmp_path / "bad"
    bad.mkdir()
    (bad / "x.dcm").write_bytes(bytes(128) + b"DICM" + b"\xff" * 40)
    with pseudo_language():
        told = [
            archiver("add", bad, archive / "objects", "--archive", new_archive(tmp_path / "other")),
            archiver("rebuild", "--archive", archive),
            archiver("validate", archive / "objects", "--quiet"),
        ]
    for one in told:
        assert one.stdout.strip() and not english(
            one.stdout.splitlines()[-1], tmp_path / "other", archive
        )
    assert told[0].stderr.strip() and not english(told[0].stderr, bad, "x.dcm")


def test_what_is_sent_and_may_be_deleted_is_told_of_without_english(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text(
        '[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = 9\ntitle = "CLINIC"\n'
    )
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    card = tmp_path / "card"
    card.mkdir()
    camera_jpeg(card / "IMG_0001.JPG")
    # In the words of the system, as every reason from it.
    system = ("connection refused", "Connection refused")
    to = ("--to", "clinic", "--archive", archive)
    with pseudo_language():
        told = [
            archiver("send", *to, "--patient-id", "P-1"),
            archiver("send", *to, "--everything", "--queue-only"),
            archiver("send", *to),
        ]
    # Its reasons are noted in no language.
    assert archiver("send", *to).returncode == 1
    with pseudo_language():
        told += [
            archiver("outbox", "--archive", archive),
            archiver("outbox", "--archive", archive, "--json"),
            archiver("outbox", "card", card, "--archive", archive),
        ]
    for one in told:
        assert (one.stdout + one.stderr).strip()
        words = english(
            re.sub(r'"[a-z_]+":|true|false', "", one.stdout + one.stderr),
            *("clinic", "CLINIC", "queued", "failed", card),
            *system,
        )
        assert not words


def test_a_list_of_photographs_is_told_of_without_english(archive: Path) -> None:
    listed = ("handover", "--patient-id", "P-0417", "--case", "1", "--list")
    with pseudo_language():
        told = [archiver("query", "--archive", archive), archiver(*listed, "--archive", archive)]
    for one in told:
        assert one.stdout.count("\n") > 1
        assert not english(one.stdout, archive, *MIRROR, *VALUES, "XC", "laboratory")


def test_what_a_worklist_lacks_is_told_of_without_english() -> None:
    empty = {field.name: "" for field in fields(Scheduled)}
    nobody = Scheduled(**{**empty, "start": None, "birth_date": None, "patient_id": "1"})  # type: ignore[arg-type]
    with pseudo_language():
        assert not english(line_of(nobody)) and line_of(nobody).strip() != "1"


def test_who_may_log_in_is_told_of_without_english(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("a long password of nobody\n"))
    user = ("serve", "--archive", archive)
    with pseudo_language():
        told = [
            archiver(*user, "--add-user", "berg", "--role", "dentist"),
            archiver(*user, "--remove-user", "berg"),
        ]
    for one in told:
        assert one.returncode == 0 and not english(one.stdout, "berg", "dentist")


def test_every_bar_has_its_label_in_the_catalogue() -> None:
    modules = Path(console.__file__).parent.glob("*.py")
    deeds = {d for m in modules for d in re.findall(r'ProgressBar\("(\w+)"', m.read_text("utf-8"))}
    assert len(deeds) > 8 and all(words_of().has(f"cli.progress.{deed}") for deed in deeds)


def test_a_verb_that_is_stopped_says_so_without_english(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("archiver.standard.validate", stopped)
    with pseudo_language():
        told = archiver("validate", tmp_path)
    assert told.returncode == 1 and told.stderr.strip() and not english(told.stderr)


#: Words that are typed as they are shown, names of turns, and meanings of codes.
SAID = ("lingual", "palatal", "iso", "face", *sorted(map(turn_name, Turn), key=len, reverse=True))


@pytest.mark.parametrize(
    "words",
    [
        ("--tooth", "iso:46", "--view", "lingual", "--mirror"),
        ("--tooth", "iso:16,17", "--view", "lingual", "--mirror", "--exif", "5", "--top", "head"),
        ("--view", "face", "--operator", "behind"),
    ],
    ids=" ".join,
)
def test_how_a_picture_is_turned_is_told_and_drawn_without_english(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    drawing = tmp_path / "drawing.svg"
    with pseudo_language():
        told = archiver("explain", *words, "--svg", drawing)
        table = json.loads(archiver("explain", *words, "--json").stdout)
    assert told.returncode == 0
    coded = re.sub(r"\d+ (?:SCT|DCM)(?: [A-Za-z() ]+)?", "", " ".join(told.stdout.split()))
    written = re.sub(r"<style>.*?</style>|<[^>]*>", " ", drawing.read_text("utf-8"), flags=re.S)
    assert not english(coded, *SAID) and not english(written, *SAID)
    assert len(coded) > 400 and len(written.split()) > 8
    for text in (table["caution"], *table["notes"], table["correction"]["from_file"]["words"]):
        assert not english(text, *SAID)


def test_what_was_done_to_an_object_is_read_in_every_language(archive: Path) -> None:
    path = archive / found(archive)[0]["path"]
    with pseudo_language():
        turn = describe(open_dataset(path)).turn
    assert turn is not None
