"""Confirmations as an object keeps them: Contributing Equipment (PS3.3 C.12.1.1.5).

Whoever confirms a side contributes to the instance by the equipment that wrote it down: an item
says who (Operators' Name), when (Contribution DateTime, with its offset) and what was shown
(Contribution Description). Its purpose is Modifying Equipment (PS3.16 CID 7005). Acquisition
Context, where earlier versions wrote a name under (121098, DCM, "Verifying"), is for what was so
when the picture was taken (C.7.6.14), and 121098 is the value of a role (CID 7453).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime

from pydicom import Dataset
from pydicom.sequence import Sequence as Items

from archiver.dentition import Turn
from archiver.objects import concepts
from archiver.objects.attribute_values import code_keys, items, text
from archiver.objects.confirmation import Confirmation, code_of
from archiver.objects.session import Crop

_BOUND, _SAID = "Side confirmed as shown", "Side confirmed, not bound to a picture"
_FORM = re.compile(
    _BOUND + r" \(\S+\): sha256 ([0-9a-f]{64}), of picture sha256 ([0-9a-f]{64}),"
    r" turn ([1-8]), crop (?:none|(\d+)x(\d+)\+(\d+)\+(\d+))"
)
_MOMENT = "%Y%m%d%H%M%S%z"


def set_confirmations(ds: Dataset, found: Sequence[Confirmation]) -> None:
    """Put confirmations in the place of those that a dataset has; other equipment stays."""
    others = [
        item for item in items(ds, "ContributingEquipmentSequence") if not is_confirmation(item)
    ]
    equipment = [*others, *(_item(one) for one in found)]
    ds.pop("ContributingEquipmentSequence", None)
    if equipment:
        ds.ContributingEquipmentSequence = Items(equipment)
    context = [item for item in items(ds, "AcquisitionContextSequence") if not _is_old(item)]
    if "AcquisitionContextSequence" in ds:
        ds.AcquisitionContextSequence = Items(context)


def stated(ds: Dataset) -> Iterator[Confirmation]:
    """Yield the confirmations that a dataset has, whether or not what they bind is still so."""
    for item in items(ds, "ContributingEquipmentSequence"):
        if is_confirmation(item):
            yield _read(item)
    for item in items(ds, "AcquisitionContextSequence"):
        if _is_old(item) and text(item, "PersonName"):
            yield Confirmation(text(item, "PersonName"))


def is_confirmation(item: Dataset) -> bool:
    """Return whether an item of Contributing Equipment is a confirmation."""
    purpose = (concepts.MODIFYING_EQUIPMENT.value, concepts.MODIFYING_EQUIPMENT.scheme)
    words = text(item, "ContributionDescription")
    ours = words == _SAID or words.startswith(_BOUND)
    return ours and purpose in code_keys(item, "PurposeOfReferenceCodeSequence")


def _is_old(item: Dataset) -> bool:
    name = (concepts.VERIFYING.value, concepts.VERIFYING.scheme)
    return name in code_keys(item, "ConceptNameCodeSequence")


def _item(one: Confirmation) -> Dataset:
    item, purpose = Dataset(), Dataset()
    purpose.CodeValue = concepts.MODIFYING_EQUIPMENT.value
    purpose.CodingSchemeDesignator = concepts.MODIFYING_EQUIPMENT.scheme
    purpose.CodeMeaning = concepts.MODIFYING_EQUIPMENT.meaning
    item.PurposeOfReferenceCodeSequence = Items([purpose])
    item.Manufacturer = concepts.MANUFACTURER
    item.ManufacturerModelName = concepts.MODEL_NAME
    item.OperatorsName = one.by
    item.ContributionDescription = _SAID
    if one.when is not None:
        item.ContributionDateTime = one.when.strftime(_MOMENT)
        item.ContributionDescription = (
            f"{_BOUND} ({code_of(one.shown)}): sha256 {one.shown}, of picture sha256 {one.picture},"
            f" turn {int(one.turn)}, crop {one.crop or 'none'}"
        )
    return item


def _read(item: Dataset) -> Confirmation:
    by = text(item, "OperatorsName")
    told = _FORM.fullmatch(text(item, "ContributionDescription"))
    if told is None:
        return Confirmation(by)
    try:
        when = datetime.strptime(text(item, "ContributionDateTime"), _MOMENT)
    except ValueError:
        return Confirmation(by)
    crop = None
    if told[4]:
        width, height, left, top = (int(told[n]) for n in (4, 5, 6, 7))
        crop = Crop(left, top, width, height)
    return Confirmation(by, when, told[1], told[2], Turn(int(told[3])), crop)
