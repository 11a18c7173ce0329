"""Reading the rules of an import; all that is wrong with them is told at once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from archiver.dentition import ALIASES, Turn, View, numbering_of, view_of
from archiver.legacy.day_forms import is_day_form
from archiver.legacy.import_rules import (
    FROM_CAMERA,
    FROM_PATH,
    ImportRules,
    MirrorHabits,
    WordTables,
)
from archiver.legacy.path_templates import FIELDS, PathTemplate
from archiver.legacy.word_tables import words_in
from archiver.objects import FLIPS, Key, TableReader, Unfit, load
from archiver.objects import Path as KeyPath
from archiver.wording import Text

_TABLES = ("path", "visit", "words", "mirror")
_LONGEST = 64
_EXAMPLE = "{year}/{name} {birth_date}/{visit_date} {state}/{words}"


def read_import_rules(path: Path) -> ImportRules:
    """Read a file of rules.

    Raises
    ------
    SheetError
        With every problem of the file.
    """
    given, lines = load(path, Text("legacy.rules.file"))
    reader = _Reader(path, lines)
    top = reader.table((), {k: v for k, v in given.items() if k not in _TABLES}, _TOP)
    templates = reader.templates(given.get("path", []))
    visit = reader.table(("visit",), given.get("visit", {}), _VISIT)
    words = reader.table(("words",), given.get("words", {}), _WORDS)
    mirror = reader.table(("mirror",), given.get("mirror", {}), _MIRROR)
    if both := mirror.get("through", frozenset()) & mirror.get("direct", frozenset()):
        views = tuple(sorted(view.value for view in both))
        reader.report(("mirror",), "legacy.rules.both", views=views)
    if not templates:
        reader.report((), "legacy.rules.no_path")
    reader.end()
    # What the program calls a view is understood in names, too.
    known = {**{view.value: view for view in View}, **ALIASES}
    words["view"] = {**known, **words.get("view", {})}
    return ImportRules(
        templates,
        **top,
        **{{"dates": "days_from"}.get(name, name): value for name, value in visit.items()},
        words=WordTables(**words),
        mirror=MirrorHabits(**mirror),
        digest=hashlib.sha256(path.read_bytes()).hexdigest(),
    )


class _Reader(TableReader):
    def table(self, path: KeyPath, value: object, keys: Mapping[str, Key]) -> dict[str, Any]:
        """Convert the keys of a table; tell the unknown and the unfit ones."""
        if not isinstance(value, Mapping):
            self.report(path, "objects.sheet.no_table", name=path[0])
            return {}
        return self.convert(path, value, keys)

    def templates(self, value: object) -> tuple[PathTemplate, ...]:
        """Read the list of templates."""
        if not isinstance(value, list):
            self.report(("path",), "legacy.rules.no_paths")
            return ()
        found = []
        for number, one in enumerate(value):
            place = ("path", number)
            if isinstance(one, Mapping) and "is" not in one:
                self.report(place, "legacy.rules.no_template", example=_EXAMPLE)
            found.append(self.table(place, one, _PATH).get("is"))
        return tuple(one for one in found if isinstance(one, PathTemplate))


def _template(value: object) -> PathTemplate:
    if not isinstance(value, str) or not value.strip("/ "):
        raise Unfit("legacy.rules.template", example=_EXAMPLE)
    template = PathTemplate(value.strip("/ "))
    unknown = [one for one in template.fields if one not in FIELDS]
    if unknown:
        raise Unfit("legacy.rules.fields", fields=tuple(FIELDS))
    once = [one for one in template.fields if one not in ("words", "any", "number")]
    if len(set(once)) < len(once):
        raise Unfit("legacy.rules.field_once")
    return template


def _texts(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(one, str) and one for one in value):
        raise Unfit("legacy.rules.texts")
    return tuple(value)


def _forms(value: object) -> tuple[str, ...]:
    forms = _texts(value)
    if not all(map(is_day_form, forms)):
        raise Unfit("legacy.rules.forms")
    return forms


def _sources(value: object) -> tuple[str, ...]:
    sources = _texts(value)
    if not set(sources) <= {FROM_PATH, FROM_CAMERA}:
        raise Unfit("legacy.rules.sources", path=FROM_PATH, camera=FROM_CAMERA)
    return sources


def _count(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= 100_000:
        raise Unfit("legacy.rules.count")
    return value


def _views(value: object) -> frozenset[View]:
    return frozenset(map(view_of, _texts(value)))


def _flip(value: object) -> Turn:
    if not isinstance(value, str) or value not in FLIPS:
        raise Unfit("objects.sheet_keys.one_of", words=tuple(f'"{one}"' for one in FLIPS))
    return FLIPS[value]


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise Unfit("objects.sheet_keys.flag")
    return value


def _short(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > _LONGEST:
        raise Unfit("objects.sheet_keys.too_long", most=_LONGEST, length=len(str(value)))
    return value.strip()


def _view(value: object) -> View:
    return view_of(_short(value))


def _word_table(convert: Callable[[object], Any]) -> Callable[[object], object]:
    def read(value: object) -> dict[str, Any]:
        if not isinstance(value, Mapping):
            raise Unfit("legacy.rules.word_table")
        if not all(words_in(str(word)) for word in value):
            raise Unfit("legacy.rules.no_word")
        return {str(word): convert(meaning) for word, meaning in value.items()}

    return read


def _numbering(value: object) -> object:
    if not isinstance(value, str):
        raise Unfit("objects.sheet_keys.text_in_quotes")
    return numbering_of(value)


_TOP = {
    "numbering": Key(_numbering),
    "dates": Key(_forms),
    "copy_marks": Key(_texts),
    "smallest": Key(_count),
}
_PATH = {"is": Key(_template, required=True)}
_VISIT = {"dates": Key(_sources), "apart": Key(_count)}
_WORDS = {
    "view": Key(_word_table(_view)),
    "state": Key(_word_table(_short)),
    "mirror": Key(_word_table(_flag)),
    "flipped": Key(_word_table(_flip)),
    "tooth": Key(_texts),
}
_MIRROR = {"through": Key(_views), "direct": Key(_views), "flipped": Key(_flip)}
