"""Lets the tests of this folder use the samples of the tests of objects."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "objects"))
