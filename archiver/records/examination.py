"""What an audit takes from an object's file: digest, findings, words, and the look of it."""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass, replace
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.archive.store import digest_file
from archiver.errors import InputError, ObjectError, PhotoError
from archiver.objects import concepts
from archiver.records.model import Look, ObjectFacts, Said, ValidatorFinding
from archiver.wording import Text
from archiver.workers import confined

if TYPE_CHECKING:
    from pydicom import Dataset

    from archiver.objects import Description
    from archiver.standard import Item

#: Longer side to which a picture is reduced for its hash.
_REDUCED = 256


class Depth(IntEnum):
    """How far an audit looks: each level takes in those before it."""

    INDEX = 0
    DIGESTS = 1
    OBJECTS = 2
    PICTURES = 3


@dataclass(frozen=True)
class Examined:
    """An object that was read.

    Parameters
    ----------
    description
        What it says of itself; None where it cannot be read as an object, or was only digested.
    trouble
        Why it cannot be read; empty where it can.
    """

    facts: ObjectFacts
    description: Description | None = None
    trouble: Said = ""


def examine_file(path: Path, depth: Depth) -> Examined:
    """Read an object once and take from it what the depth asks for.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    if depth <= Depth.DIGESTS:
        written = digest_file(path)
        return Examined(ObjectFacts(written.sha256, written.size))
    data = path.read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    from archiver.standard import ObjectFindings, examine

    report = ObjectFindings()
    parsed = examine(data, report)
    findings = tuple(
        ValidatorFinding(f.severity.value, f.rule, f.attribute, f.found, f.expected, f.clause)
        for f in report.findings
        if f.severity.value != "note"
    )
    dataset, trouble = _dataset(data)
    if dataset is None or parsed is None:
        return Examined(
            ObjectFacts(digest, len(data), validator_findings=findings),
            None,
            trouble or Text("records.examination.no_object"),
        )
    from archiver.objects import describe

    description = describe(dataset)
    stream = _stream(parsed, data)
    look = None
    if depth >= Depth.PICTURES and description.is_photograph:
        look = look_at(stream, description)
    facts = replace(
        said_by(dataset, description),
        digest=digest,
        size=len(data),
        pixels=hashlib.sha256(stream).hexdigest() if stream else "",
        validator_findings=findings,
        look=look,
    )
    return Examined(facts, description)


def _dataset(data: bytes) -> tuple[Dataset | None, Said]:
    from archiver.objects import open_dataset

    try:
        return open_dataset(data), ""
    except ObjectError as error:
        return None, error.problems[0]


def said_by(dataset: Dataset, description: Description) -> ObjectFacts:
    """Return what an object says in words; its digest, size and pixels are not known."""
    from archiver.objects import comments, functional_state, text

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        words = comments(dataset)
        operator = text(dataset, "OperatorsName")
        state = functional_state(dataset)
    selection = description.selection
    rejects = selection is not None and selection.rejects
    return ObjectFacts(
        "",
        0,
        stage=words.get(concepts.STAGE, ""),
        frame=words.get(concepts.COLOUR_FRAME, ""),
        consent=words.get(concepts.CONSENT, ""),
        operator=operator,
        confirmed_by=description.confirmed_by,
        certainty=description.certainty or "",
        sources=tuple(uid for uid in description.source_uids if uid),
        orientation=str(description.orientation or ""),
        title=selection.title.value if selection is not None and rejects else "",
        rejects=selection.uids if selection is not None and rejects else (),
        is_evidenced=selection is not None and selection.is_evidenced,
        functional_state=state,
        magnification=words.get(concepts.MAGNIFICATION, ""),
        seen_from=words.get(concepts.SEEN_FROM, ""),
    )


def _stream(parsed: Item, data: bytes) -> bytes:
    """Return the bytes of the pixel data: fragments joined, or the value as it stands."""
    from archiver.standard import PIXEL_DATA

    element = parsed.elements.get(PIXEL_DATA)
    if element is None:
        return b""
    if element.fragments is None:
        return bytes(element.value)
    pieces = element.fragments[1:]
    return b"".join(data[f.offset : f.offset + f.length] for f in pieces)


def look_at(stream: bytes, description: Description) -> Look:
    """Decode a picture for its hash and its figures of quality.

    A stream that is no JPEG, or that nothing here decodes, has the figure ``undecodable``.
    """
    try:
        return _looked(stream)
    except InputError:
        return Look((), {"undecodable": 1.0})


@confined(PhotoError)
def _looked(stream: bytes) -> Look:
    import numpy as np

    from archiver.photo import reduced
    from archiver.records.checks.twins import small_picture
    from archiver.vision import LOOKED_AT, hashes_of, quality_figures

    picture = reduced(stream, LOOKED_AT)
    figures = quality_figures(np.asarray(picture))
    picture.thumbnail((_REDUCED, _REDUCED))
    hashes = hashes_of(picture)
    small = small_picture(picture) if hashes else ""
    return Look(hashes, figures.numbers if figures is not None else {}, small)
