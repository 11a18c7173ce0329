"""`archiver audit` as it is used: exit status, depths, what is read again, other sources."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from made_up_archive import ORTHODONTIC, RULES, Case, World, fill, note, write_episodes
from made_up_archive import row as treatment

from archiver.archive.store.archive import Archive
from archiver.cli.main import main
from archiver.dentition.numbering import parse_teeth
from archiver.network.outbox.outbox import Goods, Outbox
from archiver.objects.mistakes import Change
from archiver.objects.session import Visit
from archiver.records import archive_survey, object_survey
from tests.cli.sessions import camera_jpeg, write_sheet
from tests.confirming import code_after
from tests.network.node_serving import TITLE, Served
from tests.new_archive import new_archive

YESTERDAY = date.today() - timedelta(days=1)
Audit = Callable[..., tuple[int, dict[str, object]]]


def _case(seed: int) -> Case:
    """A patient of whom yesterday's record is whole; each seed another."""
    return World(seed, people=seed).orthodontic(day=YESTERDAY)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Case]]:
    """A sound archive of two patients, filled now."""
    folder = tmp_path_factory.mktemp("verb")
    cases = [_case(41), _case(42)]
    fill(folder / "archive", [shot for case in cases for shot in case.shots], [], when=_now())
    (folder / "rules.toml").write_text(RULES, "utf-8")
    return folder, cases


def _now() -> datetime:
    return datetime.now().astimezone()


@pytest.fixture
def archive(made: tuple[Path, list[Case]], tmp_path: Path) -> Path:
    """A copy of the archive, to be changed."""
    shutil.copytree(made[0] / "archive", tmp_path / "archive")
    return tmp_path / "archive"


@pytest.fixture
def audit(
    made: tuple[Path, list[Case]],
    archive: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> Audit:
    """Run an audit into a report; return the exit status and the report."""

    def run(*words: object, own: bool = True) -> tuple[int, dict[str, object]]:
        base = ["audit", "--rules", made[0] / "rules.toml", "--out", tmp_path / "report"]
        base += ["--archive", archive] if own else []
        status = main([str(w) for w in (*base, *words)])
        capsys.readouterr()
        told = json.loads((tmp_path / "report" / "audit.json").read_text("utf-8"))
        return status, told

    return run


def _kinds(report: dict[str, object]) -> dict[str, int]:
    kinds = report["kinds"]
    assert isinstance(kinds, dict)
    return kinds


def _archive_of(report: dict[str, object]) -> dict[str, object]:
    told = report["archive"]
    assert isinstance(told, dict)
    return told


def _add(archive: Path, seed: int = 43) -> Case:
    case = _case(seed)
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in case.shots:
            opened.put([one for one, _ in shot.instances()])
    return case


# Exit status


def test_a_whole_record_ends_with_status_0(audit: Audit) -> None:
    status, report = audit()
    assert (status, report["passes"], _kinds(report)) == (0, True, {})


def test_something_missing_ends_with_status_1(audit: Audit, archive: Path) -> None:
    case = _case(44)
    case.shots.pop(0)
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in case.shots:
            opened.put([one for one, _ in shot.instances()])
    status, report = audit()
    assert status == 1
    assert _kinds(report) == {"view-missing": 1}


@pytest.mark.parametrize(
    "words",
    [
        ["audit"],
        ["audit", "--rules", "no-such-rules", "--json"],
        ["audit", "--rules", "five-intraoral"],
        ["audit", "--rules", "five-intraoral", "--json", "/no/such/folder"],
        ["audit", "--rules", "five-intraoral", "--json", "--at", "nobody", "--since", "2026-01-01"],
        ["audit", "--rules", "five-intraoral", "--json", "--since", "2026-01-01"],
        ["audit", "--rules", "five-intraoral", "--visit", "P-1", "--tooth", "16"],
    ],
)
def test_wrong_use_ends_with_status_2(
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "none.toml"))
    (tmp_path / "none.toml").write_text("")
    assert main(words) == 2
    assert capsys.readouterr().err.strip()


def test_wrong_rules_are_all_told_with_their_lines(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wrong.toml"
    text = RULES.replace('of = "mouth"', 'of = "jaw"', 1).replace("count = 2", "count = 0")
    path.write_text(text.replace('source = "made up"\n', "", 1) + "\nsurprise = 1\n")
    assert main(["audit", "--explain", str(path)]) == 2
    told = capsys.readouterr().err
    for words in ('of = "jaw"', "count = 0", '"source" is missing', "surprise", "line "):
        assert words in told, told


def test_rules_are_explained_in_plain_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--explain", "posterior-tooth"]) == 0
    told = capsys.readouterr().out
    assert "A back tooth restored: start, prepared, finished, version 2026.2" in told
    assert "For each tooth: occlusal, through a mirror, at the start, up to 60 days before" in told
    assert "Occlusal arch may stand in where it shows the tooth." in told
    assert main(["audit", "--list-rules"]) == 0
    assert "five-intraoral" in capsys.readouterr().out


# One visit on one screen


def test_a_visit_shows_on_one_screen_what_is_still_missing(
    made: tuple[Path, list[Case]], archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = _case(45)
    case.shots = [s for s in case.shots if s.photograph.view.value != "upper occlusal arch"]
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in case.shots:
            opened.put([one for one, _ in shot.instances()])
    words = ["audit", "--archive", str(archive), "--rules", str(made[0] / "rules.toml")]
    assert main([*words, "--visit", case.patient.id]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) < 24 and max(map(len, lines)) <= 80
    assert lines[1] == "STILL MISSING: 1 of 5 required views"
    assert lines[2] == "  [ ] upper occlusal arch: upper"
    whole = made[1][0].patient.id
    assert main([*words, "--visit", whole, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["complete"] and told["date"] == YESTERDAY.isoformat()
    assert main([*words, "--visit", "nobody"]) == 1


# Depths


def test_each_depth_finds_what_can_be_seen_from_it(audit: Audit, archive: Path) -> None:
    case = _case(46)
    changed, flipped = case.shot("frontal"), case.shot("right buccal")
    flipped.tweaks.append(lambda ds: setattr(ds, "ImageLaterality", "L"))
    copy = case.shot("left buccal")
    case.shots = [s for s in case.shots if s.photograph.view.value != "lower occlusal arch"]
    other = _case(47)
    other.shot("left buccal").data = copy.data + b"\0"  # another file, the same pixels
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in (*case.shots, *other.shots):
            opened.put([one for one, _ in shot.instances()])
    path = next(archive.glob(f"objects/*/*/{changed.uids[0]}.dcm"))
    path.write_bytes(path.read_bytes() + b"\0")
    index = {"view-missing": 1}
    digests = {**index, "object-changed": 1}
    objects = {**digests, "side-contradiction": 2, "picture-two-patients": 1}
    for depth, kinds in (("index", index), ("digests", digests), ("objects", objects)):
        _, report = audit("--depth", depth, "--full")
        assert _kinds(report) == kinds, depth
    _, report = audit("--depth", "pictures", "--full")
    assert objects.items() <= _kinds(report).items()


# What is read again


def test_only_what_changed_is_read_again(
    audit: Audit, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    lines: list[int] = []
    examine, journal = object_survey.examine_file, archive_survey.read_lines

    def counted(path: Path, depth: object) -> object:
        read.append(path.name)
        return examine(path, depth)  # type: ignore[arg-type]

    def from_where(path: Path, start: object) -> object:
        for line in journal(path, start):  # type: ignore[arg-type]
            lines.append(line.after.seq)
            yield line

    monkeypatch.setattr(object_survey, "examine_file", counted)
    monkeypatch.setattr(archive_survey, "read_lines", from_where)

    def reads(*words: str) -> tuple[int, int]:
        read.clear()
        lines.clear()
        status, report = audit(*words)
        assert status == 0
        told = _archive_of(report)
        assert told["objects_read"] == len(read)
        assert told["instances"] == len(read) + int(str(told["objects_remembered"]))
        return len(read), len(lines)

    assert reads() == (18, 19)  # two patients of nine instances, and the line of the making
    assert reads() == (0, 0)
    _add(archive)
    assert reads() == (9, 9)
    assert reads() == (0, 0)
    one = next(archive.glob("objects/*/*/*.dcm"))
    one.touch()
    assert reads() == (1, 0)
    assert reads("--depth", "pictures") == (27, 0)  # seen less deeply before
    assert reads() == (0, 0)  # seen more deeply before
    assert reads("--full") == (27, 28)


def test_what_an_earlier_audit_found_is_found_again_without_reading(
    audit: Audit, archive: Path
) -> None:
    case = _case(48)
    case.shot("right buccal").tweaks.append(lambda ds: setattr(ds, "ImageLaterality", "L"))
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in case.shots:
            opened.put([one for one, _ in shot.instances()])
    first = audit()
    second = audit()
    assert (first[0], second[0]) == (1, 1)
    assert _kinds(first[1]) == _kinds(second[1])
    assert _archive_of(second[1])["objects_read"] == 0


def test_a_changed_object_is_told_at_every_audit_until_it_is_mended(
    audit: Audit, archive: Path
) -> None:
    audit()
    path = next(archive.glob("objects/*/*/*.dcm"))
    whole = path.read_bytes()
    path.write_bytes(whole[:-1] + b"\1")
    assert _kinds(audit()[1])["object-changed"] == 1
    assert _kinds(audit()[1])["object-changed"] == 1
    path.write_bytes(whole)
    assert audit()[0] == 0


def test_a_journal_cut_short_is_told(audit: Audit, archive: Path) -> None:
    audit()
    journal = archive / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:-1]))
    kinds = _kinds(audit()[1])
    assert kinds["journal-shortened"] == 2  # the index and the earlier audit remember it
    assert kinds["object-unjournalled"] == 1


def test_a_damaged_index_is_told_and_the_record_still_judged(audit: Audit, archive: Path) -> None:
    path = archive / "index.sqlite"
    path.write_bytes(b"no database at all" + path.read_bytes()[18:])
    status, report = audit()
    assert status == 1
    assert _kinds(report) == {"index-damaged": 1}
    assert _archive_of(report)["instances"] == 18


def test_an_index_that_has_not_seen_the_last_lines_is_told(audit: Audit, archive: Path) -> None:
    older = (archive / "index.sqlite").read_bytes()
    _add(archive)
    for path in archive.glob("index.sqlite*"):
        path.unlink()
    (archive / "index.sqlite").write_bytes(older)
    kinds = _kinds(audit()[1])
    assert kinds["index-behind"] == 1
    assert kinds["index-lacks-object"] == 9


def test_a_broken_line_is_told_once_with_its_number(audit: Audit, archive: Path) -> None:
    journal = archive / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    lines[5] = lines[5].replace(b'"stored"', b'"Stored"')
    journal.write_bytes(b"".join(lines))
    status, report = audit()
    broken = [c for c in report["concerns"] if c["kind"] == "journal-broken"]  # type: ignore[attr-defined,union-attr]
    assert status == 1
    assert [c["path"] for c in broken] == ["journal.jsonl, line 6"]


# Rejected instances


def test_a_rejected_picture_is_no_part_of_the_record_and_is_told(
    audit: Audit, archive: Path, made: tuple[Path, list[Case]]
) -> None:
    case = _case(49)
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in case.shots:
            opened.put([one for one, _ in shot.instances()])
        opened.put([note(case.shot("frontal"), "")])
    status, report = audit()
    assert status == 1
    assert _kinds(report) == {"view-missing": 1, "rejected-alone": 1}


def test_an_amended_photograph_is_told_and_nothing_else_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong side put right by the verb itself, in an archive that the verb made."""
    card = tmp_path / "card"
    card.mkdir()
    camera_jpeg(card / "A.JPG", 7, columns=1200, rows=800)
    lines = 'file = "A.JPG"\nteeth = [16]\nview = "buccal"\nmirror = false\n'
    sheet = write_sheet(card, [lines + 'confirmed_by = "Haugen^Liv"'])
    archive = str(new_archive(tmp_path / "archive"))
    assert main(["wrap", str(sheet), "--archive", archive]) == 0
    capsys.readouterr()
    assert main(["query", "--archive", archive, "--json"]) == 0
    (record,) = json.loads(capsys.readouterr().out)
    uid = record["sop_instance_uid"]
    words = ["--tooth", "iso:26", "--confirmed-by", "Haugen^Liv"]
    change = Change(teeth=parse_teeth("iso:26"))
    words += ["--shown", code_after(Path(archive), uid, change)]
    assert main(["amend", uid, "--archive", archive, *words]) == 0
    out = tmp_path / "report"
    main(["audit", "--archive", archive, "--rules", "good-record", "--out", str(out)])
    report = json.loads((out / "audit.json").read_text("utf-8"))
    assert report["kinds"] == {"rejected-replaced": 1, "side-amended": 1}
    (amended,) = [c for c in report["concerns"] if c["kind"] == "side-amended"]
    assert "side R became L" in amended["found"]
    assert uid in amended["uids"].split()  # the old one is named beside the new one


# The outbox


@pytest.mark.parametrize(("hours", "told"), [(23, 0), (25, 1)])
def test_an_item_that_waits_too_long_is_told(
    audit: Audit, archive: Path, hours: int, told: int
) -> None:
    uid = next(archive.glob("objects/*/*/*.dcm")).stem
    with Outbox.open(archive) as outbox:
        outbox.queue(
            "hilltop", [Goods(uid, "1.2", "1.2", "objects/x.dcm")], _now() - timedelta(hours=hours)
        )
    status, report = audit()
    assert status == told
    assert _kinds(report).get("outbox-overdue", 0) == told


def test_an_outbox_that_cannot_be_read_is_told(audit: Audit, archive: Path) -> None:
    (archive / "outbox.sqlite").write_bytes(b"no database, although it has its name" * 200)
    status, report = audit()
    assert status == 1 and _kinds(report) == {"outbox-failed": 1}


# Treatments


def test_rows_that_cannot_be_read_are_listed_each(
    audit: Audit, tmp_path: Path, made: tuple[Path, list[Case]]
) -> None:
    rows = [treatment(case.patient, "", "Orthodontic check", YESTERDAY) for case in made[1]]
    bad = [
        ["P-1", "", "99", "ISO 3950", "Filling", "2026-03-04", "", ""],
        ["", "", "", "", "", "x"],
    ]
    write_episodes(tmp_path / "done.csv", [*rows, *bad])
    status, report = audit("--episodes", tmp_path / "done.csv")
    assert status == 0
    assert _kinds(report) == {"episode-unreadable": 2}
    read = report["episodes"]
    assert isinstance(read, dict)
    assert (read["rows"], read["read"]) == (4, 2)
    assert [u.split(":")[0] for u in read["unreadable"]] == ["done.csv, line 4", "done.csv, line 5"]


# Other sources


def test_a_folder_of_dicom_files_is_audited(audit: Audit, archive: Path, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    for n, path in enumerate(sorted(archive.glob("objects/*/*/*.dcm"))):
        # Neither name nor ending tells what it is; that it begins as DICOM does.
        shutil.copy(path, folder / (f"IM{n:04}" if n % 2 else f"{n}.dcm"))
    (folder / "notes.txt").write_text("no DICOM")
    status, report = audit(folder, own=False)
    assert (status, _kinds(report)) == (0, {})
    assert _archive_of(report)["instances"] == 18
    shutil.copy(folder / "0.dcm", folder / "again.dcm")
    (folder / "4.dcm").write_bytes((folder / "4.dcm").read_bytes()[:700])
    (folder / "6.dcm").write_bytes(b"DICM")
    status, report = audit(folder, own=False)
    assert status == 1
    kinds = _kinds(report)
    assert kinds["instance-twice"] == 1 and kinds["object-unreadable"] == 1
    assert kinds["object-invalid"] >= 1


def test_another_archive_is_audited_by_what_it_answers(
    audit: Audit,
    archive: Path,
    tmp_path: Path,
    made: tuple[Path, list[Case]],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    case = _case(50)
    case.shots = [s for s in case.shots if s.photograph.view.value != "frontal"]
    case.shot("right buccal").photograph = case.shot("right buccal").photograph.__class__(
        **{**vars(case.shot("right buccal").photograph), "confirmed_by": ""}
    )
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        for shot in case.shots:
            opened.put([one for one, _ in shot.instances()])
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    settings = tmp_path / "archiver.toml"
    served = Served(archive)
    try:
        settings.write_text(
            f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {served.port}\n'
            f'title = "{TITLE}"\n[[peer]]\nname = "region"\nurl = "{served.where["dicomweb"]}"\n'
        )
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
        for name in ("clinic", "region"):
            status, report = audit("--at", name, "--since", YESTERDAY.isoformat(), own=False)
            assert status == 1
            assert _kinds(report) == {"view-missing": 1, "side-unconfirmed": 1}, name
            assert _archive_of(report)["instances"] == 26
            assert str(_archive_of(report)["where"]).startswith(name)
        words = ["audit", "--at", "clinic", "--rules", str(made[0] / "rules.toml")]
        assert main([*words, "--visit", case.patient.id]) == 1
        assert "STILL MISSING: 1 of 5" in capsys.readouterr().out
        assert main([*words, "--json"]) == 2
        assert "not asked for everything" in capsys.readouterr().err
    finally:
        served.stop()


def test_a_description_that_no_rule_means_is_not_judged(audit: Audit, archive: Path) -> None:
    case = _case(51)
    visit = Visit(YESTERDAY, case.shots[0].visit.time, "", f"no {ORTHODONTIC[5:]}")
    case.shots = case.shots[:1]
    case.shots[0].visit = visit
    with Archive.open(archive, clock=_now, actor="assistant") as opened:
        opened.put([one for one, _ in case.shots[0].instances()])
    assert audit()[0] == 0
