"""A scanned paper as an Encapsulated PDF (PS3.3 A.45.1), in a study of the patient's."""

from __future__ import annotations

import hashlib
from datetime import datetime

from pydicom import Dataset
from pydicom.sequence import Sequence

from archiver import __version__
from archiver.errors import ObjectError, Problem
from archiver.objects import concepts
from archiver.objects.attribute_values import text
from archiver.objects.key_objects import copy_subject, set_times
from archiver.objects.uids import UidPolicy

ENCAPSULATED_PDF = "1.2.840.10008.5.1.4.1.1.104.1"
#: The series of papers of a study, after that of notes.
_SERIES_NUMBER = 91
#: Bytes of a scan; a page at 300 dpi in colour takes one or two megabytes.
LARGEST = 64 << 20
#: A reader looks for the end of a PDF in its last bytes (ISO 32000-1, Annex H, note 18).
_TAIL = 1024


def build(
    pdf: bytes, title: str, beside: Dataset, *, created: datetime, uids: UidPolicy
) -> Dataset:
    """Build the object.

    Parameters
    ----------
    pdf
        The file, byte for byte.
    title
        Document Title, 64 characters at most.
    beside
        An instance of the patient and study.
    created
        When it is attached; aware of its offset.

    Raises
    ------
    ObjectError
        If it is no whole PDF, or too large.
    """
    if not pdf.startswith(b"%PDF-") or b"%%EOF" not in pdf[-_TAIL:]:
        raise ObjectError(Problem("objects.encapsulated_form.no_pdf"))
    if len(pdf) > LARGEST:
        raise ObjectError(Problem("objects.encapsulated_form.large", most=LARGEST >> 20))
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    copy_subject(ds, beside)
    ds.Modality = "DOC"
    ds.SeriesInstanceUID = uids.uid("series", {"study": ds.StudyInstanceUID, "series": "papers"})
    ds.SeriesNumber = _SERIES_NUMBER
    ds.SeriesDescription = title
    set_times(ds, created, text(beside, "TimezoneOffsetFromUTC"))
    ds.AcquisitionDateTime = ""
    ds.Manufacturer = concepts.MANUFACTURER
    ds.ManufacturerModelName = concepts.MODEL_NAME
    ds.SoftwareVersions = __version__
    ds.ConversionType = "SD"
    ds.BurnedInAnnotation = "YES"
    ds.DocumentTitle = title
    ds.ConceptNameCodeSequence = Sequence([])
    ds.MIMETypeOfEncapsulatedDocument = "application/pdf"
    ds.EncapsulatedDocument = pdf + b"\0" * (len(pdf) % 2)
    ds.EncapsulatedDocumentLength = len(pdf)
    ds.SOPClassUID = ENCAPSULATED_PDF
    digest = hashlib.sha256(pdf).hexdigest()
    facts = {"role": "paper", "study": str(ds.StudyInstanceUID), "sha256": digest}
    ds.SOPInstanceUID = uids.uid("instance", facts)
    return ds
