"""An archive in parts that can be judged one after the other.

Whatever a check holds against one another is in one part: all instances of a patient, and those
that share a study, a series, a camera file, pixels or a name and birth date, or name one another.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from archiver.objects import name_key
from archiver.records.model import Instance, ObjectFacts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: Instances of a part, where none belongs to more.
PART = 5000
_KINDS = ("patient", "person", "study", "series", "file", "pixels", "instance")


def divided(count: int, instances: Iterable[tuple[Instance, ObjectFacts | None]]) -> Sequence[int]:
    """Return to which part each instance belongs; a part has consecutive ones as far as can be.

    Parameters
    ----------
    count
        How many instances there are.
    instances
        With what was read of their objects.
    """
    if count <= PART:
        return [0] * count
    import numpy as np

    # By hashes: two marks that share one by chance put more into a part, which does no harm.
    marks = {kind: (array("q"), array("l")) for kind in _KINDS}
    for number, (one, known) in enumerate(instances):
        for kind, value in _marks(one, known):
            hashes, numbers = marks[kind]
            hashes.append(hash(value))
            numbers.append(number)
    stars = []
    for kind in _KINDS:
        hashes, numbers = marks.pop(kind)
        stars.append(_stars(np.frombuffer(hashes, np.int64), np.frombuffer(numbers, np.int_)))
    parts: list[int] = _packed(_joined(count, stars)).tolist()
    return parts


def _marks(one: Instance, known: ObjectFacts | None) -> Iterator[tuple[str, object]]:
    """Yield what an instance shares with others of its part."""
    person = one.person
    yield "patient", person.patient_id
    if person.name and person.birth_date:
        yield "person", (name_key(person.name), person.birth_date)
    yield "study", one.study
    yield "series", one.series
    yield "instance", one.uid
    if one.source:
        yield "file", one.source
    if one.predecessor:
        yield "instance", one.predecessor
    if known is not None:
        if known.pixels:
            yield "pixels", known.pixels
        for uid in (*known.sources, *known.rejects):
            yield "instance", uid


def _stars(hashes: NDArray[np.int64], numbers: NDArray[np.int_]) -> tuple[NDArray[np.int_], ...]:
    """Return, for all of one mark but the first, the first and themselves."""
    import numpy as np

    order = np.argsort(hashes, kind="stable")
    ordered, numbers = hashes[order], numbers[order]
    begins = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(ordered) else order
    lengths = np.diff(np.r_[begins, len(ordered)])
    first = np.repeat(numbers[begins], lengths)
    others = first != numbers
    return first[others], numbers[others]


def _joined(count: int, stars: Sequence[tuple[NDArray[np.int_], ...]]) -> NDArray[np.int_]:
    """Return the first instance of those with which each is joined, be it by way of others."""
    import numpy as np

    labels = np.arange(count)
    while True:
        before = labels.copy()
        for first, other in stars:
            low = np.minimum(labels[first], labels[other])
            np.minimum.at(labels, first, low)
            np.minimum.at(labels, other, low)
            labels = labels[labels]
        if np.array_equal(before, labels):
            return labels


def _packed(labels: NDArray[np.int_]) -> NDArray[np.int_]:
    """Return parts of about the same size."""
    import numpy as np

    sizes = np.bincount(labels, minlength=len(labels))
    before = np.cumsum(sizes) - sizes
    _, parts = np.unique(before[labels] // PART, return_inverse=True)
    return np.asarray(parts).reshape(-1)
