"""The verb compare on the demo studies, as a user runs it."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from pydicom import dcmread

import demo_studies
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.dentition.numbering import parse_tooth
from archiver.dentition.teeth import Tooth
from archiver.priors.comparison import _subject
from archiver.records.checks.picture_findings import read_findings
from tests.new_archive import new_archive

STUDIES = Path(demo_studies.__file__).parent
ROWAN = ("--patient-id", "P-1042", "--tooth", "iso:16", "--view", "occlusal")


@dataclass(frozen=True)
class Ran:
    """What a run of the program gave."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def archiver(*words: object) -> Ran:
    command = [sys.executable, "-m", "archiver", *map(str, words)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8")
    return Ran(done.returncode, done.stdout, done.stderr)


def wrapped(archive: Path, *sheets: Path) -> Path:
    new_archive(archive)
    for sheet in sheets:
        done = archiver("wrap", sheet, "--archive", archive)
        assert done.status == 0, done.err
    return archive


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rowan's three visits and another patient's last."""
    rowan = sorted((STUDIES / "P-1042").glob("*/sheet.toml"))
    other = sorted((STUDIES / "P-1107").glob("*/sheet.toml"))[-1]
    return wrapped(tmp_path_factory.mktemp("compare") / "archive", *rowan, other)


@dataclass(frozen=True)
class Compared:
    """A tooth now and at its earlier visits, and what was written."""

    archive: Path
    ran: Ran
    picture: Path
    pdf: Path


@pytest.fixture(scope="module")
def compared(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Compared:
    folder = tmp_path_factory.mktemp("compared")
    out, pdf = folder / "change.png", folder / "change.pdf"
    words = ("--out", out, "--pdf", pdf, "--json")
    return Compared(archive, archiver("compare", "--archive", archive, *ROWAN, *words), out, pdf)


@pytest.fixture
def wrong_way(tmp_path: Path) -> Path:
    """Rowan's last two visits; in the earlier one a mirror picture is called a direct one."""
    return _mistaken(tmp_path, 'mirror = false\ntop = "anterior"')


@pytest.fixture
def upside_down(tmp_path: Path) -> Path:
    """Rowan's last two visits; in the earlier one a mirror picture is said to stand on its head."""
    return _mistaken(tmp_path, 'mirror = true\ntop = "anterior"')


def _mistaken(tmp_path: Path, words: str) -> Path:
    folders = sorted((STUDIES / "P-1042").iterdir())[-2:]
    for folder in folders:
        shutil.copytree(folder, tmp_path / folder.name)
    sheet = tmp_path / folders[0].name / "sheet.toml"
    text = sheet.read_text("utf-8")
    start = text.index('view = "occlusal"')
    told = text[start:].replace("mirror = true", words, 1)
    sheet.write_text(text[:start] + told, "utf-8")
    return wrapped(tmp_path / "archive", *(tmp_path / f.name / "sheet.toml" for f in folders))


def _outcomes(archive: Path) -> set[str]:
    """What was found of Rowan's tooth from above; the other views were looked at as they came."""
    tooth = Query(patient_id="P-1042", teeth=(parse_tooth("iso:16"),), view="occlusal")
    with Archive.open(archive, read_only=True) as opened:
        shown = {one.sop_instance_uid for one in opened.query(tooth)}
    kept = (one for one in read_findings(archive) if one.check == "wrong-way")
    return {one.outcome for one in kept if one.sop in shown}


def test_a_tooth_is_shown_now_and_at_every_earlier_visit(compared: Compared) -> None:
    done = compared.ran

    assert done.status == 0, done.err
    newest, priors = done.json["newest"], done.json["priors"]
    assert [newest["date"], *(p["date"] for p in priors)] == [
        "2026-02-24",
        "2024-03-19",
        "2024-02-13",
    ]
    assert {p["way"] for p in priors} == {"same way round"}
    assert {p["relation"] for p in priors} == {"same tooth and view"}
    assert [p["span"] for p in priors] == ["1 year 11 months", "2 years"]
    for prior in priors:
        assert 0 < prior["alignment"]["residual_pixels"] < 4
        assert np.array(prior["alignment"]["matrix"]).shape == (3, 3)
        assert prior["orientation_displayed"] == newest["orientation_displayed"] == "L\\P"
        # The clinic changed its camera after the first two visits.
        assert prior["colour"] is None
        assert "their cameras differ" in prior["colour_not_compared"]
    with Image.open(compared.picture) as picture:
        assert picture.width == 2400
    assert compared.pdf.read_bytes().startswith(b"%PDF")
    # The catalogue that a reader finds is the last one written (ISO 32000-1, 7.5.6).
    assert re.findall(rb"/Count (\d+)", compared.pdf.read_bytes())[-1] == b"2"


def test_the_terminal_says_the_same_and_the_caution(archive: Path, tmp_path: Path) -> None:
    words = ("--limit", 1, "--out", tmp_path / "one.png")
    done = archiver("compare", "--archive", archive, *ROWAN, *words)

    assert done.status == 0
    assert re.search("Colours are not compared, because .*their cameras differ", done.out)
    assert "Aligned to " in done.out and " pixels (root mean square of held-out" in done.out
    assert "1 older visit is left out (--limit)" in done.out
    assert "A camera picture is not a colour measurement." in done.out
    assert "no scale in millimetres" in done.out
    assert "shade" not in done.out.lower()


def test_a_passed_check_is_kept_for_the_audit(compared: Compared) -> None:
    outcomes = {one.sop: one.outcome for one in read_findings(compared.archive)}
    assert outcomes[compared.ran.json["newest"]["sop_instance_uid"]] == "passed"
    assert len(outcomes) >= 3


def test_an_unflipped_mirror_picture_is_refused_named_and_kept(
    wrong_way: Path, tmp_path: Path
) -> None:
    words = ("--out", tmp_path / "wrong.png", "--json")
    done = archiver("compare", "--archive", wrong_way, *ROWAN, *words)

    prior = done.json["priors"][0]
    assert done.status == 1
    assert prior["way"] == "mirror-reversed"
    assert prior["mirror"] == "direct"  # its metadata call it right
    assert prior["alignment"] is None and "mirror-reversed" in prior["refusal"]
    assert prior["features_reflected"] > 5 * prior["features"]
    assert _outcomes(wrong_way) == {"failed"}
    audit = archiver("audit", "--archive", wrong_way, "--rules", "good-record", "--json")
    assert "wrong-way-failed" in audit.out


def test_a_prior_that_stands_upside_down_is_refused_named_and_kept(upside_down: Path) -> None:
    done = archiver("compare", "--archive", upside_down, *ROWAN, "--json")

    prior = done.json["priors"][0]
    assert done.status == 1
    assert prior["way"] == "turned"
    assert prior["alignment"] is None and "upside down" in prior["refusal"]
    assert prior["features_turned"] > 5 * prior["features"]
    assert prior["probabilities"]["turned"] > 0.9
    assert _outcomes(upside_down) == {"failed"}
    audit = archiver("audit", "--archive", upside_down, "--rules", "good-record", "--json")
    assert "wrong-way-failed" in audit.out


def paths(archive: Path, patient: str, tooth: Tooth) -> list[str]:
    with Archive.open(archive, create=False, read_only=True) as opened:
        asked = Query(patient_id=patient, teeth=(tooth,), view="occlusal", role="derived")
        return [record.path for record in opened.query(asked)]


def test_two_files_are_compared_in_the_order_of_their_dates(archive: Path) -> None:
    newer, *_, older = paths(archive, "P-1042", Tooth(1, 6))[:3]

    for order in ((newer, older), (older, newer)):
        done = archiver("compare", *order, "--json")
        assert done.status == 0, done.err
        assert done.json["newest"]["path"] == newer
        assert done.json["priors"][0]["way"] == "same way round"


def test_colours_of_a_picture_with_automatic_white_balance_are_not_compared(
    archive: Path, tmp_path: Path
) -> None:
    _, newer, older = paths(archive, "P-1042", Tooth(1, 6))[:3]
    automatic = dcmread(older)
    automatic.WhiteBalance = 0
    automatic.save_as(tmp_path / "older.dcm")

    alike, not_alike = (
        archiver("compare", newer, other, "--json") for other in (older, tmp_path / "older.dcm")
    )
    found, refused = (done.json["priors"][0] for done in (alike, not_alike))
    # The amalgam gave way to an onlay between these visits.
    assert found["colour"]["ciede2000"] > 3
    assert found["colour"]["uncertain_by"] == 1.1 and found["colour_not_compared"] is None
    assert refused["colour"] is None and "ciede2000" not in not_alike.out
    why = ["the camera chose the white balance of the prior"]
    assert refused["colour_not_compared"] == why
    told = archiver("compare", newer, older, "--out", tmp_path / "a.png").out
    assert re.search(r"CIEDE2000 \d+\.\d ± 1\.1, .*0\.8 perceptible.* Paravina 2015", told)


def test_another_patients_tooth_is_refused_and_shown_unaligned(
    archive: Path, tmp_path: Path
) -> None:
    one = paths(archive, "P-1042", Tooth(1, 6))[0]
    other = paths(archive, "P-1107", Tooth(7, 5))[0]

    done = archiver("compare", one, other, "--json", "--out", tmp_path / "both.png")

    prior = done.json["priors"][0]
    assert done.status == 0
    assert prior["alignment"] is None and prior["way"] == "undecided"
    assert "features agree" in prior["refusal"]
    assert prior["relation"] == "another patient's picture, by its identifier"
    assert (tmp_path / "both.png").stat().st_size > 100_000


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--patient-id", "P-1042", "--json"), "--patient-id, --tooth and --view"),
        ((*ROWAN,), "nothing is to be written"),
        (("--patient-id", "X", "--tooth", "16", "--view", "occlusal", "--json"), "ambiguous"),
        ((*ROWAN, "--json", "--region", "1,2,3"), "no left,top,width,height"),
        ((*ROWAN, "--json", "--region", "0,0,99999,10"), "does not lie in the picture"),
        ((*ROWAN, "--json", "--grey", "1999-01-01=0,0,9,9"), "no picture is of 1999-01-01"),
        ((*ROWAN, "--json", "--limit", "0"), "--limit takes a number from 1"),
        (("one.dcm", "--json"), "two files"),
    ],
)
def test_wrong_use_is_told_in_one_line(archive: Path, words: tuple[str, ...], message: str) -> None:
    done = archiver("compare", *words, *([] if words[0] == "one.dcm" else ["--archive", archive]))

    assert done.status == 2
    assert message in done.err
    assert "Traceback" not in done.err


def test_a_patient_without_an_earlier_picture_is_told(archive: Path) -> None:
    done = archiver("compare", "--archive", archive, *ROWAN, "--since", "2026-02-24", "--json")

    assert done.status == 1
    assert "no earlier photograph of tooth 16, occlusal since 2026-02-24" in done.err


def test_region_grey_card_and_light_are_used_and_told(compared: Compared) -> None:
    archive = compared.archive
    grey = ("--grey", "2026-02-24=100,300,60,60", "--grey", "2024-03-19=100,300,60,60")
    asked = (*grey, "--region", "560,360,120,120", "--match-light")
    done = archiver("compare", "--archive", archive, *ROWAN, "--limit", 1, "--json", *asked)
    card = archiver("compare", "--archive", archive, *ROWAN, "--limit", 1, "--json", *grey)

    first, region, neutral = (one.json["priors"][0] for one in (compared.ran, done, card))
    # A card in both pictures takes out what their cameras make of colours.
    assert first["colour"] is None and neutral["colour_not_compared"] is None
    assert region["colour"]["pixels"] < neutral["colour"]["pixels"]
    assert "matched" in region["light"] and "grey card" in neutral["light"]
    assert region["colour"]["lab_d65_prior"] != neutral["colour"]["lab_d65_prior"]


@pytest.fixture
def settings(archive: Path, tmp_path: Path) -> Iterator[Path]:
    """Settings that name a peer which serves the archive, until the test is over."""
    command = [sys.executable, "-m", "archiver", "serve", "--archive", str(archive), "--json"]
    command += ["--dimse-port", "0", "--web-port", "-1"]
    log = (tmp_path / "serve.log").open("wb")
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log) as server:
        assert server.stdout is not None
        where = json.loads(server.stdout.readline())
        path = tmp_path / "archiver.toml"
        path.write_text(
            f'[[peer]]\nname = "clinic"\nhost = "127.0.0.1"\nport = {where["dimse_port"]}\n'
            f'title = "{where["title"]}"\n'
        )
        yield path
        server.terminate()
    log.close()


def test_priors_are_fetched_from_another_archive(
    settings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ARCHIVER_SETTINGS", str(settings))

    done = archiver("compare", "--at", "clinic", *ROWAN, "--json")

    assert done.status == 0, done.err
    dates = [done.json["newest"]["date"], *(one["date"] for one in done.json["priors"])]
    assert dates == ["2026-02-24", "2024-03-19", "2024-02-13"]
    assert {one["way"] for one in done.json["priors"]} == {"same way round"}
    assert done.json["newest"]["path"] is None  # nothing that was fetched is left behind


def test_the_tooth_of_a_region_is_the_one_in_its_middle() -> None:
    aim = _subject(None, (100, 200, 30, 50)).aim  # type: ignore[arg-type]
    assert aim is not None and aim.tolist() == [115, 225]


def test_help_loads_neither_opencv_nor_numpy() -> None:
    script = (
        "import sys, archiver.cli\n"
        "try: archiver.cli.main(['compare', '--help'])\n"
        "except SystemExit: pass\n"
        "sys.exit(bool({'cv2', 'numpy', 'pydicom', 'PIL'} & set(sys.modules)))\n"
    )
    assert subprocess.run([sys.executable, "-c", script], capture_output=True).returncode == 0
