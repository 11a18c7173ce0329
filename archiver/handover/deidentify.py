"""De-identification of a photograph by PS3.15 Annex E, at every depth.

The table (`confidentiality`) says what is done with an attribute; what it does not list stays
where the photograph's own definition has it and its value cannot hold free text
(``tables/stricter.toml`` has the rules beyond the table). Pixels are not looked at here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import takewhile
from typing import Any

from pydicom import DataElement, Dataset
from pydicom._uid_dict import UID_dictionary
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence

from archiver.errors import ObjectError, Problem
from archiver.handover import confidentiality as table
from archiver.handover import rewritten_descriptions
from archiver.handover.case import Case
from archiver.handover.confidentiality import ConfidentialityOption, action_of, resolved
from archiver.handover.context import SOMEBODY, cleaned_context, coded
from archiver.handover.identifying_words import Identifying, identifying_texts
from archiver.handover.known_values import is_known, known_part, values_of
from archiver.handover.meanings import meaning_of
from archiver.handover.moments import Moments
from archiver.handover.profiles import PurposeProfile
from archiver.objects import (
    Confirmation,
    Description,
    code_key,
    describe,
    is_confirmation,
    is_ours,
    read_elements,
    set_confirmations,
)
from archiver.photo import bare_profile
from archiver.standard import PHOTOGRAPHIC, Rows, modules_of, rows_of

_ACQUISITION_CONTEXT = 0x00400555
_ICC, _PIXELS = 0x00282000, 0x7FE00010
#: Patient ID and Study ID: the case number is their dummy value.
_NUMBERED = {0x00100020, 0x00200010}
_OF_EVERY_PHOTOGRAPH = (
    *("SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "Modality"),
    "ImageType",
)
_REFERENCED_SERIES, _CONTRIBUTING = 0x00081115, 0x0018A001
_SOFTWARE = 0x00181020
#: Texts that stay although the table does not list them, if the purpose keeps the device.
_EQUIPMENT = {0x00080070, 0x00081090}  # Manufacturer, Manufacturer's Model Name
#: A number of days from an event: beside a date it gives that event's date.
_DAYS_FROM_EVENT = {0x00120052, 0x00120053}
_DATES = {ConfidentialityOption.FULL_DATES, ConfidentialityOption.MODIFIED_DATES}
#: What these keep is an identity, and so no word of a table.
_IDENTITIES = {ConfidentialityOption.DEVICE_IDENTITY, ConfidentialityOption.INSTITUTION_IDENTITY}
_TEXTS = {"LO", "SH", "LT", "ST", "UT", "UC", "PN", "AE", "UR", "AS"}
_WORDS = (*_TEXTS, "CS")
_BYTES = {"OB", "OW", "OF", "OD", "OL", "OV", "UN"}
_DUMMIES = {
    "DA": "19000101", "TM": "000000", "DT": "19000101000000", "PN": SOMEBODY, "DS": "0", "IS": "0",
    "AS": "000Y", "UI": "2.25.0", "AE": "REMOVED", "LO": "removed", "SH": "removed",
    "CS": "REMOVED",
}  # fmt: skip
#: The parts of a code (PS3.3 table 8.8-1): written anew, or left out with what versions say.
_CODE = {
    *(0x00080100, 0x00080102, 0x00080103, 0x00080104, 0x00080105, 0x00080106, 0x00080107),
    *(0x0008010B, 0x0008010D, 0x0008010F, 0x00080117, 0x00080118, 0x00080119, 0x00080120),
    *(0x00080121, 0x00080122),
}


@dataclass(frozen=True)
class Removal:
    """How objects of one case are de-identified for one purpose.

    Parameters
    ----------
    case
        Gives identifiers and dates.
    profile
        Says which options apply.
    """

    case: Case
    profile: PurposeProfile

    def of(self, dataset: Dataset, identifying: Identifying | None = None) -> Dataset:
        """Return a de-identified copy of a photograph, without its pixels.

        Parameters
        ----------
        identifying
            Words that may not go out besides those of the object itself.
        """
        options = self.profile.options
        more = identifying.words if identifying else frozenset()
        known = Identifying(Identifying.of(identifying_texts(dataset, options)).words | more)
        walk = _Walk(self, known, dataset)
        made = walk.copied(dataset, _top_level())
        # What was shown is not said either: whoever has the picture could guess whose it is.
        somebody = (Confirmation(SOMEBODY),) if walk.description.confirmed else ()
        set_confirmations(made, somebody)
        made.SpecificCharacterSet = "ISO_IR 192"
        self._declare(made)
        return made

    def _declare(self, made: Dataset) -> None:
        """Say what was done (PS3.15 E.1.1)."""
        options = self.profile.options
        made.PatientIdentityRemoved = "YES"
        methods = [
            table.BASIC_PROFILE,
            *(table.METHOD[one] for one in ConfidentialityOption if one in options),
        ]
        made.DeidentificationMethodCodeSequence = [coded(value, "DCM") for value, _ in methods]
        times = {
            ConfidentialityOption.FULL_DATES: "UNMODIFIED",
            ConfidentialityOption.MODIFIED_DATES: "MODIFIED",
        }
        kept = [word for option, word in times.items() if option in options]
        made.LongitudinalTemporalInformationModified = kept[0] if kept else "REMOVED"


def demand_whole(made: Dataset) -> None:
    """Refuse an object of which nothing sound can be made.

    Raises
    ------
    ObjectError
        If it lacks what every photograph must have.
    """
    lacking = [keyword for keyword in _OF_EVERY_PHOTOGRAPH if not made.get(keyword)]
    if lacking:
        raise ObjectError(Problem("handover.object.lacks", attributes=lacking))


def declare_cleaned(made: Dataset, method: tuple[str, str]) -> None:
    """Add a method, such as that of cleaned pixels, to those that were declared."""
    made.DeidentificationMethodCodeSequence.append(coded(method[0], "DCM"))


def _top_level() -> Rows:
    rows = [row for module in modules_of(PHOTOGRAPHIC, True) for row in module.rows.by_tag.values()]
    strictest: dict[int, Any] = {}
    for row in rows:
        there = strictest.get(row.tag)
        if there is None or row.kind < there.kind:
            strictest[row.tag] = row
    return Rows(strictest, ())


@dataclass
class _Walk:
    removal: Removal
    known: Identifying
    whole: Dataset

    @cached_property
    def description(self) -> Description:
        """What the object says of itself."""
        return describe(self.whole)

    @cached_property
    def moments(self) -> Moments:
        """Which days and times of the object may be moved along."""
        return Moments.of(self.whole, self.removal.case, self.removal.profile.times)

    @cached_property
    def is_ours(self) -> bool:
        """Whether the object was made here, so that maker and model are those of the camera."""
        return is_ours(self.whole)

    def copied(self, dataset: Dataset, rows: Rows) -> Dataset:
        made = Dataset()
        for element in read_elements(dataset):
            tag = int(element.tag)
            if tag >> 16 in (0x0000, 0x0002) or tag & 0xFFFF == 0 or tag == _PIXELS:
                continue
            new = self._new(element, rows)
            if new is not None:
                made.add(new)
        return made

    def _new(self, element: DataElement, rows: Rows) -> DataElement | None:
        tag = int(element.tag)
        row = rows.by_tag.get(tag)
        action = action_of(tag, self.removal.profile.options)
        if not action:
            return self._unlisted(element, rows) if row is not None else None
        if row is None:
            return None
        kind = row.kind
        deed = _DEEDS[resolved(action, kind)]
        new = deed(self, element, rows)
        if new is None and action in ("C", "K"):
            basic = resolved(action_of(tag, ()), kind)
            return _DEEDS[basic](self, element, rows)
        return new

    def _removed(self, element: DataElement, rows: Rows) -> DataElement | None:
        return None

    def _emptied(self, element: DataElement, rows: Rows) -> DataElement | None:
        if int(element.tag) in _NUMBERED:
            # A dummy value is as good as none (PS3.15 E.3.1), and this one is wanted.
            return DataElement(element.tag, element.VR, self.removal.case.number)
        return DataElement(element.tag, element.VR, None if element.VR != "SQ" else Sequence())

    def _dummy(self, element: DataElement, rows: Rows) -> DataElement | None:
        if int(element.tag) in _NUMBERED:
            return self._emptied(element, rows)
        value = _DUMMIES.get(element.VR)
        return DataElement(element.tag, element.VR, value) if value is not None else None

    def _kept(self, element: DataElement, rows: Rows) -> DataElement | None:
        if element.VR == "SQ":
            return self._sequence(element, rows)
        if element.VR in _WORDS and self.known.is_in(str(element.value)):
            return None
        others = self.removal.profile.options - _IDENTITIES
        if action_of(int(element.tag), others) == "K" and not is_known(element):
            return None
        return DataElement(element.tag, element.VR, element.value)

    def _other_uid(self, element: DataElement, rows: Rows) -> DataElement | None:
        if element.VR == "SQ":
            return self._sequence(element, rows)
        return DataElement(element.tag, element.VR, _each(element.value, self._uid))

    def _uid(self, value: str) -> str:
        return self.removal.case.uid(value) if value else ""

    def _cleaned(self, element: DataElement, rows: Rows) -> DataElement | None:
        tag, value = int(element.tag), None
        if tag == _ACQUISITION_CONTEXT:
            value = Sequence(
                list(cleaned_context(self.whole, self.known, as_typed=self.removal.profile.colour))
            )
            return DataElement(tag, "SQ", value)
        if element.VR in ("DA", "DT", "TM"):
            moved = self.moments.moved(element)
            return DataElement(tag, element.VR, moved) if moved else None
        if element.keyword not in rewritten_descriptions.ANEW:
            return None
        words = rewritten_descriptions.anew(element.keyword, self.description)
        return DataElement(tag, element.VR, words) if words else None

    def _unlisted(self, element: DataElement, rows: Rows) -> DataElement | None:
        tag, vr = int(element.tag), element.VR
        if tag == _REFERENCED_SERIES or (tag == _CONTRIBUTING and not self.removal.profile.device):
            return None
        if vr == "SQ":
            return self._sequence(element, rows)
        if tag in _DAYS_FROM_EVENT and _DATES & self.removal.profile.options:
            return None
        if tag == _ICC:
            profile = bare_profile.rebuilt(bytes(element.value or b""))
            return DataElement(tag, vr, profile) if profile else None
        if vr in _BYTES or vr in ("DA", "TM", "DT") or tag == _SOFTWARE:
            return None
        if vr == "UI":
            return DataElement(tag, vr, _each(element.value, self._foreign_uid))
        if vr in _TEXTS and tag not in _EQUIPMENT:
            return None
        sayable = self._sayable(element)
        if sayable is None:
            kind = rows.by_tag[tag].kind[0]
            left = {"1": _DUMMIES.get(vr, "removed"), "2": ""}
            return DataElement(tag, vr, left[kind]) if kind in left else None
        return DataElement(tag, vr, sayable)

    def _sayable(self, element: DataElement) -> Any:
        """Return what may go out of the value of an attribute that stays; None for nothing."""
        tag = int(element.tag)
        if tag in _EQUIPMENT and not self.removal.profile.device:
            return None
        trusted = tag in _EQUIPMENT and self.is_ours
        told = values_of(element) if trusted else known_part(element)
        if element.VR in _WORDS:
            told = list(takewhile(lambda one: not self.known.is_in(str(one)), told))
        return element.value if len(told) == len(values_of(element)) else told or None

    def _foreign_uid(self, value: str) -> str:
        # The standard's own UIDs (PS3.6 Annex A) lead to nobody.
        return value if value in UID_dictionary else self._uid(value)

    def _sequence(self, element: DataElement, rows: Rows) -> DataElement | None:
        row = rows.by_tag.get(int(element.tag))
        inner = rows_of(row.inner) if row is not None and row.inner else Rows({}, ())
        made = []
        for item in element.value or ():
            if is_confirmation(item):
                continue
            new = self._item(item, inner)
            if new is not None and len(new):
                made.append(new)
        return DataElement(element.tag, "SQ", Sequence(made)) if made else None

    def _item(self, item: Dataset, rows: Rows) -> Dataset | None:
        if not any(k in item for k in ("CodeValue", "LongCodeValue", "URNCodeValue")):
            made = self.copied(item, rows)
            lost = [
                row
                for row in rows.by_tag.values()
                if row.kind == "1" and row.tag in item and row.tag not in made
            ]
            # An item without what it must have would be no valid one.
            return None if lost else made
        value, scheme = code_key(item)
        if not meaning_of(value, scheme):
            return None
        new = coded(value, scheme)
        for element in read_elements(item):
            if int(element.tag) not in _CODE:
                kept = self._new(element, rows)
                if kept is not None:
                    new.add(kept)
        return new


_Deed = Callable[[_Walk, DataElement, Rows], DataElement | None]
_DEEDS: dict[str, _Deed] = {
    "X": _Walk._removed,
    "Z": _Walk._emptied,
    "D": _Walk._dummy,
    "K": _Walk._kept,
    "U": _Walk._other_uid,
    "C": _Walk._cleaned,
}


def _each(value: Any, change: Callable[[str], str]) -> Any:
    if isinstance(value, MultiValue | list | tuple):
        return [change(str(one)) for one in value]
    return change(str(value)) if value not in (None, "") else value
