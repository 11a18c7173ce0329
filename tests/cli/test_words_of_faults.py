"""Faults of an archive and of tables, talk with other archives and the demo, without English."""

from __future__ import annotations

import re
import shutil
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest
from in_process import archiver
from sessions import camera_jpeg, photo, write_sheet

from archiver.access.front_door import FrontDoor
from archiver.access.users import Users
from archiver.archive import Query
from archiver.archive.store import Archive
from archiver.cli import demo, serve
from archiver.errors import InputError
from archiver.network.node.settings import NodeSettings
from archiver.records.episodes import read_episodes
from tests.network.node_serving import TITLE, serving
from tests.pseudo_language import plain_words, pseudo_language

REPOSITORY = Path(__file__).parents[2]


#: Values of views, roles, mirrors and numberings, and names of files.
VALUES = {
    *("occlusal", "buccal", "lingual", "palatal", "labial", "incisal", "frontal", "XC", "iso"),
    *("original", "derived", "uncorrected", "corrected", "direct"),
    *("FORMAT", "journal", "jsonl", "index", "sqlite", "csv", "archiver"),
}


def english(told: str, *said: str) -> set[str]:
    """Return the plain words of a report outside paths, identifiers, options and values."""
    left = re.sub(r"'[^']*'|--[a-z-]+|\b[\d.]{9,}\S*|https?:\S+|/\S+|\S+\.(?:dcm|JPG)\b", "", told)
    return set(plain_words(left)) - VALUES - set(said)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of a mirror picture."""
    folder = tmp_path_factory.mktemp("kept")
    camera_jpeg(folder / "IMG_0001.JPG")
    sheet = write_sheet(folder, [photo("IMG_0001.JPG")])
    assert archiver("init", folder / "archive").returncode == 0
    assert archiver("wrap", sheet, "--archive", folder / "archive").returncode == 0
    return folder / "archive"


@pytest.fixture
def archive(kept: Path, tmp_path: Path) -> Path:
    """A copy to spoil."""
    return Path(shutil.copytree(kept, tmp_path / "archive"))


def _no_format(archive: Path) -> None:
    (archive / "FORMAT").unlink()


def _newer(archive: Path) -> None:
    (archive / "FORMAT").write_text("archiver archive, format 9\n")


def _spoilt(archive: Path) -> None:
    one = next((archive / "objects").rglob("*.dcm"))
    one.chmod(0o644)
    data = bytearray(one.read_bytes())
    data[-100] ^= 1
    one.write_bytes(data)


def _lost(archive: Path) -> None:
    for one in (archive / "objects").rglob("*.dcm"):
        one.unlink()


def _no_journal(archive: Path) -> None:
    (archive / "journal.jsonl").write_text("no line of ours\n")


def _no_index(archive: Path) -> None:
    (archive / "index.sqlite").write_bytes(b"no index at all" * 100)


@pytest.mark.parametrize("fault", [_no_format, _newer, _spoilt, _lost, _no_journal, _no_index])
def test_faults_of_an_archive_are_told_without_english(archive: Path, fault: object) -> None:
    assert callable(fault)
    fault(archive)
    with pseudo_language():
        told = [
            archiver(verb, *words, "--archive", archive)
            for verb, *words in (("rebuild",), ("query",), ("consent", "--patient-id", "P-0417"))
        ]
    # An index is made anew from the journal.
    assert any(one.returncode for one in told) or fault is _no_index
    for one in told:
        assert (one.stdout + one.stderr).strip()
        assert not english(one.stdout + one.stderr)


def test_a_table_of_treatments_is_told_of_without_english(tmp_path: Path) -> None:
    tables = (
        "patient,tooth,treatment,start,end\nP-1,iso:16,crown,2026-02-30,\n,iso:16,crown,2026-02-03,\n"
        "P-1,99,crown,2026-02-03,\nP-1,iso:16,,2026-02-03,\nP-1,iso:16,crown,2026-02-03,2026-01-01\n"
        "P-1,iso:16\nP-1,iso:16,crown,3/4/2026,\n",
        "nothing,known\n1,2\n",
        "",
    )
    told = []
    with pseudo_language():
        for number, table in enumerate(tables):
            path = tmp_path / f"{number}.csv"
            path.write_text(table)
            try:
                found = read_episodes(path, today=date(2026, 6, 1))
            except InputError as error:
                told.append(str(error))
            else:
                told += map(str, found.problems)
    assert len(told) > 6
    columns = "patient issuer tooth numbering treatment start prepared finished end nothing known"
    assert not [words for one in told if (words := english(one, *columns.split()))]


def test_another_archive_is_asked_and_fetched_from_without_english(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = shutil.copytree(kept, tmp_path / "source")
    with serving(source) as node:
        settings = tmp_path / "settings.toml"
        peer = f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\ntitle = "{TITLE}"\n'
        settings.write_text(f"{peer}port = {node.dimse.port}\n")
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
        fetch = ("retrieve", "--at", "clinic", "--view", "occlusal", "--patient-id")
        with pseudo_language():
            told = [
                archiver("echo", "clinic"),
                archiver("query", "--at", "clinic", "--patient-id", "P-0417"),
                archiver("query", "--at", "clinic"),
                archiver(*fetch, "P-0417", "--to", tmp_path / "fetched"),
                archiver(*fetch, "P-1", "--to", tmp_path / "nothing"),
            ]
    for one in told:
        assert (one.stdout + one.stderr).strip()
        assert not english(one.stdout + one.stderr, "clinic", TITLE, "not", "told")


def test_where_a_node_is_and_whom_it_lets_in_is_told_without_english(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    node = SimpleNamespace(
        settings=NodeSettings(title=TITLE),
        dimse=SimpleNamespace(port=11112, ports={}),
        web=SimpleNamespace(port=8080),
        webs={},
        archive=None,
    )
    users = Users(tmp_path / "users.json")
    with pseudo_language():
        for settings in (NodeSettings(), NodeSettings(networks=("192.0.2.0/24",))):
            node.door = FrontDoor(settings.doorstep, users, None)
            for pages in (True, False):
                serve._print_addresses(node, False, with_pages=pages)  # type: ignore[arg-type]
        (tmp_path / "closed").touch()
        for settings in (NodeSettings(), NodeSettings(client_authorities=tmp_path)):
            node.door = FrontDoor(settings.doorstep, users, None)
            serve._print_addresses(node, False, with_pages=True)  # type: ignore[arg-type]
    said = capsys.readouterr()
    assert said.out.count("\n") > 4
    assert not english(said.out + said.err, TITLE)


def test_the_demo_has_no_english_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for part in ("P-1042/2024-03-19", "shade_case"):
        shutil.copytree(REPOSITORY / "demo_studies" / part, tmp_path / "studies" / part)
    monkeypatch.setattr(demo, "_studies", lambda: tmp_path / "studies")
    with pseudo_language():
        told = archiver("demo", tmp_path / "demo")
    assert told.returncode == 0 and told.stdout.count("\n") > 12
    with Archive.open(tmp_path / "demo" / "archive", read_only=True) as archive:
        said = " ".join(record.study_description for record in archive.query(Query()))
    assert not english(told.stdout, *said.split())
