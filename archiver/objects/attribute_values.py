"""Values of a dataset, read tolerantly: what cannot be read is as if it were not there."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from pydicom import Dataset
from pydicom.datadict import tag_for_keyword
from pydicom.multival import MultiValue
from pydicom.tag import BaseTag


def text(dataset: Dataset, keyword: str) -> str:
    """Return a single-valued attribute as text; empty if it is absent, empty or unreadable."""
    value = value_of(dataset, keyword)
    if value is None:
        return ""
    try:
        if isinstance(value, MultiValue | list | tuple):
            return "\\".join(str(v) for v in value)
        return str(value).strip()
    except Exception:  # an item of a sequence is converted only when it is written
        return ""


def value_of(dataset: Dataset, keyword: str) -> object:
    """Return the value of an attribute, None if it is absent or unreadable."""
    try:
        # By its tag: most attributes that are asked for are absent, which by keyword takes thrice
        # as long to find out.
        tag = _tag_of(keyword)
        return dataset[tag].value if tag in dataset else None
    except Exception:  # pydicom raises many kinds on broken values; the validator tells them
        return None


@cache
def _tag_of(keyword: str) -> BaseTag:
    tag = tag_for_keyword(keyword)
    assert tag is not None, keyword
    return BaseTag(tag)


def number(dataset: Dataset, keyword: str) -> int | None:
    """Return a single-valued attribute as a whole number, None where it is none."""
    try:
        return int(str(value_of(dataset, keyword)))
    except ValueError:
        return None


def octets(dataset: Dataset, keyword: str) -> bytes:
    """Return a binary value; empty if it is absent, or written as something else."""
    value = value_of(dataset, keyword)
    return value if isinstance(value, bytes) else b""


def items(dataset: Dataset, keyword: str) -> Iterator[Dataset]:
    """Yield the items of a sequence; nothing if it is absent or no sequence."""
    value = value_of(dataset, keyword)
    try:
        candidates = list(value)  # type: ignore[call-overload]
    except TypeError:
        return
    for item in candidates:
        if isinstance(item, Dataset):
            yield item


def code_key(item: Dataset) -> tuple[str, str]:
    """Return (value, scheme) of a code sequence item; empty texts where it has none."""
    value = text(item, "CodeValue") or text(item, "LongCodeValue") or text(item, "URNCodeValue")
    return value, text(item, "CodingSchemeDesignator")


def code_keys(dataset: Dataset, keyword: str) -> tuple[tuple[str, str], ...]:
    """Return (value, scheme) of every item of a code sequence."""
    return tuple(code_key(item) for item in items(dataset, keyword))
