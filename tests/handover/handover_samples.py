"""Archives whose pictures may go out, and hostile ones that name their patient everywhere."""

from __future__ import annotations

import io
import struct
from datetime import date, datetime, timezone
from pathlib import Path

import numpy as np
import piexif
from PIL import Image, PngImagePlugin
from pydicom import DataElement, Dataset, dcmread
from pydicom.encaps import encapsulate

from archiver.archive.ingest.foreign_files import add_files
from archiver.archive.ingest.session_ingest import IngestSettings, take_in
from archiver.archive.query import Query
from archiver.archive.statements.consents import note
from archiver.archive.statements.sheet_consents import note_session
from archiver.archive.store import Outcome
from archiver.archive.store.archive import Archive
from archiver.handover.order import PackageOrder
from archiver.objects.purposes import Purpose
from archiver.objects.sheet import read_sheet
from archiver.photo import icc
from archiver.photo.camera_reader import read_size
from tests.confirming import looked

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=timezone.utc)
PATIENT, ISSUER, NAME = "P-0417", "RIVERBEND", "Okafor^Nadia^Żółcińska"
WHO = (PATIENT, ISSUER)

HEAD = """\
numbering = "ISO 3950"

[patient]
id = "P-0417"
issuer = "RIVERBEND"
name = "Okafor^Nadia^Żółcińska"
birth_date = 1988-02-17
sex = "F"

[visit]
date = {day}
time = 14:20:00
accession = "ACC-77123"
description = "Onlay of Nadia Okafor"
"""


def scene(seed: int, columns: int = 240, rows: int = 160) -> Image.Image:
    """A picture with shapes, edges and colours; every seed gives another."""
    rng = np.random.default_rng(seed)
    blocks = rng.integers(30, 230, (5, 8, 3), dtype=np.uint8)
    return Image.fromarray(blocks).resize((columns, rows), Image.Resampling.BICUBIC)


def camera_file(path: Path, seed: int = 0, **options: object) -> Path:
    """A plain JPEG of a camera."""
    white_balance = options.pop("white_balance", 1)
    exif = piexif.dump(
        {
            "0th": {piexif.ImageIFD.Make: b"Lumora", piexif.ImageIFD.Model: b"L1"},
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: f"2026:03:04 14:{seed % 60:02}:10".encode(),
                piexif.ExifIFD.WhiteBalance: white_balance,
                piexif.ExifIFD.Flash: 1,
                piexif.ExifIFD.FNumber: (22, 1),
            },
        }
    )
    size = {name: options.pop(name) for name in ("columns", "rows") if name in options}
    profile = icc.input_profile(icc.SRGB)
    scene(seed, **size).save(  # type: ignore[arg-type]
        path, "JPEG", **{"quality": 90, "exif": exif, "icc_profile": profile, **options}
    )
    return path


def photo(
    name: str, *lines: str, tooth: int = 25, view: str = "occlusal", mirror: bool = True,
    confirmed: bool = True,
) -> str:  # fmt: skip
    """The lines of one photograph of a sheet."""
    told = [f'file = "{name}"', f'view = "{view}"', f"mirror = {str(mirror).lower()}"]
    told += [f"teeth = [{tooth}]"] if tooth else []
    told += ['confirmed_by = "Haugen^Liv"'] if confirmed else []
    return "\n".join((*told, *lines))


def take(archive: Archive, folder: Path, photos: list[str], day: str = "2026-03-04") -> None:
    """Take a session into an archive, its consent too."""
    sheet = folder / f"sheet-{day}.toml"
    body = "".join(f"\n[[photo]]\n{one}\n" for one in photos)
    sheet.write_text(HEAD.format(day=day) + body, encoding="utf-8")
    session = looked(read_sheet(sheet, size_of=read_size))
    note_session(archive, session, NOW)
    for one in take_in(session, archive, IngestSettings(lambda: NOW)):
        assert not one.problems, one.problems


def opened(folder: Path) -> Archive:
    return Archive.open(folder / "archive", clock=lambda: NOW, actor="test")


def agreed(archive: Archive, *purposes: Purpose) -> None:
    """Note the patient's consent, to every purpose if none is named."""
    for purpose in purposes or tuple(Purpose):
        note(archive, WHO, purpose, by="Haugen^Liv", now=NOW)


def order(folder: Path, **words: object) -> PackageOrder:
    """An order of everything for the laboratory, with what is said otherwise."""
    told: dict[str, object] = {
        "query": Query(patient_id=PATIENT),
        "purpose": Purpose.LABORATORY,
        "case": "1187",
        "to": "North laboratory",
        "target": folder / "package",
    }
    return PackageOrder(**{**told, **words})  # type: ignore[arg-type]


# --- a hostile session --------------------------------------------------------------------------

#: What is planted, in every place that can hold it; none may be found in a package.
PLANTED = (
    "Okafor", "Nadia", "Żółcińska", "岡田", "なでぃあ", "P-0417", "RIVERBEND", "ACC-77123",
    "19880217", "1988-02-17", "1988:02:17", "Haugen", "Adeyemi", "Lindqvist", "SN-998877",
    "LENS-5544", "BODY-2211", "Brackwater", "20260304", "2026-03-04", "2026:03:04", "PRIV-31337",
    "+47 555 0199", "okafor@example.org", "Holmgata", "48.173912", "34.219846", "WARD-7-CAM",
)  # fmt: skip
#: The position as EXIF has it, and how it stands in a file of either order of bytes.
_PLACE = {"latitude": ((59, 1), (54, 1), (48173912, 1000000)),
          "longitude": ((10, 1), (44, 1), (34219846, 1000000))}  # fmt: skip
PLANTED_BYTES = tuple(
    struct.pack(f"{order}6I", *(number for pair in place for number in pair))
    for place in _PLACE.values()
    for order in "<>"
)
_SENTENCE = (
    "Nadia Okafor Żółcińska 岡田 なでぃあ P-0417 born 1988-02-17, Holmgata 7, Brackwater, "
    "+47 555 0199, okafor@example.org, seen by Haugen for Adeyemi"
)


def hostile_exif(seed: int) -> tuple[bytes, bytes]:
    """EXIF that names its patient, owner, place and camera; and its thumbnail, which does too."""
    told = _SENTENCE.encode("utf-8")
    thumb = io.BytesIO()
    scene(seed, 48, 32).save(thumb, "JPEG", comment=told)
    exif = piexif.dump(
        {
            "0th": {
                piexif.ImageIFD.Make: b"Okafor Optics",
                piexif.ImageIFD.Model: b"Nadia P-0417",
                piexif.ImageIFD.Software: told,
                piexif.ImageIFD.Artist: b"Lindqvist",
                piexif.ImageIFD.Copyright: told,
                piexif.ImageIFD.ImageDescription: told,
                piexif.ImageIFD.XPComment: _SENTENCE.encode("utf-16-le"),
                piexif.ImageIFD.HostComputer: b"Brackwater",
            },
            "Exif": {
                piexif.ExifIFD.DateTimeOriginal: b"2026:03:04 14:21:10",
                piexif.ExifIFD.UserComment: b"UNICODE\0" + _SENTENCE.encode("utf-16-be"),
                piexif.ExifIFD.CameraOwnerName: b"Lindqvist",
                piexif.ExifIFD.BodySerialNumber: b"BODY-2211",
                piexif.ExifIFD.LensMake: b"Okafor",
                piexif.ExifIFD.LensModel: b"Nadia 100",
                piexif.ExifIFD.LensSerialNumber: b"LENS-5544",
                piexif.ExifIFD.SpectralSensitivity: b"Okafor Nadia",
                piexif.ExifIFD.MakerNote: told,
                piexif.ExifIFD.ImageUniqueID: b"PRIV-31337",
            },
            "GPS": {
                piexif.GPSIFD.GPSLatitudeRef: b"N",
                piexif.GPSIFD.GPSLatitude: _PLACE["latitude"],
                piexif.GPSIFD.GPSLongitudeRef: b"E",
                piexif.GPSIFD.GPSLongitude: _PLACE["longitude"],
                piexif.GPSIFD.GPSAreaInformation: told,
            },
            "1st": {piexif.ImageIFD.ImageDescription: told},
            "thumbnail": thumb.getvalue(),
        }
    )
    return exif, thumb.getvalue()


def hostile_jpeg(path: Path, seed: int) -> Path:
    """A JPEG that names its patient wherever a JPEG can."""
    told = _SENTENCE.encode("utf-8")
    exif, thumb = hostile_exif(seed)
    out = io.BytesIO()
    scene(seed).save(
        out, "JPEG", quality=90, exif=exif, comment=told, icc_profile=talking_profile()
    )
    xmp = b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta><dc:creator>" + told + b"</dc:creator>"
    iptc = b"Photoshop 3.0\x008BIM\x04\x04\0\0" + struct.pack(">I", len(told)) + told
    data = out.getvalue()
    extra = b"".join(
        bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body
        for marker, body in ((0xE1, xmp), (0xED, iptc), (0xE7, told), (0xFE, told))
    )
    path.write_bytes(data[:2] + extra + data[2:] + told + thumb)
    return path


def talking_profile() -> bytes:
    """A valid profile of the space sRGB whose copyright line names the patient."""
    profile = icc.input_profile(icc.SRGB)
    count = struct.unpack_from(">I", profile, 128)[0]
    for number in range(count):
        name, *_ = struct.unpack_from(">4sII", profile, 132 + 12 * number)
        if name == b"cprt":
            text = b"text\0\0\0\0" + b"Nadia Okafor, P-0417 " + b"\0" * 4
            grown = bytearray(profile + text)
            struct.pack_into(">4sII", grown, 132 + 12 * number, name, len(profile), len(text))
            grown += b"\0" * (-len(grown) % 4)
            struct.pack_into(">I", grown, 0, len(grown))
            return bytes(grown)
    raise AssertionError("the profile has no copyright line")


def hostile_png(path: Path, seed: int) -> Path:
    """A PNG with the patient in its text chunks, its XMP and its EXIF."""
    info = PngImagePlugin.PngInfo()
    info.add_text("Author", _SENTENCE)
    info.add_itxt("Comment", _SENTENCE, lang="no", tkey="Nadia")
    info.add_itxt("XML:com.adobe.xmp", f"<x:xmpmeta>{_SENTENCE}</x:xmpmeta>", zip=True)
    exif, _ = hostile_exif(seed)
    scene(seed).save(path, pnginfo=info, icc_profile=talking_profile(), exif=exif)
    return path


def hostile_archive(folder: Path) -> Archive:
    """An archive of photographs that name their patient in every field; consent is there."""
    jpeg = hostile_jpeg(folder / "Okafor_Nadia_P-0417.JPG", 1)
    png = hostile_png(folder / "Nadia 岡田 1988-02-17.png", 2)
    lines = tuple(
        f'{key} = "{words}"'
        for key, words in {
            "retraction": "held by Nadia Okafor",
            "contraster": "Okafor black",
            "light": "ring flash of Okafor",
            "polariser": "crossed, Nadia",
            "stage": "before preparation of Okafor P-0417",
            "purpose": "for Adeyemi",
            "consent": "Okafor, 2026-03-04",
            "comment": _SENTENCE,
        }.items()
    )
    archive = opened(folder)
    take(archive, folder, [photo(jpeg.name, *lines), photo(png.name, *lines, tooth=24)])
    foreign = folder / "foreign.dcm"
    foreign_object(archive, foreign)
    report = add_files(archive, [foreign])
    assert [one.outcome for one in report.results] == [Outcome.NEW], report
    agreed(archive)
    return archive


def foreign_object(archive: Archive, path: Path) -> None:
    """Another program's photograph, with the patient in every place of a DICOM object."""
    (first, *_) = archive.query(Query(patient_id=PATIENT, role="derived", teeth=()))
    ds = dcmread(first.path)
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = "1.2.826.0.1.3680043.8.498.77"
    ds.PatientName = "Okafor^Nadia^Żółcińska=岡田^なでぃあ"
    ds.OtherPatientNames = "Adeyemi^Nadia"
    ds.OtherPatientIDsSequence = [_item(PatientID="P-0417", IssuerOfPatientID="RIVERBEND")]
    ds.PatientAddress, ds.PatientTelephoneNumbers = "Holmgata 7, Brackwater", "+47 555 0199"
    ds.PatientComments = ds.ImageComments = ds.AdditionalPatientHistory = _SENTENCE
    ds.ReferringPhysicianName = ds.PerformingPhysicianName = ds.OperatorsName = "Adeyemi^Bola"
    ds.InstitutionName, ds.InstitutionAddress = "Brackwater dental", "Holmgata 7"
    ds.StationName, ds.DeviceSerialNumber = "Okafor-PC", "SN-998877"
    ds.StudyDescription = ds.SeriesDescription = ds.ProtocolName = "Nadia Okafor P-0417"
    ds.DerivationDescription, ds.StudyID = _SENTENCE, "P-0417"
    ds.ManufacturerModelName, ds.SoftwareVersions = "Okafor 7", "Nadia 1988-02-17"
    ds.ContrastBolusAgent = "Okafor"  # of no photograph
    ds.CameraOwnerName, ds.LensSerialNumber = "Lindqvist", "LENS-5544"
    ds.LensMake, ds.LensModel, ds.SpectralSensitivity = "Okafor", "Nadia 100", "WARD-7-CAM"
    ds.MakerNote = ds.GPSAreaInformation = _SENTENCE.encode("utf-16-le")
    ds.GPSLatitudeRef, ds.GPSLatitude = "N", ["59", "54", "48.173912"]
    ds.GPSLongitudeRef, ds.GPSLongitude = "E", ["10", "44", "34.219846"]
    ds.GPSSatellites, ds.GPSMapDatum = "WARD-7-CAM", "Brackwater"
    ds.DeviceUID, ds.CassetteID, ds.GantryID, ds.PlateID = "1.2.3.4", *3 * ("WARD-7-CAM",)
    ds.PerformedProcedureStepID = ds.AdmissionID = ds.ScheduledStationName = "WARD-7-CAM"
    ds.RequestAttributesSequence = [
        _item(RequestedProcedureID="P-0417", RequestedProcedureDescription=_SENTENCE[:64])
    ]
    ds.OriginalAttributesSequence = [
        _item(ModifiedAttributesSequence=[_item(PatientName="Okafor^Nadia", PatientID="P-0417")])
    ]
    ds.ReferencedStudySequence = [
        _item(ReferencedSOPClassUID="1.2.840.10008.3.1.2.3.1", ReferencedSOPInstanceUID="1.2.3.4")
    ]
    for sequence in (ds.AnatomicRegionSequence, ds.ViewCodeSequence):
        sequence[0].CodeMeaning = "Nadia Okafor 1988-02-17"
        sequence[0].MappingResource = "OKAFOR"
        sequence[0].add(DataElement(0x00991010, "LO", "PRIV-31337"))
    ds.PrimaryAnatomicStructureSequence.append(
        _item(CodeValue="P-0417", CodingSchemeDesignator="99OKAFOR", CodeMeaning="Nadia")
    )
    ds.AcquisitionContextSequence.append(
        _item(
            ValueType="TEXT",
            ConceptNameCodeSequence=[
                _item(CodeValue="121106", CodingSchemeDesignator="DCM", CodeMeaning="Okafor")
            ],
            TextValue="Light: ring flash of Nadia",
        )
    )
    # What was confirmed of the picture as it was holds no more; earlier versions' word does.
    ds.AcquisitionContextSequence.append(
        _item(
            ValueType="PNAME",
            ConceptNameCodeSequence=[
                _item(CodeValue="121098", CodingSchemeDesignator="DCM", CodeMeaning="Verifying")
            ],
            PersonName="Haugen^Liv",
        )
    )
    ds.add(DataElement(0x00990010, "LO", "OKAFOR PRIVATE"))
    ds.add(DataElement(0x00991001, "PN", "Okafor^Nadia"))
    ds.add(DataElement(0x00991002, "SQ", [_item(PatientName="Okafor^Nadia")]))
    ds.add(DataElement(0x00991003, "OB", "PRIV-31337".encode("utf-16-le")))
    ds.EncryptedAttributesSequence = [
        _item(EncryptedContentTransferSyntaxUID="1.2.840.10008.1.2", EncryptedContent=b"Okafor")
    ]
    ds.IconImageSequence = [_icon()]
    stream = io.BytesIO()
    told = _SENTENCE.encode("utf-8")
    scene(7, int(ds.Columns), int(ds.Rows)).save(stream, "JPEG", quality=92, comment=told)
    ds.PixelData = encapsulate([stream.getvalue() + told])
    ds.save_as(path, enforce_file_format=True)
    raw = path.read_bytes()
    path.write_bytes(b"Okafor^Nadia P-0417".ljust(128, b"\0") + raw[128:])


def _item(**values: object) -> Dataset:
    item = Dataset()
    for keyword, value in values.items():
        setattr(item, keyword, value)
    return item


def _icon() -> Dataset:
    return _item(
        SamplesPerPixel=1,
        PhotometricInterpretation="MONOCHROME2",
        Rows=2,
        Columns=8,
        BitsAllocated=8,
        BitsStored=8,
        HighBit=7,
        PixelRepresentation=0,
        PixelData=b"Okafor Nadia P-0",
    )


def days_apart(first: str, last: str) -> int:
    """Days between two dates of DICOM."""
    one, other = (date(int(d[:4]), int(d[4:6]), int(d[6:])) for d in (first, last))
    return (other - one).days
