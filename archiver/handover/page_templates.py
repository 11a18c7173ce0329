"""The templates of what opens in a browser without the archive."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("archiver.handover", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page_template(name: str) -> Template:
    """Return the template of this file name; the environment keeps it compiled."""
    return _environment().get_template(name)
