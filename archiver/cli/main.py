"""Entry point: finds the verb, runs it, and turns errors into one line a problem.

Exit status: 0 all well (warnings included), 1 something was refused, failed or found wanting,
2 wrong use.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import TYPE_CHECKING

import click

from archiver import __version__
from archiver.cli.console import never_fail_to_print
from archiver.cli.verbs import VERBS

if TYPE_CHECKING:
    from archiver.workers import Allowance

_COMPLETION = "_ARCHIVER_COMPLETE"


class _Verbs(click.Group):
    """The verbs; the module of one is imported when it is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in VERBS:
            return None
        command: click.Command = import_module(f"archiver.cli.{name}").command
        return command

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[click.shell_completion.CompletionItem]:
        from click.shell_completion import CompletionItem

        verbs = [
            CompletionItem(name, help=text)
            for name, text in VERBS.items()
            if name.startswith(incomplete)
        ]
        return verbs or click.Command.shell_complete(self, ctx, incomplete)

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        formatter.write(_overview())

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in VERBS and not ctx.resilient_parsing:
            from difflib import get_close_matches

            from archiver.errors import Problem, UsageError

            near = get_close_matches(name, VERBS, n=1)
            if near:
                problem = Problem("cli.verb.misspelt", verb=name, near=near[0])
            else:
                problem = Problem("cli.verb.unknown", verb=name)
            raise UsageError(problem.at("archiver"))
        return super().resolve_command(ctx, args)


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
        "",
    ]
    return "\n".join(lines)


def _print_version(ctx: click.Context, param: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        click.echo(f"archiver {__version__}")
        ctx.exit()


#: The whole command line.
archiver = _Verbs(
    "archiver",
    params=[
        click.Option(
            ["-V", "--version"],
            is_flag=True,
            is_eager=True,
            expose_value=False,
            callback=_print_version,
            help="Print the version.",
        )
    ],
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _allowance_of_settings() -> Allowance:
    from archiver.cli.settings import read_settings

    return read_settings().pictures


def _run(arguments: Sequence[str]) -> int:
    if not arguments or arguments[0] == "help":
        click.echo(_overview(), nl=False)
        return 0 if arguments else 2
    from archiver.workers import allowed

    try:
        with (
            archiver.make_context("archiver", list(arguments)) as context,
            allowed(_allowance_of_settings),
        ):
            status: int = archiver.invoke(context)
            return status
    except click.NoSuchOption as error:
        from archiver.errors import Problem, UsageError

        problem = Problem("cli.option.unknown", option=error.option_name, verb="archiver")
        raise UsageError(problem.at("archiver")) from None
    except click.exceptions.Exit as end:
        raise SystemExit(end.exit_code) from None


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

    Raises
    ------
    SystemExit
        After the help of a verb, or a completion for the shell.
    """
    if instruction := os.environ.get(_COMPLETION):
        from archiver.cli.completion import complete

        raise SystemExit(complete(archiver, "archiver", _COMPLETION, instruction))
    never_fail_to_print(sys.stdout, sys.stderr)
    if arguments is None:
        # Archive, packages and reports tell of patients: for nobody but their owner.
        os.umask(os.umask(0o077) | 0o077)
        # Asked to end, as by Ctrl-C: what was done is kept, what was read is remembered.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        return _run(sys.argv[1:] if arguments is None else arguments)
    except BrokenPipeError:
        # The reader (head, less) left; what was done stays done.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except (KeyboardInterrupt, click.Abort):
        from archiver.wording import words_of

        print(words_of()("cli.stopped"), file=sys.stderr)
        return 1
    except Exception as error:
        # Imported when there is one, since the help has none.
        from archiver.errors import ArchiverError, SheetError, UsageError

        if not isinstance(error, ArchiverError):
            raise
        print(error, file=sys.stderr)
        return 2 if isinstance(error, (UsageError, SheetError)) else 1
    finally:
        if arguments is None:
            # The process ends: looking for what is no longer used would take as long as the help.
            gc.freeze()
