"""Speed and memory, as ratios within one run."""

from __future__ import annotations

import os


def as_installed() -> None:
    """Let programs started from here keep compiled modules, as those that were installed do.

    Where the environment forbids it, every start of ours compiles all of its modules anew.
    """
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
