"""Reading the dataset of a DICOM object: the one place where pydicom parses a file for us."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
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
            Problem("objects.dataset_reader.no_dicom", error=reason_of(error)).at(file=where)
        ) from error
    return dataset


def read_element(dataset: Dataset, tag: int) -> DataElement | None:
    """Return an element; None where it cannot be what its attribute is.

    That is one whose value cannot be read as its representation says, or whose representation
    is not one that the dictionary has for it (PS3.6).
    """
    from pydicom.datadict import dictionary_has_tag, dictionary_VR

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            element = dataset[tag]
    except Exception:
        # pydicom raises whatever the bytes lead it to.
        return None
    if dictionary_has_tag(tag) and element.VR not in dictionary_VR(tag).split(" or "):
        return None
    return element


def read_elements(dataset: Dataset) -> Iterator[DataElement]:
    """Yield the elements that `read_element` has something of, in the order of their tags."""
    for tag in sorted(dataset.keys()):
        element = read_element(dataset, tag)
        if element is not None:
            yield element


def misread(dataset: Dataset) -> list[str]:
    """Return the keywords of elements, at every depth, that `read_element` has nothing of."""
    from pydicom.datadict import keyword_for_tag

    wrong = []
    for tag in sorted(dataset.keys()):
        element = read_element(dataset, tag)
        if element is None:
            wrong.append(keyword_for_tag(tag) or str(tag))
        elif element.VR == "SQ":
            for item in element.value or ():
                wrong += [f"{element.keyword or element.tag}.{one}" for one in misread(item)]
    return wrong


def icc_profile(dataset: Dataset) -> bytes | None:
    """Return the ICC profile of a picture; None where there is none that can be read."""
    element = read_element(dataset, 0x00282000) if "ICCProfile" in dataset else None
    return bytes(element.value) if element is not None and element.value else None


def reason_of(error: Exception) -> str:
    """Return what pydicom said in one line: it puts a traceback of its own behind some."""
    return str(error).partition("\n")[0]
