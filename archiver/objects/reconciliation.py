"""Objects from elsewhere under the identity that the clinic knows a patient by.

The values that they came with stay in Original Attributes (PS3.3 C.12.1.1.9), the pixels and every
UID as they are: it is the same instance, told of by the clinic's own registration.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime

from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver.objects import concepts, modules
from archiver.objects.attribute_values import items, text
from archiver.objects.session import Patient

#: Defined term of (0400,0565): values replaced by those of another source.
_COERCE = "COERCE"
_WHOSE = (
    *("PatientName", "PatientID", "IssuerOfPatientID", "IssuerOfPatientIDQualifiersSequence"),
    *("PatientBirthDate", "PatientSex"),
)


def reconcile(ds: Dataset, patient: Patient, when: datetime) -> None:
    """Say of an object that it shows a patient of the clinic.

    Parameters
    ----------
    ds
        Changed in place; its texts are decoded already.
    patient
        As the clinic knows them.
    when
        With its offset from UTC.
    """
    before = Dataset()
    for keyword in _WHOSE:
        if keyword in ds:
            before.add(ds[keyword])
            del ds[keyword]
    change = Dataset()
    change.SourceOfPreviousValues = text(before, "IssuerOfPatientID")
    change.AttributeModificationDateTime = when.strftime("%Y%m%d%H%M%S%z")
    change.ModifyingSystem = concepts.MODEL_NAME
    change.ReasonForTheAttributeModification = _COERCE
    change.ModifiedAttributesSequence = Sequence([before])
    earlier = items(ds, "OriginalAttributesSequence")
    ds.OriginalAttributesSequence = Sequence([*earlier, change])
    ds.SpecificCharacterSet = "ISO_IR 192"
    modules.set_patient(ds, patient)


def reconciled_at(ds: Dataset) -> datetime | None:
    """Return when this program last brought an object under another identity; None if never."""
    found = None
    for change in items(ds, "OriginalAttributesSequence"):
        ours = text(change, "ModifyingSystem") == concepts.MODEL_NAME
        if ours and text(change, "ReasonForTheAttributeModification") == _COERCE:
            with suppress(ValueError):
                said = text(change, "AttributeModificationDateTime")
                found = datetime.strptime(said, "%Y%m%d%H%M%S%z")
    return found
