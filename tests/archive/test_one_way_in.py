"""Nothing comes into an archive beside the ingest service, and each object is parsed once."""

from __future__ import annotations

import ast
from pathlib import Path

import pydicom
import pytest
from archive_samples import Clock, as_bytes, dataset

import archiver
from archiver.archive.ingest import add_files
from archiver.archive.store import Archive, Outcome

PACKAGE = Path(archiver.__file__).parent


def test_only_the_ingest_service_puts_instances_into_an_archive() -> None:
    found = set()
    for file in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            owner = ast.unparse(node.func.value)
            if node.func.attr in {"put", "put_together"} and owner.endswith("archive"):
                found.add(file.relative_to(PACKAGE).as_posix())
    assert found == {"archive/ingest/service.py"}


def test_only_the_archive_opens_what_writes_to_it() -> None:
    makers = {"writing_engine", "open_journal", "Writer"}
    found = {}
    for file in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                name = ast.unparse(node.func).rpartition(".")[2]
                if name in makers and "layout.index" in ast.unparse(node):
                    found[file.relative_to(PACKAGE).as_posix()] = name
    # `rebuild` makes the index anew, under the writer's lock.
    assert set(found) <= {"archive/store/opening.py", "archive/index_rebuild.py"}


def test_the_header_of_an_added_object_is_parsed_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    parsed = []
    original = pydicom.dcmread

    def counting(*args: object, **kwargs: object) -> object:
        parsed.append(args)
        return original(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(pydicom, "dcmread", counting)
    file = tmp_path / "one.dcm"
    file.write_bytes(as_bytes(dataset(1, modality="IO")))
    with Archive.open(tmp_path / "archive", clock=Clock()) as archive:
        report = add_files(archive, [file])
    assert report.count(Outcome.NEW) == 1
    assert len(parsed) == 1
