"""Standard output and error, made so that no text can stop a verb."""

from __future__ import annotations

import codecs
from typing import TextIO


def never_fail_to_print(*streams: TextIO) -> None:
    """Let streams take any text, whatever encoding the console has.

    What a terminal cannot show is replaced. What goes into a file or another program is UTF-8, so
    that nothing of it is lost; a file name that is no text is written with backslashes.
    """
    for stream in streams:
        # In a test a stream may be a mere buffer of text, which takes everything.
        change = getattr(stream, "reconfigure", None)
        if change is None:
            continue
        if stream.isatty():
            change(errors="replace")
        elif codecs.lookup(stream.encoding).name != "utf-8":
            change(encoding="utf-8", errors="backslashreplace")
        else:
            change(errors="backslashreplace")
