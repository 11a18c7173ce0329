"""Before and after as SVG: the same sketch of teeth, turned as the pixels are turned.

The tooth numbers belong to the sketch and are turned with it: where they read backwards, the
picture is a reflection. Words and direction letters stand beside it and always read.
"""

from __future__ import annotations

from textwrap import wrap
from xml.sax.saxutils import escape

from archiver.dentition.correction import Plan
from archiver.dentition.drawing import Stage, stages
from archiver.dentition.numbering import shortened
from archiver.dentition.orientation import Direction
from archiver.dentition.scene import Mark, Scene, scene_of
from archiver.dentition.teeth import Arch, ToothClass
from archiver.wording import Text

_SIDE = 220  # of a picture
_MARGIN = 60  # around it, for letters and their words
_GAP = 124  # between two, for the arrow
_TOP = 50
_NARROWEST = 520  # room for the heading
_HALF_A_TOOTH = 5.0  # millimetres
_REACH = 0.46  # part of the side that the scene takes, from the middle
_SMALLEST_NUMBER = 7.0  # below that a number cannot be read
_LETTERS = {"top": (0, -1), "right": (1, 0), "bottom": (0, 1), "left": (-1, 0)}
_TRUE, _REVERSED = "#1f6f54", "#b3541e"


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _crown(mark: Mark, scene: Scene, scale: float) -> str:
    """Return the outline of one tooth about its middle, the gum's side drawn narrower."""
    assert mark.tooth is not None
    half = mark.width * scale / 2
    if scene.is_occlusal:
        back = mark.tooth.tooth_class in (ToothClass.MOLAR, ToothClass.PREMOLAR)
        deep = scale * (5.2 if back else 3.2)
        corner = _number(min(half, deep) * 0.7)
        return (
            f'<g transform="rotate({_number(mark.angle)})"><rect x="{_number(-half * 0.96)}" '
            f'y="{_number(-deep)}" width="{_number(half * 1.92)}" height="{_number(2 * deep)}" '
            f'rx="{corner}"/></g>'
        )
    high = scale * 5.2
    gum = -high if mark.tooth.arch is Arch.UPPER else high
    neck, edge = half * 0.62, half * 0.94
    return (
        f'<path d="M{_number(-neck)} {_number(gum)}Q0 {_number(gum * 1.35)} {_number(neck)} '
        f"{_number(gum)}C{_number(edge * 1.1)} {_number(gum * 0.2)} {_number(edge * 1.05)} "
        f"{_number(-gum * 0.6)} {_number(edge)} {_number(-gum * 0.85)}Q0 {_number(-gum * 1.2)} "
        f"{_number(-edge)} {_number(-gum * 0.85)}C{_number(-edge * 1.05)} {_number(-gum * 0.6)} "
        f'{_number(-edge * 1.1)} {_number(gum * 0.2)} {_number(-neck)} {_number(gum)}Z"/>'
    )


def _sketch(scene: Scene, scale: float) -> str:
    parts = []
    for mark in sorted(scene.marks, key=lambda m: m.is_named):
        if mark.tooth is None:
            continue
        size = min(15.0, mark.width * scale * 0.62)
        number = (
            f'<text font-size="{_number(size)}" dy="0.36em">{escape(mark.label)}</text>'
            if size >= _SMALLEST_NUMBER
            else ""
        )
        parts.append(
            f'<g class="{"named" if mark.is_named else "tooth"}" '
            f'transform="translate({_number(mark.x * scale)} {_number(mark.y * scale)})">'
            f"{_crown(mark, scene, scale)}"
            f"{number}</g>"
        )
    return "".join(parts)


def _edge(edge: str, direction: Direction) -> str:
    """Return the letter of a direction outside the middle of an edge, with its word."""
    dx, dy = _LETTERS[edge]
    x, y = dx * (_SIDE / 2 + 28), dy * (_SIDE / 2 + 16)
    word = escape(str(direction.text))
    if dx:
        return (
            f'<text class="letter" x="{_number(x)}" y="{_number(y)}" dy="0.35em">'
            f'{direction.value}</text><text class="edge" x="{_number(x)}" y="{_number(y + 21)}">'
            f"{word}</text>"
        )
    return (
        f'<text class="letter" y="{_number(y)}" dy="0.35em">{direction.value}'
        f'<tspan class="edge" dx="6">{word}</tspan></text>'
    )


def _panel(stage: Stage, scene: Scene, scale: float, left: float) -> str:
    x, y = left + _SIDE / 2, _TOP + _MARGIN + _SIDE / 2
    a, b, c, d = stage.turn.matrix
    colour = _TRUE if stage.appearance.is_true else _REVERSED
    parts = [
        f'<g transform="translate({_number(x)} {_number(y)})">',
        f'<text class="title" y="{-_SIDE / 2 - 40}">{escape(str(stage.title))}</text>',
        f'<rect x="{-_SIDE / 2}" y="{-_SIDE / 2}" width="{_SIDE}" height="{_SIDE}" rx="6" '
        f'class="picture" stroke="{colour}"/>',
        # SVG's matrix runs down the columns.
        f'<use href="#sketch" transform="matrix({a} {c} {b} {d} 0 0)"/>',
    ]
    for mark in scene.marks:
        if mark.tooth is None:
            px, py = stage.place(mark.x * scale, mark.y * scale)
            parts.append(
                f'<text class="word" x="{_number(px)}" y="{_number(py)}" dy="0.35em">'
                f"{escape(mark.label)}</text>"
            )
    for edge, direction in stage.appearance.orientation.edges.items():
        parts.append(_edge(edge, direction))
    parts.append(
        f'<text class="verdict" y="{_SIDE / 2 + 50}" style="fill:{colour}">'
        f"{escape(str(stage.verdict))}</text></g>"
    )
    return "".join(parts)


def _arrow(x: float, words: str) -> str:
    y = _TOP + _MARGIN + _SIDE * 0.3
    lines = wrap(words, 13)
    text = "".join(
        f'<text class="move" x="{_number(x)}" y="{_number(y - 14 - 14 * i)}">{escape(line)}</text>'
        for i, line in enumerate(reversed(lines))
    )
    return f'{text}<path d="M{_number(x - 16)} {_number(y)}h30m-8 -7l9 7l-9 7" class="arrow"/>'


_STYLE = """
text{font-family:'DejaVu Sans',Arial,Helvetica,sans-serif;text-anchor:middle;fill:#24313a}
.picture{fill:#f6e4e0;stroke-width:3}
.tooth rect,.tooth path{fill:#fffdf6;stroke:#8a8272;stroke-width:1}
.named rect,.named path{fill:#ffe38a;stroke:#6d5200;stroke-width:1.6}
.tooth text{fill:#5b5648}.named text{font-weight:bold;fill:#2b2000}
.word{font-size:12px;font-style:italic;fill:#7b4a45}
.letter{font-size:19px;font-weight:bold}
.edge{font-size:11px;font-weight:normal;fill:#56636b}
.title{font-size:15px}.verdict{font-size:15px;font-weight:bold}
.head{font-size:18px;font-weight:bold}.move{font-size:12px}.note{font-size:12px;fill:#56636b}
.arrow{fill:none;stroke:#24313a;stroke-width:2.4;stroke-linecap:round;stroke-linejoin:round}
"""


def _heading(plan: Plan) -> str:
    teeth = shortened(plan.sight.teeth)
    how = Text(f"dentition.drawing.{'in_mirror' if plan.mirror else 'direct'}")
    view = Text("dentition.drawing.view", view=plan.sight.view.value, how=how)
    return f"{teeth}: {view}" if teeth else str(view)


def draw_svg(plan: Plan) -> str:
    """Return an SVG document of the stages of a photograph, side by side."""
    scene = scene_of(plan.sight)
    scale = _REACH * _SIDE / max(scene.extent + _HALF_A_TOOTH, 18.0)
    row = stages(plan)
    used = 2 * _MARGIN + len(row) * _SIDE + (len(row) - 1) * _GAP
    width = max(used, _NARROWEST)
    left = _MARGIN + (width - used) / 2
    height = _TOP + 2 * _MARGIN + _SIDE + 66
    moves = [
        (plan.exif.words, plan.shown_correction.words)[i]
        if len(row) == 3
        else plan.correction.words
        for i in range(len(row) - 1)
    ]
    panels = [_panel(stage, scene, scale, left + i * (_SIDE + _GAP)) for i, stage in enumerate(row)]
    arrows = [
        _arrow(left + (i + 1) * _SIDE + (i + 0.5) * _GAP, words) for i, words in enumerate(moves)
    ]
    has_numbers = any(m.tooth for m in scene.marks)
    notes = (
        str(Text("dentition.drawing.backwards")) if has_numbers else "",
        str(Text("dentition.drawing.unconfirmed")),
    )
    foot = "".join(
        f'<text class="note" x="{width / 2}" y="{height - 30 + 17 * i}">{escape(line)}</text>'
        for i, line in enumerate(notes)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}"><style>{_STYLE}</style>'
        f'<defs><g id="sketch">{_sketch(scene, scale)}</g></defs>'
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>'
        f'<text class="head" x="{width / 2}" y="30">{escape(_heading(plan))}</text>'
        f"{''.join(panels)}{''.join(arrows)}{foot}</svg>\n"
    )
