"""A worked example: the tongue side of the lower right first molar, in a mirror.

  archiver explain --tooth iso:46 --view lingual --mirror

shows that the picture comes out mirror-reversed, that it has to be flipped left to right, what
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
from archiver.wording import Text, words_of

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
    Option(
        "--lingual-fronts",
        type=Choice(("upright", "turned")),
        default="upright",
        help="how palatal and lingual pictures of front teeth are displayed: with the edges as in "
        "the mouth, or turned by half (upright)",
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
    from archiver.dentition import LingualFronts, Operator, Turn, plan

    return plan(
        options.view,
        options.tooth,
        mirror=options.mirror,
        top=options.top,
        operator=Operator(options.operator),
        exif=Turn(options.exif),
        fronts=LingualFronts(options.lingual_fronts),
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
    """Return what stands beside a label of the catalogue, or without one."""
    indent, named = " " * _LABEL, _say(label) if label else ""
    return (
        fill(text, _WIDTH, initial_indent=f"{named:<{_LABEL}}", subsequent_indent=indent) or named
    )


def _say(key: str, **values: object) -> str:
    return words_of()(f"cli.explain.{key}", **values)


def _subject(told: Explanation) -> list[str]:
    from archiver.dentition import shortened

    lines = [
        fill(
            _say("tooth", tooth=t.iso, name=t.text, universal=t.universal, palmer=t.palmer), _WIDTH
        )
        for t in told.teeth
    ]
    if len(lines) > 4:
        lines = [_say("teeth", teeth=shortened(told.teeth), count=len(told.teeth))]
    parts = [
        _say("view", view=told.view.value),
        _say("mirror" if told.mirror else "direct"),
        _say("top", direction=told.top.text) if told.top else _say(told.operator.value),
        *([_say("exif", number=int(told.exif))] if told.exif != 1 else []),
    ]
    lines.append(fill(", ".join(parts), _WIDTH))
    return lines + [fill(f"({note})", _WIDTH) for note in told.notes]


def _verdict(told: Explanation) -> str:
    parts = [_say("is_true" if told.in_file.is_true else "is_reflected")]
    if told.has_corrected_instance:
        parts.append(_say("to_correct", order=told.correction.order))
    else:
        parts.append(_say("nothing_to_turn"))
    if told.exif != 1:
        parts.append(_say("to_correct_shown", order=told.camera_correction.order))
    return fill(" ".join(parts), _WIDTH)


def _row(cells: Iterable[str]) -> str:
    widths = (15, 13, 12, 10, 10, 10, 9)
    return "".join(f"{c:<{w}}" for c, w in zip(cells, widths, strict=True)).rstrip()


def _edges(told: Explanation) -> list[str]:
    """Return the table of what lies at each edge at each stage."""
    heads = ("at_edge", "orientation", "truth", "top_edge", "right", "bottom", "left")
    lines = [_row(map(_say, heads))]
    for stage, seen in (
        ("in_file", told.in_file),
        ("on_camera", told.on_camera),
        ("corrected", told.corrected),
    ):
        label = f" {Text(f'dentition.drawing.{stage}')}"
        truth = _say("true" if seen.is_true else "reflected")
        edges = (str(d.text) for d in seen.orientation.edges.values())
        lines.append(_row((label, str(seen.orientation), truth, *edges)))
    return lines


def _turn(turn: Turn) -> str:
    from archiver.dentition import turn_name

    return _say("turn", number=int(turn), name=turn_name(turn), words=turn.text)


def _coded(codes: Iterable[Code]) -> str:
    return "; ".join(str(c) for c in codes) or _say("none")


def _stored(told: Explanation) -> list[str]:
    """Return the attributes that the stored instances carry."""
    both = "as_shot_corrected" if told.has_corrected_instance else "as_shot"
    given = {"in_file": told.in_file.orientation}
    if told.has_corrected_instance:
        given["corrected"] = told.corrected.orientation
    lines = [
        _line("patient_orientation", _say(both, **given)),
        _line("laterality", told.laterality),
        _line("region", "; ".join(str(c) for c in (told.region, told.region_side) if c)),
    ]
    for number, (tooth, code) in enumerate(told.structures):
        lines.append(_line("" if number else "structure", f"{tooth.iso}: {code}"))
    if told.arch_or_face is not None:
        lines.append(_line("" if told.structures else "structure", str(told.arch_or_face)))
    if told.structures:
        lines.append(_line("surface", str(told.surface) if told.surface else _say("not_coded")))
    lines.append(_line("view_code", str(told.view_code)))
    lines.append(_line("modifier_as_shot", _coded(told.modifiers_as_shot)))
    if told.has_corrected_instance:
        lines.append(_line("modifier_corrected", _coded(told.modifiers_corrected)))
    lines.append(_line("device", _coded(told.devices)))
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
            _line("from_file", _turn(told.correction)),
            _line("from_camera", _turn(told.camera_correction)),
            "",
            *_stored(told),
            "",
            fill(str(CAUTION), _WIDTH),
        ]
    )
