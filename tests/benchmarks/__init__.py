"""Speed and memory, as ratios within one run."""

from __future__ import annotations

import os
from pathlib import Path


def as_installed() -> None:
    """Let programs started from here run as those that were installed do.

    They keep compiled modules: where the environment forbids it, every start of ours compiles all
    of its modules anew. And they find no package that only tests bring along and that a library
    of ours would load if it were there (`tests/benchmarks/installed/sitecustomize.py`).
    """
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    folder, before = str(Path(__file__).parent / "installed"), os.environ.get("PYTHONPATH", "")
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (folder, before)))
