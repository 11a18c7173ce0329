"""What is said of a picture: read, checked, and what follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from archiver.dentition import (
    Direction,
    LingualFronts,
    Numbering,
    Operator,
    Plan,
    Tooth,
    Turn,
    View,
    direction_of,
    named,
    parse_teeth,
    plan,
    read_teeth,
)
from archiver.errors import MeaningError, Problem
from archiver.objects import (
    FLIPS,
    OF_ONE_LOOK,
    PHOTO,
    REGIONS,
    UNTIL_TURNED,
    Crop,
    Places,
    Unfit,
    check_places,
    check_scale,
    concepts,
    crop_problem,
)
from archiver.photo import Box, source_box, turned_box
from archiver.web.http_errors import Refused
from archiver.web.language import in_words
from archiver.web.pages.take_in.drafts import Photo, Said

#: A confirmed side holds for these; whoever changes one has to look again.
TURNING = (
    *("view", "mirror", "teeth", "top", "operator", "flipped", "exif_orientation"),
    "lingual_fronts",
)
#: Set by the server alone, or not said of one picture.
_NOT_SENT = OF_ONE_LOOK
#: Habits of the practice that turn a picture where nothing is said of it.
HABITS = ("operator", "top", "mirror", "flipped", "exif_orientation", "lingual_fronts")


def teeth_of(text: str, numbering: Numbering) -> tuple[Tooth, ...]:
    """Read teeth as a person writes them; a prefix such as ``universal:`` goes before.

    Raises
    ------
    MeaningError
        If they cannot be read.
    """
    words = text.strip()
    if not words:
        return ()
    return parse_teeth(words) if ":" in words else read_teeth(words.replace(" ", ","), numbering)


def read_value(key: str, value: object, numbering: Numbering = Numbering.ISO) -> object:
    """Read one value as the browser sends it, and return it as a draft keeps it.

    Raises
    ------
    MeaningError
        If the key cannot have this value.
    """
    if key == "left_out" and isinstance(value, bool):
        return value
    if key not in PHOTO or key in _NOT_SENT:
        raise Refused(422, "errors.malformed")
    if key == "teeth":
        text = ",".join(map(str, value)) if isinstance(value, list) else str(value)
        return [tooth.iso for tooth in teeth_of(text, numbering)]
    if key in concepts.PLACES:
        return _written(teeth_of(str(value), numbering), numbering)
    try:
        read = PHOTO[key].convert(value)
    except Unfit as unfit:
        raise MeaningError(
            Problem(
                "web.take_in.unfit_key",
                key=key,
                given=str(value)[:60],
                expected=unfit.expected,
                hint=unfit.hint,
            )
        ) from None
    if key == "flipped":
        return str(value)
    if isinstance(read, View | Operator | LingualFronts):
        return read.value
    if key == "checked" and isinstance(read, tuple):
        return list(read)
    if isinstance(read, Direction):
        return read.word
    if isinstance(read, Crop):
        return {"left": read.left, "top": read.top, "width": read.width, "height": read.height}
    return read


def _written(teeth: tuple[Tooth, ...], numbering: Numbering) -> str:
    """Write teeth so that they are read the same whichever numbering is expected."""
    words = ", ".join(named(tooth, numbering) for tooth in teeth)
    return words if numbering is Numbering.ISO else f"{numbering.prefix}:{words}"


def changed(said: Said, given: Mapping[str, object], numbering: Numbering) -> dict[str, Any]:
    """Return what is said after a change; a key that is set to None is said no more.

    The confirmation of a side falls where what turns the picture changes.

    Raises
    ------
    MeaningError
        If a key cannot have its value.
    """
    new = dict(said)
    for key, value in given.items():
        if value is None or value in ("", []):
            if key not in PHOTO and key != "left_out":
                raise Refused(422, "errors.malformed")
            new.pop(key, None)
        else:
            new[key] = read_value(key, value, numbering)
    if not new.get("teeth", True):
        del new["teeth"]
    if any(new.get(key) != said.get(key) for key in TURNING):
        for key in OF_ONE_LOOK if "checked" in given else UNTIL_TURNED:
            new.pop(key, None)
    return new


def plan_of(said: Said, exif: int, habits: Mapping[str, object]) -> Plan | None:
    """Work out the correction of a picture; None where view or mirror are not said.

    Raises
    ------
    MeaningError
        If what is said contradicts itself.
    """
    known = {**{k: habits[k] for k in HABITS if k in habits}, **said}
    if "view" not in known or "mirror" not in known:
        return None
    return plan(
        View(known["view"]),
        teeth_of(",".join(known.get("teeth", ())), Numbering.ISO),
        mirror=bool(known["mirror"]),
        top=direction_of(str(known["top"])) if known.get("top") else None,
        operator=Operator(known.get("operator", Operator.FRONT.value)),
        exif=Turn(heeded(known, exif)),
        flipped=FLIPS[known.get("flipped", "no")],
        fronts=LingualFronts(known.get("lingual_fronts", LingualFronts.UPRIGHT)),
    )


def heeded(said: Said, exif: int) -> int:
    """Return the EXIF orientation that counts."""
    return 1 if said.get("exif_orientation") == "ignore" else exif


#: What is drawn over the picture as it is turned.
DRAWN = ("crop", *REGIONS)


def crop_of(said: Said, key: str = "crop") -> Crop | None:
    """Return the crop, or another region, that is said, if one is."""
    crop = said.get(key)
    return Crop(crop["left"], crop["top"], crop["width"], crop["height"]) if crop else None


def recropped(
    before: Said, after: Said, photo: Photo, habits: Mapping[str, object], key: str = "crop"
) -> dict[str, int]:
    """Return a region in pixels of the picture as it is turned now: the same part of the mouth."""
    undrawn = dict.fromkeys(DRAWN)
    turns = [judged({**one, **undrawn}, photo, habits)["turn"] for one in (before, after)]
    crop = crop_of(before, key)
    assert crop is not None
    if turns[0] == turns[1]:
        return dict(before[key])
    box = Box(crop.left, crop.top, crop.width, crop.height)
    stored = source_box(box, turns[0], photo.columns, photo.rows)
    shown = turned_box(stored, turns[1], photo.columns, photo.rows)
    return {"left": shown.left, "top": shown.top, "width": shown.width, "height": shown.height}


def judged(said: Said, photo: Photo, habits: Mapping[str, object]) -> dict[str, Any]:
    """Return what follows from what is said of a picture, as values that JSON has.

    Returns
    -------
    dict
        ``lacks``: keys that are still to be said; ``problems``: what is wrong; ``turn``: from
        the stored pixels to what is shown; ``edges``: letters, where the meaning is known.
    """
    lacks = [key for key in ("view", "mirror") if key not in said and key not in habits]
    found: dict[str, Any] = {"lacks": lacks, "problems": [], "edges": None}
    found["turn"] = heeded({**habits, **said}, photo.exif)
    try:
        made = plan_of(said, photo.exif, habits)
    except MeaningError as error:
        found["problems"] = [plain(problem) for problem in error.problems]
        if any(problem.code == "dentition.views.needs_teeth" for problem in error.problems):
            found["lacks"], found["problems"] = [*lacks, "teeth"], []
        return found
    if made is None:
        return found
    found["turn"] = made.correction.value
    found["edges"] = {edge: letter.value for edge, letter in made.display.edges.items()}
    found["view"] = made.sight.view.value
    found["laterality"] = made.sight.laterality
    found["notes"] = [in_words(note) for note in made.sight.notes]
    size = (photo.columns, photo.rows, made.correction)
    wrong = [crop_problem(box, *size) for box in (crop_of(said, key) for key in DRAWN) if box]
    try:
        check_places(made.sight.teeth, _places(said))
        drawn, length = bool(said.get("scale_region")), str(said.get("scale_length", ""))
        check_scale(made.mirror, drawn, length)
    except MeaningError as error:
        wrong += error.problems
    found["problems"] = [plain(problem) for problem in wrong if problem is not None]
    return found


def _places(said: Said) -> Places:
    """Return where no natural tooth stands."""
    return tuple(
        (tooth, kind)
        for kind in concepts.PLACES
        for tooth in teeth_of(str(said.get(kind, "")), Numbering.ISO)
    )


def plain(problem: Problem) -> str:
    """Return a problem without its place, which the page shows by where it stands."""
    return in_words(problem.with_places())
