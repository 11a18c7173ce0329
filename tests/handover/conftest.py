"""The verifiers of the room conformance and the sessions of the command line serve here too."""

from __future__ import annotations

import sys
from pathlib import Path

for room in ("conformance", "cli"):
    sys.path.insert(0, str(Path(__file__).parents[1] / room))
