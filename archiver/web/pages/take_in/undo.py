"""What changes did to a draft, so that they can be taken back, also after the server began anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from archiver.objects import OF_ONE_LOOK
from archiver.web.pages.take_in.drafts import Draft

#: What was said by people and is no picture's; the rest counts, dates or follows.
_SAID = frozenset(f.name for f in fields(Draft)) - {
    *("id", "owner", "created", "changed", "revision", "state", "said", "results")
}
#: Changes that can be taken back.
MOST = 100
#: From one state to another, as values that JSON has.
Step = Mapping[str, Any]


def step(since: Draft, to: Draft) -> Step:
    """Return what leads from one state of a draft to another.

    Returns
    -------
    mapping
        New values of fields that differ; under ``said``, by digest, what is said of pictures of
        which something else is said, None where nothing is.
    """
    table = asdict(to)
    found = {key: table[key] for key in sorted(_SAID) if getattr(since, key) != getattr(to, key)}
    touched = sorted(d for d in {*since.said, *to.said} if since.said.get(d) != to.said.get(d))
    return {**found, "said": {digest: to.said.get(digest) for digest in touched}}


def says_something(taken: Step) -> bool:
    """Return whether a step changes anything that is said."""
    return bool(taken["said"]) or len(taken) > 1


def stepped(draft: Draft, taken: Step) -> Draft:
    """Return a draft after a step; results that no longer hold fall."""
    said = {**draft.said, **taken["said"]}
    table = {key: value for key, value in taken.items() if key in _SAID}
    whole = {
        **draft.to_json(),
        **table,
        "said": {digest: one for digest, one in said.items() if one is not None},
    }
    new = Draft.of(whole)
    return replace(new, results=new.results_since(draft))


@dataclass(frozen=True)
class StepContents:
    """What a step changes.

    Parameters
    ----------
    pictures
        Digests of those of which something else is said then.
    keys
        What is said otherwise: keys of a photo, and fields of the draft after ``visit_``. That a
        confirmation falls is told as ``confirmed_by``, and only where nothing else explains it.
    """

    pictures: tuple[str, ...]
    keys: tuple[str, ...]

    @classmethod
    def of(cls, draft: Draft, taken: Step) -> StepContents:
        """Return what a step from a draft changes."""
        keys = [f"visit_{key}" for key in sorted(_SAID) if key in taken]
        pictures = []
        for digest, after in taken["said"].items():
            before, then = draft.of_photo(digest), after or {}
            found = sorted(k for k in {*before, *then} if before.get(k) != then.get(k))
            if found:
                pictures.append(digest)
            said = [key for key in found if key not in OF_ONE_LOOK]
            keys += said or (["confirmed_by"] if found else [])
        return cls(tuple(pictures), tuple(dict.fromkeys(keys)))


def read_steps(given: object) -> list[Step]:
    """Return steps as a file holds them; none where it holds something else."""
    if not isinstance(given, list):
        return []
    well = all(isinstance(one, dict) and isinstance(one.get("said"), dict) for one in given)
    return given[-MOST:] if well else []
