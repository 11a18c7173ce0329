"""Settings and tables that README shows are read as they stand there."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from archiver.cli.settings import read_settings
from archiver.network.node.query.visit_table import read_visits
from archiver.records.episodes import read_episodes

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def table(head: str, folder: Path) -> Path:
    """Write a table that README shows, found by its first heading."""
    found = re.search(rf"^    ({head},.*\n)((?:    .+\n)+)", README, re.MULTILINE)
    assert found is not None
    path = folder / "table.csv"
    path.write_text(found[1] + re.sub("^    ", "", found[2], flags=re.MULTILINE), "utf-8")
    return path


def test_all_settings_of_readme_make_one_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    # A sheet and the rules of an import say first how teeth are numbered, as no setting does.
    blocks = [one for one in shown if not one.startswith("numbering = ")]
    assert len(shown) == len(blocks) + 2
    (tmp_path / "archiver.toml").write_text("\n".join(blocks), "utf-8")
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(tmp_path / "archiver.toml"))
    settings = read_settings()
    assert settings.archive == Path("/srv/photographs") and settings.identity is not None
    assert dict(settings.defaults) == {"operator": "behind"} and "blur_share" in settings.quality
    assert [peer.name for peer in settings.peers] == ["clinic", "region"]
    assert [rule.to for rule in settings.forward] == ["clinic"]
    assert [one.name for one in settings.node.listeners] == ["xray"]


def test_the_visits_of_readme_are_read(tmp_path: Path) -> None:
    visits = read_visits(table("patient_id", tmp_path))
    assert [one.patient_id for one in visits.visits] == ["P-0417"] and not visits.refused


def test_the_treatments_of_readme_are_read(tmp_path: Path) -> None:
    read = read_episodes(table("patient", tmp_path), today=date(2026, 4, 1))
    assert [one.label for one in read.episodes] == ["ceramic onlay 25"] and not read.problems
