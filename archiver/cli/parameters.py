"""What the words of the command line can mean: one type for each thing that verbs are told.

Each reads its words in one way, says in one way what is wrong with them, and completes them in the
shell. The libraries behind them are imported when a word is read or completed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import click

from archiver.errors import ArchiverError, Problem, UsageError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from archiver.dentition import Direction, Numbering, View
    from archiver.network import DimsePeer, Peer
    from archiver.objects import Purpose
    from archiver.records.rules import RuleSet

#: left, top, width, height, in pixels.
Box = tuple[int, int, int, int]
Key = TypeVar("Key")
_CROP = re.compile(r"(\d+)x(\d+)\+(\d+)\+(\d+)")


def _offered(
    words: Iterable[tuple[str, str | None]], incomplete: str, before: str = ""
) -> list[CompletionItem]:
    """Return what may come: words that begin so, each with its explanation."""
    from click.shell_completion import CompletionItem

    start = incomplete.casefold()
    return [
        CompletionItem(before + word, help=help_)
        for word, help_ in words
        if (before + word).casefold().startswith(start)
    ]


def _verb(ctx: click.Context | None) -> str:
    return ctx.command_path if ctx is not None else "archiver"


def _no_choice(word: Any, choices: Iterable[str], ctx: click.Context | None) -> UsageError:
    return UsageError(
        Problem(
            "cli.word.choice",
            word=word,
            choices=tuple(str.__str__(one) for one in choices),
            verb=_verb(ctx),
        )
    )


class Choice(click.Choice[str]):
    """One of a few words."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        if value not in self.choices:
            raise _no_choice(value, self.choices, ctx)
        return str(value)


class Number(click.ParamType[float]):
    """A whole number, or with ``whole=False`` any, within bounds."""

    def __init__(
        self, least: int | None = None, most: int | None = None, *, whole: bool = True
    ) -> None:
        self.least, self.most, self.whole = least, most, whole
        self.name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            number = int(value) if self.whole else float(value)
        except ValueError:
            number = None
        below = self.least is not None and number is not None and number < self.least
        above = self.most is not None and number is not None and number > self.most
        if number is None or below or above or number != number:
            raise UsageError(self._problem(value, param.opts[0] if param else "", ctx))
        return number

    def _problem(self, word: Any, option: str, ctx: click.Context | None) -> Problem:
        verb, least, most = _verb(ctx), self.least, self.most
        if least is None:
            return Problem("cli.number.any", option=option, word=word, verb=verb)
        if most is None:
            return Problem("cli.number.from", option=option, least=least, word=word, verb=verb)
        return Problem(
            "cli.number.between", option=option, least=least, most=most, word=word, verb=verb
        )


class FilePath(click.ParamType[Path]):
    """A file or a folder; whether it is there is looked at by what uses it."""

    def __init__(self, kind: str = "file") -> None:
        self.name = kind

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        return Path(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        from click.shell_completion import CompletionItem

        return [CompletionItem(incomplete, type="dir" if self.name == "folder" else "file")]


class Day(click.ParamType[date]):
    """A day, as 2026-03-04."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        try:
            return date.fromisoformat(value)
        except ValueError:
            raise UsageError(Problem("cli.word.day", word=value)) from None


class Teeth(click.ParamType[Any]):
    """Teeth with their numbering; with ``single`` exactly one."""

    name = "teeth"

    def __init__(self, *, single: bool = False) -> None:
        self.single = single

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from archiver.dentition import parse_teeth, parse_tooth

        return parse_tooth(value) if self.single else parse_teeth(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        from archiver.dentition import ALL_TEETH

        last = incomplete.rfind(",") + 1
        numbering = incomplete[: incomplete.find(":") + 1] if last else ""
        words = (
            (f"{name}:{number}".removeprefix(numbering), tooth.name)
            for name in ("iso", "universal", "palmer")
            if f"{name}:".startswith(numbering)
            for tooth in ALL_TEETH
            for number in [getattr(tooth, name)]
        )
        return _offered(words, incomplete, incomplete[:last])


class Word(click.ParamType[Any]):
    """A word that one function reads and another offers.

    Parameters
    ----------
    name
        What the help calls it.
    read
        Makes of the word what it means; raises an `ArchiverError`.
    offer
        Returns the words that there are, each with its explanation.
    """

    def __init__(
        self,
        name: str,
        read: Callable[[str, click.Context | None], Any],
        offer: Callable[[], Iterable[tuple[str, str | None]]],
    ) -> None:
        self.name = name
        self._read = read
        self._offer = offer

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return self._read(value, ctx)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        return _offered(self._offer(), incomplete)


def _view(word: str, ctx: click.Context | None) -> View:
    from archiver.dentition import view_of

    return view_of(word)


def _views() -> list[tuple[str, None]]:
    from archiver.dentition import View

    return [(one.value, None) for one in View]


def _surface(word: str, ctx: click.Context | None) -> str:
    """Read a surface, in any of the words by which it is asked for."""
    from archiver.dentition import Surface, View, view_of

    plain = " ".join(word.casefold().split())
    if plain in set(Surface):
        return plain
    of_surfaces = (View.INCISAL, View.BUCCAL, View.LABIAL, View.LINGUAL, View.PALATAL)
    with suppress(ArchiverError):
        if view_of(plain) in of_surfaces:
            return plain
    raise _no_choice(word, [one.value for one in (*Surface, *of_surfaces)], ctx)


def _surfaces() -> list[tuple[str, None]]:
    from archiver.dentition import Surface

    return [(one.value, None) for one in Surface]


def _direction(word: str, ctx: click.Context | None) -> Direction:
    from archiver.dentition import direction_of

    return direction_of(word)


def _directions() -> list[tuple[str, None]]:
    from archiver.dentition import Direction

    return [(one.word, None) for one in Direction]


def _numbering(word: str, ctx: click.Context | None) -> Numbering:
    from archiver.dentition import numbering_of

    return numbering_of(word)


def _numberings() -> list[tuple[str, None]]:
    from archiver.dentition import Numbering

    return [(one.value, None) for one in Numbering]


class Region(click.ParamType[Box]):
    """A rectangle of pixels."""

    name = "left,top,width,height"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Box:
        try:
            left, top, width, height = (int(part) for part in value.split(","))
        except ValueError:
            raise UsageError(Problem("cli.word.region", word=value, form=self.name)) from None
        return left, top, width, height


class KeyedRegion(click.ParamType[tuple[Key, Box]], Generic[Key]):
    """A rectangle in one of several pictures, ``key=left,top,width,height``."""

    def __init__(self, key: str, read: type[Key]) -> None:
        self.read = read
        self.name = f"{key}={Region.name}"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[Key, Box]:
        key, equals, box = value.partition("=")
        try:
            if not equals:
                raise ValueError
            return self.read(key), REGION.convert(box, param, ctx)  # type: ignore[call-arg]
        except (ValueError, UsageError):
            raise UsageError(Problem("cli.word.region", word=value, form=self.name)) from None


class CropWord(click.ParamType[Any]):
    """What of a picture is kept, as width x height + left + top, or the word ``none``."""

    name = "WxH+LEFT+TOP"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from archiver.objects import Crop

        if value == "none":
            return value
        found = _CROP.fullmatch(value)
        if found is None or not int(found[1]) or not int(found[2]):
            raise UsageError(Problem("cli.word.crop", word=value))
        width, height, left, top = (int(number) for number in found.groups())
        return Crop(left, top, width, height)


def _peer(word: str, ctx: click.Context | None) -> Peer:
    from archiver.cli.settings import read_settings
    from archiver.network import find_peer

    return find_peer(read_settings().peers, word)


def _worklist_peer(word: str, ctx: click.Context | None) -> DimsePeer:
    from archiver.cli.settings import read_settings
    from archiver.network import find_dimse_peer
    from archiver.wording import Text

    return find_dimse_peer(read_settings().peers, word, Text("network.peers.a_worklist"))


def _peers() -> list[tuple[str, str | None]]:
    """Return the peers of the settings; none, where these cannot be read."""
    from archiver.cli.settings import read_settings

    try:
        return [(peer.name, str(peer.place)) for peer in read_settings().peers]
    except ArchiverError:
        return []


def _rules(word: str, ctx: click.Context | None) -> RuleSet:
    from archiver.records.rules import find_rules, read_rules

    return read_rules(find_rules(word))


class Rules(Word):
    """A set of rules: a file, or one that comes with the program."""

    def __init__(self) -> None:
        super().__init__("rules", _rules, _shipped)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        found = super().shell_complete(ctx, param, incomplete)
        return found or FILE.shell_complete(ctx, param, incomplete)


def _shipped() -> list[tuple[str, None]]:
    from archiver.records.rules import shipped

    return [(name, None) for name in shipped()]


def _purpose(word: str, ctx: click.Context | None) -> Purpose:
    from archiver.objects import Purpose

    try:
        return Purpose(word)
    except ValueError:
        raise _no_choice(word, [name for name, _ in _purposes()], ctx) from None


def _purposes() -> list[tuple[str, None]]:
    from archiver.objects import Purpose

    return [(one.value, None) for one in Purpose]


class PurposeName(Word):
    """A purpose of a hand-over."""

    def __init__(self) -> None:
        super().__init__("purpose", _purpose, _purposes)

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        return f"[{'|'.join(name for name, _ in _purposes())}]"


FILE = FilePath()
FOLDER = FilePath("folder")
DAY = Day()
TEETH = Teeth()
TOOTH = Teeth(single=True)
VIEW = Word("view", _view, _views)
SURFACE = Word("surface", _surface, _surfaces)
DIRECTION = Word("direction", _direction, _directions)
NUMBERING = Word("numbering", _numbering, _numberings)
REGION = Region()
CROP = CropWord()
PEER = Word("peer", _peer, _peers)
WORKLIST_PEER = Word("peer", _worklist_peer, _peers)
#: A peer's name, as the outbox keeps it also when the settings do not name it any more.
PEER_NAME = Word("name", lambda word, ctx: word, _peers)
RULES = Rules()
PURPOSE = PurposeName()
