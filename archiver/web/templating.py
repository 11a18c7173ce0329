"""Templates: HTML from files, everything escaped, every text from the catalogue."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PrefixLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from archiver.errors import Problem
from archiver.objects import readable_name
from archiver.web.auth.login import LogIn
from archiver.web.language import (
    LANGUAGES,
    ChosenLanguages,
    in_words,
    language_name,
    page_words,
    rule_name,
    spoken,
)
from archiver.wording import Text

_HERE = Path(__file__).parent
_ROOMS = ("entrance", "take_in", "find", "compare", "record", "help")
#: Navigation: path, key of its word, icon, and what a visitor must be allowed for it.
NAVIGATION = (
    ("/take-in", "nav.take_in", "take-in", "take in"),
    ("/find", "nav.find", "find", "look"),
    ("/compare", "nav.compare", "compare", "compare"),
    ("/record", "nav.record", "record", "look"),
)
THEMES = ("device", "light", "dark")


class Templates:
    """Makes pages.

    Parameters
    ----------
    log_in
        Knows tokens, and whether anybody has to log in.
    languages
        Who has chosen which language.
    """

    def __init__(self, log_in: LogIn, languages: ChosenLanguages) -> None:
        self._log_in, self._languages = log_in, languages
        loaders = {room: FileSystemLoader(_HERE / "pages" / room / "templates") for room in _ROOMS}
        self.environment = Environment(
            loader=ChoiceLoader([PrefixLoader(loaders), FileSystemLoader(_HERE / "templates")]),
            autoescape=True,
            undefined=StrictUndefined,
            finalize=_in_words,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.environment.globals.update(t=_SPOKEN_WORDS, icon=_icon)
        self.environment.filters.update(
            person=readable_name,
            rule_name=rule_name,
            role_word=lambda role: _SPOKEN_WORDS(f"roles.{role}"),
        )

    def page(
        self, request: Request, template: str, status: int, values: Mapping[str, Any]
    ) -> Response:
        """Return a page."""
        visitor = getattr(request.state, "visitor", None)
        token = self._log_in.token_for(request)
        path = request.url.path
        theme = request.cookies.get("archiver-theme", "")
        context = {
            "visitor": visitor,
            "csrf": token,
            "csrf_field": lambda: Markup('<input type="hidden" name="csrf" value="{}">').format(
                token
            ),
            "navigation": [
                (where, key, sign, path == where or path.startswith(where + "/"))
                for where, key, sign, may in NAVIGATION
                if visitor is not None and visitor.may(may)
            ],
            "language": spoken(),
            "languages": [(one, language_name(one)) for one in LANGUAGES],
            "chosen_language": self._languages.of(visitor.name) if visitor else "",
            "theme": theme if theme in THEMES else "device",
            "themes": THEMES,
            "here": path,
            "local": self._log_in.needs_no_login,
            **values,
        }
        return HTMLResponse(self.environment.get_template(template).render(context), status)


class _SpokenWords:
    """The words of the pages; asked anew each time, since templates are shared by all languages."""

    def __call__(self, key: str, /, **values: object) -> str:
        return page_words()(key, **values)

    def has(self, key: str) -> bool:
        """Return whether there is a text of this key."""
        return page_words().has(key)


_SPOKEN_WORDS = _SpokenWords()


def _in_words(value: object) -> object:
    """Return what a page shows of a value: texts and problems in its language."""
    return in_words(value) if isinstance(value, Text | Problem) else value


def _icon(name: str) -> Markup:
    """Return one of our own drawings; it says nothing to a screen reader."""
    return Markup(
        '<svg class="icon" aria-hidden="true" focusable="false">'
        '<use href="/static/icons.svg#{}"></use></svg>'
    ).format(name)
