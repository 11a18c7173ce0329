"""The paper on which a consent was given, kept beside the patient's pictures."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from pydicom.uid import ExplicitVRLittleEndian

from archiver.archive.ingest.service import Ingest
from archiver.archive.query import Query
from archiver.archive.store.archive import Archive
from archiver.archive.store.file_transaction import Incoming
from archiver.errors import InputError, Problem
from archiver.objects import (
    DerivedUids,
    UidPolicy,
    describe,
    encapsulated_form,
    open_dataset,
    part10,
)

#: Document Title; what other archives' lists show, so it is in the standard's language.
_TITLE = "Consent"


def attach_form(
    archive: Archive,
    patient: tuple[str, str],
    pdf: bytes,
    now: datetime,
    *,
    visit: str = "",
    uids: UidPolicy | None = None,
) -> str:
    """Keep a scanned form as an encapsulated PDF and return its SOP Instance UID.

    Parameters
    ----------
    patient
        Identifier and its issuer.
    pdf
        The scan, byte for byte. One that is there already is not kept again.
    visit
        Study Instance UID; left out, the patient's latest.

    Raises
    ------
    InputError
        If the patient has no such visit.
    ObjectError
        If it is no PDF.
    ArchiveError
        If the archive refuses.
    """
    asked = Query(patient_id=patient[0], issuer=patient[1], study_uid=visit or None, limit=1)
    records = archive.query(asked)
    if not records:
        raise InputError(Problem("archive.consents.no_such_visit", uid=visit))
    beside = open_dataset(Path(records[0].path), decoded=True)
    uids = uids or DerivedUids()
    made = encapsulated_form.build(pdf, _TITLE, beside, created=now, uids=uids)
    uid = str(made.SOPInstanceUID)
    if not archive.has(uid):
        said = replace(describe(made), transfer_syntax=ExplicitVRLittleEndian)
        Ingest.of(archive).accept([Incoming(said, [part10.whole(made)])])
    return uid
