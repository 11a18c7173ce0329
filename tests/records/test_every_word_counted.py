"""Each thing that a rule asks for is counted: a record that lacks just that is found wanting.

For every requirement of every set a picture is made up that fulfils it; then one thing at a time is
made otherwise, and the requirement must be missing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from made_up_pictures import DAY, episode, picture

from archiver.dentition import ALL_TEETH, View
from archiver.objects import COLOUR_FRAMES, FUNCTIONAL_STATES
from archiver.records.completeness import PRESENT, evaluate
from archiver.records.episodes import Episode
from archiver.records.occasions import Album
from archiver.records.pictures import RecordPicture
from archiver.records.requirement_targets import Target, targets_of
from archiver.records.rules.rule_reader import read_rules, shipped
from archiver.records.rules.rule_set import PLAIN, RuleSet, ViewRequirement

TODAY = date(2026, 9, 1)
DAYS = {
    "": DAY,
    "start": DAY,
    "prepared": DAY + timedelta(days=2),
    "healing": DAY + timedelta(days=9),
    "finished": DAY + timedelta(days=14),
}
#: A set in which each key is used once, besides those that a shipped set has.
EVERY_KEY = """
name = "Every key"
version = "1"
source = "none"
standing = "local"
[applies]
to = "visits"
[[require]]
name = "both sides"
view = ["close-up", "smile"]
of = "mouth"
side = "both"
[[require]]
name = "each quadrant"
view = "occlusal"
of = "mouth"
quadrants = ["upper right quadrant", "lower left quadrant"]
each = true
mirror = "mirror"
count = 2
[[require]]
name = "one arch"
view = "lingual"
of = "mouth"
arch = "lower"
confirmed = true
countersigned = true
quality = { pixels = 1200, glare = 0.1 }
[[require]]
name = "teeth named"
view = "close-up"
of = "mouth"
teeth = "named"
confirmed_by = ["Haugen^Liv"]
[[require]]
name = "none named"
view = "close-up"
of = "mouth"
teeth = "none"
taken_before = ["teeth named"]
"""
KEYS = sorted(key for key, path in shipped().items() if read_rules(path).requirements)

Said = dict[str, Any]


def rules_of(key: str, folder: Path) -> RuleSet:
    if key in shipped():
        return read_rules(shipped()[key])
    path = folder / "every.toml"
    path.write_text(EVERY_KEY, "utf-8")
    return read_rules(path)


def treated(rules: RuleSet) -> str:
    return "11" if rules.key in ("implant", "trauma") else "16"


def asked(rules: RuleSet) -> Iterator[tuple[ViewRequirement, Target]]:
    (tooth,) = [t for t in ALL_TEETH if t.iso == treated(rules)]
    for requirement in rules.requirements:
        for target in targets_of(requirement, (tooth,)):
            yield requirement, target


def fulfilling(rules: RuleSet, requirement: ViewRequirement, target: Target) -> Said:
    """What a picture says that fulfils a requirement."""
    view = target.words(requirement.views)[0]
    needs_tooth = View(view).needs_teeth or bool(target.teeth)
    named = (target.teeth[0].iso if target.teeth else "16",)
    frame = requirement.frames[0] if requirement.frames else ""
    states, scales = requirement.functional_state, requirement.magnification
    return {
        "view": view,
        "teeth": named if needs_tooth or requirement.teeth == "named" else (),
        "day": DAYS[requirement.stage],
        "mirror": requirement.mirror == "mirror" or View(view).shows_arch,
        "stage": requirement.stage,
        "description": next(iter(rules.applies.descriptions), ""),
        "frame": "" if frame == PLAIN else frame,
        "functional_state": states[0] if states else "",
        "magnification": scales[0] if scales else "",
        "seen_from": target.seen_from,
        "certainty": "countersigned",
        "figures": {},
    }


def status(rules: RuleSet, requirement: ViewRequirement, target: Target, shots: list[Said]) -> str:
    """What becomes of a requirement in a record with these pictures."""
    # A card beside the tooth is no view, but names the tooth of the visit.
    about = next(iter(rules.applies.descriptions), "")
    anchor = picture(
        900, "lingual", (treated(rules),), frame="neutral reference", description=about
    )
    made: list[RecordPicture] = [picture(n, **said) for n, said in enumerate(shots)]
    done: tuple[Episode, ...] = ()
    if rules.applies.to == "episodes":
        kind = (rules.applies.treatments or ("any",))[0]
        days = (DAYS["start"], DAYS["prepared"], DAYS["finished"])
        done = (episode(kind, (treated(rules),), *days),)
    named = (requirement.name, *requirement.taken_before)
    alone = tuple(r for r in rules.requirements if r.name in named)
    judged = replace(rules, requirements=alone)
    demands, _ = evaluate([judged], Album([anchor, *made]), done, TODAY)
    (one,) = [d for d in demands if (d.requirement, d.target) == (requirement.name, target.label)]
    return one.status


def otherwise(requirement: ViewRequirement, target: Target, right: Said) -> Iterator[Said]:
    """What a picture says that lacks just one thing."""
    other_view = next(
        v.value
        for v in (View.LEFT_PROFILE, View.FRONTAL)
        if v.value not in (*requirement.views, *target.words(requirement.covered_by))
    )
    yield {"view": other_view}
    if target.teeth and View(right["view"]).needs_teeth:
        elsewhere = next(t.iso for t in reversed(ALL_TEETH) if t.iso not in target.isos)
        yield {"teeth": (elsewhere,)}
    if target.seen_from:
        yield from ({"seen_from": s} for s in ("front", "right", "left") if s != target.seen_from)
    if requirement.functional_state:
        rest = [s for s in FUNCTIONAL_STATES if s not in requirement.functional_state]
        yield {"functional_state": rest[0]}
        if "in occlusion" not in requirement.functional_state:
            yield {"functional_state": ""}
    if requirement.magnification:
        yield {"magnification": "1:9"}
        yield {"magnification": ""}
    frames = requirement.frames or (PLAIN, "shade tab", "cross-polarised")
    wrong = next(f for f in (*COLOUR_FRAMES, PLAIN) if f not in frames)
    yield {"frame": "" if wrong == PLAIN else wrong}
    if requirement.mirror != "either":
        yield {"mirror": not right["mirror"]}
    if requirement.stage:
        yield {"stage": "finished" if requirement.stage == "start" else "start"}
        margin = timedelta(days=max(requirement.before, requirement.after) + 400)
        yield {"day": right["day"] - margin}
        yield {"day": right["day"] + margin}
    if requirement.confirmed:
        yield {"confirmed_by": ""}
    if requirement.confirmed_by:
        yield {"confirmed_by": "Vale^Iris"}
    if requirement.countersigned:
        yield {"certainty": "bound"}
    for name, limit in requirement.quality.items():
        yield {"size": int(limit) - 1} if name == "pixels" else {"figures": {name: limit + 1}}
    if requirement.teeth:
        yield {"teeth": () if requirement.teeth == "named" else ("16",)}


@pytest.mark.parametrize("key", [*KEYS, "every key"])
def test_a_record_that_lacks_one_thing_lacks_the_requirement(key: str, tmp_path: Path) -> None:
    rules = rules_of(key, tmp_path)
    for requirement, target in asked(rules):
        right = fulfilling(rules, requirement, target)
        shots = [right] * requirement.count
        assert status(rules, requirement, target, shots) == PRESENT, (requirement, target)
        for change in otherwise(requirement, target, right):
            wrong = [{**right, **change}, *shots[1:]]
            assert status(rules, requirement, target, wrong) == "missing", (requirement, change)
        fewer = status(rules, requirement, target, [*shots[1:]])
        assert fewer == "missing", requirement


@pytest.mark.parametrize("key", [*KEYS, "every key"])
def test_what_has_to_be_taken_first_counts_only_then(key: str, tmp_path: Path) -> None:
    rules = rules_of(key, tmp_path)
    targets = list(asked(rules))
    for requirement, target in targets:
        day = f"{DAYS[requirement.stage]:%Y%m%d}"
        for name in requirement.taken_before:
            right = fulfilling(rules, requirement, target)
            (later,) = [fulfilling(rules, r, t) for r, t in targets if r.name == name]
            for moment, expected in (("0900", "present"), ("0930", "missing"), ("", "missing")):
                mine = {**right, "acquired": f"{day}{moment}00" if moment else ""}
                shots = [mine, {**later, "acquired": f"{day}091000"}]
                assert status(rules, requirement, target, shots) == expected, (name, moment)


def _any_of(*words: str) -> Callable[[ViewRequirement], bool]:
    return lambda r: any(word in view for view in r.views for word in words)


#: Words of a requirement's name, and what it must therefore ask for.
NAMED: dict[str, Callable[[ViewRequirement], bool]] = {
    r"\bright\b": lambda r: "right" in f"{r.side} {r.views} {r.sextants} {r.quadrants}",
    r"\bleft\b": lambda r: "left" in f"{r.side} {r.views} {r.sextants} {r.quadrants}",
    r"\bupper\b": lambda r: "upper" in f"{r.arch} {r.views} {r.sextants} {r.quadrants}",
    r"\blower\b": lambda r: "lower" in f"{r.arch} {r.views} {r.sextants} {r.quadrants}",
    r"from the front": lambda r: r.side == "front" or r.views == ("frontal",),
    r"in occlusion": lambda r: r.functional_state == ("in occlusion",),
    r"teeth apart": lambda r: r.functional_state == ("teeth apart",),
    r"lips at rest": lambda r: set(r.functional_state) == {"lips relaxed", "lips closed"},
    r"mandible forward": lambda r: r.functional_state == ("mandible forward",),
    r"1:\d+": lambda r: any(scale in r.name for scale in r.magnification),
    r"with the shade tab|shade tab beside": lambda r: r.frames == ("shade tab",),
    r"without a tab": lambda r: r.frames == (PLAIN,),
    r"card|chart": lambda r: set(r.frames) == {"neutral reference", "colour chart"},
    r"cross-polarised": lambda r: r.frames == ("cross-polarised",),
    r"\beach\b": lambda r: r.each or r.scope == "tooth",
    r"^(before|start):": lambda r: r.stage == "start",
    r"^(prepared|placement):": lambda r: r.stage == "prepared",
    r"^healing:": lambda r: r.stage == "healing",
    r"^(after|finished|restored):": lambda r: r.stage == "finished",
    r"palatal|lingual": _any_of("palatal", "lingual"),
    r"occlusal": _any_of("occlusal"),
    r"smil": _any_of("smile"),
    r"profile": _any_of("profile"),
    r"^face at rest": _any_of("face"),
}


@pytest.mark.parametrize("key", KEYS)
def test_a_requirement_asks_for_what_its_name_says(key: str) -> None:
    for requirement in read_rules(shipped()[key]).requirements:
        for words, asks in NAMED.items():
            if re.search(words, requirement.name):
                assert asks(requirement), (requirement.name, words)


def test_no_names_word_goes_unused() -> None:
    names = [r.name for key in KEYS for r in read_rules(shipped()[key]).requirements]
    known = [words for words in NAMED if any(re.search(words, name) for name in names)]
    assert list(NAMED) == known


@pytest.mark.parametrize("key", KEYS)
def test_each_requirement_has_a_source_and_what_has_none_is_called_no_standard(key: str) -> None:
    rules = read_rules(shipped()[key])
    for one in rules.requirements:
        assert one.source or rules.source
    if rules.standing == "published":
        assert not rules.source.startswith("common practice")
        assert all(one.source != "common practice" or one.optional for one in rules.requirements)


# What sets once called complete


def _missing(key: str, *shots: Said) -> set[str]:
    rules = read_rules(shipped()[key])
    about = rules.applies.descriptions[0] if rules.applies.descriptions else ""
    made = [picture(n, **{"description": about, **said}) for n, said in enumerate(shots)]
    done = () if rules.applies.to == "visits" else (episode("veneer", ("11",), DAY),)
    demands, _ = evaluate([rules], Album(made), done, TODAY)
    return {d.requirement for d in demands if d.status == "missing" and d.counts}


def test_two_close_ups_without_a_tab_are_no_shade_picture() -> None:
    shots = [{"view": "close-up"}, {"view": "close-up"}, {"view": "frontal"}, {"view": "smile"}]
    assert _missing("shade-laboratory", *shots) >= {"shade tab beside the tooth"}


def test_three_pictures_of_one_tooth_are_not_front_right_and_left() -> None:
    shots = [{"view": "palatal", "teeth": ("16",), "mirror": True}] * 3
    wanting = _missing("periodontal-full-mouth", *shots)
    assert {"upper palatal, front", "upper palatal, left"} <= wanting
    assert "upper palatal, right" not in wanting


def test_two_teeth_of_one_side_are_not_both_sides() -> None:
    shots = [{"view": "lingual", "teeth": (iso,), "mirror": True} for iso in ("46", "47")]
    wanting = _missing("initial-eight", *shots)
    assert "lingual of back teeth, left" in wanting
    assert "lingual of back teeth, right" not in wanting


def test_four_equal_smiles_are_one_view() -> None:
    smiles = [{"view": "smile", "magnification": "1:2", "stage": "start"}] * 4
    wanting = _missing("cosmetic-twelve", *smiles)
    assert "before: smile from the front, 1:2" not in wanting
    assert {
        "before: face with smile, 1:10",
        "before: smile from the right, 1:2",
        "before: smile from the left, 1:2",
    } <= wanting


def test_grey_card_tab_and_cross_polarised_frames_of_a_molar_are_a_shade_case_of_a_molar() -> None:
    frames = ("neutral reference", "shade tab", "cross-polarised", "")
    shots = [{"view": "buccal", "teeth": ("26",), "frame": frame} for frame in frames]
    assert _missing("shade-posterior", *shots) == set()
    assert _missing("shade-posterior", *shots[:3]) == {"surface and texture, without a tab"}
