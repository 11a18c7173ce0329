"""A small valid VL Photographic Image, built by hand so that the tests do not lean on our builder.

Patient, practice and device are invented.
"""

from __future__ import annotations

import io
import struct
import warnings
from functools import cache

import numpy as np
from PIL import Image, ImageCms
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.filewriter import dcmwrite

PHOTOGRAPHIC = "1.2.840.10008.5.1.4.1.1.77.1.4"
JPEG_BASELINE = "1.2.840.10008.1.2.4.50"
ROOT = "2.25.9127001"


def coded(value: str, scheme: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue = value
    item.CodingSchemeDesignator = scheme
    item.CodeMeaning = meaning
    return item


@cache
def jpeg_frame(rows: int = 64, columns: int = 96) -> bytes:
    rng = np.random.default_rng(7)
    pixels = rng.integers(0, 255, (rows, columns, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=90, subsampling=1)
    return buffer.getvalue()


@cache
def input_profile() -> bytes:
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[12:16] = b"scnr"
    return bytes(profile)


def photograph(*, frame: bytes | None = None) -> Dataset:
    """Return a corrected mirror picture of tooth 25 with much of what the IOD offers."""
    ds = Dataset()
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["DERIVED", "PRIMARY"]
    ds.InstanceCreationDate = "20260304"
    ds.InstanceCreationTime = "150000"
    ds.SOPClassUID = PHOTOGRAPHIC
    ds.SOPInstanceUID = f"{ROOT}.3"
    ds.StudyDate = "20260304"
    ds.StudyTime = "142000"
    ds.AcquisitionDateTime = "20260304142233.120+0100"
    ds.ContentDate = "20260304"
    ds.ContentTime = "142233.12"
    ds.TimezoneOffsetFromUTC = "+0100"
    ds.AccessionNumber = "A-2291"
    ds.Modality = "XC"
    ds.Manufacturer = "Fennmark"
    ds.ReferringPhysicianName = ""
    ds.StudyDescription = "Ceramic onlay, recall"
    ds.SeriesDescription = "25 occlusal, mirror, corrected"
    ds.ManufacturerModelName = "Model One"
    ds.DerivationDescription = "flipped top to bottom"
    ds.PatientName = "Håkonsdottir^Nadia"
    ds.PatientID = "P-0417"
    ds.PatientBirthDate = "19880217"
    ds.PatientSex = "F"
    ds.PatientIdentityRemoved = "NO"
    ds.BurnedInAnnotation = "NO"
    ds.RecognizableVisualFeatures = "NO"
    ds.LossyImageCompression = "01"
    ds.LossyImageCompressionMethod = "ISO_10918_1"
    ds.StudyInstanceUID = f"{ROOT}.1"
    ds.SeriesInstanceUID = f"{ROOT}.2"
    ds.StudyID = "1"
    ds.SeriesNumber = 2
    ds.InstanceNumber = 1
    ds.PatientOrientation = ["L", "P"]
    ds.ImageLaterality = "L"
    ds.ImageComments = "after air drying"
    _add_pixels(ds, frame or jpeg_frame())
    _add_anatomy(ds)
    _add_sources(ds)
    _add_context(ds)
    return ds


def _add_pixels(ds: Dataset, frame: bytes) -> None:
    ds.SamplesPerPixel = 3
    ds.PhotometricInterpretation = "YBR_FULL_422"
    ds.PlanarConfiguration = 0
    ds.Rows, ds.Columns = 64, 96
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 8, 8, 7
    ds.PixelRepresentation = 0
    ds.LossyImageCompressionRatio = f"{64 * 96 * 3 / len(frame):.2f}"
    ds.ICCProfile = input_profile()
    ds.ColorSpace = "SRGB"
    ds.FNumber = "22"
    ds.FlashFiringStatus = 1
    ds.LensModel = "Macro 100"
    ds.CameraOwnerName = "Practice"
    ds.PixelData = encapsulate([frame])
    ds["PixelData"].is_undefined_length = True
    ds["PixelData"].VR = "OB"


def _add_anatomy(ds: Dataset) -> None:
    region = coded("39481002", "SCT", "Maxillary dental arch")
    region.AnatomicRegionModifierSequence = [coded("7771000", "SCT", "Left")]
    ds.AnatomicRegionSequence = [region]
    tooth = coded("23226009", "SCT", "Permanent maxillary left second premolar tooth")
    tooth.PrimaryAnatomicStructureModifierSequence = [
        coded("83473006", "SCT", "Structure of occlusal surface of tooth")
    ]
    ds.PrimaryAnatomicStructureSequence = [tooth]
    view = coded("260499007", "SCT", "Occlusal projection")
    view.ViewModifierCodeSequence = [
        coded("789311000", "SCT", "Mirrored photo image of teeth corrected flipped vertically")
    ]
    ds.ViewCodeSequence = [view]
    ds.DeviceSequence = [coded("1332162007", "SCT", "Intraoral photography mirror")]


def _add_sources(ds: Dataset) -> None:
    source = Dataset()
    source.ReferencedSOPClassUID = PHOTOGRAPHIC
    source.ReferencedSOPInstanceUID = f"{ROOT}.4"
    source.PatientOrientation = ["L", "A"]
    source.SpatialLocationsPreserved = "REORIENTED_ONLY"
    source.PurposeOfReferenceCodeSequence = [
        coded("121322", "DCM", "Source image for image processing operation")
    ]
    ds.SourceImageSequence = [source]
    reference = Dataset()
    reference.ReferencedSOPClassUID = PHOTOGRAPHIC
    reference.ReferencedSOPInstanceUID = f"{ROOT}.4"
    series = Dataset()
    series.SeriesInstanceUID = f"{ROOT}.5"
    series.ReferencedInstanceSequence = [reference]
    ds.ReferencedSeriesSequence = [series]


def _add_context(ds: Dataset) -> None:
    mirror = Dataset()
    mirror.ValueType = "CODE"
    mirror.ConceptNameCodeSequence = [
        coded("130324", "DCM", "Functional condition present during acquisition")
    ]
    mirror.ConceptCodeSequence = [coded("262016004", "SCT", "Open mouth")]
    words = Dataset()
    words.ValueType = "TEXT"
    words.ConceptNameCodeSequence = [coded("VIEW", "99INVENTED", "View in words")]
    words.TextValue = "occlusal"
    ds.AcquisitionContextSequence = [mirror, words]
    scheme = Dataset()
    scheme.CodingSchemeDesignator = "99INVENTED"
    scheme.CodingSchemeName = "Invented terms"
    ds.CodingSchemeIdentificationSequence = [scheme]
    equipment = Dataset()
    equipment.Manufacturer = "Fennmark"
    equipment.ManufacturerModelName = "Model One"
    equipment.PurposeOfReferenceCodeSequence = [coded("109101", "DCM", "Acquisition Equipment")]
    ds.ContributingEquipmentSequence = [equipment]
    issuer = Dataset()
    issuer.LocalNamespaceEntityID = "RIVERBEND"
    ds.IssuerOfAccessionNumberSequence = [issuer]
    request = Dataset()
    request.RequestedProcedureID = "R1"
    request.ScheduledProcedureStepID = "S1"
    ds.RequestAttributesSequence = [request]


def file_meta(ds: Dataset, syntax: str = JPEG_BASELINE) -> FileMetaDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = str(ds.get("SOPClassUID") or PHOTOGRAPHIC)
    meta.MediaStorageSOPInstanceUID = str(ds.get("SOPInstanceUID") or f"{ROOT}.3")
    meta.TransferSyntaxUID = syntax
    meta.ImplementationClassUID = f"{ROOT}.9"
    meta.ImplementationVersionName = "TESTS"
    return meta


def written(ds: Dataset, syntax: str = JPEG_BASELINE) -> bytes:
    """Return the bytes of a file, however wrong the dataset is."""
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pydicom tells what the tests have spoilt
        copy = Dataset(ds)
        copy.file_meta = file_meta(ds, syntax)
        dcmwrite(buffer, copy, enforce_file_format=True)
    return buffer.getvalue()


def native(ds: Dataset) -> Dataset:
    """Turn a photograph into an uncompressed one."""
    copy = Dataset(ds)
    copy.PhotometricInterpretation = "RGB"
    copy.LossyImageCompression = "00"
    del copy.LossyImageCompressionRatio
    del copy.LossyImageCompressionMethod
    copy.PixelData = bytes(64 * 96 * 3)
    copy["PixelData"].VR = "OB"
    copy["PixelData"].is_undefined_length = False
    return copy


def raw_element(tag: int, vr: str, value: bytes) -> bytes:
    """Encode one element in explicit little endian, as it is given."""
    head = struct.pack("<HH", tag >> 16, tag & 0xFFFF) + vr.encode()
    if vr in ("OB", "OW", "SQ", "UN", "UT", "UC", "UR"):
        return head + struct.pack("<HI", 0, len(value)) + value
    return head + struct.pack("<H", len(value)) + value
