"""Print the versions of all that archiver and its tests need, as they are installed here.

    python -m tests.package.tested_versions > tests/constraints-3.11.txt

`tests/run` installs these where there is a file of the Python that it runs on.
"""

from __future__ import annotations

from tests.package.closure import closure

EXTRAS = ("", "test")


def lines() -> list[str]:
    """One requirement a line, by name, without archiver itself."""
    found = closure("archiver", *EXTRAS)
    return [f"{name}=={found[name].version}" for name in sorted(found) if name != "archiver"]


if __name__ == "__main__":
    print("\n".join(lines()))
