"""Which views a rule set still wants of a draft, and what the next picture may therefore be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

from archiver.dentition import WORD_SETS, Numbering, Tooth, View, sight
from archiver.errors import MeaningError
from archiver.records import (
    PHOTOGRAPH,
    Asked,
    Instance,
    RecordPerson,
    RecordPicture,
    Target,
    functional_state_of,
    match,
    seen_from,
    stage_of,
    targets_of,
    visit_of,
)
from archiver.records.rules import PLAIN, RuleSet, ViewRequirement, read_rules, shipped
from archiver.web.language import rule_name
from archiver.web.pages.take_in.drafts import Draft, Photo, Said, taken_in
from archiver.web.pages.take_in.photo_entry import teeth_of

#: Views that are taken through a mirror wherever a rule leaves it open (common practice).
_MIRRORED = frozenset({"occlusal", "incisal", "lingual", "palatal"})
_ANY_DAY = "2000-01-01"


@cache
def rule_sets() -> Mapping[str, RuleSet]:
    """Return the shipped sets that demand pictures, by key."""
    sets = {key: read_rules(path) for key, path in shipped().items()}
    return {key: one for key, one in sets.items() if one.requirements}


def wanted(draft: Draft, photos: Mapping[str, Photo]) -> list[dict[str, Any]]:
    """Return what the draft's rule set demands, in its order, each with what is there.

    Quality is judged when a picture is archived, and a side may be confirmed later; neither
    makes a view wanted here.
    """
    rules = rule_sets().get(draft.rules)
    if rules is None:
        return []
    pictures = [_picture(p, draft.of_photo(p.digest)) for p in taken_in(draft, photos)]
    named = teeth_of(",".join(draft.teeth), Numbering.ISO)
    occasion = visit_of(rules, _ANY_DAY, pictures or [_picture(None, {})], named)
    teeth = occasion.teeth if occasion is not None else ()
    stage = draft.stage or ("start" if rules.applies.to == "episodes" else "")
    rows: list[dict[str, Any]] = []
    for row in rules.requirements:
        if stage and row.stage not in ("", stage):
            continue
        plain = replace(row, stage="", quality={}, confirmed=False, confirmed_by=())
        for target in targets_of(row, teeth):
            rows.append(_row(plain, target, pictures))
    return rows


def _row(row: ViewRequirement, target: Target, pictures: Sequence[RecordPicture]) -> dict[str, Any]:
    found = match(Asked(row, target), pictures)
    fitting = found.status == "present" or found.kind == "view-too-few"
    by = [p.first.uid for p in found.pictures] if fitting or found.by else []
    there = found.status in ("present", "substituted")
    return {
        "name": rule_name(row.name),
        "target": "" if target.label == "mouth" else target.label,
        "count": row.count,
        "by": by,
        "there": there,
        "optional": row.optional,
        "offer": None if there else _offer(row, target, [p for p in pictures if p.first.uid in by]),
    }


def _offer(row: ViewRequirement, target: Target, there: Sequence[RecordPicture]) -> dict[str, Any]:
    """Return what a picture of this row would be said to be."""
    teeth: tuple[Tooth, ...] = target.teeth if row.scope == "tooth" else ()
    views = target.words(row.views)
    view = next((one for one in views if _fits(one, teeth)), views[0])
    if not teeth and View(view).needs_teeth:
        teeth = _sextant(view, target, there)
    mirrored = view in _MIRRORED or view.endswith("occlusal arch")
    mirror = {"mirror": True, "direct": False}.get(row.mirror, mirrored)
    return {
        "view": view,
        "teeth": [tooth.iso for tooth in teeth],
        "mirror": mirror,
        "open": row.mirror == "either",
        "more": {key: value for key, value in _more(row, target, view).items() if value},
    }


def _fits(view: str, teeth: tuple[Tooth, ...]) -> bool:
    """Return whether a view can be taken of teeth: a molar has no incisal edge."""
    try:
        sight(View(view), teeth)
    except MeaningError:
        return not teeth
    return True


def _more(row: ViewRequirement, target: Target, view: str) -> dict[str, str]:
    """Return what else a row asks for, in the words of a sheet; what its view says is left out."""
    bare = _picture(None, {"view": view})
    state = next(iter(row.functional_state), "")
    return {
        "colour_frame": next((frame for frame in row.frames if frame != PLAIN), ""),
        "functional_state": "" if state == functional_state_of(bare) else state,
        "magnification": next(iter(row.magnification), ""),
        "seen_from": "" if target.seen_from == seen_from(bare) else target.seen_from,
    }


def _sextant(view: str, target: Target, there: Sequence[RecordPicture]) -> tuple[Tooth, ...]:
    """Return the first sextant of the target that no picture of the row shows."""
    arch = target.arch.value if target.arch else ("upper" if view == "palatal" else "lower")
    sides = [target.side.value] if target.side else ["right", "left"]
    names = [f"{arch} {name} sextant" for name in ("anterior", *sides)]
    shown = {iso for picture in there for iso in picture.teeth}
    for name in names:
        teeth = tuple(t for t in WORD_SETS[name] if t.position < 8)
        if target.teeth and not set(teeth) <= set(target.teeth):
            continue
        if not shown & {t.iso for t in teeth}:
            return teeth
    return ()


def _picture(photo: Photo | None, said: Said) -> RecordPicture:
    """Return a picture of a draft as the rules look at one."""
    uid = photo.digest if photo is not None else ""
    teeth = tuple(said.get("teeth", ()))
    view = str(said.get("view", ""))
    mirror = said.get("mirror")
    instance = Instance(
        uid=uid,
        series="",
        study="",
        sop_class="",
        person=RecordPerson("", "", "", "", ""),
        modality=PHOTOGRAPH,
        date=_ANY_DAY,
        time="",
        acquired=photo.captured if photo is not None else "",
        description="",
        teeth=teeth,
        view=view,
        surface="",
        mirror="",
        confirmed=None,
        role="original",
        laterality="",
        rows=photo.rows if photo is not None else None,
        columns=photo.columns if photo is not None else None,
        path="",
        size=0,
        digest="",
        source="",
        seq=0,
        added="",
    )
    by = str(said.get("confirmed_by", ""))
    stage = stage_of(str(said.get("stage", "")))
    words = ("functional_state", "magnification", "seen_from")
    return RecordPicture(
        (instance,),
        frozenset(teeth),
        view,
        mirror,
        bool(by),
        by,
        stage,
        {},
        frame=str(said.get("colour_frame", "")),
        **{key: str(said.get(key, "")) for key in words},
    )
