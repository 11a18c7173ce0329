"""What the patient consented to, as a draft keeps it and as its sheet says it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from archiver.objects import CONSENT, Purpose, Unfit
from archiver.web.http_errors import Refused

_SENT = ("purposes", "until")


def read_consent(given: Mapping[str, Any], who: str) -> dict[str, Any]:
    """Read a consent as the browser sends it; empty where no purpose is named.

    Parameters
    ----------
    given
        ``purposes``, a list, and ``until``, the last day on which it holds, or an empty text.
    who
        Who notes it.

    Raises
    ------
    Refused
        If it cannot be.
    """
    if set(given) - set(_SENT):
        raise Refused(422, "errors.malformed")
    if not given.get("purposes"):
        return {}
    if not who:
        raise Refused(422, "take_in.no_consenting")
    try:
        purposes = CONSENT["purposes"].convert(given["purposes"])
        assert isinstance(purposes, tuple)
        noted_by = str(CONSENT["noted_by"].convert(who))
    except Unfit:
        raise Refused(422, "errors.malformed") from None
    kept = {"purposes": [str(one) for one in purposes], "noted_by": noted_by}
    until = str(given.get("until") or "")
    if until:
        try:
            kept["until"] = date.fromisoformat(until).isoformat()
        except ValueError:
            raise Refused(422, "take_in.no_day") from None
    return kept


def consent_table(consent: Mapping[str, Any]) -> dict[str, Any]:
    """Return a consent as the table of a session sheet."""
    table = {key: consent[key] for key in ("purposes", "noted_by")}
    if "until" in consent:
        table["until"] = date.fromisoformat(str(consent["until"]))
    return table


def purposes() -> list[str]:
    """Return what there may be a consent to."""
    return [purpose.value for purpose in Purpose]
