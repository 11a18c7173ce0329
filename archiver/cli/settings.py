"""The practice's own settings, and where the archive is when nobody says.

``archiver.toml`` in the user's configuration folder, or the file that the environment variable
``ARCHIVER_SETTINGS`` names::

    archive = "/srv/clinic/photographs"    # relative paths start at this file's folder
    identity = "7b0c6a0e-9f57-4d4c-8f35-2f4f1a9b7d11"   # of that archive: no other is taken for it
    edges = "lossless"                 # or "trim": what is done with an incomplete block

    [defaults]                         # any key of a photo, below the sheet's own
    operator = "behind"
    lingual_fronts = "turned"          # front teeth seen from inside: turned by half

    [quality]                          # limits from which a warning is given
    blur_share = 1.25
    lightness = [22.0, 82.0]

    [pictures]                         # what one picture may take, whoever brings it
    megapixels = 120                   # rows x columns
    scans = 100                        # of a JPEG
    inflated_megabytes = 64            # of a deflated object
    decoder_megabytes = 2048           # memory of one decoding
    decoder_seconds = 60               # of the processor

    [witness]                          # who is given signed heads of the journal
    key = "/root/archiver-key.pem"     # outside the archive; made by archiver witness --new-key
    folders = ["/mnt/auditor/heads"]   # that others keep
    stamp = "https://tsa.example"      # an authority for time stamps (RFC 3161)
    authorities = "tsa.pem"            # whose stamps are trusted
    every_hours = 24                   # how often archiver serve signs; left out: never by itself

    [[forward]]                        # what is sent on: see network.outbox.forwarding_rules
    to = "clinic"

    [[peer]]                           # other archives: see archiver.network.peers
    name = "clinic"
    host = "imaging.example"
    port = 11112
    title = "CLINIC"
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from uuid import UUID

from archiver.errors import Problem, UsageError
from archiver.network import Peer, read_peers
from archiver.network.node import NodeSettings, settings_of
from archiver.network.outbox import ForwardingRule, rules_of
from archiver.web import PagesSettings, pages_settings_of
from archiver.workers import Allowance

_VARIABLE = "ARCHIVER_SETTINGS"
#: The most that a figure may be, or the least and the most.
Limit = float | tuple[float, float]
_KEYS = (
    "archive",
    "identity",
    "edges",
    "defaults",
    "quality",
    "peer",
    "forward",
    "node",
    "pages",
    "pictures",
    "witness",
)

#: Keys of the table ``[pictures]``: what each sets, and in which unit.
_PICTURES = {
    "megapixels": ("pixels", 1_000_000),
    "scans": ("scans", 1),
    "inflated_megabytes": ("inflated", 1 << 20),
    "decoder_megabytes": ("memory", 1 << 20),
    "decoder_seconds": ("seconds", 1),
}


@dataclass(frozen=True)
class WitnessSettings:
    """Who signs the journal's head, and who is given it.

    Parameters
    ----------
    key
        The private key; None where nobody signs.
    stamp
        Address of an authority for time stamps; empty for none.
    authorities
        Certificates of whose stamps are trusted.
    every_hours
        How often a server signs; 0: never by itself.
    """

    key: Path | None = None
    folders: tuple[Path, ...] = ()
    stamp: str = ""
    authorities: Path | None = None
    every_hours: float = 0


@dataclass(frozen=True)
class PracticeSettings:
    """What a practice has set once.

    Parameters
    ----------
    archive
        The folder of the archive.
    names_archive
        Whether the settings say so; else it is the user's own.
    identity
        Which archive it has to be, None for any.
    edges
        ``trim`` or ``lossless``.
    defaults
        Keys of a photo, below those of a sheet.
    quality
        Limits by name.
    peers
        The archives and worklists that it talks to.
    node
        How this archive is served to others.
    pages
        How the pages for the browser are served.
    pictures
        What decoding a picture may take.
    forward
        What is sent on by itself.
    given
        All of it as the file has it.
    witness
        Who signs the journal's head, and who is given it.
    """

    archive: Path
    edges: Literal["trim", "lossless"] = "trim"
    defaults: Mapping[str, object] = field(default_factory=dict)
    quality: Mapping[str, Limit] = field(default_factory=dict)
    peers: tuple[Peer, ...] = ()
    node: NodeSettings = field(default_factory=NodeSettings)
    pages: PagesSettings = field(default_factory=PagesSettings)
    names_archive: bool = False
    identity: UUID | None = None
    pictures: Allowance = field(default_factory=Allowance)
    forward: tuple[ForwardingRule, ...] = ()
    given: Mapping[str, object] = field(default_factory=dict)
    witness: WitnessSettings = field(default_factory=WitnessSettings)


def read_settings() -> PracticeSettings:
    """Read the practice's settings; what is not set has its default.

    Raises
    ------
    UsageError
        If the file cannot be understood.
    """
    from platformdirs import user_config_path, user_data_path

    home = user_data_path("archiver", appauthor=False) / "archive"
    named = os.environ.get(_VARIABLE)
    path = Path(named) if named else user_config_path("archiver", appauthor=False) / "archiver.toml"
    if not path.is_file():
        if named:
            raise UsageError(Problem("cli.settings.no_file", variable=_VARIABLE).at(file=str(path)))
        return PracticeSettings(home)
    given = _load(path)
    unknown = [key for key in given if key not in _KEYS]
    if unknown:
        raise UsageError(
            *(
                Problem("cli.settings.unknown_key", key=key, keys=tuple(_KEYS)).at(file=path.name)
                for key in unknown
            )
        )
    _refuse_confirmations(path, _table(given, "defaults"))
    edges = given.get("edges", "trim")
    if edges != "trim" and edges != "lossless":
        raise UsageError(Problem("cli.settings.edges", edges=edges).at(file=path.name))
    archive = path.parent / Path(str(given["archive"])).expanduser() if "archive" in given else home
    peers = read_peers(given.get("peer", []), path.name, path.parent)
    return PracticeSettings(
        archive,
        edges,
        _table(given, "defaults"),
        _limits(path, _table(given, "quality")),
        peers,
        settings_of(_table(given, "node"), path.parent),
        pages_settings_of(_table(given, "pages"), path.parent),
        "archive" in given,
        _identity(path, given.get("identity")),
        _pictures(path, _table(given, "pictures")),
        rules_of(given.get("forward", []), peers, path.name),
        given,
        _witness(path, _table(given, "witness")),
    )


def _witness(path: Path, table: Mapping[str, Any]) -> WitnessSettings:
    known = tuple(WitnessSettings.__dataclass_fields__)
    place = {"file": path.name, "table": "witness"}
    problems = [
        Problem("cli.settings.unknown_key", key=key, keys=known).at(**place)
        for key in table
        if key not in known
    ]
    folders = table.get("folders", [])
    texts = [table.get(key, "") for key in ("key", "stamp", "authorities")]
    hours = table.get("every_hours", 0)
    is_number = isinstance(hours, int | float) and not isinstance(hours, bool) and hours >= 0
    is_texts = isinstance(folders, list) and all(isinstance(t, str) for t in (*texts, *folders))
    if not is_number or not is_texts:
        problems.append(Problem("cli.settings.witness").at(**place))
    if problems:
        raise UsageError(*problems)

    def at(name: str) -> Path | None:
        return path.parent / Path(table[name]).expanduser() if table.get(name) else None

    places = tuple(path.parent / Path(one).expanduser() for one in folders)
    return WitnessSettings(at("key"), places, table.get("stamp", ""), at("authorities"), hours)


def _pictures(path: Path, table: Mapping[str, object]) -> Allowance:
    problems, read = [], {}
    for key, value in table.items():
        place = {"file": path.name, "table": "pictures"}
        if key not in _PICTURES:
            problem = Problem("cli.settings.unknown_key", key=key, keys=tuple(_PICTURES))
            problems.append(problem.at(**place))
        elif isinstance(value, int | float) and not isinstance(value, bool) and value > 0:
            field_, unit = _PICTURES[key]
            read[field_] = int(value * unit)
        else:
            problems.append(Problem("cli.settings.pictures", key=key, value=value).at(**place))
    if problems:
        raise UsageError(*problems)
    return Allowance(**read)


def _load(path: Path) -> dict[str, Any]:
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    try:
        return tomllib.loads(path.read_text("utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UsageError(
            Problem("cli.settings.unreadable", error=error).at(file=str(path))
        ) from None


def _identity(path: Path, value: object) -> UUID | None:
    if value is None:
        return None
    try:
        return UUID(str(value))
    except ValueError:
        raise UsageError(Problem("cli.settings.identity", value=value).at(file=path.name)) from None


def _refuse_confirmations(path: Path, defaults: Mapping[str, object]) -> None:
    """Refuse keys by which every picture would be confirmed unseen, each with its line."""
    from archiver.objects import NO_DEFAULT, load

    wrong = [key for key in NO_DEFAULT if key in defaults]
    if not wrong:
        return
    _, lines = load(path)
    raise UsageError(
        *(
            Problem("objects.sheet.one_look", key=key).at(
                file=path.name, line=lines.get(("defaults", key)), key=("defaults", key)
            )
            for key in wrong
        )
    )


def _table(given: Mapping[str, object], name: str) -> Mapping[str, object]:
    value = given.get(name, {})
    return value if isinstance(value, dict) else {}


def _limits(path: Path, table: Mapping[str, object]) -> dict[str, Limit]:
    return {name: _limit(path, name, value) for name, value in table.items()}


def _limit(path: Path, name: str, value: object) -> Limit:
    given = value if isinstance(value, list) else [value]
    numbers = [float(n) for n in given if isinstance(n, int | float) and not isinstance(n, bool)]
    if len(numbers) == len(given) == (2 if isinstance(value, list) else 1):
        return (numbers[0], numbers[1]) if isinstance(value, list) else numbers[0]
    raise UsageError(Problem("cli.settings.quality", name=name, value=value).at(file=path.name))
