"""Objects of all kinds that `archiver add` takes, spoilt at random: one cause a mutant."""

from __future__ import annotations

import copy
import io
import random
import warnings

from pydicom import Dataset, FileMetaDataset, dcmread
from pydicom.dataelem import RawDataElement
from pydicom.tag import Tag
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

PATIENT, ISSUER = "P-0417", "RIVERBEND"
#: What stands where something else should: texts, numbers, dates, zones, codes, bytes.
VALUES = (
    b"", b" ", b"\0", b"\0\0", b"much", b"1e999", b"-1", b"1.5\\2", b"99999999999999999999",
    b"20261301", b"00000000", b"2026", b"20260304999999", b"+2500", b"+0100\\+0200", b"Z",
    b"noon", b"25", b"1.2..3", b"1.2." + b"9" * 90, b"\\", b"\\\\\\", b"=^=^", b"A" * 300,
    b"\xff\xfe\xfd", b"\x1b$B!!\x1b(B", b"\xc3\x28", b"\x1b$)C\xb1", b"NaN", b"Infinity",
    b"{json}", b"%s%n", b"../../x", b"=1+1", b"\r\n", b"\x01\x00", b"\xff\xff\xff\xff",
    b"\x00\x00\xc0\x7f", b"ISO 2022 IR 87", b"ISO_IR 999", b"XC", b"SCT", b"YES", b"M\\F",
)  # fmt: skip
VRS = ("CS", "DA", "TM", "DT", "IS", "DS", "UI", "PN", "LO", "SH", "UT", "UN", "OB", "US", "FD",
       "AS", "AT", "SQ")  # fmt: skip


def kinds(photographs: list[Dataset], notes: list[Dataset]) -> list[Dataset]:
    """Every kind of object: what the archive has, a radiograph, a report, a scanned form."""
    for one in photographs:
        # What other programs add.
        one.TimezoneOffsetFromUTC, one.PatientAge, one.EthnicGroup = "+0100", "038Y", "x"
        one.AcquisitionDateTime = "20260304142000+0100"
    return [*photographs, *photographs, *notes, _radiograph(), _report(), _form()]


def _other(sop_class: str, modality: str) -> Dataset:
    ds = Dataset()
    ds.SOPClassUID, ds.SOPInstanceUID = sop_class, "1.2.826.0.1.3680043.8.498.1"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "1.2.826.0.1.3", "1.2.826.0.1.4"
    ds.PatientName, ds.PatientID, ds.IssuerOfPatientID = "Okafor^Nadia", PATIENT, ISSUER
    ds.PatientBirthDate, ds.PatientSex, ds.AccessionNumber, ds.StudyID = "19880217", "F", "", ""
    ds.StudyDate, ds.StudyTime, ds.ReferringPhysicianName = "20260304", "142000", ""
    ds.ContentDate, ds.ContentTime = "20260304", "142000"
    ds.Modality, ds.SeriesNumber, ds.InstanceNumber = modality, 1, 1
    ds.Manufacturer, ds.TimezoneOffsetFromUTC = "Lumora", "+0100"
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return ds


def _radiograph() -> Dataset:
    ds = _other("1.2.840.10008.5.1.4.1.1.1.3", "IO")
    ds.Rows = ds.Columns = 8
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PixelRepresentation = 1, "MONOCHROME2", 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelData = 16, 12, 11, b"\0" * 128
    ds.ImageType, ds.PatientOrientation = ["ORIGINAL", "PRIMARY", ""], ["A", "F"]
    ds.WindowCenter, ds.WindowWidth, ds.AcquisitionDateTime = "2048", "4096", "20260304142000+0100"
    return ds


def _code(value: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", meaning
    return item


def _report() -> Dataset:
    ds = _other("1.2.840.10008.5.1.4.1.1.88.11", "SR")
    ds.CompletionFlag, ds.VerificationFlag = "COMPLETE", "UNVERIFIED"
    ds.ValueType, ds.ContinuityOfContent = "CONTAINER", "SEPARATE"
    ds.ConceptNameCodeSequence = [_code("121060", "History")]
    text = Dataset()
    text.RelationshipType, text.ValueType, text.TextValue = "CONTAINS", "TEXT", "seen"
    text.ConceptNameCodeSequence = [_code("121106", "Comment")]
    ds.ContentSequence = [text]
    return ds


def _form() -> Dataset:
    ds = _other("1.2.840.10008.5.1.4.1.1.104.1", "DOC")
    ds.BurnedInAnnotation, ds.DocumentTitle = "YES", "Consent"
    ds.ConceptNameCodeSequence = [_code("121144", "Document Title")]
    ds.MIMETypeOfEncapsulatedDocument, ds.EncapsulatedDocument = "application/pdf", b"%PDF-1.4"
    return ds


def mutant(rng: random.Random, good: Dataset, number: int) -> bytes:
    """Return a file of an object with one to three of its elements, or of its bytes, spoilt."""
    ds = copy.deepcopy(good)
    uid = f"1.2.826.0.1.3680043.8.498.{number + 100}"
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    out = io.BytesIO()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for _ in range(rng.choice((1, 1, 2, 3))):
                _spoil(rng, ds)
            ds.save_as(out, enforce_file_format=True)
    except Exception:
        # pydicom cannot read or write it so: another one.
        return mutant(rng, good, number)
    octets = bytearray(out.getvalue())
    if rng.random() < 0.15:
        for _ in range(rng.randint(1, 4)):
            octets[rng.randrange(132, len(octets))] = rng.randrange(256)
    return bytes(octets)


def _spoil(rng: random.Random, ds: Dataset) -> None:
    holder = ds
    while True:
        tags = [tag for tag in list(holder.keys()) if tag not in (0x00080018, 0x7FE00010)]
        if not tags:
            return
        tag = rng.choice(tags)
        element = holder[tag]
        if element.VR != "SQ" or not element.value or rng.random() < 0.2:
            break
        holder = rng.choice(list(element.value))
    kind = rng.random()
    if kind < 0.12:
        del holder[tag]
        return
    vr = rng.choice(VRS) if kind < 0.3 or element.VR == "SQ" else str(element.VR)
    value = rng.choice(VALUES)
    if vr == "SQ":
        holder.add_new(tag, "SQ", [])
        return
    value += b" " * (len(value) % 2)
    holder[Tag(tag)] = RawDataElement(Tag(tag), vr, len(value), value, 0, False, True)


def read(path: object) -> Dataset:
    """Return an object with everything in it, in the encoding in which it is written again."""
    ds = dcmread(path)  # type: ignore[arg-type]
    if ds.file_meta.TransferSyntaxUID == ImplicitVRLittleEndian:
        raise AssertionError("objects of ours are explicit")
    return ds
