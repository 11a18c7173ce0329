"""What verbs share by which a person states something of archived pictures."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from archiver.errors import Problem, UsageError
from archiver.wording import words_of

if TYPE_CHECKING:
    from archiver.archive.statements import HandedOver


def person_of(text: str, verb: str, missing: Problem) -> str:
    """Return the name that ``--by`` gives.

    Parameters
    ----------
    verb
        As it is called, for the place of a problem.
    missing
        What is said where nobody is named.

    Raises
    ------
    UsageError
        If it is no name of a person.
    """
    from archiver.objects import PATIENT, Unfit

    try:
        name = str(PATIENT["name"].convert(text))
    except Unfit as unfit:
        raise UsageError(unfit.problem("--by", text).at(verb)) from None
    if not name.strip("^ "):
        raise UsageError(missing.at(verb))
    return name


def print_recipients(queued: Mapping[str, int], packages: Iterable[HandedOver]) -> None:
    """Print which peers will be told, and which packages outside nobody can take back."""
    words = words_of()
    for destination, count in sorted(queued.items()):
        # Peers that have been told of everything are of no interest here.
        if count:
            print(words("cli.amend.queued", count=count, peer=destination))
    for package in packages:
        given = {"case": package.case, "purpose": package.purpose, "to": package.to}
        given["day"] = package.when[:10]
        print(words("cli.amend.handed_over", **given), file=sys.stderr)
