"""How well a camera file's own evidence tells that a picture was flipped or turned.

One command: ``python tests/benchmarks/bench_evidence.py [FOLDER] [--count N] [--brief] [--check]``,
which needs jpegtran, exiftool and, unless brief, ImageMagick (``apt-get install imagemagick``).

Photographs (those of ``tests/vision/photographs`` and the demo studies, or a folder's, named
``MOUTH.VIEW[.TAKE].jpeg``) become files as cameras store them; Pillow, jpegtran, ImageMagick and
exiftool flip and turn them, keep, drop or rewrite what the camera told, or leave them as they are.
Printed are recall and false doubts of each kind of evidence. Every other mouth is for tuning the
parameters of the weighing; the figures that count are of the others.
"""

from __future__ import annotations

import argparse
import io
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import piexif
from PIL import Image, ImageOps

from archiver.photo import DoubtKind, PictureDoubt, file_doubts
from archiver.photo.camera_reader import read_camera_bytes
from tests.benchmarks import evidence_cases as cases
from tests.benchmarks.evidence_cases import CAMERAS, PREVIEWS, Program, Shot
from tests.photo.camera_files import camera_exif, camera_jpeg, thumbnail

HERE = Path(__file__).resolve().parents[2]
#: Limits of the project, for thumbnails.
LEAST_RECALL, MOST_FALSE = 0.99, 0.005
#: Share of the flips and turns that each kind of evidence gets.
SHARES = {"thumbnail": 0.5, "preview": 0.16, "editor": 0.2, "front camera": 0.07, "steep": 0.07}

KEEPING: tuple[Program, ...] = (cases.by_jpegtran, cases.by_pillow, cases.by_exiftool)
EDITING: tuple[Program, ...] = (
    cases.saved_bare,
    cases.saved_without_thumbnail,
    cases.saved_with_thumbnail,
    cases.bare_coefficients,
    cases.retouched,
    cases.viewed,
    cases.photographed_screen,
    cases.shared,
)
FRONT = ("L1 front camera 2.71mm f/2.2", "L1 front TrueDepth camera 2.7mm f/1.9", "L9 user-facing")
BACK = ("L1 back dual wide camera 5.1mm f/1.6", "Frontline 60mm Macro", "", "Macro 105mm F2.8")


@dataclass(frozen=True)
class Case:
    """One file, and what its evidence should say.

    Parameters
    ----------
    kind
        Row of the table.
    how
        What was done to it.
    expected
        The doubt to be told; None where none must be.
    watched
        The doubt that must not be told of one that is as it should be.
    turn
        The turn to be told as well, where there is one.
    """

    kind: str
    how: str
    file: bytes
    expected: DoubtKind | None
    watched: DoubtKind
    turn: int | None = None
    steep: bool = False
    name: str = "IMG_0001.JPG"


@dataclass
class Tally:
    """What came of the cases of one kind."""

    flipped: int = 0
    told: int = 0
    rightly: int = 0
    untouched: int = 0
    false: int = 0
    missed: Counter[str] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)

    @property
    def recall(self) -> float:
        """Share of the flips that are told, with their turn where the evidence has one."""
        return self.rightly / max(self.flipped, 1)

    @property
    def rate(self) -> float:
        """False doubts by file."""
        return self.false / max(self.untouched, 1)


def as_seen(turn: int, orientation: int) -> int:
    """The turn of stored pixels as one sees it who applies EXIF's orientation, by Pillow alone."""
    mark = Image.new("L", (3, 2))
    mark.putdata(range(6))

    def made(picture: Image.Image, *turns: int) -> Image.Image:
        for one in turns:
            picture = picture.transpose(cases.PILLOW[one]) if one > 1 else picture
        return picture

    before, after = made(mark, orientation), made(mark, turn, orientation)
    same = (t for t in range(1, 9) if made(before, t).size == after.size)
    return next(t for t in same if made(before, t).tobytes() == after.tobytes())


class Maker:
    """Makes cases of one part of the pictures."""

    def __init__(self, pictures: Sequence[Path], seed: int, folder: Path, brief: bool) -> None:
        self.pictures = pictures
        self.keeping = KEEPING if brief else (*KEEPING, cases.by_mogrify)
        self.editing = EDITING if brief else (*EDITING, cases.stripped)
        self.chance = random.Random(seed)
        self.folder = folder

    def taken(self, cameras: Sequence[cases.Camera], orientation: int | None = None) -> Shot:
        """Take a photograph with one of several cameras, mostly held level."""
        usual = self.chance.choice((1, 1, 1, 1, 1, 1, 3, 6, 6, 8))
        path, camera = self.chance.choice(self.pictures), self.chance.choice(cameras)
        return cases.shot(path, camera, self.chance, orientation or usual)

    def turn(self) -> int:
        """A flip or a turn; flips left to right are the commonest."""
        return self.chance.choice((2, 2, 3, 3, 4, 5, 6, 7, 8))

    def thumbnail(self, flipped: bool) -> Case:
        """A thumbnail that the camera made and a program left."""
        unflipped = (cases.as_it_is, cases.as_it_is, cases.with_captions, *self.keeping)
        program = self.chance.choice(self.keeping if flipped else unflipped)
        return self._embedded("thumbnail", CAMERAS, program, flipped)

    def preview(self, flipped: bool) -> Case:
        """A further picture: in the maker's note, behind the picture, an item of HEIF."""
        if self.chance.random() < 0.2:
            shot, turn = self.taken(CAMERAS, 1), self.turn() if flipped else 1
            while turn > 4:  # an item's size goes with the thumbnail's configuration
                turn = self.turn()
            file = cases.heif_kept(shot, turn, self.folder)
            return _embedded_case("preview", "heif", file, turn, 1, name="IMG_0001.HEIC")
        program = cases.kept_beside if flipped else cases.as_it_is
        return self._embedded("preview", PREVIEWS, program, flipped)

    def _embedded(
        self, kind: str, cameras: Sequence[cases.Camera], program: Program, flipped: bool
    ) -> Case:
        shot, turn = self.taken(cameras), self.turn() if flipped else 1
        file = program(shot, turn, self.folder)
        how = f"{program.__name__} {turn} of {shot.orientation}, {shot.camera}"
        return _embedded_case(kind, how, file, turn, shot.orientation)

    def editor(self, flipped: bool) -> Case:
        """A program that left no old thumbnail, against files as cameras write them."""
        program = self.chance.choice(self.editing) if flipped else cases.as_it_is
        shot = self.taken(CAMERAS + PREVIEWS[:1])
        file = program(shot, self.turn() if flipped else 1, self.folder)
        expected = DoubtKind.EDITOR if flipped else None
        how = f"{program.__name__}, {shot.camera}"
        return Case("editor", how, file, expected, DoubtKind.EDITOR)

    def front_camera(self, flipped: bool) -> Case:
        """A front camera stores what a mirror would show, or a tag says that it is mirrored."""
        shot = self.taken(CAMERAS, 1)
        pixels = ImageOps.mirror(shot.pixels) if flipped else shot.pixels
        by_tag = flipped and self.chance.random() < 0.4
        lens = self.chance.choice(FRONT if flipped and not by_tag else BACK)
        exif = camera_exif(pixels, thumbnail(pixels), exif={42036: lens.encode()})
        file = camera_jpeg(pixels, exif)
        if by_tag:
            number = self.chance.choice((2, 4, 5, 7))
            file = cases.exiftool(file, self.folder, "-n", f"-Orientation={number}")
        expected = DoubtKind.SELFIE if flipped else None
        return Case("front camera", lens or "no lens", file, expected, DoubtKind.SELFIE)

    def steep(self, flipped: bool) -> Case:
        """A camera that looks down on a lying patient, or up, may note any orientation."""
        angle = self.chance.choice((-1, 1)) * self.chance.uniform(
            *((62, 90) if flipped else (0, 55))
        )
        orientation = self.chance.choice((3, 6, 8) if flipped else (1, 3, 6, 8))
        shot = self.taken(CAMERAS, orientation)
        tells = self.chance.random() < 0.5
        tags = piexif.load(shot.file)
        if tells:  # the view that is said may even speak against it
            tags["Exif"][37893] = (round(angle * 10), 10)
        file = io.BytesIO()
        piexif.insert(piexif.dump(tags), shot.file, file)
        said = self.chance.random() < 0.5 if tells else flipped
        expected = DoubtKind.ORIENTATION if flipped else None
        how = f"{orientation} at {angle:.0f}"
        return Case("steep", how, file.getvalue(), expected, DoubtKind.ORIENTATION, steep=said)


def _embedded_case(
    kind: str, how: str, file: bytes, turn: int, orientation: int, name: str = "IMG_0001.JPG"
) -> Case:
    embedded = DoubtKind.EMBEDDED
    if turn == 1:
        return Case(kind, how, file, None, embedded, name=name)
    return Case(kind, how, file, embedded, embedded, as_seen(turn, orientation), name=name)


def doubts(case: Case) -> tuple[PictureDoubt, ...]:
    """Weigh a case's file as wrapping does."""
    photo = read_camera_bytes(case.file, case.name)
    return file_doubts(photo, looks_up_or_down=case.steep)


def weighed(made: Iterator[Case]) -> dict[str, Tally]:
    """Weigh cases, by kind."""
    tallies = {kind: Tally() for kind in SHARES}
    for case in made:
        tally = tallies[case.kind]
        found = [one for one in doubts(case) if one.kind is case.watched]
        if case.expected is None:
            tally.untouched += 1
            tally.false += bool(found)
            tally.alarms.update([case.how] if found else [])
            continue
        right = any(case.turn in (None, one.turn) for one in found)
        tally.flipped += 1
        tally.told += bool(found)
        tally.rightly += right
        tally.missed.update([] if right else [case.how])
    return tallies


def made(maker: Maker, count: int) -> Iterator[Case]:
    """Make so many flips and turns, and half as many files that are as they should be."""
    for kind, share in SHARES.items():
        make: Callable[[bool], Case] = getattr(maker, kind.replace(" ", "_"))
        for n in range(round(1.5 * share * count)):
            yield make(n % 3 != 2)


def traceless(maker: Maker, count: int) -> int:
    """How many are told that no file can tell: turned on coefficients, the thumbnail made anew."""
    found = 0
    for _ in range(count):
        shot = maker.taken(CAMERAS[:1], 1)
        file = cases.without_trace(shot, maker.turn(), maker.folder)
        found += bool(file_doubts(read_camera_bytes(file, "IMG_0001.JPG")))
    return found


def halves(folder: Path | None) -> tuple[list[Path], list[Path]]:
    """Pictures by mouth: every other mouth is for tuning, the rest for the report."""
    if folder is not None:
        several = [*folder.glob("*.jpeg"), *folder.glob("*.jpg"), *folder.glob("*.png")]
        found = {one: one.name.split(".")[0] for one in several if ".teeth." not in one.name}
    else:
        real = (HERE / "tests" / "vision" / "photographs").glob("*.jpeg")
        found = {one: one.name.split(".")[0] for one in real}
        drawn = (HERE / "demo_studies").glob("P-*/*/*.JPG")
        found |= {one: one.parts[-3] for one in drawn}
    mouths = sorted(set(found.values()))
    tuned = set(mouths[::2])
    several = sorted(found)
    return [p for p in several if found[p] in tuned], [p for p in several if found[p] not in tuned]


def told(title: str, tallies: dict[str, Tally], verbose: bool) -> None:
    """Print the table."""
    print(title)
    for kind, tally in tallies.items():
        print(
            f"  {kind:13} recall {tally.recall:7.2%} of {tally.flipped:4}  "
            f"false doubts {tally.rate:6.2%} of {tally.untouched:4}"
        )
        for name, counter in (("missed", tally.missed), ("false", tally.alarms)):
            for how, number in counter.most_common() if verbose else ():
                print(f"      {name} {number}: {how}")


def main() -> int:
    """Measure and print; with --check, fail where a limit is passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--count", type=int, default=2000, help="flips and turns")
    parser.add_argument("--seed", type=int, default=12)
    parser.add_argument("--brief", action="store_true", help="80 flips and turns")
    parser.add_argument("--verbose", action="store_true", help="name what was missed")
    parser.add_argument("--check", action="store_true", help="exit 1 where a limit is passed")
    options = parser.parse_args()
    count = 80 if options.brief else options.count
    tuning, reporting = halves(options.folder)
    with tempfile.TemporaryDirectory(prefix="bench-evidence-") as name:
        folder = Path(name)
        if not options.brief:
            maker = Maker(tuning, options.seed, folder, options.brief)
            tallies = weighed(made(maker, count // 2))
            told(f"{len(tuning)} pictures that parameters were tuned on", tallies, options.verbose)
            count -= count // 2
        maker = Maker(reporting, options.seed + 1, folder, options.brief)
        tallies = weighed(made(maker, count))
        told(f"{len(reporting)} other pictures, which count", tallies, options.verbose)
        of = max(count // 40, 4)
        print(f"  turned without a trace: {traceless(maker, of)} of {of} told")
    one = tallies["thumbnail"]
    print(f"thumbnails: recall at least {LEAST_RECALL:.0%}, false doubts at most {MOST_FALSE:.1%}")
    well = one.recall >= LEAST_RECALL and one.rate <= MOST_FALSE
    return 0 if well or not options.check else 1


if __name__ == "__main__":
    sys.exit(main())
