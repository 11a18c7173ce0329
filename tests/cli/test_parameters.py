"""What is wrong with the words of a command line is said in one way, all at once."""

from __future__ import annotations

from pathlib import Path

import pytest
from in_process import archiver

SETTINGS = """
[[peer]]
name = "clinic"
host = "127.0.0.1"
port = 11112
title = "CLINIC"
"""


@pytest.fixture(autouse=True)
def _settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "archiver.toml").write_text(SETTINGS, "utf-8")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "archiver.toml"))


def lines(*words: str) -> list[str]:
    done = archiver(*words)
    assert done.returncode == 2 and done.stdout == ""
    return done.stderr.splitlines()


@pytest.mark.parametrize(
    ("option", "value", "verbs"),
    [
        ("--tooth", "18", ("query", "send", "retrieve", "handover", "audit", "explain", "compare")),
        ("--view", "palattal", ("query", "send", "retrieve", "handover", "explain", "compare")),
        ("--surface", "outer", ("query", "send", "retrieve", "handover")),
        ("--since", "yesterday", ("query", "send", "retrieve", "handover", "audit", "compare")),
        ("--at", "nowhere", ("query", "retrieve", "audit", "compare")),
        ("--limit", "0", ("query", "compare")),
        ("--purpose", "fun", ("handover", "consent")),
    ],
)
def test_every_verb_says_the_same(option: str, value: str, verbs: tuple[str, ...]) -> None:
    said = set()
    for verb in verbs:
        (line,) = [line for line in lines(verb, option, value) if option in line]
        assert line.startswith(f"archiver {verb}: {option}")
        said.add(line.replace(f"archiver {verb}", "archiver VERB"))
    assert len(said) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("wrap", "--jsn"), "there is no option --jsn (did you mean --json?"),
        (("wrap", "--patient-idd"), "there is no option --patient-idd"),
        (("query", "--limit"), "--limit takes a value"),
        (("query", "--json=yes"), "--json takes no value"),
        (("echo",), "NAME is missing"),
        (("echo", "clinic", "region"), "too many words: region"),
        (("query", "--at", "clinic", "--archive", "x"), "--archive or --at, not both"),
        (("query", "--confirmed", "--unconfirmed"), "--confirmed or --unconfirmed, not both"),
        (("query", "--json", "--csv"), "--json or --csv, not both"),
        (("outbox", "--state", "lost"), '--state: "lost" is none of queued, sent, committed'),
        (("serve", "--web-port", "http"), '--web-port takes a number, not "http"'),
        (("send", "--to", "clinic", "--keep-trying", "-1"), "--keep-trying takes a number from 0"),
        (("amend", "1.2.3", "--crop", "0x0+1+1"), '--crop: "0x0+1+1" is no crop'),
        (("compare", "--grey", "1,2,3,4"), '--grey: "1,2,3,4" is no DAY=left,top,width,height'),
    ],
    ids=lambda words: " ".join(words) if isinstance(words, tuple) else "",
)
def test_wrong_use_is_one_line(words: tuple[str, ...], said: str) -> None:
    found = [line for line in lines(*words) if said in line]
    assert len(found) == 1 and found[0].startswith(f"archiver {words[0]}: ")


def test_all_that_is_wrong_is_told_at_once() -> None:
    said = lines("query", "--tooth", "18", "--tooth", "iso:99", "--view", "x", "--since", "y", "z")
    assert [line.split(": ")[1] for line in said] == [
        *("--tooth", "--tooth", "--view", "--since"),
        "too many words",
    ]


def test_a_view_of_several_words_needs_no_quotes_in_explain() -> None:
    quoted = archiver("explain", "--view", "upper occlusal arch", "--mirror")
    words = archiver("explain", "--view", "upper", "occlusal", "arch", "--mirror")
    assert quoted.returncode == 0 and quoted.stdout == words.stdout


@pytest.mark.parametrize("surface", ["vestibular", "Facial", "labial", "palatal", "occlusal"])
def test_a_surface_is_known_by_each_of_its_words(surface: str, tmp_path: Path) -> None:
    done = archiver("query", "--surface", surface, "--archive", tmp_path / "none")
    assert "--surface" not in done.stderr


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("query", "--patient-id", "P-1", "--patient-id=P-2"), "--patient-id"),
        (("handover", "--case", "1", "--case", "2", "--patient-id", "P-1", "--list"), "--case"),
        (("compare", "--region", "0,0,8,8", "--region", "8,8,8,8"), "--region"),
        (("serve", "--title", "A", "--title", "B"), "--title"),
    ],
)
def test_of_an_option_with_one_value_none_is_dropped_silently(
    words: tuple[str, ...], option: str
) -> None:
    (line,) = [line for line in lines(*words) if "more than once" in line]
    assert line.startswith(f"archiver {words[0]}: {option} is given more than once")


def test_a_day_has_one_grey_card() -> None:
    card = ("--grey", "2026-03-04=0,0,8,8")
    asked = ("--patient-id", "P-1", "--tooth", "iso:25", "--view", "occlusal")
    told = "\n".join(lines("compare", "--json", *asked, *card, *card))
    assert "--grey is given more than once for 2026-03-04; expected one value for each" in told
