"""The rooms keep to their order, and starting up stays cheap."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import archiver
from tests.new_archive import new_archive

PACKAGE = Path(archiver.__file__).parent
#: The rooms that everything after them may use.
ORDER = (
    *("wording", "errors", "workers", "dentition", "photo", "objects", "standard"),
    *("vision", "archive"),
)
BELOW_WORKFLOW = {
    *ORDER,
    *("access", "network", "colour", "priors", "sheets", "records", "handover"),
}
ABOVE = {
    "wording": set(),
    "errors": {"wording"},
    "dentition": {*ORDER[:2]},
    "workers": {*ORDER[:2]},
    "photo": {*ORDER[:3]},
    "objects": {*ORDER[:5]},
    "standard": {*ORDER[:6]},
    "archive": {*ORDER[:8]},
    "access": {*ORDER},
    "vision": {*ORDER[:2]},
    "colour": {*ORDER[:2], "photo", "vision", "objects"},
    "network": {*ORDER, "access"},
    "service": {*ORDER},
    "priors": {*ORDER, "colour"},
    "sheets": {*ORDER, "colour", "priors"},
    "records": {*ORDER, "colour"},
    "handover": {*ORDER, "network", "colour", "priors", "sheets", "records"},
    "legacy": {*ORDER},
    "workflow": BELOW_WORKFLOW,
    "web": {*BELOW_WORKFLOW, "workflow"},
}
HEAVY = ("pydicom", "numpy", "PIL", "sqlalchemy")
#: Each takes as long to import as a question to the index takes.
SLOW = ("pydicom", "numpy", "pynetdicom", "httpx", "argon2")


#: Every module by its dotted name.
MODULES = {
    ".".join(("archiver", *file.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(
        ".__init__"
    ): file
    for file in PACKAGE.rglob("*.py")
}


def _imports(path: Path) -> Iterator[tuple[str, str]]:
    """Yield each imported module of ours and the name that is taken from it, if one is."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield from ((node.module, alias.name) for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)


def _room(module: str) -> str:
    first, *rest = module.split(".")
    return rest[0] if first == "archiver" and rest else ""


def _imported_rooms(path: Path) -> set[str]:
    return {_room(module) for module, _ in _imports(path)} - {""}


def _exports(package: Path) -> set[str]:
    stub = package.with_suffix(".pyi")
    return {name for _, name in _stub_names(stub)} if stub.exists() else set()


def _stub_names(stub: Path) -> Iterator[tuple[str, str]]:
    for node in ast.parse(stub.read_text("utf-8")).body:
        if stub == PACKAGE / "__init__.pyi" and isinstance(node, ast.AnnAssign):
            continue  # __version__
        assert isinstance(node, ast.ImportFrom), stub
        yield from ((node.module or "", alias.name) for alias in node.names)


@pytest.mark.parametrize("room", ABOVE)
def test_a_room_imports_only_rooms_above_it(room: str) -> None:
    place = PACKAGE / room
    files = sorted(place.rglob("*.py")) if place.is_dir() else [place.with_suffix(".py")]
    assert files
    for file in files:
        assert _imported_rooms(file) <= ABOVE[room] | {room}, file


def test_rooms_take_from_each_other_only_what_a_package_hands_out() -> None:
    taken = _given_to_callers()
    for module, file in MODULES.items():
        for source, name in _imports(file):
            if _room(source) in {"", "errors", _room(module)} or module == "archiver.__main__":
                continue
            assert MODULES[source].name == "__init__.py", f"{module} reaches into {source}"
            assert name in _exports(MODULES[source]), f"{module} takes {source}.{name}"
            taken.add((source, name))
    handed_out = {
        (module, name)
        for module, file in MODULES.items()
        if module != "archiver"
        for name in _exports(file)
    }
    assert handed_out == taken, "a package hands out what no other room takes"


def _given_to_callers() -> set[tuple[str, str]]:
    """Return what the package itself hands out, by the room that has it."""
    given = {(f"archiver.{module}", name) for module, name in _stub_names(PACKAGE / "__init__.pyi")}
    for source, name in given - {one for one in given if one[0] == "archiver.errors"}:
        assert name in _exports(MODULES[source]), f"archiver takes {source}.{name}"
    return {one for one in given if one[0] != "archiver.errors"}


def test_no_public_name_is_a_room_too() -> None:
    names = [name for _, name in _stub_names(PACKAGE / "__init__.pyi")]
    assert len(names) == len(set(names))
    assert not set(names) & {_room(module) for module in MODULES}


def test_a_public_class_has_its_name_for_itself() -> None:
    places: dict[str, list[str]] = {}
    for module, file in MODULES.items():
        for node in ast.parse(file.read_text("utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, []).append(module)
    assert {name: found for name, found in places.items() if len(found) > 1} == {}


def test_no_module_imports_itself_by_way_of_others() -> None:
    graph = {
        module: {
            f"{source}.{name}" if f"{source}.{name}" in MODULES else source
            for source, name in _imports(file)
        }
        & MODULES.keys() - {module}
        for module, file in MODULES.items()
    }
    TopologicalSorter(graph).prepare()


def test_importing_the_package_loads_none_of_its_rooms() -> None:
    script = (
        "import sys, archiver\n"
        f"heavy = [n for n in {HEAVY!r} if n in sys.modules]\n"
        "rooms = [n for n in sys.modules if n.startswith('archiver.')]\n"
        "sys.exit(f'loaded {heavy} {rooms}' if heavy or rooms else 0)\n"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr


def loaded_by(words: list[str], libraries: tuple[str, ...]) -> tuple[str, str]:
    """Return what a verb prints, and which of the libraries it loaded."""
    script = (
        "import sys, archiver.cli\n"
        f"try: archiver.cli.main({words!r})\n"
        "except SystemExit: pass\n"
        f"sys.exit(' '.join(n for n in {libraries!r} if n in sys.modules) or 0)\n"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    return result.stdout, result.stderr.strip()


@pytest.mark.parametrize("words", [["--help"], ["wrap", "--help"], ["explain", "--help"]])
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    shown, loaded = loaded_by(words, HEAVY)
    assert "usage: archiver" in shown and not loaded


@pytest.mark.parametrize("words", [["query"], ["audit", "--rules", "five-intraoral"]])
def test_what_reads_the_index_alone_loads_no_library_of_objects_or_networks(
    words: list[str], tmp_path: Path
) -> None:
    archive = str(new_archive(tmp_path / "archive"))
    further = ["--out", str(tmp_path / "report"), "--depth", "index"] if words[1:] else []
    shown, loaded = loaded_by([*words, "--archive", archive, *further], SLOW)
    assert shown and not loaded
