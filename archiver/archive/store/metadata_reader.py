"""Reading an object's meaning from its file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

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
    from archiver.objects import describe, open_dataset

    return describe(open_dataset(path), str(path))
