"""Before and after in characters: a box for each stage, with the patient's directions at its edges.

The same few teeth stand in every box at the place where that picture shows them, so that the eye
sees what the correction moves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from archiver.dentition.correction import Plan
from archiver.dentition.explanation import Appearance, explain
from archiver.dentition.orientation import Turn
from archiver.dentition.scene import Mark, Scene, scene_of
from archiver.wording import Text

_INNER_COLUMNS = 18  # even, so that labels of two and four characters can stand in the middle
_INNER_ROWS = 7
_ARROW = "──▶"
#: Positions in the order in which they are written: the ends and corners of a row say most.
_TELLING = (8, 1, 3, 6, 4, 7, 5, 2)


@dataclass(frozen=True)
class Stage:
    """One box of a drawing.

    Parameters
    ----------
    title
        What picture this is.
    appearance
        How it stands.
    turn
        The turn that takes the corrected picture to this one.
    """

    title: Text
    appearance: Appearance
    turn: Turn

    @property
    def verdict(self) -> Text:
        """Whether the picture is the right way round."""
        return Text(f"dentition.drawing.{'true' if self.appearance.is_true else 'reversed'}")

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Take a place in the corrected picture to its place in this one."""
        a, b, c, d = self.turn.matrix
        return (a * x + b * y, c * x + d * y)


def stages(plan: Plan) -> tuple[Stage, ...]:
    """Return the stages that differ in kind: file, camera's screen, corrected picture.

    Without an EXIF orientation the camera shows what is in the file, and the two are one stage.
    Where nothing has to be turned there is only one.
    """
    told = explain(plan)
    in_file = Stage(Text("dentition.drawing.in_file"), told.in_file, plan.correction.inverse)
    as_shot = replace(in_file, title=Text("dentition.drawing.as_shot"))
    corrected = Stage(Text("dentition.drawing.corrected"), told.corrected, Turn.IDENTITY)
    if plan.exif is not Turn.IDENTITY:
        turn = plan.shown_correction.inverse
        return (
            in_file,
            Stage(Text("dentition.drawing.on_camera"), told.on_camera, turn),
            corrected,
        )
    return (as_shot,) if plan.correction is Turn.IDENTITY else (as_shot, corrected)


def _groups(marks: tuple[Mark, ...]) -> list[tuple[Mark, ...]]:
    """Order marks so that, where room is short, the telling ones are written first.

    Twins across the midline stay together: a row that shows 13 and not 23 would mislead.
    """
    words = [(m,) for m in marks if m.tooth is None]
    named = _twins([m for m in marks if m.is_named])
    others = _twins([m for m in marks if m.tooth is not None and not m.is_named])
    ends = [named[p] for p in (max(named), min(named))] if named else []
    rest = [row[p] for row in (named, others) for p in _TELLING if p in row]
    return [*dict.fromkeys([*ends, *words, *rest])]


def _twins(marks: list[Mark]) -> dict[int, tuple[Mark, ...]]:
    """Gather teeth by their position from the midline."""
    found: dict[int, tuple[Mark, ...]] = {}
    for mark in marks:
        if mark.tooth is not None:
            found[mark.tooth.position] = (*found.get(mark.tooth.position, ()), mark)
    return found


def _write(grid: list[list[str]], stage: Stage, group: tuple[Mark, ...], extent: float) -> bool:
    """Write the labels of a group into a copy's free cells; False where they would collide."""
    middle_column, middle_row = (_INNER_COLUMNS - 1) / 2, _INNER_ROWS // 2
    for mark in group:
        x, y = stage.place(mark.x / extent, mark.y / extent)
        label = f"[{mark.label}]" if mark.is_named else mark.label
        margin = 0 if mark.tooth is None else 1
        row = grid[middle_row + round(y * middle_row)]
        start = round(middle_column + x * (middle_column - 1) - (len(label) - 1) / 2)
        start = min(max(start, margin), _INNER_COLUMNS - margin - len(label))
        if any(c != " " for c in row[max(start - 1, 0) : start + len(label) + 1]):
            return False
        row[start : start + len(label)] = label
    return True


def _inside(scene: Scene, stage: Stage) -> list[str]:
    grid = [[" "] * _INNER_COLUMNS for _ in range(_INNER_ROWS)]
    for group in _groups(scene.marks):
        attempt = [line[:] for line in grid]
        if _write(attempt, stage, group, scene.extent):
            grid = attempt
    return ["".join(line) for line in grid]


def _box(scene: Scene, stage: Stage) -> list[str]:
    edges = stage.appearance.orientation.edges
    width = _INNER_COLUMNS + 6
    lines = [
        str(stage.title).center(width),
        str(edges["top"].text).center(width),
        f"  ┌{'─' * _INNER_COLUMNS}┐  ",
    ]
    for number, inside in enumerate(_inside(scene, stage)):
        middle = number == _INNER_ROWS // 2
        left = edges["left"].value if middle else " "
        right = edges["right"].value if middle else " "
        lines.append(f"{left} │{inside}│ {right}")
    return [
        *lines,
        f"  └{'─' * _INNER_COLUMNS}┘  ",
        str(edges["bottom"].text).center(width),
        str(stage.verdict).center(width),
    ]


def draw(plan: Plan) -> str:
    """Draw the stages of a photograph side by side, at most 79 columns wide."""
    scene = scene_of(plan.sight)
    boxes = [_box(scene, stage) for stage in stages(plan)]
    arrow_line = 4 + _INNER_ROWS // 2  # below the letters at the sides
    lines = []
    for number, parts in enumerate(zip(*boxes, strict=True)):
        gap = _ARROW if number == arrow_line else " " * len(_ARROW)
        lines.append(gap.join(parts).rstrip())
    return "\n".join(lines)
