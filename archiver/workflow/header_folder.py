"""The headers of other archives' objects, remembered in a folder or for one question only."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from archiver.network.client import HeaderCache


@contextmanager
def open_headers(folder: Path | None) -> Iterator[HeaderCache]:
    """Open the cache of headers in a folder; without one, headers are forgotten afterwards.

    Raises
    ------
    ArchiverError
        If it cannot be opened.
    """
    from archiver.network.client import HeaderCache

    with ExitStack() as stack:
        if folder is None:
            scratch = tempfile.TemporaryDirectory(prefix="archiver-headers-")
            folder = Path(stack.enter_context(scratch))
        yield stack.enter_context(HeaderCache(folder))
