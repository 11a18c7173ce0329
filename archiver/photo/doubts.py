"""What speaks for a photograph not being as the camera took it, or not what is said of it.

A doubt is evidence, never a decision: a person answers it by saying how the picture was flipped,
or that it was not, or that teeth and patient have been checked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from archiver.wording import Text


class DoubtKind(str, Enum):
    """What a doubt rests on."""

    EMBEDDED = "embedded picture"
    EDITOR = "editor"
    SELFIE = "selfie"
    ORIENTATION = "orientation"
    REFLECTED = "reflected"
    TURNED = "turned"
    OTHER_TOOTH = "other tooth"
    OTHER_MOUTH = "other mouth"

    @property
    def is_of_file(self) -> bool:
        """Whether it rests on the file alone, not on earlier pictures."""
        return self in _OF_FILE


_OF_FILE = (DoubtKind.EMBEDDED, DoubtKind.EDITOR, DoubtKind.SELFIE, DoubtKind.ORIENTATION)


@dataclass(frozen=True)
class PictureDoubt:
    """One reason to look twice.

    Parameters
    ----------
    text
        The reason in words.
    evidence
        The same as values that JSON has.
    turn
        How the picture seems to have been turned since it was taken, as a viewer shows it: 1 to 8,
        None where that is not told.
    """

    kind: DoubtKind
    text: Text
    evidence: Mapping[str, Any] = field(default_factory=dict)
    turn: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the doubt as values that JSON has."""
        return {"kind": self.kind.value, "evidence": dict(self.evidence), "words": str(self.text)}
