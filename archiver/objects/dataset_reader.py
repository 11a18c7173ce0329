"""Reading the dataset of a DICOM object: the one place where pydicom parses a file for us."""

from __future__ import annotations

import warnings
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, NoReturn

from archiver.errors import ObjectError, Problem
from archiver.workers import allowance

if TYPE_CHECKING:
    from pydicom import DataElement, Dataset, FileDataset

_EXPLICIT, _DEFLATED = "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.1.99"
#: Prefix and the element in which file meta information says how long it is (PS3.10 7.1).
_META_BEGINS = b"DICM\x02\x00\x00\x00UL\x04\x00"
_LONGEST_META = 4096
_PIECE = 1 << 20


def open_dataset(
    source: Path | bytes | BinaryIO,
    *,
    pixels: bool = False,
    tags: list[int] | list[str] | None = None,
    decoded: bool = False,
    defer: int | None = None,
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
    defer
        Leave values of more bytes in the file until they are asked for.

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
    from pydicom.uid import UID

    where = str(source) if isinstance(source, Path) else ""
    with _errors_of_reading(where), warnings.catch_warnings(), ExitStack() as opened:
        warnings.simplefilter("ignore")
        if isinstance(source, Path):
            source = opened.enter_context(source.open("rb"))
        file = BytesIO(source) if isinstance(source, bytes) else source
        inflated = _inflated(file)
        dataset = dcmread(
            inflated or file,
            defer_size=None if inflated else defer,
            stop_before_pixels=not pixels,
            specific_tags=tags,
        )
        if inflated is not None:
            dataset.file_meta.TransferSyntaxUID = UID(_DEFLATED)
        if decoded:
            dataset.decode()
    return dataset


@contextmanager
def _errors_of_reading(where: str) -> Iterator[None]:
    """Translate whatever reading raises; `where` is the file, empty for none."""
    try:
        yield
    except ObjectError as error:
        raise ObjectError(*(_placed(one, where) for one in error.problems)) from error
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        problem = Problem("objects.dataset_reader.unreadable", reason=reason)
        raise ObjectError(_placed(problem, where)) from error
    except Exception as error:
        # pydicom raises whatever the bytes lead it to; a bad file must not end the rest.
        problem = Problem("objects.dataset_reader.no_dicom", error=reason_of(error))
        raise ObjectError(_placed(problem, where)) from error


def _placed(problem: Problem, where: str) -> Problem:
    return problem.at(file=where) if where else problem


def _inflated(file: BinaryIO) -> BytesIO | None:
    """Return a deflated object (PS3.5 A.5) as one that is not; None for any other.

    Raises
    ------
    ObjectError
        If it grows beyond what is allowed: a few bytes of it can become gigabytes.
    """
    begin = file.tell()
    head = file.read(_LONGEST_META)
    file.seek(begin)
    if _DEFLATED.encode() not in head:
        return None
    end = 144 + int.from_bytes(head[140:144], "little")
    meta = head[:end]
    if head[128:140] != _META_BEGINS or _DEFLATED.encode() not in meta:
        return None if head[128:140] == _META_BEGINS else _refuse_meta()
    press, most = zlib.decompressobj(-zlib.MAX_WBITS), allowance().inflated
    whole = bytearray(meta.replace(_DEFLATED.encode(), _EXPLICIT.encode().ljust(22, b"\0")))
    file.seek(begin + end)
    while not press.eof and (piece := file.read(_PIECE)):
        while piece and not press.eof:
            whole += press.decompress(piece, _PIECE)
            piece = press.unconsumed_tail
            if len(whole) > most:
                raise ObjectError(
                    Problem("objects.dataset_reader.too_large_inflated", most=most >> 20)
                )
    return BytesIO(whole)


def _refuse_meta() -> NoReturn:
    raise ObjectError("objects.dataset_reader.no_group_length")


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
