"""Options that several verbs have."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

import click

from archiver.cli.command import Option
from archiver.cli.parameters import DAY, SURFACE, TEETH, VIEW, Choice

if TYPE_CHECKING:
    from archiver.dentition import Tooth


def _together(
    ctx: click.Context, param: click.Parameter, value: tuple[tuple[Tooth, ...], ...]
) -> tuple[Tooth, ...]:
    return tuple(chain.from_iterable(value))


def teeth(help: str = "may be given repeatedly", metavar: str = "iso:16") -> Option:
    """Return the option for teeth; all that are named come as one tuple."""
    return Option(
        "--tooth", type=TEETH, multiple=True, callback=_together, metavar=metavar, help=help
    )


def edges(help: str) -> Option:
    """Return the option for what is done with an incomplete block of a JPEG."""
    return Option("--edges", type=Choice(("trim", "lossless")), help=help)


JSON = Option("--json", is_flag=True, help="report as JSON")
#: By which instances are chosen.
SELECTORS = (
    Option("--patient-id", metavar="ID"),
    Option("--issuer", help="who issued the patient identifier"),
    Option("--patient-name", metavar="NAME", help="with * and ? as wildcards"),
    Option("--since", type=DAY, help="first day of the study, such as 2024-01-01"),
    Option("--until", type=DAY, help="last day of the study"),
    teeth(),
    Option("--view", type=VIEW, help="occlusal, buccal, upper occlusal arch, ..."),
    Option("--surface", type=SURFACE, help="occlusal, vestibular, lingual, ..."),
    Option("--mirror", type=Choice(("direct", "uncorrected", "corrected"))),
    Option("--confirmed", is_flag=True, not_with=["unconfirmed"]),
    Option("--unconfirmed", is_flag=True),
    Option("--role", type=Choice(("original", "derived")), help="as shot, or corrected"),
    Option("--modality", metavar="XC", help="XC photographs, IO and others radiographs"),
    Option("--study", metavar="UID"),
)
INCLUDE_REJECTED = Option(
    "--include-rejected", is_flag=True, help="also what a rejection note names"
)
