"""Draws claims of the conformance statement at random, to be tested by name.

Run: ``python -m tests.conformance.claims [--seed N] [--count N]``. A claim is a sentence of the
statement outside of its tables. Those that were drawn stand in ``claims.toml``, each with the
tests that prove it.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
from pathlib import Path

STATEMENT = Path(__file__).parents[2] / "conformance" / "dicom_conformance_statement.md"
#: Where claims of what the program does begin; before it stand contents and introduction.
_BEGIN = "## 4 Networking"


def claims(text: str) -> list[str]:
    """Return the sentences of a statement, each on one line."""
    found = []
    prose = re.sub(r"<!-- table.*?<!-- end of table -->", "", text.partition(_BEGIN)[2], flags=re.S)
    for paragraph in re.split(r"\n\s*\n", prose):
        line = " ".join(paragraph.split())
        if line.startswith(("#", "|", "```")):
            continue
        line = re.sub(r"^\d+\. ", "", line)
        found += [one.strip() for one in re.split(r"(?<=[.;])\s+(?=[A-Z`])", line)]
    return [
        one for one in found if len(one) > 25 and one[-1] in ".;" and not one.startswith("- **")
    ]


def main() -> int:
    """Print the claims of a draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=16)
    parser.add_argument("--count", type=int, default=35)
    options = parser.parse_args()
    every = claims(STATEMENT.read_text("utf-8"))
    for one in random.Random(options.seed).sample(every, options.count):
        print(one)
    return 0


if __name__ == "__main__":
    sys.exit(main())
