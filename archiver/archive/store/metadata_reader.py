"""Reading an object's meaning from its file."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.errors import ObjectError, Problem

if TYPE_CHECKING:
    from archiver.objects import Description

#: Gives the meaning of an object's file; raises ObjectError where it has none.
Describe = Callable[[Path], "Description"]


def describe_file(path: Path) -> Description:
    """Read what an object says of itself; its pixels are not read.

    Raises
    ------
    ObjectError
        If the file is no DICOM object that can be read.
    """
    # Imported here: a reader of the index needs neither.
    import pydicom

    from archiver.objects import describe

    try:
        with warnings.catch_warnings():
            # What pydicom thinks of single values is the validator's business.
            warnings.simplefilter("ignore")
            return describe(pydicom.dcmread(path, stop_before_pixels=True))
    except ObjectError as error:
        raise ObjectError(*(problem.at(str(path)) for problem in error.problems)) from error
    except Exception as error:
        # pydicom raises whatever the bytes lead it to; a bad file must not end the rest.
        raise ObjectError(
            Problem(f"the file cannot be read as DICOM ({error})", where=str(path))
        ) from error
