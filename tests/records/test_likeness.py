"""Near-duplicates: found in whatever position, and no pair of different pictures."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up_pictures import PERSON, instance
from made_up_pictures import picture as record_picture
from PIL import Image, ImageOps

import demo_studies
from archiver.records.checks.likeness import check_likeness
from archiver.records.checks.twins import check_twins, small_picture
from archiver.records.model import Look, ObjectFacts
from archiver.records.pictures import RecordPicture
from archiver.vision.likeness import NEAR, hashes_of, near_pairs

STUDIES = Path(demo_studies.__file__).parent
#: Of each committed study, in the positions 1 to 8: `phash` of the package ImageHash 4.3.2 (with
#: scipy 1.17.1 and Pillow 13.0.0) of the picture made grey, reduced to 64 x 64 and turned.
KNOWN_HASHES = list(
    csv.reader((Path(__file__).parent / "perceptual_hashes.csv").read_text().splitlines())
)[1:]


def photograph(seed: int, columns: int = 300, rows: int = 200) -> Image.Image:
    rng = np.random.default_rng(seed)
    blocks = rng.integers(30, 230, (7, 10, 3), dtype=np.uint8)
    return Image.fromarray(blocks).resize((columns, rows), Image.Resampling.BICUBIC)


def saved(picture: Image.Image, quality: int = 60) -> Image.Image:
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality)
    return Image.open(io.BytesIO(buffer.getvalue()))


def placed(picture: Image.Image, turn: int) -> Image.Image:
    """The picture as a viewer shows it with an EXIF orientation."""
    exif = Image.Exif()
    exif[274] = turn
    buffer = io.BytesIO()
    picture.save(buffer, "PNG", exif=exif)
    return ImageOps.exif_transpose(Image.open(io.BytesIO(buffer.getvalue())))


@pytest.mark.parametrize("turn", range(1, 9))
def test_the_hash_of_a_position_is_that_of_the_picture_in_it(turn: int) -> None:
    picture = photograph(3)
    stored, there = hashes_of(picture), hashes_of(placed(picture, turn))
    apart = (int(stored[turn - 1], 16) ^ int(there[0], 16)).bit_count()
    assert apart <= 2  # rounding while it is made smaller


@pytest.mark.parametrize("turn", range(1, 9))
def test_a_copy_is_found_in_every_position_smaller_and_saved_worse(turn: int) -> None:
    pictures = [photograph(n) for n in range(30)]
    copy = saved(placed(pictures[11].resize((210, 140)), turn))
    hashes = [tuple(int(h, 16) for h in hashes_of(p)) for p in (*pictures, copy)]
    assert near_pairs(hashes) == {(11, 30)}


def test_an_even_picture_is_like_no_other() -> None:
    assert hashes_of(Image.new("RGB", (64, 64), (120, 90, 80))) == ()


@given(st.lists(st.integers(0, 2**64 - 1), min_size=2, max_size=40), st.randoms())
@settings(max_examples=60, deadline=None)
def test_pairs_are_those_that_comparing_all_with_all_gives(values: list[int], dice: object) -> None:
    for value in values[:5]:  # near ones among them
        flips = dice.sample(range(64), dice.randrange(0, 2 * NEAR))  # type: ignore[attr-defined]
        near = value
        for bit in flips:
            near ^= 1 << bit
        values.append(near)
    hashes = [(v, ~v & (2**64 - 1)) for v in values]
    expected = {
        (a, b)
        for b in range(len(hashes))
        for a in range(b)
        if any((hashes[a][0] ^ h).bit_count() <= NEAR for h in hashes[b])
    }
    assert near_pairs(hashes) == expected


@pytest.mark.parametrize("row", KNOWN_HASHES, ids=lambda row: row[0])
def test_hashes_are_those_of_the_published_implementation(row: list[str]) -> None:
    with Image.open(STUDIES / row[0]) as picture:
        assert hashes_of(picture) == tuple(row[1:])


def looked(number: int, patient: str, shown: Image.Image) -> tuple[RecordPicture, ObjectFacts]:
    """A picture of a patient as an audit has looked at it."""
    person = replace(PERSON, patient_id=patient)
    one = replace(record_picture(number), instances=(instance(number, person=person),))
    return one, ObjectFacts("", 0, look=Look(hashes_of(shown), {}, small_picture(shown)))


def twins(*seen: tuple[RecordPicture, ObjectFacts]) -> set[frozenset[str]]:
    """The pairs that are told, by their patients."""
    pictures = [one for one, _ in seen]
    facts = {one.first.uid: known for one, known in seen}
    told = [*check_likeness(pictures, facts, ()), *check_twins(pictures, facts)]
    by_uid = {one.first.uid: one.person.patient_id for one in pictures}
    assert {one.kind for one in told} <= {"look-alike-patients"}
    return {frozenset(by_uid[uid] for uid in one.uids) for one in told}


def cropped(shown: Image.Image, share: float, side: int) -> Image.Image:
    """A picture without a share of its height and width, off one corner or all around."""
    columns, rows = (round(n * share) for n in shown.size)
    left, top = ((0, 0), (columns, 0), (columns // 2, rows // 2))[side]
    return shown.crop((left, top, shown.width - columns + left, shown.height - rows + top))


def tilted(shown: Image.Image, degrees: float) -> Image.Image:
    """A picture turned by a little, without the corners that come to be empty."""
    turned = shown.rotate(degrees, Image.Resampling.BICUBIC)
    columns, rows = (round(n * 0.055) for n in shown.size)
    return turned.crop((columns, rows, shown.width - columns, shown.height - rows))


def test_cropped_and_tilted_copies_under_another_patient_are_found_and_no_others() -> None:
    shown: dict[str, Image.Image] = {}
    for visit in sorted(STUDIES.glob("P-*/*"))[::3][:3]:
        # Views of one visit differ; dates of one mouth in one view are alike by nature.
        for path in sorted(visit.glob("*.JPG"))[:2]:
            opened = Image.open(path)
            opened.draft("RGB", (800, 800))
            opened.thumbnail((800, 800))
            shown[path.stem + visit.name] = opened.convert("RGB")
    originals = [looked(n, patient, one) for n, (patient, one) in enumerate(shown.items(), 1)]
    assert len(originals) >= 5 and twins(*originals) == set()
    changes = [lambda one, s=s, k=k: cropped(one, s, k) for s in (0.04, 0.12) for k in range(3)]
    changes += [lambda one, a=a: tilted(one, a) for a in (3, -3)]
    for change in changes:
        copies = [
            looked(100 + n, f"not {patient}", saved(change(one), 80))
            for n, (patient, one) in enumerate(shown.items())
        ]
        wanted = {frozenset((patient, f"not {patient}")) for patient in shown}
        assert twins(*originals, *copies) == wanted


def test_pictures_of_one_patient_are_no_twins_of_two() -> None:
    one = photograph(3)
    assert twins(looked(1, "P-1", one), looked(2, "P-1", cropped(one, 0.12, 2))) == set()
    assert twins(looked(1, "P-1", one), looked(2, "P-2", cropped(one, 0.12, 2)))
