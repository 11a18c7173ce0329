"""Small made-up photographs and radiographs for the tests of the node."""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image
from pydicom import Dataset
from pydicom.dataset import FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID, ExplicitVRLittleEndian, JPEGBaseline8Bit

ROOT = "1.2.826.0.1.3680043.8.498.77"  # pydicom's own root, fit for made-up objects
PHOTOGRAPH = "1.2.840.10008.5.1.4.1.1.77.1.4"
INTRAORAL = "1.2.840.10008.5.1.4.1.1.1.3"


@lru_cache
def jpeg(rows: int = 48, columns: int = 64, seed: int = 0) -> bytes:
    """A baseline JPEG of soft colours."""
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 255, (6, 8, 3), dtype=np.uint8)
    picture = Image.fromarray(small).resize((columns, rows), Image.Resampling.BICUBIC)
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=92, subsampling=1)
    return buffer.getvalue()


def instance_uid(number: int) -> str:
    return f"{ROOT}.3.{number}"


def study_uid(number: int) -> str:
    return f"{ROOT}.1.{number}"


def series_uid(number: int) -> str:
    return f"{ROOT}.2.{number}"


def photograph(number: int, **changes: object) -> Dataset:
    """A photograph in JPEG Baseline; study and series are told by their numbers."""
    ds = Dataset()
    study, series = int(str(changes.pop("study", 1))), int(str(changes.pop("series", 1)))
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["ORIGINAL", "PRIMARY"]
    ds.SOPClassUID, ds.SOPInstanceUID = PHOTOGRAPH, instance_uid(number)
    ds.StudyDate, ds.StudyTime, ds.AccessionNumber = "20260304", "142000", "A-2291"
    ds.Modality = "XC"
    ds.ReferringPhysicianName = "Brânză^Ilinca"
    ds.PatientName, ds.PatientID = "Okafor^Nadia", "P-0417"
    ds.PatientBirthDate, ds.PatientSex = "19880217", "F"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = study_uid(study), series_uid(series)
    ds.StudyID, ds.SeriesNumber, ds.InstanceNumber = "S7", series, number
    ds.SamplesPerPixel, ds.PhotometricInterpretation, ds.PlanarConfiguration = 3, "YBR_FULL_422", 0
    ds.Rows, ds.Columns = 48, 64
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    ds.LossyImageCompression, ds.LossyImageCompressionRatio = "01", "7.3"
    ds.LossyImageCompressionMethod = "ISO_10918_1"
    frame = changes.pop("frame", None)
    for keyword, value in changes.items():
        setattr(ds, keyword, value)
    ds.PixelData = encapsulate([frame if isinstance(frame, bytes) else jpeg(seed=number)])
    ds["PixelData"].VR = "OB"
    ds["PixelData"].is_undefined_length = True
    _meta(ds, JPEGBaseline8Bit)
    return ds


def radiograph(number: int, **changes: object) -> Dataset:
    """An intra-oral radiograph of 12 bits, uncompressed."""
    ds = photograph(number, **changes)
    ds.SOPClassUID, ds.Modality = INTRAORAL, "IO"
    for keyword in (
        "LossyImageCompressionRatio",
        "LossyImageCompressionMethod",
        "PlanarConfiguration",
    ):
        delattr(ds, keyword)
    ds.LossyImageCompression = "00"
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, 12, 11
    ramp = np.linspace(0, 4095, 48 * 64).astype("<u2").tobytes()
    ds.add_new(0x7FE00010, "OW", ramp)
    _meta(ds, ExplicitVRLittleEndian)
    return ds


def _meta(ds: Dataset, syntax: UID) -> None:
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.file_meta.TransferSyntaxUID = syntax


def save(ds: Dataset, folder: Path) -> Path:
    """Write a file named by its instance."""
    folder.mkdir(exist_ok=True, parents=True)
    path = folder / f"{ds.SOPInstanceUID}.dcm"
    ds.save_as(path, enforce_file_format=True)
    return path


def file_bytes(ds: Dataset) -> bytes:
    buffer = io.BytesIO()
    ds.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def dataset_bytes(path: Path) -> bytes:
    """What stands behind the file meta information (PS3.10 7.1: its length is in (0002,0000))."""
    data = path.read_bytes()
    return data[144 + int.from_bytes(data[140:144], "little") :]


def dataset_bytes_of(ds: Dataset) -> bytes:
    """The same of an object that is in no file yet."""
    data = file_bytes(ds)
    return data[144 + int.from_bytes(data[140:144], "little") :]
