"""What every verb's command has in common: its help, its options, and how it says what is wrong.

A verb's module has one function, ``command``, under `verb`::

    @verb(argument("paths", nargs=-1, type=PATH), JSON)
    def command(options: Options) -> int:
        '''Print what was found and return the exit status.'''
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any

import click
from click.core import ParameterSource

from archiver.cli.verbs import VERBS
from archiver.errors import ArchiverError, Problem, UsageError

#: Where the context keeps what could not be read, until everything has been looked at.
_PROBLEMS = "archiver.cli.problems"


class Options(SimpleNamespace):
    """What the command line said: an attribute for each option and argument."""


class _Read(click.Parameter):
    """A parameter that leaves what is wrong with it in the context, so that all is told at once."""

    def handle_parse_result(
        self, ctx: click.Context, opts: Any, args: list[str]
    ) -> tuple[Any, list[str]]:
        try:
            return super().handle_parse_result(ctx, opts, args)
        except (click.UsageError, ArchiverError) as error:
            ctx.params.setdefault(self.name or "", None)
            ctx.meta.setdefault(_PROBLEMS, []).extend(_problems_of(error, ctx, self))
            return None, args

    def type_cast_value(self, ctx: click.Context, value: Any) -> Any:
        """Read each value of a repeated option, so that each that is wrong is told."""
        if not (self.multiple and isinstance(value, Sequence)):
            return super().type_cast_value(ctx, value)
        read: list[Any] = []
        problems: list[Problem] = []
        for one in value:
            try:
                read.append(self.type(one, self, ctx))
            except (click.UsageError, ArchiverError) as error:
                problems.extend(_problems_of(error, ctx, self))
        ctx.meta.setdefault(_PROBLEMS, []).extend(problems)
        return tuple(read)


class Argument(_Read, click.Argument):
    """A word of the command line without a name."""

    def make_metavar(self, ctx: click.Context) -> str:
        name = self.metavar or self.human_readable_name
        if self.nargs == -1:
            name += " ..."
        return name if self.required else f"[{name}]"


class Option(_Read, click.Option):
    """A named option.

    Parameters
    ----------
    not_with
        Names of options that it excludes.
    takes_words
        Whether all words up to the next option are its value.
    """

    def __init__(
        self,
        *names: str,
        not_with: Sequence[str] = (),
        takes_words: bool = False,
        **rest: Any,
    ) -> None:
        super().__init__(names, **rest)
        self.not_with = not_with
        #: Heading below which the help shows it.
        self.section = "options"
        self.takes_words = takes_words


def in_section(section: str, *options: Option) -> list[Option]:
    """Put options below a heading of the help."""
    for option in options:
        option.section = section
    return list(options)


def argument(name: str, **rest: Any) -> Argument:
    """Return a positional argument."""
    return Argument([name], **rest)


class Verb(click.Command):
    """The command of a verb."""

    #: So that words that nothing takes come back, and are told with the rest.
    allow_extra_args = True

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the words; what is wrong with any of them is raised together.

        Raises
        ------
        UsageError
            With a problem for each.
        """
        words = self._joined(args)
        try:
            rest = super().parse_args(ctx, list(words))
        except click.UsageError as error:
            raise UsageError(*self._placed(_problems_of(error, ctx), ctx)) from None
        if not ctx.resilient_parsing:
            problems = [*ctx.meta.get(_PROBLEMS, ()), *self._exclusions(ctx)]
            problems += self._repetitions(ctx, words)
            if rest:
                problems.append(Problem("cli.words.too_many", words=rest, verb=ctx.command_path))
            if problems:
                raise UsageError(*self._placed(problems, ctx))
        return rest

    @staticmethod
    def _placed(problems: Sequence[Problem], ctx: click.Context) -> list[Problem]:
        return [problem.at(ctx.command_path) for problem in problems]

    def invoke(self, ctx: click.Context) -> Any:
        """Hand the options to the verb as one object."""
        assert self.callback is not None
        return self.callback(Options(**ctx.params))

    def _joined(self, words: Sequence[str]) -> list[str]:
        """Make one word of the words after an option that takes several."""
        takers = {
            name
            for one in self.params
            if isinstance(one, Option) and one.takes_words
            for name in one.opts
        }
        joined: list[str] = []
        taken = -1  # how many words the open option has; -1 where none is open
        for word in words:
            if taken >= 1 and not word.startswith("-"):
                joined[-1] += f" {word}"
                continue
            joined.append(word)
            taken = 0 if word in takers else 1 if taken == 0 else -1
        return joined

    def _repetitions(self, ctx: click.Context, words: list[str]) -> list[Problem]:
        """Return which options were given twice although they have one value."""
        _, _, given = self.make_parser(ctx).parse_args(list(words))
        several = [
            one
            for one in dict.fromkeys(given)
            if isinstance(one, Option)
            and not (one.multiple or one.is_flag)
            and given.count(one) > 1
        ]
        return [
            Problem("cli.option.repeated", option=one.opts[0], verb=ctx.command_path)
            for one in several
        ]

    def _exclusions(self, ctx: click.Context) -> list[Problem]:
        """Return what was said together and excludes each other."""
        flags = {one.name: one for one in self.params if isinstance(one, Option)}
        said = {
            name
            for name in flags
            if name and ctx.get_parameter_source(name) is ParameterSource.COMMANDLINE
        }
        return [
            Problem(
                "cli.option.exclusive",
                one=one.opts[0],
                other=flags[other].opts[0],
                verb=ctx.command_path,
            )
            for name, one in flags.items()
            for other in one.not_with
            if name in said and other in said
        ]

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        pieces = " ".join(self.collect_usage_pieces(ctx))
        formatter.write_usage(ctx.command_path, pieces, prefix="usage: ")

    def format_arguments(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        arguments = [one for one in self.get_params(ctx) if isinstance(one, click.Argument)]
        if arguments:
            with formatter.section("arguments"):
                formatter.write_dl([(one.make_metavar(ctx), one.help or "") for one in arguments])

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        sections: dict[str, list[tuple[str, str]]] = {}
        for one in self.get_params(ctx):
            record = one.get_help_record(ctx)
            if record is not None and not isinstance(one, click.Argument):
                section = one.section if isinstance(one, Option) else "options"
                sections.setdefault(section, []).append(record)
        for section, records in sections.items():
            with formatter.section(section):
                formatter.write_dl(records)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # As it was written: examples keep their lines.
        formatter.write(f"\n{(self.epilog or '').strip()}\n")


def verb(
    *parameters: click.Parameter | Sequence[click.Parameter],
) -> Callable[[Callable[[Options], int]], Verb]:
    """Make the command of a verb from its function; its module's docstring ends the help."""

    def made(function: Callable[[Options], int]) -> Verb:
        name = function.__module__.rpartition(".")[2]
        return Verb(
            name,
            params=[
                one
                for given in parameters
                for one in ([given] if isinstance(given, click.Parameter) else given)
            ],
            callback=function,
            help=f"{VERBS[name][0].upper()}{VERBS[name][1:]}.",
            epilog=sys.modules[function.__module__].__doc__,
        )

    return made


def _name(parameter: click.Parameter) -> str:
    if isinstance(parameter, click.Option):
        return parameter.opts[0]
    return parameter.metavar or parameter.human_readable_name


def _problems_of(
    error: click.UsageError | ArchiverError, ctx: click.Context, of: click.Parameter | None = None
) -> list[Problem]:
    """Return what was wrong in the one wording that all verbs have."""
    verb, option = ctx.command_path, _name(of) if of is not None else ""
    if isinstance(error, ArchiverError):
        # A problem that names the option itself does not get it as its place.
        return [p if "option" in p.values else p.at(option=option) for p in error.problems]
    if isinstance(error, click.NoSuchOption):
        if near := error.possibilities:
            return [
                Problem("cli.option.misspelt", option=error.option_name, near=near[0], verb=verb)
            ]
        return [Problem("cli.option.unknown", option=error.option_name, verb=verb)]
    if isinstance(error, click.BadOptionUsage):
        flags = {name for one in ctx.command.params for name in one.opts if _is_flag(one)}
        if error.option_name in flags:
            return [Problem("cli.option.needs_no_value", option=error.option_name, verb=verb)]
        return [Problem("cli.option.needs_value", option=error.option_name, verb=verb)]
    if isinstance(error, click.MissingParameter):
        return [Problem("cli.option.missing", option=option, verb=verb)]
    raise error


def _is_flag(parameter: click.Parameter) -> bool:
    return isinstance(parameter, click.Option) and parameter.is_flag
