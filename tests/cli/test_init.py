"""An archive is made on purpose, and no other folder is ever taken for one."""

from __future__ import annotations

import ast
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from uuid import UUID

import pytest
from in_process import archiver
from sessions import camera_jpeg, photo, write_sheet

import archiver.cli as archiver_cli
from archiver.archive.store.archive import Archive
from archiver.archive.store.identity import identity_of


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    camera_jpeg(tmp_path / "IMG_0001.JPG")
    return write_sheet(tmp_path, [photo("IMG_0001.JPG")])


def settle(monkeypatch: pytest.MonkeyPatch, file: Path, text: str) -> None:
    file.write_text(text, "utf-8")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(file))


def test_an_archive_is_made_with_an_identity_of_its_own(tmp_path: Path) -> None:
    one = json.loads(archiver("init", tmp_path / "one", "--json").stdout)
    other = archiver("init", tmp_path / "other")
    assert UUID(one["identity"]).version == 4
    assert one["archive"] == str(tmp_path / "one")
    assert str(identity_of(tmp_path / "other")) in other.stdout
    assert identity_of(tmp_path / "one") != identity_of(tmp_path / "other")
    with Archive.open(tmp_path / "one", read_only=True) as archive:
        assert len(archive) == 0


def test_an_archive_is_not_made_twice_nor_among_other_things(tmp_path: Path) -> None:
    assert archiver("init", tmp_path / "archive").returncode == 0
    before = identity_of(tmp_path / "archive")
    again = archiver("init", tmp_path / "archive")
    assert again.returncode == 1 and "there is an archive already" in again.stderr
    assert identity_of(tmp_path / "archive") == before
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "A.JPG").touch()
    among = archiver("init", tmp_path / "holiday")
    assert among.returncode == 1 and "holds other things" in among.stderr


WRITING: dict[str, Callable[[Path], tuple[object, ...]]] = {
    "wrap": lambda sheet: (sheet,),
    "add": lambda sheet: (sheet,),
    "amend": lambda _: ("1.2.3", "--mirror", "yes"),
    "consent": lambda _: (
        *("--patient-id", "P-0417", "--purpose", "teaching"),
        *("--noted-by", "L"),
    ),
    "handover": lambda sheet: (
        *("--patient-id", "P-0417", "--case", "1", "--to", "L"),
        *("--out", sheet.parent / "out"),
    ),
    "media": lambda sheet: (
        *("--patient-id", "P-0417", "--case", "1", "--to", "L"),
        *("--out", sheet.parent / "out"),
    ),
    "outbox": lambda _: (),
    "backup": lambda sheet: (sheet.parent / "target",),
    "rebuild": lambda _: (),
    "serve": lambda _: ("--dimse-port", "0", "--web-port", "-1"),
}
FOLDERS: dict[str, Callable[[Path], object]] = {
    "is not there": lambda folder: None,
    "is empty": lambda folder: folder.mkdir(),
    "holds other things": lambda folder: (folder.mkdir(), (folder / "A.JPG").touch()),
}
SAID = {
    "is not there": ("does not exist", "archiver init"),
    "is empty": ("is empty", "archiver init"),
    "holds other things": ("other things", "name the archive's folder"),
}


@pytest.mark.parametrize("kind", FOLDERS)
@pytest.mark.parametrize("verb", WRITING)
def test_what_writes_refuses_a_folder_that_is_no_archive(
    verb: str, kind: str, sheet: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "volume"
    FOLDERS[kind](folder)
    before = sorted(folder.rglob("*")) if folder.exists() else None
    said = archiver(verb, *WRITING[verb](sheet), "--archive", folder)
    assert said.returncode == 1 and said.stdout == ""
    (line,) = said.stderr.splitlines()
    assert str(folder) in line and all(words in line for words in SAID[kind]), line
    assert (sorted(folder.rglob("*")) if folder.exists() else None) == before


@pytest.mark.parametrize("verb", WRITING)
def test_another_archive_than_the_settings_name_is_refused(
    verb: str, sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    identity = json.loads(archiver("init", tmp_path / "right", "--json").stdout)["identity"]
    archiver("init", tmp_path / "wrong")
    settle(monkeypatch, tmp_path / "archiver.toml", f'archive = "wrong"\nidentity = "{identity}"\n')
    said = archiver(verb, *WRITING[verb](sheet))
    assert said.returncode == 1
    (line,) = said.stderr.splitlines()
    assert f"expected archive {identity}" in line and str(tmp_path / "wrong") in line
    assert list((tmp_path / "wrong" / "objects").iterdir()) == []


def test_the_archive_that_the_settings_name_is_taken(
    sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    identity = json.loads(archiver("init", tmp_path / "right", "--json").stdout)["identity"]
    settle(monkeypatch, tmp_path / "archiver.toml", f'archive = "right"\nidentity = "{identity}"\n')
    monkeypatch.chdir("/")
    assert archiver("wrap", sheet).returncode == 0
    shutil.move(tmp_path / "right", tmp_path / "copy")
    assert archiver("wrap", sheet, "--archive", tmp_path / "copy").returncode == 0
    (tmp_path / "copy" / "identity").unlink()
    said = archiver("wrap", sheet, "--archive", tmp_path / "copy")
    assert said.returncode == 1 and "without an identity" in said.stderr


def test_an_identity_that_is_none_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settle(monkeypatch, tmp_path / "archiver.toml", 'identity = "ours"\n')
    said = archiver("outbox")
    assert said.returncode == 2 and 'identity = "ours"; expected a UUID' in said.stderr
    archiver("init", tmp_path / "archive")
    (tmp_path / "archive" / "identity").write_text("1 ours\n")
    settle(monkeypatch, tmp_path / "archiver.toml", f'identity = "{UUID(int=0)}"\n')
    said = archiver("outbox", "--archive", tmp_path / "archive")
    assert said.returncode == 1 and "identity is damaged" in said.stderr


def test_the_users_own_archive_is_made_the_first_time(
    sheet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("ARCHIVER_SETTINGS", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "configuration"))
    own = tmp_path / "data" / "archiver" / "archive"
    first = archiver("wrap", sheet)
    assert first.returncode == 0
    assert str(own) in first.stderr and len(first.stderr.splitlines()) == 1
    assert archiver("wrap", sheet).stderr == ""
    shutil.rmtree(own)
    own.mkdir()
    emptied = archiver("wrap", sheet)
    assert emptied.returncode == 1 and "the folder is empty" in emptied.stderr


def test_an_archive_of_an_earlier_version_gets_an_identity(sheet: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    archiver("init", archive)
    (archive / "identity").unlink()
    assert archiver("query", "--archive", archive).returncode == 0
    assert identity_of(archive) is None
    assert archiver("wrap", sheet, "--archive", archive).returncode == 0
    given = identity_of(archive)
    assert given is not None
    assert archiver("rebuild", "--archive", archive).returncode == 0
    assert identity_of(archive) == given


def test_no_verb_opens_an_archive_for_writing_by_itself() -> None:
    """Else it would not work beside a server, and would make archives where none is mounted."""
    may = {"practice_archive.py": {"open", "create"}, "init.py": {"create"}, "demo.py": {"create"}}
    # The server itself.
    may["serve.py"] = {"open"}
    found: dict[str, set[str]] = {}
    for module in Path(archiver_cli.__file__).parent.glob("*.py"):
        for call in ast.walk(ast.parse(module.read_text("utf-8"))):
            if not isinstance(call, ast.Call) or not isinstance(call.func, ast.Attribute):
                continue
            only_reads = any(
                word.arg == "read_only" and ast.unparse(word.value) == "True"
                for word in call.keywords
            )
            if ast.unparse(call.func.value) == "Archive" and not only_reads:
                found.setdefault(module.name, set()).add(call.func.attr)
    assert found == may
