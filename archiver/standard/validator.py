"""Validates DICOM files and freshly built instances, without decoding a pixel."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.standard.clinical import check_clinical
from archiver.standard.coded_rules import check_codes, check_terms
from archiver.standard.content_tree_rules import check_content_tree
from archiver.standard.element_reader import Encoding
from archiver.standard.elements import PIXEL_DATA, Element, Fragment, Item, levels_of
from archiver.standard.finding import Finding
from archiver.standard.icc_rules import check_icc
from archiver.standard.key_object_rules import KEY_OBJECT_SELECTION, check_key_objects
from archiver.standard.lossy_rules import check_lossy_history
from archiver.standard.meta_rules import check_meta
from archiver.standard.module_rules import check_modules
from archiver.standard.orientation_rules import check_orientation
from archiver.standard.parsing import parse_elements, parse_file
from archiver.standard.pixel_rules import check_pixels
from archiver.standard.reference_rules import check_references
from archiver.standard.report import ObjectFindings
from archiver.standard.requirements import PHOTOGRAPHIC, belongs_to_patient
from archiver.standard.value_rules import check_values
from archiver.wording import Text

if TYPE_CHECKING:
    from pydicom import Dataset


def validate_file(path: str | os.PathLike[str]) -> list[Finding]:
    """Validate one file by itself; what cannot be read is a finding too.

    Parameters
    ----------
    path
        The file. It is read once and not decoded.

    Returns
    -------
    list of Finding
        Worst first; empty for a faultless photograph.
    """
    report = ObjectFindings(os.fspath(path))
    data = open_bytes(path, report)
    if data is not None:
        examine(data, report)
    return report.findings


def validate_bytes(data: bytes | memoryview, path: str = "") -> list[Finding]:
    """Validate the bytes of a DICOM file."""
    report = ObjectFindings(path)
    examine(data, report)
    return report.findings


def open_bytes(path: str | os.PathLike[str], report: ObjectFindings) -> bytes | None:
    """Read a file; report and return ``None`` where that fails."""
    try:
        return Path(path).read_bytes()
    except (OSError, MemoryError) as error:
        reason = getattr(error, "strerror", None) or "it does not fit into memory"
        report.add("file-unreadable", found=Text("standard.validator.file_read", reason=reason))
        return None


def examine(data: bytes | memoryview, report: ObjectFindings) -> Item | None:
    """Check the bytes of a file and return the dataset, ``None`` where there is none."""
    parsed = parse_file(memoryview(data), report)
    if parsed is None:
        return None
    if parsed.meta is not None:
        check_values(parsed.meta, "", report)
        check_meta(parsed.meta, parsed.dataset, report)
    _check_dataset(parsed.dataset, parsed.transfer_syntax, parsed.data, report)
    return parsed.dataset


def validate_instance(
    dataset: Dataset, frame: bytes | None, transfer_syntax: str, path: str = ""
) -> list[Finding]:
    """Validate an instance before it is written; as `validate_encoded`, which encodes nothing.

    Parameters
    ----------
    dataset
        The dataset without Pixel Data.
    """
    from archiver.objects import encoded

    return validate_encoded(encoded(dataset), frame, transfer_syntax, path)


def validate_encoded(
    dataset: bytes, frame: bytes | None, transfer_syntax: str, path: str = ""
) -> list[Finding]:
    """Validate an instance that is encoded and not yet written.

    Parameters
    ----------
    dataset
        The dataset without Pixel Data, in Explicit VR Little Endian.
    frame
        The one compressed frame, unpadded or padded; ``None`` where there are no pixels.
    transfer_syntax
        UID of an encapsulated transfer syntax in which the instance will be written.
    path
        Put into the findings.
    """
    report = ObjectFindings(path)
    root = parse_elements(dataset, Encoding(), report)
    data: bytes | memoryview = b""
    if frame is not None:
        # A trailing pad byte is added by the writer and is no part of the stream.
        data = memoryview(frame)
        fragments = (Fragment(0, 0), Fragment(0, len(frame) + (len(frame) & 1)))
        root.elements[PIXEL_DATA] = Element(
            PIXEL_DATA, "OB", b"", 0xFFFFFFFF, True, None, fragments
        )
    _check_dataset(root, transfer_syntax, data, report)
    return report.findings


def _check_dataset(
    dataset: Item, transfer_syntax: str, data: bytes | memoryview, report: ObjectFindings
) -> None:
    check_values(dataset, "", report)
    levels = levels_of(dataset)
    check_terms(dataset, levels, report)
    check_codes(dataset, levels, report)
    check_orientation(dataset, levels, report)
    frame = check_pixels(dataset, transfer_syntax, data, report)
    check_lossy_history(dataset, frame, report)
    if "DirectoryRecordSequence" not in dataset:
        check_modules(dataset, report)
        check_icc(dataset, levels, report)
        check_references(dataset, report)
        check_key_objects(dataset, report)
        check_content_tree(dataset, report)
        check_clinical(dataset, report)
    _note_scope(dataset, report)


def _note_scope(dataset: Item, report: ObjectFindings) -> None:
    sop_class = dataset.text("SOPClassUID")
    if sop_class in (PHOTOGRAPHIC, KEY_OBJECT_SELECTION):
        return
    if "DirectoryRecordSequence" in dataset:
        report.add("scope", found=Text("standard.validator.directory_media_dicomdir"))
        return
    from pydicom._uid_dict import UID_dictionary

    row = UID_dictionary.get(sop_class)
    name = row[0] if row else Text("standard.validator.unknown_class")
    shared = Text("standard.validator.image_modules")
    if not belongs_to_patient(sop_class):
        shared = Text("standard.validator.sop_common")
    report.add(
        "scope",
        "SOPClassUID (0008,0016)",
        found=Text("standard.validator.checked_were_encoding", name=name, shared=shared),
    )
