"""The facts of a report, once, for every form in which it is written."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from archiver.objects import BOUND, COUNTERSIGNED, LAPSED, SAID
from archiver.records.audit import Audit, RequirementCount
from archiver.records.checks.witness_checks import Vouched
from archiver.records.examination import Depth
from archiver.records.kinds import SEVERITIES, Kind, kind_of
from archiver.records.rules.rule_words import explain
from archiver.records.statistics import PictureCount
from archiver.wording import Text, words_of

CONCERN_COLUMNS = (
    "severity",
    "group",
    "kind",
    "title",
    "patient",
    "date",
    "teeth",
    "view",
    "found",
    "expected",
    "rule",
    "source",
    "who",
    "path",
    "uids",
    "next_step",
    "by_whom",
)
DEMAND_COLUMNS = (
    "rules",
    "requirement",
    "patient",
    "date",
    "occasion",
    "target",
    "view",
    "stage",
    "status",
    "optional",
    "by",
    "who",
    "uids",
)
STATISTICS_COLUMNS = (
    *("by", "of", "photographs", "unconfirmed", "retaken", "corrected"),
    *("median_days_to_correct", "required", "present", "substituted", "missing", "share"),
)
_CAUTIONS = ("never_alone", "confirmed", "journal", "retention")


def cautions() -> list[str]:
    """Return what nobody must read into a report."""
    return [words_of()(f"records.caution.{key}") for key in _CAUTIONS]


@dataclass(frozen=True)
class Step:
    """One thing to do next, and how often."""

    by_whom: Text
    kind: Kind
    count: int


def next_steps(audit: Audit) -> list[Step]:
    """Return what is to be done, the worst first."""
    steps = [Step(kind.by_whom, kind, len(group)) for kind, group in audit.by_kind]
    return sorted((s for s in steps if s.kind.rank < 3), key=lambda s: (s.kind.rank, -s.count))


def concern_rows(audit: Audit) -> Iterator[list[str]]:
    """Yield every concern as text, in the order of `CONCERN_COLUMNS`."""
    words = words_of()
    # Each kind is put in words once, not with each of its findings.
    said = {
        kind: [text.in_words(words) for text in (kind.title, kind.next_step, kind.by_whom)]
        for kind, _ in audit.by_kind
    }
    for c in audit.concerns:
        kind = kind_of(c)
        title, next_step, by_whom = said[kind]
        yield [
            kind.severity,
            kind.group,
            c.kind,
            title,
            c.patient,
            c.date,
            " ".join(c.teeth),
            c.view,
            c.found_in(words),
            c.expected_in(words),
            c.rule,
            c.source,
            c.who,
            c.path,
            " ".join(c.uids),
            next_step,
            by_whom,
        ]


def demand_rows(audit: Audit) -> Iterator[list[str]]:
    """Yield every demand as text, in the order of `DEMAND_COLUMNS`."""
    words = words_of()
    optional = {key: words(f"records.demand.{key}") for key in ("yes", "no")}
    for d in audit.demands:
        yield [
            d.rules,
            d.requirement,
            d.patient,
            d.date,
            d.occasion,
            d.target,
            d.view,
            d.stage,
            d.status,
            optional["yes" if d.optional else "no"],
            d.by,
            d.who,
            " ".join(d.uids),
        ]


def counted(audit: Audit) -> list[tuple[str, str]]:
    """Return how each figure was counted."""
    words = words_of()

    def named(figure: str, how: str) -> tuple[str, str]:
        return words(f"records.counted.{figure}"), words(f"records.counted.{how}")

    told = [named(figure, f"{figure}_how") for figure in ("completeness", "photograph", "occasion")]
    told += [
        (kind.title.in_words(words), kind.counted.in_words(words)) for kind, _ in audit.by_kind
    ]
    if audit.survey.depth < Depth.OBJECTS:
        how = "no_objects" if audit.survey.facts else "no_facts"
        told.append(named("not_looked_at", how))
    if audit.survey.depth < Depth.PICTURES:
        told.append(named("not_looked_at", "no_pixels"))
    return told


@dataclass(frozen=True)
class AuditSummary:
    """A report in words.

    Parameters
    ----------
    audit
        Has the two long lists, which are put in words each time they are asked for.
    heads
        All but these, as values that JSON has.
    """

    audit: Audit
    heads: dict[str, Any]

    def lists(
        self, beside: Mapping[str, Callable[[list[str]], object]] | None = None
    ) -> dict[str, Iterator[dict[str, str]]]:
        """Return the two long lists, with the names of their columns.

        Parameters
        ----------
        beside
            By the name of each list: takes its rows, too, so that they are put in words once.
        """
        lists = {
            "concerns": (CONCERN_COLUMNS, concern_rows(self.audit)),
            "demands": (DEMAND_COLUMNS, demand_rows(self.audit)),
        }
        return {
            name: _named(columns, rows, (beside or {}).get(name))
            for name, (columns, rows) in lists.items()
        }

    def as_json(self) -> dict[str, Any]:
        """Return the whole report as values that JSON has."""
        return {**self.heads, **{name: list(rows) for name, rows in self.lists().items()}}


def summarise(audit: Audit) -> AuditSummary:
    """Put a report in words, once for all forms in which it is written."""
    return AuditSummary(audit, _heads(audit))


def _named(
    columns: Sequence[str],
    rows: Iterable[list[str]],
    beside: Callable[[list[str]], object] | None,
) -> Iterator[dict[str, str]]:
    for row in rows:
        if beside is not None:
            beside(row)
        yield dict(zip(columns, row, strict=True))


def _sides(audit: Audit) -> dict[str, int]:
    """Return how many photographs are confirmed how, as far as their objects were read."""
    return {
        name: audit.sides.get(name, 0)
        for name in (BOUND, COUNTERSIGNED, SAID, LAPSED, "unconfirmed")
    }


def _heads(audit: Audit) -> dict[str, Any]:
    """Return all of the report but its two long lists."""
    survey = audit.survey
    return {
        "when": audit.when.isoformat(timespec="seconds"),
        "who": audit.who,
        "version": audit.version,
        "passes": audit.passes,
        "archive": {
            "where": survey.where,
            "journal_line": survey.end.seq,
            "journal_hash": survey.end.hash if survey.end.seq else "",
            "journal_offset": survey.end.offset,
            "vouched": [asdict(one) for one in survey.vouched],
            "journal_tells_all": survey.tells_all,
            "instances": len(survey.instances),
            "photographs": audit.photographs,
            "sides": _sides(audit),
            "objects_read": survey.read,
            "objects_remembered": survey.remembered,
            "oldest_reading": survey.oldest,
            "depth": survey.depth.name.lower(),
        },
        "rules": [
            {
                "name": s.name,
                "version": s.version,
                "source": s.source,
                "standing": s.standing,
                "sha256": s.digest,
                "words": explain(s),
            }
            for s in audit.sets
        ],
        "episodes": _episodes(audit),
        "completeness": {
            "all": _tally(audit.tally),
            **{
                f"by_{name}": {key: _tally(count) for key, count in counts.items()}
                for name, counts in audit.tallies.items()
            },
        },
        "statistics": {
            f"by_{name}": {key: _picture_count(count) for key, count in counts.items()}
            for name, counts in audit.statistics.items()
        },
        "severities": {s: audit.severity_count(s) for s in SEVERITIES},
        "kinds": {kind.name: len(group) for kind, group in audit.by_kind},
        "counted": [{"figure": name, "how": how} for name, how in counted(audit)],
        "cautions": cautions(),
    }


def vouching_words(one: Vouched) -> Text:
    """Tell from when on, up to where and by whom a journal is vouched for."""
    given = {"line": one.line, "since": one.since[:19], "signer": one.signer, "by": one.witness}
    if not one.stamped:
        return Text("records.vouched.signed", **given)
    return Text(
        "records.vouched.stamped", **given, stamped=one.stamped[:19], authority=one.authority
    )


def _episodes(audit: Audit) -> dict[str, object] | None:
    read = audit.episodes
    if read is None:
        return None
    return {
        "file": read.name,
        "rows": read.rows,
        "read": len(read.episodes),
        "unreadable": [str(p) for p in read.problems],
        "encoding": read.encoding,
        "separator": read.separator,
        "date_order": read.order,
    }


def statistics_rows(audit: Audit) -> Iterator[list[str]]:
    """Yield the statistics as text, in the order of `STATISTICS_COLUMNS`."""
    views = {"month": "month", "operator": "who", "episode": "episode"}
    groups = {**{name: dict(counts) for name, counts in audit.statistics.items()}, "episode": {}}
    for name, counts in groups.items():
        tallies = audit.tallies[views[name]] if name in views else {}
        for key in sorted({*counts, *tallies}):
            count, views_of = counts.get(key), tallies.get(key)
            told = list(_picture_count(count).values()) if count is not None else [""] * 5
            told += list(_tally(views_of).values()) if views_of is not None else [""] * 5
            yield [name, key, *("" if one is None else str(one) for one in told)]


def _picture_count(one: PictureCount) -> dict[str, object]:
    return {
        "photographs": one.photographs,
        "unconfirmed": one.unconfirmed,
        "retaken": one.retaken,
        "corrected": one.corrected,
        "median_days_to_correct": one.median_days,
    }


def _tally(one: RequirementCount) -> dict[str, object]:
    share = None if one.share is None else round(one.share, 6)
    return {
        "required": one.required,
        "present": one.present,
        "substituted": one.substituted,
        "missing": one.missing,
        "share": share,
    }
