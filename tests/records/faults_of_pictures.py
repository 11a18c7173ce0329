"""Faults of pictures: kept twice, derived wrongly, of poor quality, failed in a check."""

from __future__ import annotations

import io
from collections.abc import Callable

import cv2
import numpy as np
from fault_scene import AFTER, ARCHES, DIRECT, FAULTS, Scene, fault, pictured
from made_up_archive import Shot, encoded
from object_samples import exif_block
from PIL import Image
from pydicom import Dataset
from pydicom.uid import generate_uid

from archiver.dentition import codes
from archiver.dentition.teeth import Tooth
from tests.benchmarks.bench_quality import darkened, fogged, moved, tinted, with_bubbles
from tests.benchmarks.real_photographs import TEN, pictures

# The same picture


@fault("side-changed")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    one, other = scene.pick((("left buccal", "right buccal"), ("right buccal", "left buccal")))
    shot = scene.extra(case, one)
    shot.data = case.shot(other).data
    scene.told("side-changed", case, at=[shot])


@fault("picture-two-teeth")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    shot = scene.extra(case, "close-up", teeth=scene.pick(("", "11", "22")))
    shot.data = case.shot("frontal").data
    scene.told("picture-two-teeth", case, at=[shot])


@fault("picture-twice")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    view = scene.pick(DIRECT)
    shot = scene.extra(case, view, comment="again")
    shot.data = case.shot(view).data
    scene.told("picture-twice", case, at=[shot])


@fault("picture-two-patients")
def _(scene: Scene) -> None:
    case, other = scene.orthodontic(), scene.orthodontic()
    view = scene.pick(DIRECT)
    shot = scene.extra(other, view)
    shot.data = case.shot(view).data
    scene.told("picture-two-patients", other, at=[shot]).patients.add(case.label)


def _copy(shot: Shot, scene: Scene, *, flipped: bool = False) -> bytes:
    """The picture saved anew by a program that loses a little."""
    with Image.open(io.BytesIO(shot.data)) as picture:
        grey = np.asarray(picture.convert("L"))
    quality = scene.number(75, 88)
    return encoded(grey[:, ::-1] if flipped else grey, AFTER, quality=quality)


@fault("look-alike")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    view = scene.pick(DIRECT)
    shot = scene.extra(case, view)
    shot.data = _copy(case.shot(view), scene)
    scene.told("look-alike", case, at=[shot])


@fault("look-alike-teeth")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    shot = scene.extra(case, "close-up")
    shot.data = _copy(case.shot(scene.pick(DIRECT)), scene)
    scene.told("look-alike-teeth", case, at=[shot])


@fault("look-alike-reflected")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    one, other = scene.pick((("left buccal", "right buccal"), ("right buccal", "left buccal")))
    shot = scene.extra(case, one)
    shot.data = _copy(case.shot(other), scene, flipped=True)
    scene.told("look-alike-reflected", case, at=[shot])


@fault("look-alike-patients")
def _(scene: Scene) -> None:
    case, other = scene.orthodontic(), scene.orthodontic()
    view = scene.pick(DIRECT)
    shot = scene.extra(other, view)
    shot.data = _copy(case.shot(view), scene)
    scene.told("look-alike-patients", other, at=[shot]).patients.add(case.label)


def _finding(kind: str, outcome: str) -> None:
    @fault(kind)
    def _(scene: Scene) -> None:
        case = scene.orthodontic()
        shot = case.shot(scene.pick((*DIRECT, *ARCHES)))
        scene.findings.append({"shot": shot, "check": "wrong-way", "outcome": outcome})
        scene.told(kind, case, at=[shot])


_finding("wrong-way-failed", "failed")
_finding("wrong-way-undecided", "undecided")


# Withdrawn by a note, as an amendment does it


@fault("rejected-replaced")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    view = scene.pick((*DIRECT, *ARCHES))
    old = scene.extra(case, view, comment="before it was amended")
    old.data = case.shot(view).data
    scene.notes.append((old, ""))
    scene.told("rejected-replaced", case, at=[old], times=1 + old.photograph.mirror)


@fault("rejection-undecided")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    scene.unheeded.append((case.shot(scene.pick((*DIRECT, *ARCHES))), ""))
    scene.told("rejection-undecided", case)


@fault("rejected-alone")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    old = scene.extra(case, scene.pick((*DIRECT, *ARCHES)))
    scene.notes.append((old, ""))
    scene.told("rejected-alone", case, at=[old], times=1 + old.photograph.mirror)


@fault("side-amended")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    was, now = scene.pick((("left buccal", "right buccal"), ("right buccal", "left buccal")))
    old = scene.extra(case, was)
    old.data = case.shot(now).data
    scene.notes.append((old, ""))
    scene.told("side-amended", case, "rejected-replaced", at=[old])


@fault("source-rejected")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    shot = case.shot(scene.pick(ARCHES))
    scene.notes.append((shot, "original"))
    scene.told("source-rejected", case, "rejected-alone", at=[shot])


# Derivations


def _derived(change: Callable[[Dataset], object]) -> Callable[[Dataset], None]:
    def tweak(ds: Dataset) -> None:
        if ds.ImageType[0] == "DERIVED":
            change(ds)

    return tweak


@fault("derived-without-original")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    shot = case.shot(scene.pick(ARCHES))
    shot.drop = "original"
    scene.told("derived-without-original", case, at=[shot])


@fault("correction-missing")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    shot = case.shot(scene.pick(ARCHES))
    shot.drop = "derived"
    scene.told("correction-missing", case, at=[shot])


@fault("derived-without-source")
def _(scene: Scene) -> None:
    case = scene.orthodontic()

    def forget(ds: Dataset) -> None:
        del ds.SourceImageSequence, ds.ReferencedSeriesSequence

    shot = case.shot(scene.pick(ARCHES))
    shot.tweaks.append(_derived(forget))
    scene.told("derived-without-source", case, "object-invalid", "object-doubtful", at=[shot])


@fault("original-of-other-patient")
def _(scene: Scene) -> None:
    case, other = scene.orthodontic(), scene.orthodontic()
    p = other.patient

    def move(ds: Dataset) -> None:
        ds.PatientID, ds.PatientName, ds.PatientSex = p.id, p.name, p.sex
        ds.PatientBirthDate = f"{p.birth_date:%Y%m%d}"

    shot = case.shot(scene.pick(ARCHES))
    shot.tweaks.append(_derived(move))
    follow = ("study-two-patients", "correction-missing")
    told = scene.told("original-of-other-patient", case, *follow, at=[shot])
    told.patients.add(other.label)


@fault("original-of-other-study")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    uid, series = generate_uid(), generate_uid()

    def move(ds: Dataset) -> None:
        ds.StudyInstanceUID, ds.SeriesInstanceUID = uid, series

    shot = case.shot(scene.pick(ARCHES))
    shot.tweaks.append(_derived(move))
    scene.told("original-of-other-study", case, at=[shot])


@fault("original-shows-other")
def _(scene: Scene) -> None:
    case = scene.orthodontic()
    quadrant, position = scene.pick((1, 2)), scene.pick((4, 5, 6))
    shot = scene.extra(case, "occlusal", teeth=f"{quadrant}{position}", mirror=True)

    def move(ds: Dataset) -> None:
        item, code = ds.PrimaryAnatomicStructureSequence[0], codes.code_of(Tooth(quadrant, 7))
        item.CodeValue, item.CodeMeaning = code.value, code.meaning

    shot.tweaks.append(_derived(move))
    scene.told("original-shows-other", case, at=[shot])


# Quality


def _photograph(scene: Scene, name: str, spoil: Callable[[np.ndarray], np.ndarray]) -> bytes:
    """A part of a real photograph, spoilt; another part each time."""
    (one,) = (each for each in pictures(TEN) if each.name == name)
    top, left = scene.number(0, 60), scene.number(0, 80)
    part = one.pixels[top : top + 1000, left : left + 1340]
    small = cv2.resize(part, (670, 500), interpolation=cv2.INTER_AREA)
    buffer = io.BytesIO()
    exif = exif_block(when=f"{AFTER:%Y:%m:%d %H:%M:%S}")
    Image.fromarray(spoil(np.ascontiguousarray(small))).save(buffer, "JPEG", quality=92, exif=exif)
    return buffer.getvalue()


def _spoilt(kind: str, name: str, spoil: Callable[[np.ndarray], np.ndarray], *also: str) -> None:
    pictured(kind, _SIDES, lambda scene: _photograph(scene, name, spoil), *also)


_SIDES = DIRECT[1:]
_spoilt("picture-soft", "patient_1.right_buccal", moved)
_spoilt("picture-exposure", "patient_1.frontal", lambda p: darkened(p, 0.25))
_spoilt("picture-fogged", "patient_0.left_buccal", fogged)
_spoilt("picture-glare", "patient_1.left_buccal", lambda p: with_bubbles(p, 0.15))
_spoilt(
    "picture-cast",
    "patient_0.right_buccal",
    lambda p: tinted(p, 1.3, 1, 1),
    "picture-exposure",
)


@fault("picture-undecodable")
def _(scene: Scene) -> None:
    """The coded pixels are overwritten while their frame markers stay."""
    case = scene.orthodontic()
    shot = case.shot(scene.pick(_SIDES))
    shot.spoilt = True
    scene.told("picture-undecodable", case, "object-invalid", "object-doubtful", at=[shot])


__all__ = ["FAULTS"]
