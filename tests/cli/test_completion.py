"""The shell completes verbs, options and what options are told."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import click
import pytest
from click.shell_completion import FishComplete, ShellComplete, ZshComplete

from archiver.cli.main import archiver

SETTINGS = """
[[peer]]
name = "clinic"
host = "127.0.0.1"
port = 11112
title = "CLINIC"

[[peer]]
name = "region"
url = "http://127.0.0.1:1/dicomweb"
"""


@pytest.fixture(autouse=True)
def _settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "archiver.toml").write_text(SETTINGS, "utf-8")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "archiver.toml"))


def completed(*words: str, shell: type[ShellComplete] = ZshComplete) -> list[str]:
    *before, incomplete = words
    made = shell(archiver, {}, "archiver", "_ARCHIVER_COMPLETE")
    return [item.value for item in made.get_completions(before, incomplete)]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("re",), ["retrieve", "reload", "restore", "rebuild"]),
        (("wrap", "--from"), ["--from-worklist"]),
        (("explain", "--view", "upper"), ["upper occlusal arch"]),
        (("query", "--surface", "ves"), ["vestibular"]),
        (("query", "--tooth", "iso:16"), ["iso:16"]),
        (("query", "--tooth", "universal:3"), ["universal:31", "universal:32"]),
        (("query", "--tooth", "palmer:ll6"), ["palmer:LL6"]),
        (("query", "--tooth", "iso:14,15,17"), ["iso:14,15,17"]),
        (("send", "--to", "c"), ["clinic"]),
        (("outbox", "--to", ""), ["clinic", "region"]),
        (("echo", ""), ["clinic", "region"]),
        (("audit", "--rules", "five"), ["five-intraoral"]),
        (("handover", "--purpose", "p"), ["patient-copy", "publication"]),
        (("consent", "--purpose", "t"), ["teaching"]),
        (("outbox", "--state", "comm"), ["committed"]),
        (("amend", "1.2.3", "--top", "an"), ["anterior"]),
    ],
    ids=" ".join,
)
def test_what_begins_so_is_offered(words: tuple[str, ...], found: list[str]) -> None:
    offered = completed(*words)
    assert set(found) <= set(offered)
    assert all(word.casefold().startswith(words[-1].casefold()) for word in offered)


def test_every_verb_and_every_option_is_offered() -> None:
    context = click.Context(archiver)
    verbs = completed("")
    assert verbs == archiver.list_commands(context)
    for name in verbs:
        command = archiver.get_command(context, name)
        assert command is not None
        options = {one.opts[-1] for one in command.params if isinstance(one, click.Option)}
        assert options <= set(completed(name, "--"))


def test_teeth_are_offered_in_each_numbering_with_their_names() -> None:
    made = ZshComplete(archiver, {}, "archiver", "_ARCHIVER_COMPLETE")
    items = made.get_completions(["query", "--tooth"], "")
    names = {item.value: item.help for item in items}
    assert names["iso:36"] == names["universal:19"] == names["palmer:LL6"]
    assert names["iso:36"] == "lower left first molar"
    assert len(names) == 3 * 52


def test_settings_that_cannot_be_read_complete_nothing(tmp_path: Path) -> None:
    (tmp_path / "archiver.toml").write_text("[[peer", "utf-8")
    assert completed("send", "--to", "") == []


@pytest.mark.parametrize("shell", [ZshComplete, FishComplete])
def test_zsh_and_fish_get_words_whole(shell: type[ShellComplete]) -> None:
    assert completed("explain", "--view", "lower", shell=shell) == ["lower occlusal arch"]
    assert "iso:48" in completed("explain", "--tooth", "iso:4", shell=shell)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_has_a_script(shell: str) -> None:
    made = subprocess.run(
        [sys.executable, "-m", "archiver"],
        env={**os.environ, "_ARCHIVER_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
    )
    assert made.returncode == 0, made.stderr
    assert f"_ARCHIVER_COMPLETE={shell}_complete" in made.stdout


@pytest.fixture
def command(tmp_path: Path) -> dict[str, str]:
    """An environment in which ``archiver`` is the program under test."""
    place = tmp_path / "bin"
    place.mkdir()
    script = place / "archiver"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m archiver "$@"\n', "utf-8")
    script.chmod(0o755)
    package = Path(__file__).resolve().parents[2]
    return {
        **os.environ,
        "PATH": f"{place}:{os.environ['PATH']}",
        "PYTHONPATH": str(package),
        "TERM": "dumb",
        "PS1": "ready> ",
        "LC_ALL": "C.UTF-8",
    }


SCRIPT = 'eval "$(_ARCHIVER_COMPLETE=bash_source archiver)"\n'


@pytest.mark.parametrize(
    ("line", "replies"),
    [
        ("archiver hand", ["handover"]),
        # Bash takes a word to begin behind the colon.
        ("archiver query --tooth iso:16", ["16"]),
        ("archiver query --tooth palmer:UL8", ["UL8"]),
        ("archiver query --tooth iso:14,15", ["14,15"]),
        ("archiver explain --view upper", [r"upper\ occlusal\ arch"]),
        ("archiver explain --view upper\\ occ", [r"upper\ occlusal\ arch"]),
        ("archiver explain --view 'upper", ["upper occlusal arch"]),
        ("archiver send --to ", ["clinic", "region"]),
        ("archiver explain --mir", ["--mirror"]),
    ],
)
def test_bash_gets_what_it_has_to_put_in(
    line: str, replies: list[str], command: dict[str, str]
) -> None:
    ask = (
        f"{SCRIPT}COMP_LINE={_quoted(line)}; COMP_POINT=${{#COMP_LINE}}\n"
        '_archiver_completion archiver; printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    said = subprocess.run(
        ["bash", "--norc", "-c", ask], env=command, capture_output=True, text=True
    )
    assert said.stderr == ""
    assert said.stdout.splitlines() == replies


def _quoted(words: str) -> str:
    return "'" + words.replace("'", "'\\''") + "'"


def test_tab_completes_a_line_that_runs(command: dict[str, str], tmp_path: Path) -> None:
    assert shutil.which("bash")
    typed = "archiver expl\t --mirr\t --tooth iso:4\t6 --view ling\t > out.txt\n"
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(tmp_path)
        os.execvpe("bash", ["bash", "--norc", "--noprofile", "-i"], command)
    _wait_for(terminal, "ready> ")
    os.write(terminal, SCRIPT.encode())
    _wait_for(terminal, "ready> ")
    for piece in typed.split("\t")[:-1]:
        os.write(terminal, f"{piece}\t".encode())
        _wait_for(terminal, "")
    os.write(terminal, typed.rpartition("\t")[2].encode())
    _wait_for(terminal, "ready> ")
    os.write(terminal, b"exit\n")
    os.waitpid(child, 0)
    os.close(terminal)
    assert "lower right first molar" in (tmp_path / "out.txt").read_text("utf-8")


def _wait_for(terminal: int, words: str, seconds: float = 30.0) -> str:
    """Read until the words come; without words, until nothing comes for a moment."""
    read, until = "", time.monotonic() + seconds
    while time.monotonic() < until:
        ready, _, _ = select.select([terminal], [], [], seconds if words else 1.5)
        if not ready:
            break
        read += os.read(terminal, 65536).decode("utf-8", "replace")
        if words and words in read:
            break
    return read
