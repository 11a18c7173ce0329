"""How far a long verb has come, on the terminal.

A bar with count and remaining time on standard error where that is a terminal; nothing where it
is not, nor where the report is JSON. It has no colours.
"""

from __future__ import annotations

import os
import sys
import time
from types import TracebackType
from typing import Any

import click

from archiver.wording import words_of

#: Seconds between two drawings: a count a file must not cost more than the file.
_PAUSE = 0.1


class ProgressBar:
    """A bar that appears with the first count and leaves no trace.

    Parameters
    ----------
    deed
        What is being done, as ``[progress]`` of the catalogue calls it.
    shown
        False to show nothing, as with ``--json``.
    """

    def __init__(self, deed: str, *, shown: bool = True) -> None:
        self._deed = deed
        self._shown = shown and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self._bar: Any = None
        self._drawn = 0.0

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.clear()

    def __call__(self, done: int, total: int) -> None:
        """Show that ``done`` of ``total`` are done."""
        if not self._shown or total < 1:
            return
        now = time.monotonic()
        if done < total and now - self._drawn < _PAUSE:
            return
        self._drawn = now
        if self._bar is None or self._bar.length != total:
            label = words_of()(f"cli.progress.{self._deed}")
            self._bar = click.progressbar(length=total, label=label, show_pos=True, file=sys.stderr)
            self._bar.render_progress()
        self._bar.update(done - self._bar.pos)

    def clear(self) -> None:
        """Take the bar away, so that lines can be printed; the next count brings it back."""
        if self._bar is not None:
            # The bar hides the cursor.
            sys.stderr.write("\r\x1b[2K\x1b[?25h")
            sys.stderr.flush()
            self._drawn = 0.0
