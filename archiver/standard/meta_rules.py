"""File meta information (PS3.10 7.1) against the dataset."""

from __future__ import annotations

from archiver.standard.elements import Item
from archiver.standard.report import ObjectFindings
from archiver.wording import Text

_REQUIRED = (
    (0x00020000, "FileMetaInformationGroupLength"),
    (0x00020001, "FileMetaInformationVersion"),
    (0x00020002, "MediaStorageSOPClassUID"),
    (0x00020003, "MediaStorageSOPInstanceUID"),
    (0x00020010, "TransferSyntaxUID"),
    (0x00020012, "ImplementationClassUID"),
)
_PAIRS = (
    (0x00020002, "MediaStorageSOPClassUID", "SOPClassUID"),
    (0x00020003, "MediaStorageSOPInstanceUID", "SOPInstanceUID"),
)


def check_meta(meta: Item, dataset: Item, report: ObjectFindings) -> None:
    """Check the file meta information."""
    for tag, keyword in _REQUIRED:
        if keyword not in meta:
            report.add_at(
                "file-meta-element-missing", "", tag, found=Text("standard.meta_rules.absent")
            )
        elif not meta.has(keyword) and keyword != "FileMetaInformationVersion":
            report.add_at(
                "file-meta-element-missing", "", tag, found=Text("standard.meta_rules.no_value")
            )
    version = meta.get("FileMetaInformationVersion")
    if version is not None and bytes(version.value) != b"\x00\x01":
        found = bytes(version.value[:8]).hex(" ") or Text("standard.meta_rules.no_value")
        report.add_at("file-meta-version", "", 0x00020001, found=found)
    for tag, keyword, twin in _PAIRS:
        if meta.has(keyword) and dataset.has(twin) and meta.text(keyword) != dataset.text(twin):
            report.add_at(
                "file-meta-contradicts-dataset",
                "",
                tag,
                found=f"'{meta.text(keyword)[:64]}'",
                expected=Text(
                    "standard.meta_rules.dataset", text=dataset.text(twin)[:64], twin=twin
                ),
            )
