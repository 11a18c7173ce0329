"""Statistics of a record: what was retaken and corrected, by whom, when, and how soon."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from archiver.archive.query import Query
from archiver.archive.store import Archive
from archiver.records.statistics import PictureCount
from tests.cli.in_process import archiver
from tests.cli.sessions import camera_jpeg, photo, write_sheet
from tests.new_archive import new_archive


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of three photographs: one stands, one was amended, one rejected for its quality."""
    folder = tmp_path_factory.mktemp("statistics")
    card, archive = folder / "card", new_archive(folder / "archive")
    card.mkdir()
    for number, name in enumerate(("A.JPG", "B.JPG", "C.JPG")):
        camera_jpeg(card / name, number)
    shots = [photo("A.JPG", 26), photo("B.JPG", 27), photo("C.JPG", 25)]
    own = ("--archive", archive)
    assert archiver("wrap", write_sheet(card, shots), *own).returncode in (0, 1)
    with Archive.open(archive, read_only=True) as opened:
        by_tooth = {one.teeth: one.sop_instance_uid for one in opened.query(Query(modality="XC"))}
    uids = {str(teeth): uid for teeth, uid in by_tooth.items()}
    second = next(uid for teeth, uid in uids.items() if "27" in teeth)
    third = next(uid for teeth, uid in uids.items() if "25" in teeth)
    by = ("--by", "Haugen^Liv", *own)
    assert archiver("amend", second, "--tooth", "iso:28", *by).returncode == 0
    assert archiver("reject", third, "--reason", "quality", *by).returncode == 0
    made = archiver("audit", "--rules", "five-intraoral", "--out", folder / "report", *own)
    assert made.returncode in (0, 1), made.stderr
    return folder / "report"


def rows(report: Path) -> list[dict[str, str]]:
    with (report / "statistics.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_what_stands_was_corrected_and_retaken_is_counted_by_month(report: Path) -> None:
    (month,) = [one for one in rows(report) if one["by"] == "month"]
    figures = ("photographs", "unconfirmed", "retaken", "corrected", "median_days_to_correct")
    assert [month[name] for name in figures] == ["2", "2", "1", "1", "0.0"]
    assert month["of"] == "2026-03" and int(month["required"]) == 5


def test_people_sites_and_occasions_have_rows_of_their_own(report: Path) -> None:
    by = {one["by"] for one in rows(report)}
    assert by == {"month", "operator", "confirmer", "site", "episode"}
    (occasion,) = [one for one in rows(report) if one["by"] == "episode"]
    assert occasion["required"] == "5" and occasion["photographs"] == ""


def test_the_report_has_the_same_figures_and_draws_them_for_paper(report: Path) -> None:
    told = json.loads((report / "audit.json").read_text("utf-8"))["statistics"]["by_month"]
    assert told["2026-03"]["corrected"] == 1 and told["2026-03"]["retaken"] == 1
    page = (report / "audit.html").read_text("utf-8")
    assert 'id="pictures-by-month"' in page and 'id="by-episode"' in page and "<svg" in page


@pytest.mark.parametrize(
    ("days", "median"), [({}, None), ({3: 1}, 3.0), ({0: 1, 5: 2}, 5.0), ({1: 2, 4: 2}, 2.5)]
)
def test_the_median_is_that_of_the_days(days: dict[int, int], median: float | None) -> None:
    count = PictureCount()
    count.days.update(days)
    assert count.median_days == median
