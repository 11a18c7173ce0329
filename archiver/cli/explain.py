"""A worked example: the tongue side of the lower right first molar, in a mirror.

  archiver explain --tooth iso:46 --view lingual --mirror

tells that the picture comes out mirror-reversed, that it has to be flipped left to right, what
lies at each edge before and after, and which codes the stored pictures carry.

Say --top when the camera was held in another way than usual, --operator behind when it stood
behind the patient's head, --exif N for the orientation value that the camera wrote into the file:

  archiver explain --view "upper occlusal arch" --mirror --operator behind
  archiver explain --tooth universal:19 --view buccal --top head --exif 6 --svg turn.svg

Exit status: 0 explained; 1 what was said contradicts itself, or the drawing could not be written;
2 something could not be read, such as a tooth number without its numbering.
"""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import fill
from typing import TYPE_CHECKING

from archiver.cli.command import Option, Options, verb
from archiver.cli.options import teeth
from archiver.cli.parameters import DIRECTION, FILE, VIEW, Choice, Number
from archiver.errors import ArchiverError, Problem

if TYPE_CHECKING:
    from archiver.dentition import Code, Explanation, Plan, Turn

_WIDTH = 78
_LABEL = 21


@verb(
    teeth(
        "teeth with their numbering: iso:46, iso:14-17, universal:19, palmer:LL6, or words "
        'such as "upper right quadrant"; may be repeated',
        metavar="TEETH",
    ),
    Option(
        "--view",
        type=VIEW,
        required=True,
        takes_words=True,
        metavar="WORD ...",
        help="occlusal, incisal, buccal, labial, lingual, palatal, close-up; without teeth too: "
        "frontal, right buccal, left buccal, upper occlusal arch, lower occlusal arch, face, "
        "smile, right profile, left profile",
    ),
    Option("--mirror", is_flag=True, help="taken in a mirror"),
    Option(
        "--top",
        type=DIRECTION,
        help="what of the patient is at the top as the camera shows it: head, foot, anterior, "
        "posterior, right or left",
    ),
    Option(
        "--operator",
        type=Choice(("front", "behind")),
        default="front",
        help="where the camera was: before the patient's face or behind the head (front)",
    ),
    Option(
        "--exif",
        type=Number(1, 8),
        default=1,
        metavar="N",
        help="EXIF orientation of the file, 1 to 8 (1)",
    ),
    Option("--json", is_flag=True, help="print JSON instead of text"),
    Option("--svg", type=FILE, help="write the drawing as SVG too"),
)
def command(options: Options) -> int:
    """Explain one photograph.

    Raises
    ------
    MeaningError
        If tooth, view and direction contradict each other.
    """
    from archiver.dentition import explain

    made = _plan(options)
    told = explain(made)
    if options.svg:
        _write_svg(made, options.svg)
    if options.json:
        import json

        print(json.dumps(told.to_json(), indent=2, ensure_ascii=False))
    else:
        print(_text(made, told))
    return 0


def _plan(options: Options) -> Plan:
    from archiver.dentition import Operator, Turn, plan

    return plan(
        options.view,
        options.tooth,
        mirror=options.mirror,
        top=options.top,
        operator=Operator(options.operator),
        exif=Turn(options.exif),
    )


def _write_svg(made: Plan, name: str) -> None:
    from pathlib import Path

    from archiver.dentition import draw_svg

    try:
        Path(name).write_text(draw_svg(made), encoding="utf-8")
    except OSError as error:
        problem = Problem("cli.explain.not_written", reason=error.strerror)
        raise ArchiverError(problem.at(file=name)) from error


def _line(label: str, text: str) -> str:
    indent = " " * _LABEL
    return (
        fill(text, _WIDTH, initial_indent=f"{label:<{_LABEL}}", subsequent_indent=indent) or label
    )


def _subject(told: Explanation) -> list[str]:
    from archiver.dentition import shortened

    lines = [
        fill(f"{t.iso}: {t.name} (Universal {t.universal}, Palmer {t.palmer})", _WIDTH)
        for t in told.teeth
    ]
    if len(lines) > 4:
        lines = [f"{shortened(told.teeth)}: {len(told.teeth)} teeth"]
    how = "taken in a mirror" if told.mirror else "taken directly"
    if told.top:
        held = f"{told.top.word} at the top on the camera"
    else:
        place = "before the patient's face" if told.operator.value == "front" else "behind the head"
        held = f"camera {place}"
    file = f", EXIF orientation {int(told.exif)}" if told.exif != 1 else ""
    lines.append(fill(f"{told.view.value} view, {how}, {held}{file}", _WIDTH))
    return lines + [fill(f"({note})", _WIDTH) for note in told.notes]


def _verdict(told: Explanation) -> str:
    if told.in_file.is_true:
        state = "The pixels in the file are no reflection."
    else:
        state = "The pixels in the file are mirror-reversed."
    if told.has_corrected_instance:
        state += f" To correct them: {_order(told.correction)}."
    else:
        state += (
            " Nothing has to be turned: the picture as shot is stored alone unless it is cropped."
        )
    if told.exif != 1:
        state += f" From what the camera shows: {_order(told.camera_correction)}."
    return fill(state, _WIDTH)


def _order(turn: Turn) -> str:
    """Return what has to be done, as an order: ``flip left to right``."""
    from archiver.dentition import Turn

    if turn is Turn.IDENTITY:
        return "nothing"
    return turn.words.replace("flipped", "flip", 1).replace("turned", "turn", 1)


def _row(cells: Iterable[str]) -> str:
    widths = (15, 13, 12, 10, 10, 10, 9)
    return "".join(f"{c:<{w}}" for c, w in zip(cells, widths, strict=True)).rstrip()


def _edges(told: Explanation) -> list[str]:
    """Return the table of what lies at each edge at each stage."""
    lines = [
        _row(("At each edge", "rows\\columns", "truth test", "top", "right", "bottom", "left"))
    ]
    for label, seen in (
        ("in the file", told.in_file),
        ("on the camera", told.on_camera),
        ("corrected", told.corrected),
    ):
        truth = "true" if seen.is_true else "reflected"
        edges = (d.word for d in seen.orientation.edges.values())
        lines.append(_row((f" {label}", str(seen.orientation), truth, *edges)))
    return lines


def _turn(turn: Turn) -> str:
    from archiver.dentition import turn_name

    return f"number {int(turn)}, {turn_name(turn)} ({turn.words})"


def _coded(codes: Iterable[Code]) -> str:
    return "; ".join(str(c) for c in codes) or "none"


def _stored(told: Explanation) -> list[str]:
    """Return the attributes that the stored instances carry."""
    orientations = f"{told.in_file.orientation} as shot"
    if told.has_corrected_instance:
        orientations += f", {told.corrected.orientation} corrected"
    lines = [
        _line("Patient Orientation", orientations),
        _line("Image Laterality", told.laterality),
        _line("Region", f"{told.region}; {told.region_side}"),
    ]
    for number, (tooth, code) in enumerate(told.structures):
        lines.append(_line("" if number else "Structure", f"{tooth.iso}: {code}"))
    if told.structures:
        lines.append(_line("Surface", str(told.surface) if told.surface else "none coded"))
    lines.append(_line("View", str(told.view_code)))
    lines.append(_line("Modifier, as shot", _coded(told.modifiers_as_shot)))
    if told.has_corrected_instance:
        lines.append(_line("Modifier, corrected", _coded(told.modifiers_corrected)))
    lines.append(_line("Device", _coded(told.devices)))
    return lines


def _text(made: Plan, told: Explanation) -> str:
    from archiver.dentition import CAUTION, draw

    return "\n".join(
        [
            *_subject(told),
            "",
            draw(made),
            "",
            _verdict(told),
            "",
            *_edges(told),
            "",
            _line("Turn from the file", _turn(told.correction)),
            _line("Turn from the camera", _turn(told.camera_correction)),
            "",
            *_stored(told),
            "",
            fill(CAUTION, _WIDTH),
        ]
    )
