"""The samples of the objects' tests are used here too."""

from __future__ import annotations

import sys
from pathlib import Path

for _room in ("objects", "archive"):
    sys.path.append(str(Path(__file__).parents[1] / _room))
