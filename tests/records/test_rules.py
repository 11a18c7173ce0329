"""Rules files: every fault told with its line, what is right read as it stands, told in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from made_up_pictures import DAY, picture

from archiver.errors import SheetError
from archiver.records.completeness import evaluate
from archiver.records.occasions import Album
from archiver.records.rules.rule_reader import find_rules, read_rules, shipped
from archiver.records.rules.rule_set import AuditLimits, RuleSet, strictest
from archiver.records.rules.rule_words import explain

TOP = 'name = "N"\nversion = "1"\nsource = "S"\nstanding = "local"\n'
VISITS = TOP + '[applies]\nto = "visits"\n'
EPISODES = TOP + '[applies]\nto = "episodes"\n'
ROW = '[[require]]\nname = "r"\nview = "frontal"\nof = "mouth"\n'


def read(folder: Path, text: str) -> RuleSet:
    path = folder / "rules.toml"
    path.write_text(text, "utf-8")
    return read_rules(path)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("name = 1\n" + TOP[10:], 1, "name = 1"),
        (
            TOP.replace('source = "S"\n', "") + "[limits]\nconsent = true\n",
            1,
            '"source" is missing',
        ),
        (TOP.replace("local", "gospel") + "[limits]\nconsent = true\n", 4, "gospel"),
        (TOP, 1, "demands nothing"),
        (TOP + ROW, 1, "[applies] is missing"),
        (VISITS + 'treatments = ["x"]\n' + ROW, 7, "visits have no treatments"),
        (EPISODES + 'descriptions = ["x"]\n' + ROW, 7, "episodes have no descriptions"),
        (VISITS + 'teeth = "front"\n' + ROW, 7, "front"),
        (VISITS + ROW.replace("frontal", "sideways"), 9, "sideways"),
        (VISITS + ROW.replace('"mouth"', '"jaw"'), 10, "jaw"),
        (VISITS + ROW + 'mirror = "yes"\n', 11, "yes"),
        (VISITS + ROW + 'stage = "later"\n', 11, "later"),
        (VISITS + ROW + "count = 0\n", 11, "count = 0"),
        (VISITS + ROW + "count = 1.5\n", 11, "1.5"),
        (VISITS + ROW + "within = { before = 3 }\n", 11, "a visit is one day"),
        (EPISODES + ROW + "within = { until = 3 }\n", 11, "within"),
        (EPISODES + ROW + "within = { after = -1 }\n", 11, "whole days"),
        (VISITS + ROW + 'covered_by = ["frontal"]\n', 11, "stands in for itself"),
        (VISITS + ROW + 'covered_by = ["occlusal arch"]\n', 10, "the mouth has two"),
        (VISITS + ROW + 'confirmed = false\nconfirmed_by = ["A^B"]\n', 11, "confirmed = false"),
        (VISITS + ROW + "quality = { sharpness = 3 }\n", 11, "sharpness"),
        (VISITS + ROW + "quality = { pixels = 0 }\n", 11, "above 0"),
        (VISITS + ROW + 'optional = "yes"\n', 11, "true or false"),
        (VISITS + ROW + "cuont = 2\n", 11, "did you mean count"),
        (VISITS + ROW + 'arch = "middle"\n', 11, "middle"),
        (VISITS + ROW.replace("mouth", "tooth") + 'arch = "upper"\n', 11, "arch belongs"),
        (VISITS + ROW + 'arch = "upper"\nsextants = ["upper left sextant"]\n', 12, "sextants"),
        (VISITS + ROW + 'sextants = ["upper arch"]\n', 11, '"upper anterior sextant"'),
        (VISITS + ROW + 'frames = ["grey card"]\n', 11, '"neutral reference"'),
        (VISITS + ROW + 'quadrants = ["upper left"]\n', 11, '"upper left quadrant"'),
        (VISITS + ROW + 'quadrants = ["upper left quadrant"]\neach = true\n', 12, "several"),
        (VISITS + ROW.replace("mouth", "tooth") + 'side = "left"\n', 11, "side belongs"),
        (VISITS + ROW + 'side = "above"\n', 11, "above"),
        (VISITS + ROW + 'functional_state = "open"\n', 11, '"teeth apart"'),
        (VISITS + ROW + 'magnification = "life size"\n', 11, '"1:2"'),
        (VISITS + ROW + 'teeth = "some"\n', 11, "some"),
        (VISITS + ROW + 'taken_before = ["x"]\n', 11, "no other requirement"),
        (VISITS + ROW + 'taken_before = ["r"]\n', 11, "no other requirement"),
        (VISITS + ROW + ROW, 12, "a second requirement"),
        (TOP + "[limits]\nhours_of_visit = 0\n", 6, "hours_of_visit"),
        (TOP + '[[retention]]\nname = "a"\nsource = "s"\n', 5, "sets no end"),
        (
            TOP
            + '[[retention]]\nname = "a"\nsource = "s"\nyears = 1\nfrom_age = 9\nbelow_age = 8\n',
            9,
            "no age is from 9 and below 8",
        ),
        (TOP + "[surprise]\na = 1\n" + "[limits]\nconsent = true\n", 5, "surprise"),
        (VISITS + ROW + "count = = 2\n", 11, "line 11"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(
    text: str, line: int, words: str, tmp_path: Path
) -> None:
    with pytest.raises(SheetError) as caught:
        read(tmp_path, text)
    told = [str(p) for p in caught.value.problems]
    assert any(f"line {line}" in one and words in one for one in told), told


def test_all_that_is_wrong_is_told_at_once_in_the_order_of_lines(tmp_path: Path) -> None:
    text = VISITS + ROW.replace("mouth", "jaw") + 'mirror = "m"\n' + "count = 0\nquality = 3\n"
    with pytest.raises(SheetError) as caught:
        read(tmp_path, text)
    lines = [int(str(p).split("line ")[1].split(":")[0]) for p in caught.value.problems]
    assert lines == sorted(lines) == [10, 11, 12, 13]


def test_an_unknown_set_is_answered_with_the_nearest_name() -> None:
    with pytest.raises(SheetError, match="did you mean posterior-tooth"):
        find_rules("posterior-toth")


@pytest.mark.parametrize("key", sorted(shipped()))
def test_a_shipped_set_names_its_source_and_is_told_in_words(key: str) -> None:
    rules = read_rules(shipped()[key])
    told = explain(rules)
    assert rules.version and len(rules.source) > 10 and rules.source in told[1]
    assert rules.standing in ("published", "common practice", "from memory")
    for one in rules.requirements:
        assert any(all(view in line for view in one.views) for line in told[3:]), one
        assert sum(line.strip().startswith(tuple("123456789")) for line in told) == len(
            rules.requirements
        )


def test_words_tell_every_key(tmp_path: Path) -> None:
    row = (
        '[[require]]\nname = "r"\nview = ["buccal"]\nof = "tooth"\nmirror = "direct"\n'
        'stage = "prepared"\ncount = 3\nwithin = { before = 2, after = 9 }\noptional = true\n'
        'covered_by = ["side in occlusion"]\nconfirmed_by = ["Haugen^Liv"]\n'
        "quality = { pixels = 1200, glare = 0.02 }\n"
        'functional_state = ["teeth apart"]\nmagnification = ["1:2", "1:1"]\nteeth = "named"\n'
        'taken_before = ["s"]\nsource = "a book"\n'
        '[[require]]\nname = "s"\nview = "smile"\nof = "mouth"\nside = "both"\n'
        '[[require]]\nname = "t"\nview = "lingual"\nof = "mouth"\neach = true\nteeth = "none"\n'
        'quadrants = ["upper right quadrant", "lower left quadrant"]\n'
    )
    told = "\n".join(explain(read(tmp_path, EPISODES + 'treatments = ["crown"]\n' + row)))
    for words in (
        'whose kind holds "crown"',
        "For each tooth: 3 pictures of buccal, taken direct, teeth apart, at 1:2 or 1:1, its teeth "
        "named, when prepared",
        'Taken before: "s".',
        "Source: a book.",
        "For the mouth, once: smile, one from the patient's right and one from the patient's left",
        "from 2 days before to 9 days after the day",
        "(recommended)",
        "Side in occlusion may stand in where it shows the tooth.",
        "The side must be confirmed by Haugen^Liv.",
        "pixels 1200",
        "glare 0.02",
    ):
        assert words in told, told


def test_of_several_sets_the_strictest_limits_count() -> None:
    sets = tuple(
        RuleSet("k", "n", "1", "s", "local", limits=limits)
        for limits in (AuditLimits(3, 2, False, 900, 10, 99), AuditLimits(1, 8, True, 0, 48, 72))
    )
    assert strictest(sets) == AuditLimits(1, 2, True, 900, 10, 72)
    assert strictest(()) == AuditLimits()


# What a requirement can ask of a picture: each key alone, met and missed.


@pytest.mark.parametrize(
    ("key", "met", "missed", "kind"),
    [
        ('mirror = "direct"', {"mirror": False}, {"mirror": True}, "mirror-not-allowed"),
        ('mirror = "mirror"', {"mirror": True}, {"mirror": False}, "mirror-not-allowed"),
        ("confirmed = true", {}, {"confirmed_by": ""}, "confirmer-not-allowed"),
        (
            'confirmed_by = ["Haugen^Liv"]',
            {"confirmed_by": "haugen^liv^"},
            {"confirmed_by": "Vale^Iris"},
            "confirmer-not-allowed",
        ),
        (
            "countersigned = true",
            {"certainty": "countersigned"},
            {"certainty": "bound"},
            "confirmer-not-allowed",
        ),
        (
            "countersigned = true",
            {"certainty": "countersigned"},
            {"certainty": "said"},
            "confirmer-not-allowed",
        ),
        ("quality = { pixels = 1200 }", {"size": 1200}, {"size": 1199}, "quality-below-rule"),
        (
            "quality = { blur_share = 1.5 }",
            {"figures": {"blur_share": 1.5}},
            {"figures": {"blur_share": 1.6}},
            "quality-below-rule",
        ),
        (
            "quality = { glare = 0.02, fog = 0.1 }",
            {"figures": {"glare": 0.01, "fog": 0.1}},
            {"figures": {"glare": 0.01, "fog": 0.2}},
            "quality-below-rule",
        ),
    ],
)
def test_a_picture_that_misses_one_thing_is_told_by_that(
    key: str, met: dict[str, object], missed: dict[str, object], kind: str, tmp_path: Path
) -> None:
    rules = read(tmp_path, VISITS + ROW + key + "\n")
    for how, told in ((met, []), (missed, [kind])):
        album = Album([picture(1, "frontal", **how)])  # type: ignore[arg-type]
        demands, concerns = evaluate([rules], album, (), DAY)
        assert [c.kind for c in concerns] == told
        assert [d.status for d in demands] == ["missing" if told else "present"]
