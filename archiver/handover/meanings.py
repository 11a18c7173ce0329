"""The standard's own meaning of a code, so that no meaning that somebody wrote goes out."""

from __future__ import annotations

from functools import cache
from typing import Any

from archiver.dentition import Code, codes
from archiver.objects import concepts


@cache
def _ours() -> dict[tuple[str, str], str]:
    found = {}
    for module in (codes, concepts):
        for value in vars(module).values():
            several = value.values() if isinstance(value, dict) else (value,)
            for one in several:
                if isinstance(one, Code):
                    found[one.value, one.scheme] = one.meaning
    return found


@cache
def meaning_of(value: str, scheme: str) -> str:
    """Return the meaning of a code of the standard (PS3.16); empty for any other.

    Parameters
    ----------
    value, scheme
        As the object has them; tooth codes of earlier generations are known too.
    """
    if tooth := codes.tooth_of_code(value, scheme):
        return codes.code_of(tooth).meaning
    if ours := _ours().get((value, scheme)):
        return ours
    if scheme in ("SRT", "SNM3", "99SDM"):
        from pydicom.sr._snomed_dict import mapping

        value, scheme = mapping["SRT"].get(value, ""), "SCT"
    return _published(scheme).get(value, "")


@cache
def _published(scheme: str) -> dict[str, str]:
    from pydicom.sr._concepts_dict import concepts as published

    if scheme not in ("SCT", "DCM", "UCUM", "LN"):
        return {}
    entries: Any = published[scheme]
    return {
        value: str(meaning) for entry in entries.values() for value, (meaning, _) in entry.items()
    }
