"""The names that `import archiver` offers: typed, documented, and working as their examples say."""

from __future__ import annotations

import doctest
import inspect
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from textwrap import dedent

import pytest

import archiver

ROOT = Path(__file__).parent.parent
PHOTOGRAPH = ROOT / "demo_studies" / "P-1042" / "2026-02-24" / "C70_2205.JPG"
_README = (ROOT / "README.md").read_text("utf-8")

GOOD = dedent(
    """\
    from datetime import date, datetime
    from pathlib import Path

    from archiver import Archive, IngestSettings, Patient, Photograph, Query, Record, Session
    from archiver import View, Visit, parse_teeth, query, wrap


    def keep(file: Path, archive: Archive) -> list[Record]:
        shot = Photograph(file, View.OCCLUSAL, mirror=True, teeth=parse_teeth("iso:25"))
        session = Session(Patient("P-0417"), Visit(date(2026, 3, 4)), (shot,))
        settings = IngestSettings(now=lambda: datetime.now().astimezone())
        refused = [one.problems for one in wrap(archive, session, settings).photographs]
        assert not any(refused)
        return list(query(archive, Query(patient_id="P-0417")).records)
    """
)
WRONG = dedent(
    """\
    from pathlib import Path

    from archiver import Archive, Patient, Photograph, wrap

    shot = Photograph(Path("IMG_0101.JPG"), "occlusal", mirror=True)
    named: int = Patient("P-0417").name
    with Archive.open("photographs") as archive:
        wrap(archive, [shot])
    """
)


def checked(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    """Run ``mypy --strict`` as a caller of the library would, from a folder of their own."""
    (folder / "example.py").write_text(text, "utf-8")
    cache = f"--cache-dir={ROOT / '.mypy_cache' / 'library'}"
    # As of an installed package, what mypy thinks of the inside is not the caller's concern.
    command = [sys.executable, "-m", "mypy", "--strict", "--follow-imports=silent", cache]
    return subprocess.run(
        [*command, "example.py"],
        cwd=folder,
        capture_output=True,
        text=True,
        env={**_environment(), "MYPYPATH": str(ROOT)},
    )


def _environment() -> dict[str, str]:
    return {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}


def readme_example() -> str:
    """Return the example of README that uses the library."""
    (found,) = (
        block
        for block in re.findall(r"```python\n(.*?)```", _README, re.DOTALL)
        if "from archiver import" in block
    )
    return found


def test_a_strictly_typed_caller_passes(tmp_path: Path) -> None:
    assert len(GOOD.splitlines()) == 14
    done = checked(tmp_path, GOOD + "\n" + readme_example())
    assert done.returncode == 0, done.stdout


def test_a_caller_that_is_wrong_is_told_where(tmp_path: Path) -> None:
    done = checked(tmp_path, WRONG)
    assert done.returncode == 1
    for line, told in (
        (5, 'incompatible type "str"; expected "View"'),
        (6, 'expression has type "str", variable has type "int"'),
        (7, 'incompatible type "str"; expected "Path"'),
        (8, 'expected "Session"'),
    ):
        assert re.search(rf"example.py:{line}: error: .*{re.escape(told)}", done.stdout), told


def test_the_package_says_that_it_is_typed() -> None:
    assert (Path(archiver.__file__).parent / "py.typed").exists()


def test_the_example_of_readme_wraps_one_photograph(tmp_path: Path) -> None:
    example = readme_example()
    assert len(example.strip().splitlines()) < 20
    shutil.copy(PHOTOGRAPH, tmp_path / "IMG_0101.JPG")

    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", example],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        env={**_environment(), "PYTHONPATH": str(ROOT)},
    )

    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[0] == "new"
    objects = list((tmp_path / "photographs" / "objects").rglob("*.dcm"))
    assert len(objects) == 2
    assert all(str(one) in done.stdout for one in objects)


@pytest.mark.parametrize("name", sorted(archiver.__all__))
def test_each_name_is_documented(name: str) -> None:
    offered = getattr(archiver, name)
    if inspect.isclass(offered) or inspect.isfunction(offered):
        assert inspect.getdoc(offered), name
        assert not (inspect.getdoc(offered) or "").startswith(f"{name}("), name


CALLS = ("amend", "audit", "compare", "hand_over", "query", "validate", "wrap")


@pytest.mark.parametrize("name", [*CALLS, "Archive.open", "Photograph"])
def test_the_example_of_each_call_runs(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(PHOTOGRAPH, tmp_path / "IMG_0101.JPG")
    archiver.Archive.create(tmp_path / "photographs").close()
    offered: object = archiver
    for part in name.split("."):
        offered = getattr(offered, part)
    text = inspect.getdoc(offered) or ""
    assert ">>>" in text, name
    test = doctest.DocTestParser().get_doctest(text, {}, name, None, None)
    flags = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    told: list[str] = []

    result = doctest.DocTestRunner(optionflags=flags).run(test, out=told.append)

    assert result.failed == 0, "".join(told)
    assert result.attempted > 0
