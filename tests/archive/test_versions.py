"""What an earlier version wrote opens, is brought up and tells the same; a later one's is refused.

The archive is `fixtures/old_archive.tar.xz`, which commit 62650b7 wrote.
"""

from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
import tarfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

import pytest
from archive_samples import incoming

from archiver.access import users_of
from archiver.archive.backup import back_up, restore
from archiver.archive.index_rebuild import rebuild
from archiver.archive.query import Query
from archiver.archive.statements import Consent, HandedOver, consents_of, handovers, jsonl_log
from archiver.archive.statements.confirmations import looked_at
from archiver.archive.statements.consents import SCHEMA as CONSENTS
from archiver.archive.store import (
    Fields,
    Schema,
    database_version,
    identity_of,
    secret_of,
    unchanged,
    upgrade_database,
)
from archiver.archive.store.archive import Archive
from archiver.cli.main import main
from archiver.errors import ArchiveError
from archiver.network.client import HeaderCache
from archiver.network.node.reports.pending_reports import Debts
from archiver.network.outbox import Outbox
from archiver.network.outbox.delivery_state import after_report
from archiver.network.outbox.tables import METADATA
from archiver.network.outbox.tables import SCHEMA as OUTBOX
from archiver.objects.dataset_reader import open_dataset
from archiver.objects.description import describe
from archiver.priors.findings import SideFinding
from archiver.priors.findings import keep_findings as keep
from archiver.records import Memory
from archiver.records.checks import outbox_checks
from archiver.web.pages.take_in.draft_store import Drafts
from archiver.wording import Text
from tests.new_archive import new_archive

FIXTURES = Path(__file__).parent / "fixtures"
ELSEWHERE = "/srv/clinic"
NOON = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)
FACTS: dict[str, Any] = json.loads((FIXTURES / "old_facts.json").read_text("utf-8"))


@pytest.fixture
def old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that holds ``archive`` and ``user``, as the old version left them."""
    with tarfile.open(FIXTURES / "old_archive.tar.xz") as packed:
        packed.extractall(tmp_path, filter="data")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "user" / "archiver.toml"))
    return tmp_path


def as_told(value: object, root: Path) -> Any:
    """As the facts of the fixture are written."""
    text = json.dumps(value, default=str).replace(str(root), ELSEWHERE)
    return json.loads(text)


#: Of consents, what came later.
_SINCE = ("recipient", "visits", "given_by", "giver", "pictures", "form")


def _without_scope(consent: Consent) -> dict[str, Any]:
    """A consent without what earlier versions did not know of."""
    told = asdict(consent)
    scope = {name: told.pop(name) for name in _SINCE}
    assert not any(scope.values())
    return told


def _without_masks(package: HandedOver) -> dict[str, Any]:
    told = asdict(package)
    assert not told.pop("masks_seen_by")
    return told


def facts_of(root: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    archive, out = root / "archive", root / "report"
    own = ["--archive", str(archive)]
    capsys.readouterr()
    assert main(["query", *own, "--include-rejected", "--json"]) == 0
    query = json.loads(capsys.readouterr().out)
    for one in query:
        # Said of a side since; what the comparison found is a fact of its own below.
        one.pop("wrong_way", None)
        # An old confirmation was said, and is bound to no picture.
        assert one.pop("certainty") == {True: "said", False: "", None: None}[one["confirmed"]]
    main(["audit", *own, "--rules", "good-record", "--out", str(out)])
    capsys.readouterr()
    audit = json.loads((out / "audit.json").read_text("utf-8"))
    drafts = Drafts(archive / "pages" / "drafts", lambda: NOON)
    assert drafts.unreadable() == []
    of = sorted(drafts.all(), key=lambda one: one.draft.owner)
    with Outbox.open(archive) as outbox:
        told = {
            "shipments": [
                {**asdict(one), "state": one.state.value, "reason": str(one.reason or "")}
                for one in outbox.shipments()
            ],
            "drops": [asdict(one) for one in outbox.drops()],
            "holders": {name: sorted(uids) for name, uids in outbox.holders().items()},
        }
    users = users_of(archive).all().values()
    facts = {
        **told,
        "query": query,
        "consents": [_without_scope(one) for one in consents_of(archive, "P-0417", "RIVERBEND")],
        "handovers": [_without_masks(one) for one in handovers(archive)],
        "secret": secret_of(archive).hex(),
        "users": {user.name: [sorted(user.roles), user.hash] for user in users},
        "drafts": [one.draft.to_json() for one in of],
        "draft_photos": [{k: p.to_json() for k, p in one.photos.items()} for one in of],
        "owed": [asdict(one) for one in Debts(archive).all()],
        # Packages outside that hold what was rejected are told of since.
        "audit": sorted(
            [c["kind"], c["found"]] for c in audit["concerns"] if c["kind"] != "package-outside"
        ),
    }
    return as_told(facts, root)  # type: ignore[no-any-return]


@pytest.mark.parametrize("fact", sorted(FACTS))
def test_an_archive_of_an_earlier_version_keeps_every_fact(
    old: Path, capsys: pytest.CaptureFixture[str], fact: str
) -> None:
    assert facts_of(old, capsys)[fact] == FACTS[fact]


def test_an_archive_that_was_brought_up_is_the_same_when_it_is_opened_again(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = facts_of(old, capsys)
    assert database_version(old / "archive" / "outbox.sqlite") == OUTBOX.version
    assert facts_of(old, capsys) == first


def test_what_is_changed_after_an_upgrade_stands_beside_what_was_there(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = old / "archive"
    words = ["consent", "--archive", str(archive), "--patient-id", "P-0417"]
    assert main([*words, "--purpose", "referral", "--noted-by", "Haugen^Liv"]) == 0
    users_of(archive).add("berg", frozenset({"assistant"}), "three green herons")
    drafts = Drafts(archive / "pages" / "drafts", lambda: NOON)
    for opened in sorted(drafts.all(), key=lambda one: one.draft.owner):
        opened.save(opened.draft, NOON)
    purposes = [one.purpose.value for one in consents_of(archive, "P-0417", "RIVERBEND")]
    assert sorted(purposes) == ["laboratory", "referral", "teaching"]
    facts = facts_of(old, capsys)
    assert {name: facts["users"][name] for name in FACTS["users"]} == FACTS["users"]
    assert facts["draft_photos"] == FACTS["draft_photos"]
    assert json.loads((archive / "pages" / "users.json").read_text())["version"] == 1


def test_an_archive_of_an_earlier_version_is_given_an_identity_that_it_keeps(old: Path) -> None:
    archive = old / "archive"
    words = ["consent", "--archive", str(archive), "--patient-id", "P-0417"]
    assert main(words) == 0 and identity_of(archive) is None
    words += ["--purpose", "referral", "--noted-by", "Haugen^Liv"]
    assert main(words) == 0
    given = identity_of(archive)
    assert given is not None
    assert main(words) == 0 and identity_of(archive) == given


def test_the_headers_that_an_earlier_version_kept_are_there(old: Path) -> None:
    with HeaderCache(old / "user" / "cache") as cache:
        assert cache.size() > 0
        assert cache.get([FACTS["query"][0]["sop_instance_uid"]])


def test_the_first_step_of_the_outbox_makes_the_tables_of_today(tmp_path: Path) -> None:
    upgrade_database(OUTBOX, tmp_path / "outbox.sqlite", 1)
    with closing(sqlite3.connect(tmp_path / "outbox.sqlite")) as database:
        for table in METADATA.sorted_tables:
            rows = database.execute(f"PRAGMA table_info({table.name})")
            assert [row[1] for row in rows] == [column.name for column in table.columns]
    assert OUTBOX.version == outbox_checks.VERSION


HAS_IT = "the peer has an instance of this UID already (status 0111)"
KEEP = "the peer has no storage commitment, so keep the picture on the card"
UNTAKEN = "the peer has no such instance (status 0112); it was taken away"


def test_a_reason_that_was_a_sentence_is_told_alike_and_what_the_peer_said_stands_apart(
    old: Path,
) -> None:
    path = old / "archive" / "outbox.sqlite"
    given = [("sent", f"{HAS_IT}; {KEEP}"), ("sent", f"stored; {KEEP}"), ("failed", UNTAKEN)]
    with closing(sqlite3.connect(path)) as database, database:
        rows = database.execute("SELECT rowid FROM shipments").fetchall()
        for (row,), told in zip(rows, given, strict=False):
            database.execute("UPDATE shipments SET state=?, reason=? WHERE rowid=?", (*told, row))
    before, _ = outbox_checks.read_outbox(old / "archive")
    with Outbox.open(old / "archive") as outbox:
        shipments = {(one.state.value, str(one.reason)): one for one in outbox.shipments()}
    after, _ = outbox_checks.read_outbox(old / "archive")
    assert [one.reason for one in before] == [str(one.reason) for one in after]
    assert {told for told in shipments if told[1] != "None"} == set(given)
    noted, plain, failed = (shipments[told] for told in given)
    assert plain.reason == Text(
        "network.outbox.then",
        standing=Text("network.outbox.stored"),
        reason=Text("network.outbox.no_commitment"),
    )
    # A report takes away what came after, and nothing else.
    assert after_report(plain, None, NOON, 0).reason is None
    assert str(after_report(noted, None, NOON, 0).reason) == HAS_IT
    assert failed.reason == Text("network.outbox.earlier", sentence=UNTAKEN)


# A later version's


def _raise_number(path: Path) -> None:
    table = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps({**table, "version": 9}), "utf-8")


def _add_line(path: Path) -> None:
    path.parent.mkdir(exist_ok=True)
    with path.open("a") as file:
        file.write('{"version": 9, "new": true}\n')


def _raise_pragma(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA user_version=9")


def _raise_memory(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE told SET value='9 7.0' WHERE name='format'")


def _raise_index(path: Path) -> None:
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE applied SET schema=9")
        database.execute("DROP TABLE rejections")


CONSENT = ["consent", "--patient-id", "P-0417", "--purpose", "referral", "--noted-by", "L"]
SEND = ["send", "--to", "clinic", "--everything", "--queue-only"]
AUDIT = ["audit", "--rules", "good-record", "--out", "{root}/report"]
#: File, what makes it a later version's, the verb that must refuse it.
LATER: dict[str, tuple[str, Callable[[Path], None], list[str]]] = {
    "folder": ("FORMAT", lambda p: void(p.write_text("archiver archive, format 9\n")), CONSENT),
    "index": ("index.sqlite", _raise_index, CONSENT),
    "secret": ("secret", lambda p: void(p.write_text("9 abc")), CONSENT),
    "consents": ("consents.jsonl", _add_line, CONSENT),
    "outbox": ("outbox.sqlite", _raise_pragma, SEND),
    "outbox listed": ("outbox.sqlite", _raise_pragma, ["outbox"]),
    "hand-overs": (
        "handovers.jsonl",
        _add_line,
        ["handover", "--patient-id", "P-0417", "--case", "8", "--to", "L", "--out", "{root}/8"],
    ),
    "users": ("pages/users.json", _raise_number, ["serve", "--users"]),
    "owed": (
        "commitments/*.json",
        _raise_number,
        ["serve", "--dimse-port", "0", "--web-port", "0"],
    ),
    "findings": ("findings/wrong-way.jsonl", _add_line, AUDIT),
    "memory": (
        "pages/reports/audit-memory.sqlite",
        _raise_memory,
        [*AUDIT, "--memory", "{archive}/pages/reports/audit-memory.sqlite"],
    ),
}


def void(_: object) -> None:
    """Let go of what a call returned."""


def contents(folder: Path) -> dict[str, bytes]:
    """Every file but locks and the notes of the database beside its file."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(("lock", "-wal", "-shm"))
    }


@pytest.mark.parametrize("thing", LATER)
def test_what_a_later_version_wrote_is_refused_in_one_line_and_left_alone(
    old: Path, capsys: pytest.CaptureFixture[str], thing: str
) -> None:
    pattern, change, words = LATER[thing]
    archive = old / "archive"
    (path,) = archive.glob(pattern)
    # The index follows from the rest, and whoever opens it for writing brings it up.
    Archive.open(archive, create=False).close()
    change(path)
    before = contents(archive)
    verb, *rest = (word.format(root=old, archive=archive) for word in words)
    assert main([verb, "--archive", str(archive), *rest]) == 1
    told = capsys.readouterr().err.strip()
    assert "\n" not in told
    assert "9" in told and "expected" in told and told.endswith(")")
    assert contents(archive) == before


def test_headers_that_a_later_version_kept_are_refused(old: Path) -> None:
    path = old / "user" / "cache" / "headers.sqlite"
    _raise_pragma(path)
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="headers: version 9; expected version 1 at most"):
        HeaderCache(path.parent)
    assert path.read_bytes() == before


def test_nothing_is_added_to_the_lines_of_a_later_version(old: Path) -> None:
    archive = old / "archive"
    path = archive / "findings" / "wrong-way.jsonl"
    _add_line(path)
    before = path.read_bytes()
    with pytest.raises(ArchiveError, match="version 9"):
        keep(archive, [SideFinding("1.2", "passed", "")], time=NOON, by="test")
    assert path.read_bytes() == before


def test_the_outbox_of_a_later_version_is_told_by_the_audit(old: Path) -> None:
    _raise_pragma(old / "archive" / "outbox.sqlite")
    items, trouble = outbox_checks.read_outbox(old / "archive")
    assert items == [] and "version 9" in str(trouble)


def test_the_memory_of_an_earlier_version_is_emptied(old: Path) -> None:
    memory = Memory(old / "archive" / "pages" / "reports" / "audit-memory.sqlite", "x")
    assert list(memory.promises()) == []
    assert memory._connection.execute("SELECT count(*) FROM objects").fetchone() == (0,)
    memory.close()


# Killed meanwhile

_KILLED = """
import os, signal, sqlite3, sys
from pathlib import Path
from archiver.archive.store import Schema, unchanged, upgrade_database

def step(database):
    database.execute("ALTER TABLE shipments ADD COLUMN urgency INTEGER")
    database.execute("UPDATE shipments SET urgency=1")
    if sys.argv[2] == "before":
        os.kill(os.getpid(), signal.SIGKILL)
    return database

upgrade_database(Schema("the outbox", (unchanged, step)), Path(sys.argv[1]), 1)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_kill_in_the_middle_of_an_upgrade_leaves_the_old_version_or_the_new(
    old: Path, moment: str
) -> None:
    path = old / "archive" / "outbox.sqlite"
    done = subprocess.run([sys.executable, "-c", _KILLED, str(path), moment], check=False)
    assert done.returncode == -signal.SIGKILL
    with closing(sqlite3.connect(path)) as database:
        columns = [row[1] for row in database.execute("PRAGMA table_info(shipments)")]
        count = database.execute("SELECT count(*) FROM shipments").fetchone()[0]
    assert ("urgency" in columns, database_version(path)) == {
        "before": (False, 0),
        "after": (True, 2),
    }[moment]
    assert count == len(FACTS["shipments"])


_SAVED = """
import os, signal, sys
from datetime import datetime, timezone
from pathlib import Path
from archiver.access import users_of
from archiver.web.pages.take_in.draft_store import Drafts

archive, at = Path(sys.argv[1]), int(sys.argv[2])
renames, real = 0, Path.replace

def replace(self, target):
    global renames
    renames += 1
    if renames == at:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(self, target)

Path.replace = replace
noon = datetime(2026, 3, 4, 12, tzinfo=timezone.utc)
for opened in Drafts(archive / "pages" / "drafts", lambda: noon).all():
    if opened.draft.owner == "haugen":
        opened.save(opened.draft, noon)
users_of(archive).remove("haugen")
"""


@pytest.mark.parametrize("rename", [1, 2, 3])
def test_drafts_and_users_are_of_the_old_version_or_the_new_after_a_kill(
    old: Path, rename: int
) -> None:
    archive = old / "archive"
    words = [sys.executable, "-c", _SAVED, str(archive), str(rename)]
    done = subprocess.run(words, check=False)
    assert done.returncode == (0 if rename == 3 else -signal.SIGKILL)
    users = json.loads((archive / "pages" / "users.json").read_text("utf-8"))
    assert (users.get("version") == 1) is (rename == 3)
    assert ("haugen" in users_of(archive).all()) is (rename < 3)
    drafts = Drafts(archive / "pages" / "drafts", lambda: NOON).all()
    (opened,) = (one for one in drafts if one.draft.owner == "haugen")
    assert opened.draft.patient == {"id": "P-0417"} and opened.photos
    table = json.loads((opened.folder / "draft.json").read_text("utf-8"))
    assert table.get("version") == (None if rename == 1 else 1)


def test_lines_of_several_versions_are_read_in_todays_form(tmp_path: Path) -> None:
    path = tmp_path / "notes.jsonl"
    first: Schema[Fields] = Schema("notes", (unchanged,))
    path.write_text('{"n": 0}\n')
    jsonl_log.append(path, first, {"n": 1})
    second: Schema[Fields] = Schema("notes", (unchanged, lambda line: {**line, "by": "?"}))
    jsonl_log.append(path, second, {"n": 2, "by": "liv"})
    assert jsonl_log.read(path, second, dict) == [
        {"n": 0, "by": "?"},
        {"n": 1, "by": "?"},
        {"n": 2, "by": "liv"},
    ]
    with pytest.raises(ArchiveError, match="notes: version 2; expected version 1 at most"):
        jsonl_log.read(path, first, dict)
    with pytest.raises(ArchiveError, match="version 2"):
        jsonl_log.append(path, first, {"n": 3})
    assert CONSENTS.version == 3


def test_a_side_that_an_earlier_version_confirmed_is_by_word_only_and_confirmed_anew(
    old: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive, out = old / "archive", old / "sides"

    def certainties() -> set[str | None]:
        with Archive.open(archive, read_only=True) as opened:
            found = opened.query(Query(modality="XC", confirmed=True))
        return {describe(open_dataset(Path(one.path))).certainty for one in found}

    def sides() -> dict[str, int]:
        main(["audit", "--archive", str(archive), "--rules", "good-record", "--out", str(out)])
        counted = json.loads((out / "audit.json").read_text("utf-8"))["archive"]["sides"]
        return dict(counted)

    assert certainties() == {"said"}
    before = sides()
    assert before["said"] > 0 and before["bound"] == 0
    with Archive.open(archive, read_only=True) as opened:
        one = opened.query(Query(modality="XC", confirmed=True, role="derived", limit=1))[0]
        code = looked_at(opened, one.sop_instance_uid).examined.code
    assert main(["confirm", "--archive", str(archive), "--by", "Vale^Iris", code]) == 0
    assert "bound" in certainties()
    after = sides()
    assert (after["said"], after["bound"]) == (before["said"] - 1, 1)


def test_new_objects_lie_in_folders_with_short_names_beside_those_of_the_first_version(
    old: Path,
) -> None:
    folder, target, again = old / "archive", old / "target", old / "again"
    lay = {p.relative_to(folder): p.read_bytes() for p in (folder / "objects").rglob("*.dcm")}
    new = [incoming(n, study=n) for n in (1, 2)]
    with Archive.open(folder) as archive:
        stored = archive.put(new)
        known = archive.query(Query(include_rejected=True))
    assert (folder / "FORMAT").read_text() == "archiver archive, format 2\n"
    everything = {one.path.relative_to(folder) for one in stored} | set(lay)
    assert {p.relative_to(folder) for p in (folder / "objects").rglob("*.dcm")} == everything
    assert len(everything) == len(lay) + 2 and len(known) == len(everything)
    # Both are found by who follows the journal, by who makes the index anew, and by an audit.
    for path in folder.glob("index.sqlite*"):
        path.unlink()
    with Archive.open(folder) as archive:
        assert archive.query(Query(include_rejected=True)) == known
    assert rebuild(folder).problems == ()
    with Archive.open(folder, read_only=True) as archive:
        assert archive.query(Query(include_rejected=True)) == known
    main(["audit", "--archive", str(folder), "--rules", "good-record", "--out", str(old / "out")])
    told = json.loads((old / "out" / "audit.json").read_text("utf-8"))
    kinds = {one["kind"] for one in told["concerns"]} - {"object-invalid"}
    assert not {kind for kind in kinds if kind.startswith(("object-", "index-", "journal-"))}
    # A backup restored has today's paths only, and the same content.
    assert back_up(folder, target, time=NOON).problems == ()
    assert restore(target, again, time=NOON, actor="test").problems == ()
    with Archive.open(again, read_only=True) as archive:
        found = archive.query(Query(include_rejected=True))
    assert all(len(str(Path(one.path).relative_to(again))) <= 98 for one in found)
    by_uid = {one.sop_instance_uid: Path(one.path).read_bytes() for one in known}
    assert {one.sop_instance_uid: Path(one.path).read_bytes() for one in found} == by_uid


_HALF_WRITTEN = """
import os, sqlite3, sys
database = sqlite3.connect(sys.argv[1], isolation_level=None)
database.execute("PRAGMA cache_size=1")
database.execute("BEGIN IMMEDIATE")
database.execute("CREATE TABLE half (written)")
database.executemany("INSERT INTO half VALUES (?)", [("x" * 500,)] * 2000)
os._exit(9)
"""


def test_a_database_that_a_kill_left_in_the_middle_of_its_first_transaction_opens(
    tmp_path: Path,
) -> None:
    new_archive(tmp_path / "archive")
    path = tmp_path / "archive" / "outbox.sqlite"
    with Outbox.open(tmp_path / "archive") as outbox:
        assert outbox.shipments() == []
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA journal_mode=DELETE")
    killed = subprocess.run([sys.executable, "-c", _HALF_WRITTEN, str(path)])
    assert killed.returncode == 9 and path.with_name(f"{path.name}-journal").exists()
    with Outbox.open(tmp_path / "archive") as outbox:
        assert outbox.shipments() == []
    assert not path.with_name(f"{path.name}-journal").exists()
