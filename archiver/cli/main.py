"""Entry point: finds the verb, runs it, and turns errors into one line a problem.

Exit status: 0 all well (warnings included), 1 something was refused, failed or found wanting,
2 wrong use.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Protocol

from archiver import __version__
from archiver.errors import ArchiverError, SheetError, UsageError

#: Verb -> what its line in the help says. The module of the same name has the rest.
VERBS: dict[str, str] = {
    "demo": "take the invented demo sessions through the whole job",
    "explain": "say how a photograph of a tooth and view must be turned, and why",
    "wrap": "turn the photographs of a session sheet into DICOM objects and archive them",
    "add": "take existing DICOM files, radiographs too, into the archive",
    "validate": "check DICOM files against the standard and the clinical rules",
    "amend": "put right what an archived photograph says, hiding the wrong instances",
    "query": "find photographs and radiographs in the archive, or in another one",
    "worklist": "say who is scheduled, from another system's worklist",
    "echo": "ask another archive whether it is there",
    "send": "send photographs and radiographs to another archive",
    "outbox": "show what is on its way to other archives; retry, drop, clear the card",
    "retrieve": "fetch photographs and radiographs from another archive",
    "serve": "be an imaging archive that others store to, ask and fetch from",
    "audit": "say whether each patient's record is complete, correct and intact",
    "consent": "note what a patient has consented to, or has withdrawn",
    "handover": "make a package that leaves the clinic, with a case number and no name",
    "compare": "show a tooth now and earlier, turned alike and aligned",
    "rebuild": "make the archive's index anew from its objects and verify them",
}


class Verb(Protocol):
    """What each module of a verb offers."""

    def configure(self, parser: argparse.ArgumentParser) -> None:
        """Add the verb's own arguments."""

    def run(self, options: argparse.Namespace) -> int:
        """Carry the verb out and return the exit status."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> None:  # type: ignore[override]
        raise UsageError(f"{self.prog}: {message} (see {self.prog} --help)")


def _verb_module(name: str) -> Verb:
    module: Verb = import_module(f"archiver.cli.{name}")
    return module


def _overview() -> str:
    lines = [
        "usage: archiver VERB ... (archiver VERB --help tells what a verb takes)",
        "",
        "Brings intraoral photographs into a patient's imaging record.",
        "",
        *(f"  {name:<9} {text}" for name, text in VERBS.items()),
        "",
        "Tooth numbers are never bare: iso:36, universal:19, palmer:LL6.",
        "Exit status: 0 all well, 1 something was refused or found wanting, 2 wrong use.",
    ]
    return "\n".join(lines)


def _run(arguments: Sequence[str]) -> int:
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        print(_overview())
        return 0 if arguments else 2
    if arguments[0] in ("-V", "--version"):
        print(f"archiver {__version__}")
        return 0
    name, *rest = arguments
    if name not in VERBS:
        from difflib import get_close_matches

        near = get_close_matches(name, VERBS, n=1)
        raise UsageError(
            f'archiver: there is no verb "{name}"'
            + (f"; did you mean {near[0]}?" if near else "; archiver --help lists them")
        )
    verb = _verb_module(name)
    parser = _Parser(
        prog=f"archiver {name}",
        description=VERBS[name][0].upper() + VERBS[name][1:] + ".",
        epilog=verb.__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    verb.configure(parser)
    return verb.run(parser.parse_args(rest))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments
        Words after ``archiver``; those of the process when None.

    Returns
    -------
    int
        The exit status.
    """
    try:
        return _run(sys.argv[1:] if arguments is None else arguments)
    except (UsageError, SheetError) as error:
        print(error, file=sys.stderr)
        return 2
    except ArchiverError as error:
        print(error, file=sys.stderr)
        return 1
    except BrokenPipeError:
        # The reader (head, less) left; what was done stays done.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        print("archiver: stopped; what was archived stays archived", file=sys.stderr)
        return 1
