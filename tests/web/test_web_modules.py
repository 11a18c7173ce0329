"""The modules of the pages pass the type check and the linter that `tests/run` runs."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest
from web_serving import ROOT

PEERS = ROOT / "tests" / "peers"
PROGRAMS = PEERS / "node_modules" / ".bin"
MODULES = sorted((ROOT / "archiver" / "web").rglob("*.js"))


def run(program: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(PROGRAMS / program), *words], cwd=ROOT, capture_output=True, text=True, timeout=120
    )


def lint(*words: str) -> subprocess.CompletedProcess[str]:
    return run("eslint", "--config", "tests/peers/eslint.config.mjs", *words)


def checked(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    """Check the types of a module that stands beside ours, by our own settings."""
    (folder / "module.js").write_text(text)
    settings = {"extends": str(PEERS / "tsconfig.json"), "include": ["module.js"]}
    (folder / "tsconfig.json").write_text(json.dumps(settings))
    return run("tsc", "--project", str(folder))


def test_every_module_is_checked_and_no_comment_switches_a_check_off() -> None:
    listed = run("tsc", "--project", "tests/peers", "--listFilesOnly").stdout.split("\n")
    assert MODULES and {str(module) for module in MODULES} <= set(listed)
    told = json.loads(lint("--format", "json", "archiver/web").stdout)
    assert {one["filePath"] for one in told} == {str(module) for module in MODULES}
    assert not any(one["messages"] or one["suppressedMessages"] for one in told)
    for module in MODULES:
        words = module.read_text("utf-8")
        assert "@ts-" not in words and "eslint-" not in words, module


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('import { call } from "/static/calling.js";\ncall(7);\n', "TS2345"),
        ('import { gone } from "/static/calling.js";\ngone();\n', "TS2305"),
        ('import "/static/gone.js";\nexport {};\n', "TS2882"),
        ('document.querySelector("p").hidden = true;\n', "TS2531"),
        ("export const twice = (n) => 2 * n;\n", "TS7006"),
        ("export const sum = nobody + 1;\n", "TS2304"),
    ],
)
def test_an_error_of_types_fails_the_type_check(tmp_path: Path, text: str, found: str) -> None:
    wrong = checked(tmp_path, text)
    assert wrong.returncode != 0
    assert f"error {found}" in wrong.stdout, wrong.stdout


def test_the_type_check_passes_what_is_right(tmp_path: Path) -> None:
    right = checked(tmp_path, 'import { t } from "/static/words.js";\nt("site.close");\n')
    assert (right.returncode, right.stdout) == (0, "")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("const unused = 1;\n", "no-unused-vars"),
        ("let n = 1;\nexport default n;\n", "prefer-const"),
        ('eval("1");\n', "no-eval"),
        ("export const same = (a, b) => a == b;\n", "eqeqeq"),
    ],
)
def test_a_fault_of_style_fails_the_linter(text: str, found: str) -> None:
    wrong = subprocess.run(
        [
            *(str(PROGRAMS / "eslint"), "--config", "tests/peers/eslint.config.mjs"),
            *("--stdin", "--stdin-filename", "archiver/web/static/module.js"),
        ],
        cwd=ROOT, input=text, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert wrong.returncode == 1
    assert found in wrong.stdout


def test_the_test_command_runs_both() -> None:
    words = (ROOT / "tests" / "run").read_text("utf-8")
    assert "tsc --project tests/peers" in words
    assert "eslint --config tests/peers/eslint.config.mjs" in words
