"""A rule set in plain words, for `archiver audit --explain` and for the report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from archiver.records.rules.rule_set import Retention, RuleSet, ViewRequirement
from archiver.wording import Text, words_of


def named(target: str) -> str:
    """Name what a demand is about; the number of a tooth is never bare."""
    return f"ISO {target}" if target[:1].isdigit() else target


def joined(words: Sequence[str], link: str = "or") -> str:
    """Return ``a, b or c``."""
    if len(words) < 2:
        return "".join(words)
    return str(Text(f"records.joined.{link}", first=words[:-1], last=words[-1]))


def explain(rules: RuleSet) -> list[str]:
    """Return the rule set as lines of plain words."""
    words = words_of()
    lines = [
        words("records.explained.version", name=rules.name, version=rules.version),
        words("records.explained.source", standing=rules.standing, source=rules.source),
        "",
    ]
    if rules.requirements:
        lines += [str(_about(rules)), ""]
    lines += [f"  {n}. {sentence(one)}" for n, one in enumerate(rules.requirements, start=1)]
    lines += [f"  - {limit}" for limit in _limits(rules)]
    lines += [f"  - {_retention(one)}" for one in rules.retention]
    return lines


def _about(rules: RuleSet) -> Text:
    applies = rules.applies
    what = Text(f"records.about.{applies.to}.{applies.teeth}")
    kinds = applies.treatments if applies.to == "episodes" else applies.descriptions
    if not kinds:
        return Text(f"records.about.{applies.to}.all", what=what)
    return Text(f"records.about.{applies.to}.holding", what=what, words=_quoted(kinds))


def _quoted(words: Sequence[str]) -> str:
    return joined([f'"{word}"' for word in words])


def sentence(one: ViewRequirement) -> Text:
    """Return one requirement as a sentence."""
    scope = Text(f"records.scope.{one.scope}")
    parts_of = (*one.sextants, *one.quadrants)
    if parts_of:
        which = joined(parts_of, "and" if one.each else "or")
        scope = Text(f"records.scope.{'each_part' if one.each else 'parts'}", parts=which)
    elif one.arch:
        scope = Text("records.scope.one_arch", arch=one.arch)
    views: Text | str = joined(one.views)
    if one.count > 1:
        views = Text("records.sentence.several", count=one.count, views=views)
    parts = [Text(f"records.way.{one.mirror}", scope=scope, views=views)]
    if one.side:
        parts.append(Text(f"records.side.{one.side}"))
    if one.functional_state:
        parts.append(Text("records.sentence.state", states=joined(one.functional_state)))
    if one.magnification:
        parts.append(Text("records.sentence.magnification", scales=joined(one.magnification)))
    if one.teeth:
        parts.append(Text(f"records.sentence_teeth.{one.teeth}"))
    if one.frames:
        parts.append(Text("records.sentence.frames", frames=joined(one.frames)))
    if one.stage:
        parts.append(Text(f"records.stage.{one.stage}"))
    if one.before or one.after:
        parts.append(_window(one))
    kind = "recommended" if one.optional else "required"
    sentences = [Text(f"records.sentence.{kind}", parts=parts)]
    if one.taken_before:
        sentences.append(Text("records.sentence.before", names=_quoted(one.taken_before)))
    if one.covered_by:
        views = joined(one.covered_by).capitalize()
        sentences.append(Text("records.sentence.covered", views=views))
    if one.confirmed_by:
        sentences.append(Text("records.sentence.confirmed_by", names=joined(one.confirmed_by)))
    elif one.confirmed:
        sentences.append(Text("records.sentence.confirmed"))
    if one.countersigned:
        sentences.append(Text("records.sentence.countersigned"))
    if one.quality:
        limits = [
            str(Text("records.sentence.limit", name=name, value=f"{value:g}", what=limit_of(name)))
            for name, value in one.quality.items()
        ]
        sentences.append(Text("records.sentence.quality", limits=joined(limits, "and")))
    if one.source:
        sentences.append(Text("records.sentence.source", source=one.source))
    return Text("records.sentence.all", sentences=sentences)


def limit_of(name: str) -> Text:
    """Return what the figure of a limit of quality is, and whether it is the least or the most."""
    return Text(f"records.limit.{name}")


def _window(one: ViewRequirement) -> Text:
    if one.before and one.after:
        return Text("records.window.both", before=_days(one.before), after=_days(one.after))
    side, days = ("before", one.before) if one.before else ("after", one.after)
    return Text(f"records.window.{side}", days=_days(days))


def _limits(rules: RuleSet) -> Iterator[Text]:
    limits = rules.limits
    if limits is None:
        return
    yield Text("records.rule_limits.days", days=_days(limits.days_from_visit))
    yield Text("records.rule_limits.hours", hours=limits.hours_of_visit)
    if limits.consent:
        yield Text("records.rule_limits.consent")
    if limits.least_pixels:
        yield Text("records.rule_limits.pixels", least=limits.least_pixels)
    yield Text(
        "records.rule_limits.outbox", hours=limits.outbox_hours, commitment=limits.commitment_hours
    )


def _days(count: int) -> Text:
    return Text("records.window.days", n=count)


def _retention(one: Retention) -> Text:
    ages = {"low": one.from_age, "high": one.below_age}
    known = "_".join(name for name, age in ages.items() if age is not None) or "all"
    ends = []
    if one.years is not None:
        ends.append(str(Text(f"records.kept.{one.counted_from}", years=one.years)))
    if one.until_age is not None:
        ends.append(str(Text("records.kept.until_age", age=one.until_age)))
    if one.for_ever:
        ends.append(str(Text("records.kept.for_ever")))
    later = "records.kept.whichever" if len(ends) > 1 else "records.kept.ends"
    return Text(
        f"records.kept.{'incapable' if one.lacking_capacity else 'told'}",
        name=one.name,
        whose=Text(f"records.whose.{known}", **{k: v for k, v in ages.items() if v is not None}),
        ends=Text(later, ends=joined(ends, "and")),
        source=one.cited,
    )
