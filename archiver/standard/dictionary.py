"""The data dictionary (PS3.6): name, value representation and multiplicity of a tag."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from pydicom._dicom_dict import DicomDictionary
from pydicom.datadict import get_entry, keyword_dict


@dataclass(frozen=True)
class TagEntry:
    """One row of the data dictionary.

    ``vrs`` holds every value representation that the row allows; ``vm`` is the multiplicity as
    printed, such as ``1``, ``2-n`` or ``3-3n``.
    """

    keyword: str
    vrs: tuple[str, ...]
    vm: str
    retired: bool


@lru_cache(maxsize=8192)
def describe_tag(tag: int) -> TagEntry | None:
    """Return the row of a tag, ``None`` for private and unknown ones."""
    if (tag >> 16) & 1:
        return None
    row = DicomDictionary.get(tag)
    if row is None:
        try:
            row = get_entry(tag)
        except KeyError:
            return None
    return TagEntry(row[4], tuple(row[0].split(" or ")), row[1], bool(row[3]))


@lru_cache(maxsize=4096)
def tag_of(keyword: str) -> int:
    """Return the tag of a keyword.

    Raises
    ------
    KeyError
        The dictionary has no such keyword: a slip in our own tables or rules.
    """
    return keyword_dict[keyword]


def admits_multiplicity(vm: str, count: int) -> bool:
    """Whether a number of values fits a multiplicity such as ``1-3`` or ``2-2n`` (PS3.5 6.4)."""
    for choice in vm.split(" or "):
        low, _, high = choice.partition("-")
        least = int(low) if low.isdigit() else 1
        if not high:
            if count == least:
                return True
        elif high.endswith("n"):
            step = int(high[:-1] or 1)
            if count >= least and (count - least) % step == 0:
                return True
        elif least <= count <= int(high):
            return True
    return False
