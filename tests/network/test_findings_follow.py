"""The findings of whatever was archived are there within two seconds, whichever way it came."""

from __future__ import annotations

import sqlite3
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest

from archiver import cli
from tests.network import node_samples as samples
from tests.network.node_serving import TITLE, serving, store
from tests.new_archive import new_archive

sys.path.append(str(Path(__file__).parents[1] / "web"))

STUDY = Path(__file__).parents[2] / "demo_studies" / "P-1042" / "2024-03-19"
SECONDS = 2.0


def looked_at(archive: Path) -> set[str]:
    """Return the instances of which there are findings, or that are known to have none."""
    file = archive / "findings.sqlite"
    if not file.exists():
        return set()
    with closing(sqlite3.connect(file)) as database:
        return {uid for (uid,) in database.execute("SELECT sop_instance_uid FROM validated")}


def archived(archive: Path) -> set[str]:
    return {path.stem for path in (archive / "objects").rglob("*.dcm")}


def demand_findings(archive: Path, since: float) -> None:
    """Wait for the findings of all that is archived; fail where they come late."""
    while archived(archive) - looked_at(archive):
        assert time.monotonic() - since < SECONDS, "no findings in time"
        time.sleep(0.02)
    assert archived(archive)


def run(*words: object) -> None:
    assert cli.main([str(word) for word in words]) == 0


def test_of_what_was_wrapped(tmp_path: Path) -> None:
    run("wrap", STUDY / "sheet.toml", "--archive", new_archive(tmp_path / "archive"))
    demand_findings(tmp_path / "archive", time.monotonic())


def test_what_was_found_before_writing_is_not_looked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from archiver.archive.ingest import validation

    monkeypatch.setattr(validation, "validate_file", lambda path: pytest.fail("read again"))
    run("wrap", STUDY / "sheet.toml", "--archive", new_archive(tmp_path / "archive"))
    demand_findings(tmp_path / "archive", time.monotonic())


def test_of_what_was_added(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    samples.save(samples.radiograph(1), tmp_path / "in")
    samples.save(samples.photograph(2), tmp_path / "in")
    run("add", tmp_path / "in", "--archive", new_archive(tmp_path / "archive"))
    demand_findings(tmp_path / "archive", time.monotonic())


def test_of_what_was_retrieved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with serving(tmp_path / "other") as node:
        store(node.dimse.port, samples.save(samples.photograph(1), tmp_path))
        settings = tmp_path / "archiver.toml"
        settings.write_text(
            f'[[peer]]\nname = "other"\nhost = "127.0.0.1"\nport = {node.dimse.port}\n'
            f'title = "{TITLE}"\n'
        )
        monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
        mine = new_archive(tmp_path / "mine")
        run("retrieve", "--at", "other", "--patient-id", "P-0417", "--archive", mine)
        demand_findings(mine, time.monotonic())


def _by_store(node: object, file: Path) -> None:
    store(node.dimse.port, file)  # type: ignore[attr-defined]


def _by_stow(node: object, file: Path) -> None:
    kind = 'multipart/related; type="application/dicom"; boundary=b'
    body = b"--b\r\nContent-Type: application/dicom\r\n\r\n" + file.read_bytes() + b"\r\n--b--\r\n"
    url = f"http://127.0.0.1:{node.web.port}/dicomweb/studies"  # type: ignore[attr-defined]
    assert httpx.post(url, content=body, headers={"Content-Type": kind}).status_code == 200


@pytest.mark.parametrize("way", [_by_store, _by_stow])
def test_of_what_was_stored(tmp_path: Path, way: Callable[[object, Path], None]) -> None:
    with serving(tmp_path / "archive") as node:
        # The start looks at what is there; only what comes later is to be seen here.
        assert node.validation.wait(10)
        way(node, samples.save(samples.photograph(1), tmp_path))
        demand_findings(tmp_path / "archive", time.monotonic())


def test_of_what_was_taken_in(tmp_path: Path) -> None:
    from taking import Taking
    from web_serving import serve

    served = serve(tmp_path / "archive")
    try:
        taking = Taking(served)
        picture = taking.take([sorted(STUDY.glob("*.JPG"))[0]])[0]
        taking.change(patient={"id": "P-1042"}, visit={"date": "2024-03-19"})
        taking.say(picture, view="occlusal", mirror=True, teeth="16")
        assert taking.archive()["state"] == "done"
        demand_findings(served.archive, time.monotonic())
    finally:
        served.kill()


def test_health_tells_of_an_error_that_nobody_foresaw(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from archiver.archive.store.index import Index

    with serving(tmp_path / "archive") as node:
        health = f"http://127.0.0.1:{node.web.port}/health"
        assert httpx.get(health).json()["status"] == "ok"
        original = Index.add

        def fail(self: Index, kept: Sequence[object], *args: Any) -> None:
            if not kept:  # lines about events, which share the journal
                return original(self, [], *args)
            monkeypatch.setattr(Index, "add", original)
            raise RuntimeError("Okafor^Nadia")

        monkeypatch.setattr(Index, "add", fail)
        file = samples.save(samples.photograph(1), tmp_path)
        from tests.network.node_serving import run as run_program

        refused = run_program("storescu", "-xy", "-aec", TITLE, "127.0.0.1", node.dimse.port, file)
        assert refused.returncode != 0 or "0110" in refused.stdout
        told = httpx.get(health).json()
        assert told["status"] == "degraded"
        assert told["checks"]["writer"] == {
            "status": "degraded",
            "alive": True,
            "faults": 1,
            "journal_refused": False,
        }
        store(node.dimse.port, samples.save(samples.photograph(2), tmp_path))
        log = node.log._stream.getvalue()  # type: ignore[union-attr]
        assert '"writer"' in log and "RuntimeError" in log and "Okafor" not in log
