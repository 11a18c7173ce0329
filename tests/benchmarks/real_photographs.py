"""What the pixels of real photographs say, measured.

    python -m tests.benchmarks.real_photographs [FOLDER] [--visits N] [--brief] [--check]

FOLDER holds photographs named ``MOUTH.VIEW[.TAKE].jpeg`` or ``.png`` and, where there are any,
outlines of teeth ``MOUTH.VIEW.teeth.png``; without it the ten of ``tests/vision/photographs`` are
taken. N second visits of each picture are made by known warps. ``--weights FILE`` measures
another network, one trained without some mouths, say. ``--brief`` leaves out quality, which
`bench_quality` measures, and all views but two. ``--check`` fails where a limit is passed.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from archiver.vision import region
from archiver.vision import tooth_map as maps
from archiver.vision.prepared import Prepared, prepare
from archiver.vision.registration import Alignment, Subject, register
from archiver.vision.transforms import carried
from archiver.vision.turns import turns
from archiver.vision.wrong_way import Way, check, probabilities, verdict
from tests.vision.second_visits import second_visit

Pixels = NDArray[np.uint8]
Mask = NDArray[np.bool_]
TEN = Path(__file__).parents[1] / "vision" / "photographs"
#: Longer side in pixels at which pictures are measured.
SIDE = 1500
_SHIFTED = 3
#: Share of a picture's breadth that shows teeth of one side only.
_ONE_SIDE = 0.45
#: Pixels at working size below which how far an alignment is off makes no difference.
_NOTHING = 0.1


@dataclass(frozen=True)
class Picture:
    """A photograph by its file's name."""

    path: Path
    mouth: str
    view: str

    @property
    def pixels(self) -> Pixels:
        """RGB, at most `SIDE` long."""
        read = cv2.imread(str(self.path))
        assert read is not None, self.path
        ratio = SIDE / max(read.shape[:2])
        if ratio < 1:
            read = cv2.resize(read, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA)
        return np.ascontiguousarray(read[..., ::-1])

    @property
    def teeth(self) -> Mask | None:
        """Where people drew teeth; None where nobody did."""
        drawn = self.path.parent / f"{'.'.join(self.path.stem.split('.')[:2])}.teeth.png"
        if not drawn.exists():
            return None
        line = cv2.imread(str(drawn), cv2.IMREAD_GRAYSCALE)
        assert line is not None
        return filled(np.asarray(line > 60))

    @property
    def name(self) -> str:
        """Without its ending."""
        return self.path.stem


def filled(line: Mask) -> Mask:
    """Fill outlines: every part but the large ones round and between the arches is a tooth."""
    teeth = np.zeros(line.shape, np.uint8)
    # Outlines have gaps: the wider the line, the more of them close.
    for share in (0.0, 0.0035, 0.006, 0.009, 0.012, 0.015):
        wide = round(share * line.shape[1]) | 1
        grown = cv2.dilate(line.astype(np.uint8), _disc(wide))
        count, label, figures, _ = cv2.connectedComponentsWithStats(1 - grown, connectivity=4)
        area = figures[:, cv2.CC_STAT_AREA]
        inside = [n for n in range(1, count) if 0.0001 * line.size < area[n] < 0.05 * line.size]
        teeth |= cv2.dilate(np.isin(label, inside).astype(np.uint8), _disc(wide + 2))
    return np.asarray(cv2.morphologyEx(teeth, cv2.MORPH_CLOSE, _disc(5)) > 0)


def _disc(width: int) -> Pixels:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)), np.uint8)


def unmarked(one: Picture, shape: tuple[int, ...]) -> Mask:
    """Where ``unmarked.txt`` beside a picture says that teeth were left without outlines."""
    mask = np.zeros(shape, np.uint8)
    listed = one.path.parent / "unmarked.txt"
    for row in listed.read_text("utf-8").splitlines() if listed.exists() else ():
        name, *corners = row.split()
        if name == ".".join(one.path.stem.split(".")[:2]):
            share = np.array([[float(v) for v in corner.split(",")] for corner in corners]) / 100
            cv2.fillPoly(mask, [np.round(share * shape[::-1]).astype(np.int32)], 1)
    return np.asarray(mask > 0)


def pictures(folder: Path) -> list[Picture]:
    """Find the photographs of a folder."""
    found = []
    for path in sorted([*folder.glob("*.jpeg"), *folder.glob("*.jpg"), *folder.glob("*.png")]):
        mouth, view, *rest = path.stem.split(".")
        if "teeth" not in rest:
            found.append(Picture(path, mouth, view.replace("lateral", "buccal")))
    return found


@lru_cache(maxsize=80)
def ready(one: Picture) -> Prepared:
    """A picture made ready once."""
    return prepare(one.pixels)


def told(name: str, good: int, of: int, note: str = "") -> None:
    """Print a row of the table."""
    share = f"{good / of:7.1%}" if of else "      -"
    print(f"{name:62} {good:4} of {of:4} {share}  {note}".rstrip(), flush=True)


def outlined(several: list[Picture]) -> list[float]:
    """Compare the map with outlines that people drew."""
    found = []
    for one in several:
        teeth = one.teeth
        if teeth is None:
            continue
        shape = one.pixels
        mine = maps.tooth_map(shape).teeth
        drawn = cv2.resize(teeth.astype(np.uint8), mine.shape[::-1]) > 0
        counted = drawn | ~unmarked(one, drawn.shape)
        found.append(float((mine & drawn).sum() / ((mine | drawn) & counted).sum()))
        print(f"  {one.name:40} intersection over union {found[-1]:.3f}", flush=True)
    if found:
        print(f"{'teeth against outlines, mean':62} {np.mean(found):.3f}, least {min(found):.3f}")
    return found


def ways(counts: NDArray[np.int_]) -> dict[str, Way]:
    """Say what comes of a pair as it is, with the prior reflected, and turned by half.

    The eight turns only change places, so nothing has to be matched anew.
    """
    half = np.concatenate([np.roll(counts[:4], -2), np.roll(counts[4:], -2)])
    mirrored = np.concatenate([counts[4:], counts[:4]])
    given = {"as it is": counts, "reflected": mirrored, "half turned": half}
    return {name: verdict(one, probabilities(one)) for name, one in given.items()}


@dataclass
class Tally:
    """How pairs of one kind came out."""

    pairs: int = 0
    same: int = 0
    reflected: int = 0
    turned: int = 0
    alarms: int = 0

    def add(self, newer: Prepared, prior: Prepared, *, upright: bool = True) -> Alignment | None:
        """Check a pair as it is, reflected and turned."""
        counts = turns(newer, prior).counts
        if not upright and counts[2] > counts[0]:  # the camera was held the other way
            counts = np.concatenate([np.roll(counts[:4], -2), np.roll(counts[4:], -2)])
        found = ways(counts)
        self.pairs += 1
        self.reflected += found["reflected"] is Way.REVERSED
        self.turned += found["half turned"] is Way.TURNED
        self.alarms += found["as it is"].contradicts
        whole = check(newer, prior, Subject(single=False)) if upright else None
        outcome = whole.outcome if whole else None
        self.same += whole.way is Way.SAME if whole else found["as it is"] is Way.SAME
        return outcome if isinstance(outcome, Alignment) else None

    def tell(self, kind: str) -> None:
        """Print the rows."""
        told(f"{kind}: same way round recognised", self.same, self.pairs)
        told(f"{kind}: reflected recognised", self.reflected, self.pairs)
        told(f"{kind}: half turned recognised", self.turned, self.pairs)
        told(f"{kind}: false alarms as they are", self.alarms, self.pairs)


def visits(several: list[Picture], each: int) -> Iterator[tuple[Picture, Prepared, np.ndarray]]:
    """Make second visits of every picture."""
    for n, one in enumerate(several):
        for k in range(each):
            made = second_visit(one.pixels, 1000 * n + k)
            yield one, prepare(made.pixels), made.matrix


def off_by(found: Alignment, matrix: NDArray[np.float64]) -> float:
    """How far an alignment is off (RMS) where it says that it holds, in full pixels."""
    there = np.argwhere(found.region)[::37, ::-1] * found.factor + (found.factor - 1) / 2
    here = carried(np.linalg.inv(matrix), there)
    off = np.linalg.norm(carried(found.matrix, here) - there, axis=1)
    return float(np.sqrt((off**2).mean()))


def honesty(found: Alignment, matrix: NDArray[np.float64]) -> float:
    """The residual that is told, as a share of what is true."""
    return found.residual / max(off_by(found, matrix), _NOTHING * found.factor)


def honest(what: str, ratios: list[float]) -> None:
    """Print how honest residuals are."""
    within = sum(1 / 1.5 < ratio < 1.5 for ratio in ratios)
    told(f"  {what}: residual within a factor of 1.5", within, len(ratios))
    below = sum(ratio < 0.5 for ratio in ratios)
    told(f"  {what}: residual told below half of the truth", below, len(ratios))


def one_tooth(newer: Prepared, prior: Prepared) -> Alignment | None:
    """Align the largest crown near the middle alone; None where it cannot be told."""
    crowns = region.nearest(region.discs(newer.tooth), None, newer.shape)
    if not crowns:
        return None
    x, y, _ = max(crowns, key=lambda one: one[2])
    found = register(newer, prior, Subject(np.array([x, y]) * newer.factor))
    return found if isinstance(found, Alignment) and found.alone else None


def second_visits(several: list[Picture], each: int) -> Tally:
    """Measure second visits made by known warps, and how honest the residual is."""
    tally, ratios, alone, left_out, refused = Tally(), [], [], [], 0
    for one, newer, matrix in visits(several, each):
        prior = ready(one)
        found = tally.add(newer, prior)
        if found is None:
            refused += 1
            continue
        ratios.append(honesty(found, matrix))
        left_out.append(found.left_out)
        tooth = one_tooth(newer, prior)
        if tooth is not None:
            alone.append((honesty(tooth, matrix), off_by(tooth, matrix) / tooth.factor))
    tally.tell("second visits")
    told("second visits: aligned", tally.pairs - refused, tally.pairs)
    honest("all teeth", ratios)
    honest("one tooth", [ratio for ratio, _ in alone])
    told(
        "  one tooth off by less than a pixel of 750", sum(off < 1 for _, off in alone), len(alone)
    )
    told("  more than half of the teeth left out", sum(n > 0.5 for n in left_out), len(left_out))
    return tally


def second_takes(several: list[Picture]) -> Tally:
    """Measure real second takes of a view."""
    tally = Tally()
    for one, other in itertools.combinations(several, 2):
        if (one.mouth, one.view) == (other.mouth, other.view):
            tally.add(ready(one), ready(other), upright=False)
    tally.tell("real second takes")
    return tally


def strangers(several: list[Picture], most: int) -> tuple[int, int, int]:
    """Measure pairs of one view of two mouths, as they are and reflected."""
    pairs = [
        (one, other)
        for one, other in itertools.combinations(several, 2)
        if one.view == other.view and one.mouth != other.mouth
    ]
    step = max(1, len(pairs) // max(most, 1))
    same = alarms = count = 0
    for one, other in pairs[::step]:
        newer, prior = ready(one), ready(other)
        for before in (prior, prior.reflected()):
            way = check(newer, before, Subject(single=False)).way
            count += 1
            same += way is Way.SAME
            alarms += way.contradicts
    told("other mouths: passed as the same", same, count)
    told("other mouths: told as reflected or turned", alarms, count)
    return same, alarms, count


def half(one: Picture, *, right: bool) -> Prepared:
    """One side of a picture without what both share, reflected if it is the right one."""
    pixels = one.pixels
    columns = round(_ONE_SIDE * pixels.shape[1])
    cut = pixels[:, -columns:][:, ::-1] if right else pixels[:, :columns]
    return prepare(np.ascontiguousarray(cut))


def other_sides(several: list[Picture]) -> int:
    """Measure the other side's teeth, flipped, which look like these."""
    same = count = 0
    for one, other in itertools.product(several, several):
        views = (one.view, other.view)
        if one.mouth != other.mouth:
            continue
        if views == ("left_buccal", "right_buccal"):
            newer, prior = ready(one), ready(other).reflected()
        elif views[0] == views[1] and "buccal" not in views[0]:
            newer, prior = half(one, right=False), half(other, right=True)
        else:
            continue
        way = check(newer, prior, Subject(single=False)).way
        count, same = count + 1, same + (way is Way.SAME)
    told("the other side's teeth, flipped: passed as the same", same, count)
    return same


def themselves(several: list[Picture]) -> int:
    """Measure pictures against themselves, shifted by three pixels."""
    refused = 0
    for one in several:
        shifted = np.roll(one.pixels, _SHIFTED, axis=1)
        way = check(prepare(shifted), ready(one), Subject(single=False))
        refused += not isinstance(way.outcome, Alignment) or way.way is not Way.SAME
    told("a picture against itself, shifted by 3 pixels: refused", refused, len(several))
    return refused


def main() -> int:
    """Measure a folder and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, add_help=True)
    parser.add_argument("folder", nargs="?", type=Path, default=TEN)
    parser.add_argument("--visits", type=int, default=1)
    parser.add_argument("--strangers", type=int, default=150)
    parser.add_argument("--weights", type=Path)
    parser.add_argument("--brief", action="store_true")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    from tests.benchmarks import bench_quality

    cv2.setNumThreads(1)
    if options.weights:
        with np.load(options.weights) as stored:
            other = {name: stored[name].astype(np.float32) for name in stored.files}
        maps.stored_model = lambda _name: other
    several = pictures(options.folder)
    print(f"{len(several)} photographs of {len({one.mouth for one in several})} mouths")
    overlap = outlined(several)
    if options.brief:
        views = sorted({one.view for one in several})[:2]
        several = [one for one in several if one.view in views]
    else:
        bench_quality.quality(several)
    refused = themselves(several)
    tally = second_visits(several, options.visits)
    second_takes(several)
    same, alarms, _ = strangers(several, options.strangers)
    same += other_sides(several)
    passed = (
        (not overlap or np.mean(overlap) >= 0.85)
        and refused == 0
        and tally.alarms + same + alarms == 0
        and min(tally.reflected, tally.turned) >= 0.97 * tally.pairs - 1
    )
    return 0 if passed or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
