"""The verb ``explain`` as a user meets it."""

from __future__ import annotations

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from archiver.cli import main

LINGUAL = ["explain", "--tooth", "iso:46", "--view", "lingual", "--mirror"]


def out(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert main(arguments) == 0
    printed = capsys.readouterr()
    assert printed.err == ""
    return printed.out


def refused(capsys: pytest.CaptureFixture[str], status: int, *arguments: str) -> str:
    assert main(arguments) == status
    printed = capsys.readouterr()
    assert printed.out == "" and "Traceback" not in printed.err
    return printed.err.rstrip("\n")


@pytest.mark.parametrize(
    "arguments",
    [
        LINGUAL,
        [*LINGUAL, "--exif", "6"],
        ["explain", "--view", "upper occlusal arch", "--mirror", "--operator", "behind"],
        ["explain", "--tooth", "upper arch", "--view", "upper occlusal arch", "--mirror"],
        ["explain", "--tooth", "iso:55s", "--view", "palatal", "--mirror", "--exif", "7"],
        ["explain", "--view", "face", "--exif", "2"],
    ],
    ids=" ".join,
)
def test_the_text_fits_eighty_columns_and_ends_with_the_caution(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    text = out(capsys, *arguments)
    assert max(len(line) for line in text.splitlines()) < 80
    assert not any(line.endswith(" ") for line in text.splitlines())
    words = " ".join(text.split())
    assert "unconfirmed until a person" in words and words.endswith("by a photograph alone.")


def test_the_text_says_in_plain_words_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    text = " ".join(out(capsys, *LINGUAL).split())
    assert "46: lower right first molar (Universal 30, Palmer LR6)" in text
    assert "mirror-reversed. To correct them: flip left to right." in text
    assert "Patient Orientation A\\F as shot, P\\F corrected" in text
    assert "789135000 SCT Mirrored image uncorrected" in text
    assert "1332162007 SCT Intraoral photography mirror" in text


def test_a_direct_upright_picture_needs_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    text = " ".join(out(capsys, "explain", "--view", "frontal").split())
    assert "Nothing has to be turned" in text
    assert "corrected" not in text.split("Patient Orientation")[1].split("Image Laterality")[0]


def test_what_the_camera_shows_and_what_the_file_holds_are_told_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = " ".join(out(capsys, *LINGUAL, "--exif", "6").split())
    assert "flip over the diagonal from top left. From what the camera shows: flip left to" in text


def test_json_has_the_same_facts(capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(out(capsys, *LINGUAL, "--top", "head", "--exif", "3", "--json"))
    assert told["top"] == "head" and told["exif"] == 3 and told["mirror"] is True
    assert told["in_file"]["patient_orientation"] == ["P", "H"]
    assert told["correction"]["from_file"]["number"] == 4
    assert told["correction"]["from_camera"]["number"] == 2
    assert told["side_confirmed"] is False


def test_teeth_may_be_repeated_mixed_in_numbering_and_sets(
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = json.loads(
        out(
            capsys,
            "explain",
            *("--tooth", "iso:14-15", "--tooth", "universal:3", "--tooth", "palmer:UR7"),
            *("--view", "buccal", "--json"),
        )
    )
    assert [t["iso"] for t in told["teeth"]] == ["17", "16", "15", "14"]


def test_the_words_of_a_view_need_no_quotes(capsys: pytest.CaptureFixture[str]) -> None:
    bare = out(capsys, "explain", "--view", "upper", "occlusal", "arch", "--mirror")
    assert bare == out(capsys, "explain", "--view", "upper occlusal arch", "--mirror")


def test_the_operators_place_changes_the_flip(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["explain", "--view", "lower occlusal arch", "--mirror", "--json", "--operator"]
    numbers = [
        json.loads(out(capsys, *arguments, place))["correction"]["from_file"]["number"]
        for place in ("front", "behind")
    ]
    assert numbers == [4, 2]


def test_the_drawing_is_written_as_svg(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "turn.svg"
    out(capsys, *LINGUAL, "--svg", str(path))
    assert ET.parse(path).getroot().tag == "{http://www.w3.org/2000/svg}svg"


def test_a_drawing_that_cannot_be_written_is_one_line_and_status_1(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "missing" / "turn.svg"
    message = refused(capsys, 1, *LINGUAL, "--svg", str(path))
    assert message == f"{path}: the drawing cannot be written: No such file or directory"


def test_a_bare_number_is_wrong_use_and_both_readings_are_told(
    capsys: pytest.CaptureFixture[str],
) -> None:
    message = refused(capsys, 2, "explain", "--tooth", "18", "--view", "buccal")
    assert "upper right third molar in ISO 3950 (iso:18)" in message
    assert "lower left second molar in Universal (universal:18)" in message
    assert len(message.splitlines()) == 1


def test_everything_that_cannot_be_read_is_told_at_once(
    capsys: pytest.CaptureFixture[str],
) -> None:
    message = refused(
        capsys,
        2,
        *("explain", "--tooth", "26", "--tooth", "iso:19", "--view", "palattal", "--top", "up"),
    )
    lines = message.splitlines()
    assert [line.split(": ")[1] for line in lines] == ["--tooth", "--tooth", "--view", "--top"]
    assert "did you mean palatal" in lines[2]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--tooth", "iso:46", "--view", "palatal"], "no palatal surface"),
        (["--tooth", "iso:36", "--view", "incisal"], "no incisal edge"),
        (["--tooth", "iso:16,46", "--view", "occlusal"], "upper and lower teeth at once"),
        (["--tooth", "iso:36", "--view", "upper occlusal arch"], "does not show 36"),
        (["--view", "lingual"], "needs its teeth"),
        (["--view", "upper occlusal arch", "--top", "head"], "cannot be at the top"),
        (["--view", "face", "--mirror"], "not taken in an intraoral mirror"),
    ],
)
def test_a_contradiction_is_refused_with_status_1_in_one_line(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    message = refused(capsys, 1, "explain", *arguments)
    assert says in message and len(message.splitlines()) == 1


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--view", "frontal", "--exif", "9"],
        ["--view", "frontal", "--exif", "six"],
        ["--view", "frontal", "--operator", "beside"],
        ["--view", "frontal", "--teeth", "iso:11"],
    ],
    ids=" ".join,
)
def test_wrong_arguments_are_status_2(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert "--help" in refused(capsys, 2, "explain", *arguments)


@pytest.mark.parametrize(
    "arguments", [["explain", "--help"], LINGUAL, [*LINGUAL, "--json"]], ids=" ".join
)
def test_explain_and_its_help_import_no_heavy_library(arguments: list[str]) -> None:
    script = (
        "import sys\n"
        "from archiver.cli import main\n"
        "try:\n"
        "    status = main(sys.argv[1:])\n"
        "except SystemExit as end:\n"
        "    status = end.code or 0\n"
        "heavy = {'pydicom', 'numpy', 'PIL', 'sqlalchemy'} & set(sys.modules)\n"
        "sys.exit(f'imported {sorted(heavy)}' if heavy else status)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "iso:46" in done.stdout or "46" in done.stdout


def test_the_help_shows_a_worked_example_that_works(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["explain", "--help"])
    assert left.value.code == 0
    text = capsys.readouterr().out
    example = next(
        line for line in text.splitlines() if line.strip().startswith("archiver explain")
    )
    assert main(example.split()[1:]) == 0
