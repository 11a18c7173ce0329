"""A signed head of the journal as a DICOM object, so that another archive can be its witness.

It is an Encapsulated PDF (PS3.3 A.45.1) of no patient: the page has what was signed. Head,
signature, public key and time stamp lie in the PDF as one comment (ISO 32000-1, 7.2.3) before its
end, and come out of it byte for byte.
"""

from __future__ import annotations

import base64
import io
import json
import re
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from pydicom import Dataset
from reportlab.pdfgen.canvas import Canvas

from archiver.archive.witness import KeptHead, SignedHead, head_of, keep_head
from archiver.errors import InputError, ObjectError, Problem
from archiver.objects import DerivedUids, encapsulated_form, open_dataset, part10

#: ISO 216, A4, in points.
_WIDTH, _HEIGHT, _MARGIN, _LEADING = 595.28, 841.89, 40.0, 14.0
#: Document Title, and what stands for a patient; other archives' lists show them.
_TITLE, _NAME = "Signed head of a journal", "Journal^Signed heads"
_COMMENT = re.compile(rb"\n% archiver signed head ([A-Za-z0-9+/=]+)\n")


def head_object(kept: KeptHead, head: SignedHead) -> bytes:
    """Return the file of the object; the same head makes the same one.

    Parameters
    ----------
    kept
        As a witness has it: with its signature and the public key.
    """
    said_at = datetime.fromisoformat(head.said_at)
    uids = DerivedUids()
    beside = Dataset()
    beside.SpecificCharacterSet = "ISO_IR 192"
    beside.PatientName, beside.PatientID = _NAME, f"JOURNAL-{head.archive[:8]}"
    beside.PatientBirthDate = beside.PatientSex = ""
    beside.StudyInstanceUID = uids.uid("study", {"heads": head.archive})
    beside.StudyDate, beside.StudyTime = said_at.strftime("%Y%m%d"), said_at.strftime("%H%M%S")
    beside.StudyID = beside.AccessionNumber = beside.ReferringPhysicianName = ""
    made = encapsulated_form.build(
        _document(kept, head), _TITLE, beside, created=said_at, uids=uids
    )
    # Nobody scanned it.
    made.ConversionType, made.BurnedInAnnotation = "WSD", "NO"
    return part10.whole(made)


def unpack_heads(paths: Iterable[Path], folder: Path) -> list[SignedHead]:
    """Take heads out of objects that another archive has given back, into a witness's folder.

    Raises
    ------
    InputError
        If an object holds no head.
    ArchiveError
        If the disk refuses.
    """
    heads = []
    for path in paths:
        try:
            document = bytes(open_dataset(path).get("EncapsulatedDocument", b""))
            found = _COMMENT.search(document)
            told = json.loads(base64.b64decode(found.group(1))) if found else {}
            parts = {name: base64.b64decode(value) for name, value in told.items()}
            head = head_of(parts["head"])
            keep_head(folder, head, parts["signature"], parts["public"], parts["stamp"])
        except (ObjectError, ValueError, KeyError, TypeError, AttributeError) as error:
            problem = Problem("workflow.head_object.none").at(file=str(path))
            raise InputError(problem) from error
        heads.append(head)
    return heads


def _document(kept: KeptHead, head: SignedHead) -> bytes:
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(_WIDTH, _HEIGHT), invariant=1, lang="en")
    canvas.setTitle(_TITLE)
    canvas.setFont("Courier", 8)
    for place, line in enumerate([_TITLE, "", *kept.text.decode("ascii").splitlines()]):
        canvas.drawString(_MARGIN, _HEIGHT - _MARGIN - place * _LEADING, line)
    canvas.save()
    parts = {
        "head": head.text,
        "signature": kept.signature,
        "public": kept.public,
        "stamp": kept.stamp,
    }
    told = {name: base64.b64encode(part).decode("ascii") for name, part in parts.items()}
    comment = base64.b64encode(json.dumps(told, sort_keys=True).encode())
    pdf = out.getvalue()
    # Behind all that the table of places counts, before where it begins is said.
    end = pdf.rindex(b"startxref")
    return pdf[:end].rstrip() + b"\n% archiver signed head " + comment + b"\n" + pdf[end:]
