"""Every way in which the tests spoil a good object: one attribute at a time, at every level."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass

from pydicom import Dataset
from pydicom.dataelem import DataElement, RawDataElement
from pydicom.sequence import Sequence
from pydicom.tag import Tag

PIXEL_DATA = 0x7FE00010

# A value that the representation allows in form, or not, by representation.
_CORRUPT: dict[str, list[bytes]] = {
    "AE": [b"A" * 18],
    "AS": [b"37 years"],
    "CS": [b"xyz ", b"NOT_A_TERM", b"A" * 18],
    "DA": [b"20261301", b"4.3.2026"],
    "DS": [b"much", b"1.23456789012345678 "],
    "DT": [b"20260304250000", b"today "],
    "IS": [b"1.5 ", b"99999999999 "],
    "LO": [b"x" * 66, b"a\x07"],
    "PN": [b"a^b^c^d^e^f ", b"n" * 66],
    "SH": [b"x" * 18],
    "TM": [b"250000", b"noon"],
    "UI": [b"1.2.abc\0", b"1.02.3", b"1.2." + b"3" * 62],
    "US": [b"\x09\x00", b"\xff\xff", b"\x01\x00\x02\x00"],
    "OB": [b"\x00\x02"],
}


@dataclass(frozen=True)
class Mutation:
    """A spoilt dataset: what was done to which attribute."""

    kind: str
    where: str
    dataset: Dataset

    def __str__(self) -> str:
        return f"{self.kind} {self.where}"


def _paths(ds: Dataset, before: tuple[tuple[int, int], ...] = ()) -> Iterator[tuple]:
    for element in ds:
        yield (*before, (int(element.tag), -1))
        if element.VR == "SQ":
            for number, item in enumerate(element.value):
                yield from _paths(item, (*before, (int(element.tag), number)))


def _holder(ds: Dataset, path: tuple[tuple[int, int], ...]) -> Dataset:
    for tag, number in path[:-1]:
        ds = ds[tag].value[number]
    return ds


def _name(ds: Dataset, path: tuple[tuple[int, int], ...]) -> str:
    names = []
    for tag, number in path:
        element = ds[tag]
        names.append(element.keyword or str(element.tag))
        if number >= 0:
            names[-1] += f"[{number + 1}]"
            ds = element.value[number]
    return ".".join(names)


def mutations(good: Dataset, *, deletions_only: bool = False) -> Iterator[Mutation]:
    """Yield the good dataset with each attribute in turn deleted, emptied and corrupted."""
    for path in _paths(good):
        where = _name(good, path)
        tag = path[-1][0]
        vr = _holder(good, path)[tag].VR

        def mutant(kind: str, change, path=path, where=where) -> Mutation:
            spoilt = copy.deepcopy(good)
            change(_holder(spoilt, path), path[-1][0])
            return Mutation(kind, where, spoilt)

        yield mutant("delete", lambda item, tag: item.pop(tag))
        if tag == PIXEL_DATA or deletions_only:
            continue
        yield mutant("empty", lambda item, tag, vr=vr: _put(item, tag, vr, b""))
        if vr == "SQ" and _holder(good, path)[tag].value:
            yield mutant("double", lambda item, tag: item[tag].value.append(item[tag].value[0]))
            yield mutant("hollow", lambda item, tag: _put_items(item, tag, [Dataset()]))
        for number, value in enumerate(_CORRUPT.get(vr, ())):
            yield mutant(
                f"corrupt {number + 1}", lambda item, tag, v=value, vr=vr: _put(item, tag, vr, v)
            )


def _put(item: Dataset, tag: int, vr: str, value: bytes) -> None:
    if vr == "SQ":
        _put_items(item, tag, [])
        return
    # Raw elements are written as they are: no check of pydicom stands in the way.
    item._dict[Tag(tag)] = RawDataElement(Tag(tag), vr, len(value), value, 0, False, True)


def _put_items(item: Dataset, tag: int, items: list[Dataset]) -> None:
    item[tag] = DataElement(tag, "SQ", Sequence(items))
