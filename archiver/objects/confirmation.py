"""A side confirmed by looking: what was shown, who said that it is right, and when.

What was shown has a digest, and the digest a code of six characters that is printed under the
picture wherever it is shown whole with its directions. Pixels are not decoded for it: the digest
of the camera file, the turn and the crop determine what is displayed.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any

from archiver.dentition import Orientation, Plan, Sight, Turn
from archiver.errors import MeaningError, Problem
from archiver.objects.clock import demand_offset
from archiver.objects.session import Crop, Patient
from archiver.wording import Text

#: Digits and capitals without those that are taken for one another (0 O, 1 I L, U).
ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
#: How a side is confirmed: by word alone; as it was shown; so by two people; of something else.
SAID, BOUND, COUNTERSIGNED, LAPSED = "said", "bound", "countersigned", "lapsed"
_LENGTH, _FIRST = 6, 4
#: Raised when the digest is made of something else; older ones then no longer fit.
_EDITION = "shown 1"
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Witnessed:
    """All of a picture that a person sees who confirms its side.

    Parameters
    ----------
    picture
        SHA-256 of the camera file; of the coded frame as shot where no camera file is known.
    turn
        From the stored pixels to those displayed.
    crop
        In pixels of the turned picture, as it is done; None for all of it.
    sight
        View, teeth, surface, side and the orientation of the display.
    mirror
        Whether a mirror, or a reflection of the file itself, is between mouth and pixels.
    issuer, patient_id, patient_name
        Whose picture it is; empty where that was not known.
    """

    picture: str
    turn: Turn
    crop: Crop | None
    sight: Sight
    mirror: bool
    issuer: str = ""
    patient_id: str = ""
    patient_name: str = ""

    @classmethod
    def of(cls, picture: str, plan: Plan, crop: Crop | None, patient: Patient | None) -> Witnessed:
        """Return what is shown by a plan; `patient` is None where it is not known yet."""
        whose = (patient.issuer, patient.id, patient.name) if patient else ("", "", "")
        return cls(picture, plan.correction, crop, plan.sight, seen_in_mirror(plan), *whose)

    @cached_property
    def facts(self) -> dict[str, Any]:
        """What the digest is made of, as values that JSON has."""
        seen = self.sight
        return {
            "picture": self.picture,
            "turn": int(self.turn),
            "crop": str(self.crop) if self.crop else "",
            "directions": _letters(seen.display),
            "patient": [self.issuer, self.patient_id, name_key(self.patient_name)],
            "teeth": [tooth.iso for tooth in seen.teeth],
            "view": seen.view.value,
            "surface": seen.surface.value if seen.surface else "",
            "mirror": self.mirror,
        }

    @cached_property
    def digest(self) -> str:
        """SHA-256 of all that is shown, in hexadecimal."""
        text = json.dumps([_EDITION, self.facts], sort_keys=True, ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def code(self) -> str:
        """The code that is printed under the picture, such as ``7KQ2-M4``."""
        return code_of(self.digest)

    @property
    def is_turned(self) -> bool:
        """True where what is shown is not the picture as shot, but one corrected from it."""
        return self.mirror or self.turn is not Turn.IDENTITY or self.crop is not None

    def to_json(self) -> dict[str, Any]:
        """Return what a page shows, and sends back with an answer, as values that JSON has."""
        return {"digest": self.digest, "code": self.code, "facts": self.facts}

    def is_named_by(self, shown: str) -> bool:
        """Return whether a code, or a whole digest, as `read_shown` gives it, is this one's."""
        return shown in (self.code, self.digest)


@dataclass(frozen=True)
class Confirmation:
    """Somebody's word that a side is right.

    Parameters
    ----------
    by
        Who, as a DICOM person name.
    when
        Aware of its offset; None where it is not bound to a picture.
    shown
        Digest of all that was shown; empty where it is not bound to a picture.
    picture, turn, crop
        As in `Witnessed`: what one instance by itself does not say of it.

    Raises
    ------
    InputError
        If the time has no offset.
    """

    by: str
    when: datetime | None = None
    shown: str = ""
    picture: str = ""
    turn: Turn = Turn.IDENTITY
    crop: Crop | None = None

    def __post_init__(self) -> None:
        if self.when is not None:
            demand_offset(self.when)

    @classmethod
    def of(cls, examined: Witnessed, by: str, when: datetime) -> Confirmation:
        """Bind somebody's word to what they saw."""
        seen, whole = examined, when.replace(microsecond=0)
        return cls(by, whole, seen.digest, seen.picture, seen.turn, seen.crop)

    @property
    def note(self) -> str:
        """What the journal is told."""
        when = self.when.isoformat() if self.when else ""
        return f"side confirmed by {self.by} at {when}, shown {self.shown}"

    @property
    def is_bound(self) -> bool:
        """False for one of which only is known that it was said."""
        return bool(self.shown)


def seen_in_mirror(plan: Plan) -> bool:
    """Return whether a mirror, or a reflection of the file, is between mouth and pixels."""
    return (plan.mirror or plan.stored_is_reflected) and not plan.sight.view.is_extraoral


def certainty_of(found: Iterable[Confirmation]) -> str:
    """Return how a side is confirmed by these: `SAID`, `BOUND`, `COUNTERSIGNED`, or empty."""
    held = tuple(found)
    people = len(signers(held))
    if people:
        return COUNTERSIGNED if people > 1 else BOUND
    return SAID if held else ""


def code_of(digest: str) -> str:
    """Return the short code of a digest."""
    number = int(digest[:16], 16)
    found = ""
    for _ in range(_LENGTH):
        number, at = divmod(number, len(ALPHABET))
        found += ALPHABET[at]
    return f"{found[:_FIRST]}-{found[_FIRST:]}"


def read_shown(text: str) -> str:
    """Read a code as a person types it, or a whole digest, and return it as it is written.

    Case, spaces and dashes do not matter.

    Raises
    ------
    MeaningError
        If it is neither.
    """
    bare = "".join(c for c in text if not (c.isspace() or unicodedata.category(c) == "Pd"))
    if _DIGEST.fullmatch(bare.lower()):
        return bare.lower()
    bare = bare.upper()
    if len(bare) != _LENGTH or any(c not in ALPHABET for c in bare):
        raise MeaningError(Problem("objects.confirmation.no_code", given=text[:40]))
    return f"{bare[:_FIRST]}-{bare[_FIRST:]}"


def refuse_other(examined: Witnessed, shown: str) -> None:
    """Refuse a confirmation of something else than what is shown.

    Raises
    ------
    MeaningError
        If the code or digest is missing, is none, or is that of another picture.
    """
    if not shown:
        raise MeaningError(Problem("objects.confirmation.no_shown"))
    if not examined.is_named_by(read_shown(shown)):
        # The right code is not told: it is to be read under the picture.
        raise MeaningError(Problem("objects.confirmation.shown_otherwise"))


def name_key(name: str) -> str:
    """Return a person's name as names are compared: without case and trailing components."""
    folded = unicodedata.normalize("NFKC", name).casefold()
    return "=".join(group.rstrip("^ ") for group in folded.split("=")).rstrip("=")


def differences(seen: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[Text, ...]:
    """Return what is no longer as somebody saw it, each as a clause; empty where nothing is.

    Parameters
    ----------
    seen, now
        `Witnessed.facts`; those that were seen may come from anywhere.
    """
    return tuple(
        Text(f"objects.confirmation.{key}", seen=_worded(key, seen.get(key)), now=_worded(key, is_))
        for key, is_ in now.items()
        if seen.get(key) != is_
    )


def renewed(found: Iterable[Confirmation], new: Confirmation) -> tuple[Confirmation, ...]:
    """Return confirmations with one more; what is not bound to a picture gives way to it."""
    return (*(one for one in found if one.is_bound), new)


def signers(found: Iterable[Confirmation]) -> tuple[str, ...]:
    """Return the different people who confirmed what was shown to them."""
    people = {name_key(one.by): one.by for one in found if one.is_bound}
    return tuple(people.values())


def _letters(edges: Orientation) -> str:
    return f"{edges.rows.value}\\{edges.columns.value}"


def _worded(key: str, fact: object) -> object:
    """Return a fact as a person reads it."""
    if key == "turn":
        return next((turn.text for turn in Turn if turn == fact), str(fact)[:40])
    if key == "mirror":
        return Text("objects.confirmation.mirrored" if fact else "objects.confirmation.direct")
    if isinstance(fact, list):
        fact = " ".join(str(one)[:40] for one in fact[:32])
    return str(fact)[:200] if fact else Text("objects.mistakes.not_named")
