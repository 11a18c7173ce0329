"""Acquisition Context, cleaned (PS3.15 E.3.3): codes stay, names go, words only if harmless."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from functools import cache
from importlib.resources import files

from pydicom import Dataset

from archiver.handover.identifying_words import Identifying
from archiver.handover.meanings import meaning_of
from archiver.objects import code_key, concepts, items, says_calibration, says_scale, text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

#: Stands for whoever confirmed the side: that somebody did is kept, who it was is not.
SOMEBODY = "Clinician^"
#: Beginnings of the comments that may stay.
_STAYING = (
    concepts.LIGHT,
    concepts.POLARISER,
    concepts.STAGE,
    concepts.COLOUR_FRAME,
    concepts.MAGNIFICATION,
    concepts.SEEN_FROM,
    concepts.LOSSY_CODING,
    *concepts.SHADE.values(),
)
#: Our own sentences: places in ISO 3950, and the word of a view.
_PLACES = (*concepts.PLACES.values(), concepts.VIEW)
_REGIONS = (concepts.GREY_CARD, concepts.TAB_REGION, concepts.TOOTH_REGION, concepts.SCALE_REGION)


@cache
def _vocabulary() -> tuple[frozenset[str], frozenset[str]]:
    place = files("archiver.handover").joinpath("tables/words.toml")
    told = tomllib.loads(place.read_text("utf-8"))
    return frozenset(told["words"].split()), frozenset(told["units"].split())


def harmless(words: str) -> bool:
    """Return whether every word of a text is one that the vocabulary has, or a quantity."""
    known, units = _vocabulary()
    for word in re.split(r"[\s,;:()]+", words.casefold()):
        word = word.strip(".")
        number = re.fullmatch(r"(?:f/|x)?\d{1,4}(?:[.,]\d{1,2})?(?:/\d{1,4})?([^\d]*)", word)
        if word and word not in known and not (number and number[1] in {"", *units}):
            return False
    return True


def cleaned_context(
    sequence: Dataset, known: Identifying, *, as_typed: bool = False
) -> Iterator[Dataset]:
    """Yield the items of Acquisition Context that may stay.

    Parameters
    ----------
    sequence
        The dataset that holds Acquisition Context Sequence.
    known
        Words that may not go out.
    as_typed
        Whether what was typed for whoever makes a tooth goes out with all its words; what names
        the patient never does.
    """
    for item in items(sequence, "AcquisitionContextSequence"):
        names = [code_key(one) for one in items(item, "ConceptNameCodeSequence")]
        if len(names) != 1 or not meaning_of(*names[0]):
            continue
        made = Dataset()
        made.ConceptNameCodeSequence = [coded(*names[0])]
        kind = text(item, "ValueType")
        if kind == "CODE":
            values = [code_key(one) for one in items(item, "ConceptCodeSequence")]
            if len(values) == 1 and meaning_of(*values[0]):
                made.ValueType, made.ConceptCodeSequence = "CODE", [coded(*values[0])]
                yield made
        elif kind == "TEXT" and (kept := _kept(text(item, "TextValue"), known, as_typed)):
            made.ValueType, made.TextValue = "TEXT", kept
            yield made


def _kept(words: str, known: Identifying, as_typed: bool) -> str:
    start, _, rest = words.partition(": ")
    if says_calibration(words) or says_scale(words):  # our own sentences
        return words
    if start in _PLACES:
        return words if re.fullmatch(r"\d\ds?(, \d\ds?)*|[a-z -]{5,20}", rest) else ""
    if start in _REGIONS:
        return words if re.fullmatch(r"\d+x\d+\+\d+\+\d+", rest) else ""
    if as_typed and start in concepts.SHADE.values():
        return "" if known.is_in(rest) else words
    if start not in _STAYING or known.is_in(rest):
        return ""
    if start == concepts.LOSSY_CODING:
        # Our own sentence; anything else that calls itself so is somebody's.
        return words if re.fullmatch(r"[A-Z]{3,5}, which has no term in DICOM", rest) else ""
    return words if harmless(rest) else ""


def coded(value: str, scheme: str) -> Dataset:
    """Return a code sequence item with the standard's own meaning."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator = value, scheme
    item.CodeMeaning = meaning_of(value, scheme)
    return item
