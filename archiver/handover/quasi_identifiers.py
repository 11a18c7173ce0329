"""What of a package could, together with what others know, single its patient out.

Quasi-identifiers name nobody: age, sex, days, a rare finding. Which of them a package holds is
said here before it is made; whether that is too much for its reader, a person decides.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pydicom import Dataset

from archiver.handover.confidentiality import ConfidentialityOption
from archiver.handover.order import OrderedPictures
from archiver.handover.picture_selection import OutgoingPicture
from archiver.objects import comments, open_dataset, text
from archiver.wording import Text

#: What somebody wrote of a picture -> what it tells of; beginnings of words.
_TOLD = {
    "missing_teeth": ("missing", "extract", "edentul", "agenes", "hypodont", "absent"),
    "rare_finding": (
        *("rare", "supernumer", "mesiodens", "amelogenes", "dentinogenes", "cleft", "gemin"),
        *("fusion", "fused", "fluoros", "syndrom", "lesion", "tumour", "tumor", "fracture"),
    ),
    "marks": ("tattoo", "piercing", "jewel", "earring", "grill", "scar", "birthmark"),
}
_REAL = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True)
class QuasiIdentifier:
    """One thing in a package that could single its patient out.

    Parameters
    ----------
    kind
        ``age``, ``sex``, ``dates``, ``times``, ``camera``, ``faces``, ``missing_teeth``,
        ``rare_finding`` or ``marks``.
    told
        What of it goes out, or that it does not.
    goes_out
        Whether anything of it does; None where only somebody who looks at the pictures can say.
    """

    kind: str
    told: Text
    goes_out: bool | None


def risks_of(chosen: OrderedPictures) -> tuple[QuasiIdentifier, ...]:
    """Return what a package would hold of each kind, whether anything or nothing.

    Parameters
    ----------
    chosen
        As `preview_package` gives it.

    Raises
    ------
    ObjectError
        If an object cannot be read.
    """
    headers = [open_dataset(Path(one.record.path)) for one in chosen.pictures]
    found = [*_characteristics(chosen, headers), _dates(chosen), _times(chosen)]
    cameras = chosen.profile.device
    found.append(_said("camera", cameras, "kept" if cameras else "removed"))
    faces = sum(one.shows_face for one in chosen.pictures)
    found.append(_said("faces", bool(faces), "some" if faces else "none", n=faces))
    written = [_written(one, header) for one, header in zip(chosen.pictures, headers, strict=True)]
    for kind, words in _TOLD.items():
        numbers = tuple(number for number, said in written if _speaks(said, words))
        # What is written does not go out; what it tells of is in the pixels.
        found.append(
            QuasiIdentifier(kind, Text(f"handover.risk.{kind}.told", pictures=numbers), True)
            if numbers
            else QuasiIdentifier(kind, Text(f"handover.risk.{kind}.silent"), None)
        )
    return tuple(found)


def _said(kind: str, goes_out: bool, word: str, **values: object) -> QuasiIdentifier:
    return QuasiIdentifier(kind, Text(f"handover.risk.{kind}.{word}", **values), goes_out)


def _characteristics(chosen: OrderedPictures, headers: Sequence[Dataset]) -> list[QuasiIdentifier]:
    keeps = ConfidentialityOption.PATIENT_CHARACTERISTICS in chosen.profile.options
    found = []
    for kind, keyword in (("age", "PatientAge"), ("sex", "PatientSex")):
        there = any(text(header, keyword) for header in headers)
        word = "kept" if keeps and there else "removed" if there else "none"
        found.append(_said(kind, keeps and there, word))
    return found


def _dates(chosen: OrderedPictures) -> QuasiIdentifier:
    days = sorted({one.record.study_date for one in chosen.pictures})
    options = chosen.profile.options
    if not options & {ConfidentialityOption.FULL_DATES, ConfidentialityOption.MODIFIED_DATES}:
        return _said("dates", False, "order", visits=len(days))
    real = [date.fromisoformat(day) for day in days if _REAL.fullmatch(day)]
    span = (real[-1] - real[0]).days if real else 0
    word = "real" if ConfidentialityOption.FULL_DATES in options else "moved"
    return _said("dates", True, word, visits=len(days), days=span)


def _times(chosen: OrderedPictures) -> QuasiIdentifier:
    options, times = chosen.profile.options, chosen.profile.times
    dated = bool(options & {ConfidentialityOption.FULL_DATES, ConfidentialityOption.MODIFIED_DATES})
    return _said("times", dated and times != "none", times if dated else "none")


def _written(one: OutgoingPicture, header: Dataset) -> tuple[int, str]:
    said = [*comments(header).values(), text(header, "ImageComments"), one.record.study_description]
    return one.number, " ".join(said).casefold()


def _speaks(said: str, words: Sequence[str]) -> bool:
    return any(re.search(rf"\b{word}", said) for word in words)
