"""Data files made from, or written after, the DICOM standard, and how to load them."""

from __future__ import annotations

import json
import sys
from functools import cache
from importlib import resources
from typing import Any

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib


@cache
def load_json(name: str) -> Any:
    """Return the content of ``<name>.json`` in this folder."""
    return json.loads(resources.files(__package__).joinpath(f"{name}.json").read_bytes())


@cache
def load_toml(name: str) -> dict[str, Any]:
    """Return the content of ``<name>.toml`` in this folder."""
    return tomllib.loads(resources.files(__package__).joinpath(f"{name}.toml").read_text("utf-8"))
