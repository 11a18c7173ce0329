"""What somebody types who looks for a patient."""

from __future__ import annotations

import re

#: Between the parts of a name, as people and as objects write it.
_BETWEEN = re.compile(r"[\s,^=]+")


def parts_of_person(typed: str) -> tuple[str, ...]:
    """Return the parts of a name or an identifier that were typed, in any order."""
    return tuple(part for part in _BETWEEN.split(typed) if part)
