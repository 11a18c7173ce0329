"""The report as one page that needs no network: what matters first, then every detail."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path

from archiver.records.audit import Audit
from archiver.records.completeness import MISSING, PRESENT, Demand
from archiver.records.examination import Depth
from archiver.records.kinds import Kind
from archiver.records.model import Concern
from archiver.records.report.page_pieces import grouped, months, slug, table, tag, tally_table
from archiver.records.report.summary import (
    CAUTIONS,
    counted,
    month_of,
    next_steps,
    tallies,
    target_of,
    visit_of,
)
from archiver.records.rules.rule_words import explain, named
from archiver.wording import words_of

FILE = "audit.html"
#: Rows of one table at most; the CSV files have all.
_ROWS = 500
#: Patients, visits and teeth of which most is missing.
_MOST = 50
#: Dangerous findings that are shown opened; more of them are shown as a list of kinds first.
_OPENED = 12
#: Rows of a kind that stay together on paper.
_TOGETHER = 8
_CONCERN_HEADINGS = (
    ("Patient", "name"),
    ("Visit", "day"),
    ("Teeth (ISO 3950)", "few"),
    ("View", "few"),
    ("Found", "text"),
    ("Expected", "text"),
    ("Rule or clause", "text"),
    ("By", "name"),
    ("Instance or file", "uid"),
)
_SECTIONS = (
    ("danger", "Dangerous"),
    ("next", "To do next"),
    ("completeness", "Completeness"),
    ("correctness", "Correctness"),
    ("integrity", "Integrity"),
    ("retention", "Retention"),
    ("trends", "Trends"),
    ("rules", "Rules"),
    ("counted", "How it was counted"),
)


def write_page(audit: Audit, folder: Path) -> Path:
    """Write the page into the folder of the report."""
    path = folder / FILE
    path.write_text(page_of(audit), "utf-8")
    return path


def page_of(audit: Audit) -> str:
    """Return the report as HTML."""
    parts = files(__package__).joinpath("page_parts")
    style = parts.joinpath("audit.css").read_text("utf-8")
    script = parts.joinpath("audit.js").read_text("utf-8")
    sections = {
        "danger": _danger(audit),
        "next": _next(audit),
        "completeness": _completeness(audit),
        "correctness": _group(audit, "correctness", "Nothing to say."),
        "integrity": _integrity(audit),
        "retention": _group(audit, "retention", "No rule on retention, or nothing has passed."),
        "trends": _trends(audit),
        "rules": _rules(audit),
        "counted": _counted(audit),
    }
    body = "".join(
        f'<section aria-labelledby="{key}"><h2 id="{key}">{title}</h2>{sections[key]}</section>'
        for key, title in _SECTIONS
    )
    links = "".join(f'<li><a href="#{key}">{title}</a></li>' for key, title in _SECTIONS)
    day = f"{audit.when:%Y-%m-%d}"
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'; script-src 'unsafe-inline'\">"
        f"<title>Audit of the photographic record, {day}</title>"
        f"<style>{style}</style></head><body>"
        f'<header>{_head(audit)}<nav aria-label="Parts of the report"><ul>{links}</ul></nav>'
        f"</header><main>{_verdict(audit)}{_figures(audit)}{body}</main>"
        f"<footer>{''.join(f'<p>{escape(c)}</p>' for c in CAUTIONS)}</footer>"
        f"<script>{script}</script></body></html>\n"
    )


def _head(audit: Audit) -> str:
    survey = audit.survey
    sets = "; ".join(s.label for s in audit.sets)
    return (
        "<h1>Audit of the photographic record</h1>"
        f'<p class="soft where">{escape(survey.where)}<br>'
        f"{audit.when:%Y-%m-%d %H:%M} by {escape(audit.who)}, archiver {escape(audit.version)}. "
        f"Rules: {escape(sets)}.</p>"
    )


def _verdict(audit: Audit) -> str:
    dangers, faults = audit.severity_count("danger"), audit.severity_count("fault")
    missing = audit.tally.missing
    if dangers:
        them = "it" if dangers == 1 else "these"
        words = f"{_count(dangers, 'dangerous finding')}: look at {them} before anything else"
    elif missing:
        words = f"The record is not complete: {_count(missing, 'required view')} missing"
    elif faults:
        words = f"The record is complete, with {_count(faults, 'fault')}"
    else:
        words = "The record is complete, correct and intact, as far as was looked"
    total = audit.tally
    filled = total.present + total.substituted
    more = (
        f"{grouped(filled)} of {grouped(total.required)} required views are there"
        if total.required
        else "No view was required by these rules"
    )
    if dangers and missing:
        more += f"; {grouped(missing)} are missing"
    return f'<div class="verdict"><strong>{words}</strong><p>{more}.</p></div>'


def _count(count: int, word: str) -> str:
    return f"{grouped(count)} {word}{'' if count == 1 else 's'}"


def _figures(audit: Audit) -> str:
    total = audit.tally
    dangers, faults = audit.severity_count("danger"), audit.severity_count("fault")
    unconfirmed = sum(not p.confirmed for p in audit.pictures)
    pictures = len(audit.pictures)
    cells = (
        (
            "",
            "Complete",
            total.percent,
            f"{grouped(total.present)} present, {grouped(total.substituted)} stand in, "
            f"of {grouped(total.required)}",
        ),
        (
            "danger" if dangers else "",
            "Dangerous",
            grouped(dangers),
            "wrong side, patient, or lost",
        ),
        ("fault" if faults else "", "Faults", grouped(faults), "missing, or against a rule"),
        ("", "Sides unconfirmed", grouped(unconfirmed), f"of {grouped(pictures)} photographs"),
    )
    return (
        '<dl class="figures">'
        + "".join(
            f'<div class="figure {kind}"><dt>{title}</dt><dd><span class="number">{number}</span>'
            f'<span class="soft">{more}</span></dd></div>'
            for kind, title, number, more in cells
        )
        + "</dl>"
    )


def _danger(audit: Audit) -> str:
    few = audit.severity_count("danger") <= _OPENED
    blocks = [_block(k, g, is_open=few) for k, g in audit.by_kind if k.severity == "danger"]
    return (
        "".join(blocks)
        or "<p>Nothing that was looked at points to a wrong side, a wrong "
        "patient or a lost object.</p>"
    )


def _next(audit: Audit) -> str:
    steps = next_steps(audit)
    if not steps:
        return "<p>Nothing.</p>"
    headings = (("How bad", ""), ("Who", ""), ("What to do", ""), ("Because", ""), ("Times", "num"))
    rows = [
        (
            tag(s.kind.severity),
            escape(str(s.by_whom)),
            escape(str(s.kind.next_step)),
            f'<a href="#k-{s.kind.name}">{escape(str(s.kind.title))}</a>',
            str(s.count),
        )
        for s in steps
    ]
    return table("steps", "The worst first", headings, rows, raw=(0, 1, 2, 3, 4), sift=True)


def _block(kind: Kind, group: Sequence[Concern], *, is_open: bool = False) -> str:
    rows = [_row(c, kind) for c in group[:_ROWS]]
    used = [n for n in range(len(_CONCERN_HEADINGS)) if any(row[n] for row in rows)]
    headings = [_CONCERN_HEADINGS[n] for n in used]
    caption = f"{len(group)} found"
    if len(group) > _ROWS:
        caption = f"The first {_ROWS} of {len(group)}; findings.csv has all"
    name, who = f"t-{kind.name}", str(kind.by_whom)
    shown = table(name, caption, headings, [[row[n] for n in used] for row in rows], sift=True)
    paper = " short" if len(rows) <= _TOGETHER else ""
    return (
        f'<details class="{kind.severity}{paper}" id="k-{kind.name}"{" open" if is_open else ""}>'
        f"<summary>{tag(kind.severity)}<span>{escape(str(kind.title))}</span>"
        f'<span class="count">{len(group)}</span></summary><div class="inside">'
        f'<p class="todo"><strong>{escape(who[:1].upper() + who[1:])}:</strong> '
        f"{escape(str(kind.next_step))}.</p>{shown}</div></details>"
    )


def _row(c: Concern, kind: Kind) -> list[str]:
    # The source of a demand stands once, with its rules; here it would be in every row.
    parts = (c.rule, "" if kind.group == "completeness" and c.rule else c.source)
    rule = "; ".join(part for part in parts if part)
    words = words_of()
    place = " ".join(c.uids[:4]) or c.path
    if len(c.uids) > 4:
        place = words("records.page.more_instances", first=place, count=len(c.uids) - 4)
    told = (c.found_in(words), c.expected_in(words))
    return [c.patient, c.date, " ".join(c.teeth), c.view, *told, rule, c.who, place]


def _group(audit: Audit, group: str, nothing: str) -> str:
    """Return the findings of a group that do not stand among the dangerous ones."""
    found = [(k, g) for k, g in audit.by_kind if k.group == group]
    rest = [(k, g) for k, g in found if k.severity != "danger"]
    above = sum(len(g) for k, g in found if k.severity == "danger")
    told = f'<p>{above} more stand under <a href="#danger">Dangerous</a>.</p>' if above else ""
    return told + "".join(_block(k, g) for k, g in rest) or f"<p>{nothing}</p>"


def _completeness(audit: Audit) -> str:
    pieces = []
    by_rules = tallies(audit, lambda d: d.rules)
    if by_rules:
        pieces.append(tally_table("by-rules", "Rule set", by_rules))
    wanting = [d for d in audit.demands if d.counts and d.status != PRESENT]
    if wanting:
        wanting.sort(key=lambda d: (d.status != MISSING, d.patient, d.date))
        headings = (
            ("Patient", "name"),
            ("Visit", "day"),
            ("Occasion", "text"),
            ("Of", ""),
            ("View", "few"),
            ("Stage", "few"),
            ("State", "few"),
            ("Stands in", ""),
        )
        rows = [
            (d.patient, d.date, d.occasion, named(d.target), d.view, d.stage, d.status, d.by)
            for d in wanting[:_ROWS]
        ]
        caption = f"{len(wanting)} required views that are missing, or for which another stands in"
        if len(wanting) > _ROWS:
            caption += f" (the first {_ROWS}; required-views.csv has all)"
        pieces.append("<h3>View by view</h3>")
        pieces.append(table("wanting", caption, headings, rows, sift=True))
        for name, what, key in (
            ("by-target", "Tooth, arch or mouth", target_of),
            ("by-patient", "Patient", lambda d: d.patient),
            ("by-visit", "Visit", visit_of),
        ):
            pieces.append(_most_missing(audit, name, what, key))
    pieces.append("<h3>Findings</h3>")
    pieces.append(_group(audit, "completeness", "Nothing is missing."))
    return "".join(pieces)


def _most_missing(audit: Audit, name: str, what: str, key: Callable[[Demand], str]) -> str:
    """Return a table of those of which most is missing."""
    rows = [(k, t) for k, t in tallies(audit, key) if t.missing]
    rows.sort(key=lambda one: -one[1].missing)
    if not rows:
        return ""
    more = f", the first {_MOST} of {len(rows)}" if len(rows) > _MOST else ""
    heading = f"<h3>Most missing by {what.casefold()}{more}</h3>"
    return heading + tally_table(name, what, rows[:_MOST])


def _integrity(audit: Audit) -> str:
    s = audit.survey
    told = f"{s.read} objects were read now ({s.octets / 1e6:.1f} MB)"
    if s.remembered:
        told += f", {s.remembered} are unchanged since an earlier audit, the oldest of {s.oldest}"
    journal = ""
    if s.end.seq:
        journal = (
            f'<p class="where">The journal has {s.end.seq} lines; the hash of its last line, which '
            f"stands for the whole archive, is <code>{escape(s.end.hash)}</code>.</p>"
        )
    if s.depth is Depth.INDEX:
        told, journal = "Neither objects nor journal were read", ""
    return f"<p>{told}.</p>{journal}" + _group(
        audit, "integrity", "Journal, objects and index agree."
    )


def _trends(audit: Audit) -> str:
    by_month = [(k, t) for k, t in tallies(audit, month_of) if k]
    if not by_month:
        return "<p>Nothing was required, so there is no trend.</p>"
    return (
        f'<div class="card"><h3>By month</h3>{months(by_month)}</div>'
        f"{tally_table('by-month', 'Month', by_month)}"
        f"<h3>By view</h3>{tally_table('by-view', 'View', tallies(audit, lambda d: d.view))}"
        f"<h3>By operator</h3>{tally_table('by-who', 'Operator', tallies(audit, lambda d: d.who))}"
        '<p class="soft">Operator is whom the pictures of the occasion name, else who put them '
        "into the archive by its journal; of occasions without a picture nobody is named.</p>"
    )


def _rules(audit: Audit) -> str:
    pieces = []
    for one in audit.sets:
        lines = explain(one)[1:]
        items = "".join(f"<li>{escape(line.strip(' -'))}</li>" for line in lines if line.strip())
        pieces.append(
            f'<div class="card"><h3 id="r-{slug(one.key)}">{escape(one.label)}</h3>'
            f'<ul class="rules">{items}</ul><p class="soft where">File {escape(one.key)}.toml, '
            f"SHA-256 {one.digest}</p></div>"
        )
    if audit.episodes is not None:
        e = audit.episodes
        parted = f", separated by {escape(repr(e.separator))}" if e.separator else ""
        pieces.append(
            f"<p>Treatments: {escape(e.name)}, {len(e.episodes)} of {e.rows} rows read "
            f"({e.encoding}{parted}"
            f"{f', {e.order} first' if e.order else ''}).</p>"
        )
    return "".join(pieces)


def _counted(audit: Audit) -> str:
    return '<dl class="told">' + "".join(_definitions(audit)) + "</dl>"


def _definitions(audit: Audit) -> Iterator[str]:
    for name, how in counted(audit):
        yield f"<dt>{escape(name)}</dt><dd>{escape(how)}.</dd>"
