"""Every kind of doubt is answered by what answers it, and by nothing else."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import pytest

from archiver.dentition import Direction, Turn
from archiver.objects.doubt_answers import answered_by, is_answered
from archiver.photo import DoubtKind

TURNED = next(one for one in Turn if one is not Turn.IDENTITY)
ANOTHER = next(one for one in Turn if one not in (Turn.IDENTITY, TURNED))


@dataclass(frozen=True)
class Doubt:
    kind: DoubtKind
    turn: int | None = None


@dataclass(frozen=True)
class Said:
    flipped: Turn | None = None
    exif_orientation: str = ""
    top: Direction | None = None
    checked: Collection[str] = ()


#: Everything that can be said, by its name.
SAID = {
    "nothing": Said(),
    "no flip": Said(flipped=Turn.IDENTITY),
    "a flip": Said(flipped=TURNED),
    "another flip": Said(flipped=ANOTHER),
    "orientation": Said(exif_orientation="ignore"),
    "top": Said(top=next(iter(Direction))),
    "teeth": Said(checked=("teeth",)),
    "patient": Said(checked=("patient",)),
}
FILE = {"no flip", "a flip", "another flip"}
#: By kind: the key of a sheet, and what answers it where nothing is told of how it was turned.
RIGHT = {
    DoubtKind.EMBEDDED: ("flipped", FILE),
    DoubtKind.EDITOR: ("flipped", FILE),
    DoubtKind.SELFIE: ("flipped", FILE),
    DoubtKind.ORIENTATION: ("exif_orientation", {"orientation", "top"}),
    DoubtKind.REFLECTED: ("flipped", {"no flip"}),
    DoubtKind.TURNED: ("flipped", {"no flip"}),
    DoubtKind.OTHER_TOOTH: ("checked", {"teeth"}),
    DoubtKind.OTHER_MOUTH: ("checked", {"patient"}),
}


@pytest.mark.parametrize("kind", DoubtKind)
def test_a_doubt_is_answered_by_its_own_key_alone(kind: DoubtKind) -> None:
    key, answers = RIGHT[kind]
    assert answered_by(kind) == key
    assert {name for name, said in SAID.items() if is_answered(Doubt(kind), said)} == answers


@pytest.mark.parametrize("kind", [k for k, (_, answers) in RIGHT.items() if answers is FILE])
def test_a_flip_that_contradicts_the_evidence_is_no_answer(kind: DoubtKind) -> None:
    doubt = Doubt(kind, TURNED)
    answers = {name for name, said in SAID.items() if is_answered(doubt, said)}
    assert answers == {"no flip", "a flip"}
