"""No word of a problem stands outside the catalogue, but for what the input itself said."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import pytest
from sheet_samples import GOOD, problems
from sheet_samples import PHOTO as PHOTO_TEXT

from archiver.dentition import Direction, View, plan
from archiver.dentition.numbering import parse_teeth
from archiver.dentition.sights import sight
from archiver.dentition.views import view_of
from archiver.errors import ArchiverError, Problem
from archiver.objects.sheet_keys import CONSENT, PATIENT, PHOTO, TABLES, VISIT
from archiver.photo import read_camera_file
from archiver.records.rules.rule_reader import read_rules
from tests.pseudo_language import plain_words, pseudo_language

#: What a person types into a sheet or on the command line is the same in every language.
VOCABULARY = {
    *(word for keys in (PATIENT, VISIT, PHOTO, CONSENT) for key in keys for word in key.split("_")),
    *TABLES,
    *(word for view in View for word in re.findall("[a-z]+", view.value)),
    *(direction.word for direction in Direction),
    *("file", "toml", "sheet", "photos", "archiver"),
    *("chart", "neutral", "reference", "shade", "tab", "cross", "polarised"),
    *("ISO", "Universal", "Palmer", "iso", "universal", "palmer", "UR", "UL", "LL", "LR"),
    *("research", "teaching", "publication", "laboratory", "referral", "patient", "copy"),
    *("left", "top", "width", "height"),
}


def left_over(told: Iterable[Problem], said: str = "") -> dict[str, list[str]]:
    """Return the words of each problem that neither the catalogue nor the input gave."""
    given = VOCABULARY | set(re.findall(r"[A-Za-z]+", said))
    with pseudo_language():
        lines = [str(problem) for problem in told]
    assert lines
    found = {line: [w for w in plain_words(line) if w not in given] for line in lines}
    return {line: words for line, words in found.items() if words}


SHEETS = {
    "unknown key": GOOD.replace("teeth", "tooth"),
    "key of another table": GOOD.replace("[visit]", "[visit]\nid = 3"),
    "no tables": "",
    "no photograph": GOOD.replace(PHOTO_TEXT, ""),
    "photo without view": GOOD.replace('view = "occlusal"', ""),
    "unknown view": GOOD.replace('"occlusal"', '"oclusal"'),
    "bare tooth": GOOD.replace("[25]", '["25"]').replace('numbering = "ISO 3950"', ""),
    "no such tooth": GOOD.replace("[25]", "[99]"),
    "both arches": GOOD.replace("[25]", "[25, 35]"),
    "no teeth": GOOD.replace("teeth = [25]\n", ""),
    "date in quotes": GOOD.replace("date = 2026-03-04", 'date = "2026-03-04"'),
    "sex": GOOD.replace("[patient]", '[patient]\nsex = "X"'),
    "crop": GOOD + "crop = { left = 0, wide = 3 }\n",
    "crop outside": GOOD + "crop = { left = 5999, top = 0, width = 9, height = 9 }\n",
    "top": GOOD + 'top = "up"\n',
    "operator": GOOD + 'operator = "beside"\n',
    "twice": GOOD + PHOTO_TEXT,
    "no file": GOOD.replace("IMG_0101.JPG", "IMG_0109.JPG"),
    "born later": GOOD.replace("[patient]", "[patient]\nbirth_date = 2026-05-05"),
    "colour frame": GOOD + 'colour_frame = "grey"\n',
    "consent": GOOD + '[consent]\npurposes = ["x"]\n',
    "name": GOOD.replace("[patient]", '[patient]\nname = "a=b"'),
    "clock": GOOD.replace("[visit]", '[visit]\nclock_offset = "3"'),
    "numbering": GOOD.replace('"ISO 3950"', '"Zsigmondy"'),
    "gap": GOOD.replace("[25]", "<teeth>"),
}


@pytest.mark.parametrize("name", SHEETS)
def test_of_a_sheets_faults_nothing_is_told_but_by_the_catalogue(tmp_path: Path, name: str) -> None:
    assert not left_over(problems(tmp_path, SHEETS[name]), SHEETS[name])


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"GIF89a",
        bytes(9000),
        b"\xff\xd8",
        b"\xff\xd8\xff\xe0\0\x01",
        b"\xff\xd8\xff\xda\0\x02",
        b"\x89PNG\r\n\x1a\n" + bytes(40),
        b"II*\0\x08\0\0\0\0\0\0\0",
        b"BM" + bytes(30),
        b"RIFF\x04\0\0\0WEBP",
        b"\0\0\0\x18ftypheic" + bytes(16),
        b"\0\0\0\x18ftypqt  " + bytes(16),
        b"no picture at all",
    ],
)
def test_of_a_camera_file_that_is_refused_nothing_is_told_but_by_the_catalogue(
    tmp_path: Path, data: bytes
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    with pytest.raises(ArchiverError) as caught:
        read_camera_file(path)
    formats = "a jpg JPEG PNG TIFF HEIF WebP BMP"
    # pydicom, the decoders and the system say in their own words what failed.
    assert not left_over(caught.value.problems, formats)


def _no_sense(number: int) -> None:
    (
        lambda: sight(View.OCCLUSAL, parse_teeth("iso:14,24,34")),
        lambda: sight(View.INCISAL, parse_teeth("iso:36")),
        lambda: sight(View.PALATAL, parse_teeth("iso:36")),
        lambda: sight(View.RIGHT_BUCCAL, parse_teeth("iso:26")),
        lambda: sight(View.BUCCAL, parse_teeth("iso:16,26")),
        lambda: parse_teeth("iso:18-38"),
        lambda: parse_teeth("12"),
        lambda: parse_teeth("99"),
        lambda: parse_teeth("zzz:3"),
        lambda: view_of("oclusal"),
        lambda: plan(View.FACE, (), mirror=True),
        lambda: plan(View.OCCLUSAL, parse_teeth("iso:16"), mirror=True, top=Direction.FOOT),
    )[number]()


@pytest.mark.parametrize("number", range(12))
def test_of_what_makes_no_sense_nothing_is_told_but_by_the_catalogue(number: int) -> None:
    with pytest.raises(ArchiverError) as caught:
        _no_sense(number)
    assert not left_over(caught.value.problems, "zzz oclusal mirror false")


def test_of_a_rules_file_nothing_is_told_but_by_the_catalogue(tmp_path: Path) -> None:
    text = (
        'nam = "N"\nstanding = "new"\n[applies]\nto = "days"\ntreatments = ["x"]\n'
        '[[require]]\nname = "a"\nview = ["frontal", "frontal"]\nof = "jaw"\n'
        '[[require]]\nname = "a"\nview = "occlusal"\nof = "mouth"\nwithin = 3\ncount = 0\n'
        '[limits]\nquality = { blur = 0 }\n[[retention]]\nname = "r"\nsource = "s"\n'
    )
    path = tmp_path / "rules.toml"
    path.write_text(text)
    with pytest.raises(ArchiverError) as caught:
        read_rules(path)
    from archiver.records.rules import rule_keys

    keys = [*rule_keys.TOP, *rule_keys.APPLIES, *rule_keys.REQUIRE, *rule_keys.QUALITY_LIMITS]
    keys += [*rule_keys.LIMITS, *rule_keys.RETENTION]
    said = " ".join(
        [text, *keys, *rule_keys.STANDINGS, *rule_keys.SCOPES, "rules pixels visits episodes"]
    )
    assert not left_over(caught.value.problems, said.replace("_", " "))
