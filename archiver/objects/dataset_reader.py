"""Reading the dataset of a DICOM object: the one place where pydicom parses a file for us."""

from __future__ import annotations

import warnings
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from archiver.errors import ObjectError, Problem

if TYPE_CHECKING:
    from pydicom import DataElement, Dataset, FileDataset


def open_dataset(
    source: Path | bytes | BinaryIO,
    *,
    pixels: bool = False,
    tags: list[int] | list[str] | None = None,
    decoded: bool = False,
) -> FileDataset:
    """Read an object; what pydicom thinks of single values is the validator's business.

    Parameters
    ----------
    source
        A file, its bytes, or a file that is open at its beginning; one that is open is left
        where the reading ended.
    pixels
        Read the pixel data and what stands behind them, too.
    tags
        The elements that are wanted, all where None.
    decoded
        Turn all text into Unicode now, so that the dataset can be joined with others.

    Returns
    -------
    FileDataset
        With its file meta information.

    Raises
    ------
    ObjectError
        If the file cannot be read, or is no DICOM object.
    """
    # Imported here: nothing that only asks the index needs it.
    from pydicom import dcmread

    where = str(source) if isinstance(source, Path) else ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset = dcmread(
                BytesIO(source) if isinstance(source, bytes) else source,
                stop_before_pixels=not pixels,
                specific_tags=tags,
            )
            if decoded:
                dataset.decode()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ObjectError(
            Problem("objects.dataset_reader.unreadable", reason=reason).at(file=where)
        ) from error
    except Exception as error:
        # pydicom raises whatever the bytes lead it to; a bad file must not end the rest.
        raise ObjectError(
            Problem("objects.dataset_reader.no_dicom", error=error).at(file=where)
        ) from error
    return dataset


def read_element(dataset: Dataset, tag: int) -> DataElement | None:
    """Return an element, None where its value cannot be read as its representation says."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return dataset[tag]
    except Exception:
        # pydicom raises whatever the bytes lead it to.
        return None
