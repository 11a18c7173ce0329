"""A rule set in plain words, for `archiver audit --explain` and for the report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from archiver.records.rules.rule_set import QUALITY_LIMITS, Retention, RuleSet, ViewRequirement

_SCOPES = {
    "tooth": "For each tooth",
    "quadrant": "For each quadrant with such a tooth",
    "arch": "For each arch with such a tooth",
    "mouth": "For the mouth, once",
}
_STAGES = {"start": "at the start", "prepared": "when prepared", "finished": "when finished"}


def named(target: str) -> str:
    """Name what a demand is about; the number of a tooth is never bare."""
    return f"ISO {target}" if target[:1].isdigit() else target


def joined(words: Sequence[str], link: str = "or") -> str:
    """Return ``a, b or c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {link} {words[-1]}"


def explain(rules: RuleSet) -> list[str]:
    """Return the rule set as lines of plain words."""
    lines = [
        f"{rules.name}, version {rules.version}",
        f"Source ({rules.standing}): {rules.source}",
        "",
    ]
    if rules.requirements:
        lines += [_about(rules), ""]
    lines += [f"  {n}. {sentence(one)}" for n, one in enumerate(rules.requirements, start=1)]
    lines += [f"  - {words}" for words in _limits(rules)]
    lines += [f"  - {_retention(one)}" for one in rules.retention]
    return lines


def _about(rules: RuleSet) -> str:
    applies = rules.applies
    teeth = {"any": "", "posterior": " of back teeth", "anterior": " of front teeth"}[applies.teeth]
    if applies.to == "episodes":
        kinds = f" whose kind holds {_quoted(applies.treatments)}" if applies.treatments else ""
        return f"Applies to every treatment{teeth} in the list of episodes{kinds}:"
    said = ""
    if applies.descriptions:
        said = f" and whose study description holds {_quoted(applies.descriptions)}"
    return f"Applies to every day on which a patient was photographed{said}{teeth}:"


def _quoted(words: Sequence[str]) -> str:
    return joined([f'"{word}"' for word in words])


def sentence(one: ViewRequirement) -> str:
    """Return one requirement as a sentence."""
    many = f"{one.count} pictures of " if one.count > 1 else ""
    way = {"either": "", "direct": ", taken direct", "mirror": ", through a mirror"}[one.mirror]
    scope = f"For the {one.arch} arch, once" if one.arch else _SCOPES[one.scope]
    parts = [f"{scope}: {many}{joined(one.views)}{way}"]
    if one.stage:
        parts.append(_STAGES[one.stage])
    if one.before or one.after:
        parts.append(_window(one))
    text = ", ".join(parts)
    if one.optional:
        text += " (recommended)"
    text += "."
    if one.covered_by:
        text += f" {joined(one.covered_by).capitalize()} may stand in where it shows the tooth."
    if one.confirmed_by:
        text += f" The side must be confirmed by {joined(one.confirmed_by)}."
    elif one.confirmed:
        text += " The side must be confirmed by a person."
    if one.quality:
        limits = [f"{n} {v:g} ({QUALITY_LIMITS[n]})" for n, v in one.quality.items()]
        text += f" Quality: {joined(limits, 'and')}."
    return text


def _window(one: ViewRequirement) -> str:
    given = ((one.before, "before"), (one.after, "after"))
    sides = [f"{_days(days)} {word}" for days, word in given if days]
    return f"from {sides[0]} to {sides[1]} the day" if len(sides) == 2 else f"up to {sides[0]} it"


def _limits(rules: RuleSet) -> Iterator[str]:
    limits = rules.limits
    if limits is None:
        return
    yield f"A picture's own date lies within {_days(limits.days_from_visit)} of the visit."
    yield f"The pictures of a visit lie at most {limits.hours_of_visit} hours apart."
    if limits.consent:
        yield "Every picture has a word on consent."
    if limits.least_pixels:
        yield f"The longer side of a picture has {limits.least_pixels} pixels at least."
    yield (
        f"What waits to be sent is overdue after {limits.outbox_hours} hours, a commitment "
        f"after {limits.commitment_hours}."
    )


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def _retention(one: Retention) -> str:
    whose = "Records"
    if one.from_age is not None and one.below_age is not None:
        whose += f" of patients from {one.from_age} to below {one.below_age} years"
    elif one.from_age is not None:
        whose += f" of patients from {one.from_age} years on"
    elif one.below_age is not None:
        whose += f" of patients below {one.below_age} years"
    ends = []
    if one.years is not None:
        ends.append(f"{one.years} years after the last visit")
    if one.until_age is not None:
        ends.append(f"until the age of {one.until_age}")
    later = ", whichever is later" if len(ends) > 1 else ""
    return (
        f"{one.name}: {whose.lower()} are kept {joined(ends, 'and')}{later}; what has "
        f"passed that is listed, never deleted. Source: {one.source}."
    )
