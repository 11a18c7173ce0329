"""A photograph that joins an archive is compared with what its patient has already."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from archiver import AmendmentRequest, AmendmentSettings, Archive, Change, amend, cli
from archiver.archive.statements import kept_doubts
from archiver.archive.statements.confirmations import looked_at
from archiver.dentition import Orientation, View, sight
from archiver.objects import FLIPS
from archiver.photo import DoubtKind
from archiver.photo.turning import turned
from archiver.priors import KnownPictures, archive_evidence
from archiver.priors.display_pixels import Shown, load
from archiver.records.checks import failed_sides
from tests.new_archive import new_archive
from tests.photo.camera_files import camera_exif, camera_jpeg, thumbnail
from tests.vision.second_visits import second_visit

PHOTOGRAPHS = Path(__file__).parents[1] / "vision" / "photographs"
SHEET = """\
numbering = "ISO 3950"
[patient]
id = "P-0417"
[visit]
date = {day}
[[photo]]
file = "{file}"
view = "{view}"
mirror = false
{said}
"""


def photograph(name: str) -> np.ndarray:
    return np.asarray(Image.open(PHOTOGRAPHS / f"{name}.jpeg").convert("RGB"))


@cache
def second(name: str) -> np.ndarray:
    """The same teeth at another visit: held, lit and framed otherwise."""
    return second_visit(photograph(name), 7).pixels


@pytest.fixture(scope="module", autouse=True)
def one_thread() -> Iterator[None]:
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.fixture(scope="module")
def visited(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive that has a visit with both sides of a patient, upright."""
    folder = tmp_path_factory.mktemp("priors")
    assert cli.main(["init", str(folder / "archive")]) == 0
    for view, name in (
        ("left buccal", "patient_0.left_buccal"),
        ("right buccal", "patient_0.right_buccal"),
    ):
        assert wrapped(folder, folder / "archive", photograph(name), view, day="2025-03-04") == []
    return folder / "archive"


@pytest.fixture
def archive(visited: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(visited, tmp_path / "archive"))


def wrapped(
    folder: Path, archive: Path, pixels: np.ndarray, view: str, said: str = "", day: str = ""
) -> list[dict[str, object]]:
    """Wrap one photograph; the doubts that nothing answers."""
    return told(folder, archive, pixels, view, said, day)[0]


def told(
    folder: Path, archive: Path, pixels: np.ndarray, view: str, said: str = "", day: str = ""
) -> tuple[list[dict[str, object]], str]:
    """The same, with the UID of the displayed instance."""
    name = f"{view.replace(' ', '')}{len(list(folder.iterdir()))}.jpg"
    picture = Image.fromarray(np.ascontiguousarray(pixels))
    exif = camera_exif(picture, thumbnail(picture))
    (folder / name).write_bytes(camera_jpeg(picture, exif))
    sheet = folder / f"{name}.toml"
    sheet.write_text(SHEET.format(day=day or "2026-03-04", file=name, view=view, said=said))
    report = io.StringIO()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stdout", report)
        assert cli.main(["wrap", str(sheet), "--archive", str(archive), "--json"]) == 0
    one = json.loads(report.getvalue())["photographs"][0]
    return (
        [doubt for doubt in one["doubts"] if not doubt["answered"]],
        one["instances"][-1]["sop_instance_uid"],
    )


def test_a_picture_as_it_should_be_is_not_doubted(tmp_path: Path, archive: Path) -> None:
    doubts, uid = told(tmp_path, archive, second("patient_0.left_buccal"), "left buccal")
    assert doubts == [] and uid not in failed_sides(archive)


def test_a_session_decodes_an_archived_picture_once(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    decoded: list[Path] = []

    def counting(path: Path, side: int, beside: Orientation | None) -> Shown:
        decoded.append(path)
        return load(path, side, beside)

    monkeypatch.setattr(archive_evidence, "load", counting)
    pixels = second("patient_0.left_buccal")
    pictures = archive_evidence.PreparedPictures()
    with Archive.open(archive, read_only=True) as opened:
        known = KnownPictures.of(opened.query, "P-0417", "")
    beside = known.counterparts(sight(View.LEFT_BUCCAL), "a" * 64)

    def weigh(_: int) -> archive_evidence.ArchiveEvidence:
        return archive_evidence.weigh_archive(beside, lambda: pixels, pictures)

    with ThreadPoolExecutor(3) as pool:
        told = list(pool.map(weigh, range(3)))
    assert told[0] == told[1] == told[2] and told[0].same
    assert decoded and len(set(decoded)) == len(decoded)


_SESSION = """\
import sys
from archiver import cli
status = cli.main(sys.argv[1:])
loaded = {"archiver.vision.turns", "archiver.vision.wrong_way"} & set(sys.modules)
print(*sorted(loaded), file=sys.stderr)
sys.exit(status)
"""


@pytest.mark.parametrize("visits", [0, 1])
def test_photographs_of_a_session_are_not_compared_with_each_other_and_nothing_is_loaded_for_it(
    tmp_path: Path, visits: int
) -> None:
    """Neither where the patient is new nor where only other teeth were photographed before."""
    archive = new_archive(tmp_path / "archive")
    left = photograph("patient_0.left_buccal")
    if visits:
        assert wrapped(tmp_path, archive, left, "frontal", day="2025-03-04") == []
    # As many as are under way at once, and more, so that the last would meet the first.
    for number in range(5):
        pixels = np.roll(left[:, :: 1 - 2 * (number % 2)], number, axis=0)
        Image.fromarray(np.ascontiguousarray(pixels)).save(tmp_path / f"{number}.jpg")
    sheet = tmp_path / "sheet.toml"
    one = SHEET.format(day="2026-03-04", file="0.jpg", view="left buccal", said="")
    again = '[[photo]]\nfile = "{}.jpg"\nview = "left buccal"\nmirror = false\n'
    sheet.write_text(one + "".join(again.format(n) for n in range(1, 5)))
    arguments = ["wrap", str(sheet), "--archive", str(archive), "--json"]
    done = subprocess.run(
        [sys.executable, "-c", _SESSION, *arguments], capture_output=True, text=True, check=True
    )
    told = json.loads(done.stdout)["photographs"]
    assert [one["status"] for one in told] == ["archived"] * 5
    kinds = {doubt["kind"] for one in told for doubt in one["doubts"]}
    assert not kinds & {"reflected", "turned", "other tooth", "other mouth"}
    assert done.stderr.split() == []


@pytest.mark.parametrize(("turn", "kind"), [(2, "reflected"), (3, "turned")])
def test_one_that_is_reflected_or_half_turned_is_told_and_kept_for_who_confirms(
    tmp_path: Path, archive: Path, turn: int, kind: str
) -> None:
    pixels = turned(second("patient_0.left_buccal"), turn)
    doubts, uid = told(tmp_path, archive, pixels, "left buccal", f'comment = "{kind}"')
    assert [one["kind"] for one in doubts] == [kind]
    assert "2025-03-04" in str(doubts[0]["words"])
    assert failed_sides(archive)[uid].outcome == "failed"


def test_half_turned_fronts_of_one_practice_are_compared_with_upright_ones_of_another(
    tmp_path: Path, archive: Path
) -> None:
    upright = 'teeth = [11, 21]\ntop = "head"'
    habit = f'{upright}\nlingual_fronts = "turned"'
    first, later = photograph("patient_1.left_buccal"), second("patient_1.left_buccal")
    assert wrapped(tmp_path, archive, first, "palatal", upright, "2025-03-04") == []
    assert wrapped(tmp_path, archive, later, "palatal", habit) == []
    wrong = wrapped(tmp_path, archive, turned(later, 3), "palatal", habit, "2026-03-05")
    assert [one["kind"] for one in wrong] == ["turned"]


def test_said_to_be_flipped_before_it_is_right_and_no_longer_doubted(
    tmp_path: Path, archive: Path
) -> None:
    pixels = second("patient_0.left_buccal")[:, ::-1]
    doubts, _ = told(tmp_path, archive, pixels, "left buccal", 'flipped = "left-right"')
    assert doubts == []


def test_no_answers_a_doubt_about_the_way_round(tmp_path: Path, archive: Path) -> None:
    pixels = second("patient_0.left_buccal")[:, ::-1]
    assert told(tmp_path, archive, pixels, "left buccal", 'flipped = "no"')[0] == []


def test_the_other_side_reflected_is_told_by_the_picture_of_that_side(
    tmp_path: Path, archive: Path
) -> None:
    pixels = second("patient_0.right_buccal")[:, ::-1]
    doubts, _ = told(tmp_path, archive, pixels, "left buccal")
    assert [one["kind"] for one in doubts] == ["other tooth"]
    assert doubts[0]["evidence"]["view"] == "right buccal"  # type: ignore[index]
    said = 'checked = ["teeth"]'
    assert wrapped(tmp_path, archive, pixels, "left buccal", said, "2026-03-05") == []


def test_another_patients_picture_is_told(tmp_path: Path, archive: Path) -> None:
    doubts, uid = told(tmp_path, archive, photograph("patient_1.left_buccal"), "left buccal")
    assert [one["kind"] for one in doubts] == ["other mouth"]
    (kept,) = kept_doubts(archive)[uid]
    assert kept.kind is DoubtKind.OTHER_MOUTH and not kept.is_answered
    # Said in the sheet later, it answers what the first run found.
    (sheet,) = tmp_path.glob("*.toml")
    sheet.write_text(sheet.read_text() + 'checked = "patient"\n')
    assert cli.main(["wrap", str(sheet), "--archive", str(archive)]) == 0
    assert kept_doubts(archive)[uid] == (replace(kept, is_answered=True),)


def test_what_was_found_outlives_the_confirmation_and_is_told_where_a_picture_is_found(
    tmp_path: Path, archive: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pixels = second("patient_0.left_buccal")[:, ::-1]
    _, uid = told(tmp_path, archive, pixels, "left buccal")
    with Archive.open(archive, read_only=True) as opened:
        code = looked_at(opened, uid).examined.code
    confirm = ["confirm", "--archive", str(archive), code, "--by"]
    capsys.readouterr()
    assert cli.main([*confirm, "Haugen^Liv"]) == 0
    out = capsys.readouterr().out
    assert "confirmed by Haugen^Liv" in out and "in doubt" in out and "mirror-reversed" in out
    # Whoever countersigns is told, too.
    assert cli.main([*confirm, "Vale^Iris", "--json"]) == 0
    (done,) = json.loads(capsys.readouterr().out)
    assert any("mirror-reversed" in one for one in done["doubts"])
    shown = done["instances"][-1]["sop_instance_uid"]
    assert failed_sides(archive)[shown].outcome == "failed"
    capsys.readouterr()
    assert cli.main(["query", "--archive", str(archive), "--patient-id", "P-0417", "--json"]) == 0
    found = {one["sop_instance_uid"]: one for one in json.loads(capsys.readouterr().out)}
    assert found[shown]["wrong_way"] and found[shown]["confirmed"]
    # Once it is put right, the finding no longer holds.
    right = AmendmentRequest(shown, Change(flipped=FLIPS["left-right"]), by="Haugen^Liv")
    with Archive.open(archive, actor="test") as opened:
        mended = amend(opened, right, AmendmentSettings(datetime.now().astimezone()))
    after = {one.sop_instance_uid for one in mended.amendment.successors}
    assert not after & set(failed_sides(archive))
