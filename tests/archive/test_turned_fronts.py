"""Half-turned palatal pictures of front teeth on their way into the archive and out of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pydicom import dcmread

from archiver import cli
from archiver.archive.statements.confirmations import looked_at
from archiver.archive.store.archive import Archive
from archiver.dentition.orientation import Orientation, Turn, orientation_of
from archiver.dentition.sights import LingualFronts
from archiver.objects.description import describe
from archiver.objects.sheet import read_sheet
from archiver.priors.display_pixels import display_turn
from archiver.standard.validator import validate_file
from archiver.vision.transforms import carried
from archiver.web.pages.compare.alignment import to_compared
from archiver.web.pages.compare.picture_source import read_source
from tests.archive.amending_samples import camera_file, entry, wrap
from tests.new_archive import new_archive

SHEET = """\
numbering = "ISO 3950"
[patient]
id = "P-0417"
[visit]
date = 2026-03-04
[[photo]]
file = "{file}"
teeth = [11]
view = "palatal"
mirror = true
{said}
"""


def displayed(path: str | Path) -> tuple[Turn, Orientation | None]:
    return display_turn(describe(dcmread(path)))


@pytest.mark.parametrize("mirror", [False, True])
def test_the_letters_the_derivation_and_the_confirmation_are_those_of_the_turned_picture(
    tmp_path: Path, mirror: bool
) -> None:
    said = {"view": "palatal", "teeth": "11", "mirror": mirror, "confirmed_by": "Haugen^Liv"}
    with Archive.open(new_archive(tmp_path / "archive")) as archive:
        shot = entry(camera_file(tmp_path), **said, lingual_fronts=LingualFronts.TURNED)
        kept = wrap(archive, shot)
        original, corrected = (dcmread(kept[role].path) for role in ("original", "derived"))
        assert list(corrected.PatientOrientation) == ["L", "H"]
        how = "flipped top to bottom" if mirror else "turned by 180 degrees"
        assert corrected.DerivationDescription.casefold().startswith(how)
        before = orientation_of(list(original.PatientOrientation))
        assert before is not None and before == shot.plan(1).stored
        for path in (kept["original"].path, kept["derived"].path):
            described = describe(dcmread(path))
            assert described.confirmed and not described.lapsed
            assert not [f for f in validate_file(Path(path)) if f.severity.name == "ERROR"]
        turn, edges = displayed(kept["derived"].path)
        assert (turn, str(edges)) == (Turn.IDENTITY, "L\\H")
        for one in kept.values():
            meaning = looked_at(archive, one.sop_instance_uid)
            assert meaning.photograph.lingual_fronts is LingualFronts.TURNED
            assert meaning.certainty == "bound"


def test_beside_an_upright_picture_a_turned_one_is_shown_upright(tmp_path: Path) -> None:
    with Archive.open(new_archive(tmp_path / "archive")) as archive:
        turned = {"lingual_fronts": LingualFronts.TURNED}
        one = wrap(archive, entry(camera_file(tmp_path), view="palatal", teeth="11", **turned))
        found = describe(dcmread(one["derived"].path))
    upright = Orientation(found.orientation.rows.opposite, found.orientation.columns.opposite)
    assert display_turn(found, upright) == (Turn.HALF, upright)
    assert display_turn(found, upright.turned(Turn.QUARTER_CLOCKWISE))[1] == upright


def test_an_earlier_picture_of_the_other_habit_lies_on_the_newest_turned_by_half(
    tmp_path: Path,
) -> None:
    sources = []
    with Archive.open(new_archive(tmp_path / "archive")) as archive:
        for seed, fronts in enumerate(LingualFronts, start=1):
            shot = entry(camera_file(tmp_path, seed), view="palatal", teeth="11")
            kept = wrap(archive, replace(shot, lingual_fronts=fronts))
            sources.append(read_source(Path(kept["derived"].path)))
    newest, prior = sources
    compared = display_turn(prior.description, newest.edges)[1]
    assert compared == newest.edges != prior.edges
    corners = np.array([[0.0, 0], [240, 160]])
    assert carried(to_compared(prior, compared), corners).tolist() == corners[::-1].tolist()
    assert carried(to_compared(newest, compared), corners).tolist() == corners.tolist()


def test_the_practice_sets_it_and_a_sheet_says_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "archiver.toml"
    settings.write_text('[defaults]\nlingual_fronts = "turned"\n')
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))
    shown = {}
    for seed, said in enumerate(("", 'lingual_fronts = "upright"')):
        file = camera_file(tmp_path, seed + 1)
        sheet = tmp_path / f"{seed}.toml"
        sheet.write_text(SHEET.format(file=file.name, said=said))
        root = new_archive(tmp_path / f"archive{seed}")
        assert cli.main(["wrap", str(sheet), "--archive", str(root)]) == 0
        (corrected,) = [
            ds for path in root.rglob("*.dcm") if (ds := dcmread(path)).ImageType[0] == "DERIVED"
        ]
        shown[said] = list(corrected.PatientOrientation)
    assert list(shown.values()) == [["L", "H"], ["R", "F"]]
    capsys.readouterr()
    sheet.write_text(SHEET.format(file=file.name, said='lingual_fronts = "half"'))
    assert cli.main(["wrap", str(sheet), "--archive", str(root)]) != 0
    assert '"upright"' in capsys.readouterr().err


def test_a_sheet_reads_the_key(tmp_path: Path) -> None:
    file = camera_file(tmp_path)
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(SHEET.format(file=file.name, said='lingual_fronts = "turned"'))
    (one,) = read_sheet(sheet).photographs
    assert one.lingual_fronts is LingualFronts.TURNED
