"""The report as one page that needs no network: what matters first, then every detail."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from heapq import nsmallest
from html import escape
from importlib.resources import files
from pathlib import Path

from archiver.objects import SAID
from archiver.records.audit import Audit, RequirementCount
from archiver.records.completeness import MISSING, PRESENT
from archiver.records.examination import Depth
from archiver.records.kinds import Kind
from archiver.records.model import Concern
from archiver.records.report.page_pieces import (
    grouped,
    months,
    page_words,
    picture_table,
    slug,
    table,
    tag,
    tally_table,
)
from archiver.records.report.summary import (
    cautions,
    counted,
    next_steps,
    vouching_words,
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
    ("patient", "name"),
    ("visit", "day"),
    ("teeth", "few"),
    ("view", "few"),
    ("what_is", "text"),
    ("what_should", "text"),
    ("rule", "text"),
    ("by", "name"),
    ("place", "uid"),
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
        "correctness": _group(audit, "correctness"),
        "integrity": _integrity(audit),
        "retention": _group(audit, "retention"),
        "trends": _trends(audit),
        "rules": _rules(audit),
        "counted": _counted(audit),
    }
    body = "".join(
        f'<section aria-labelledby="{key}"><h2 id="{key}">{_section(key)}</h2>{shown}</section>'
        for key, shown in sections.items()
    )
    links = "".join(f'<li><a href="#{key}">{_section(key)}</a></li>' for key in sections)
    parted = escape(page_words("parts"))
    title = page_words("title_on", day=f"{audit.when:%Y-%m-%d}")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'; script-src 'unsafe-inline'\">"
        f"<title>{escape(title)}</title>"
        f"<style>{style}</style></head>"
        # Filled by the script.
        f'<body data-more="{escape(page_words("more", count="{count}"))}" '
        f'data-sifted="{escape(page_words("sifted", shown="{shown}", count="{count}"))}">'
        f'<header>{_head(audit)}<nav aria-label="{parted}"><ul>{links}</ul></nav>'
        f"</header><main>{_verdict(audit)}{_figures(audit)}{body}</main>"
        f"<footer>{''.join(f'<p>{escape(c)}</p>' for c in cautions())}</footer>"
        f"<script>{script}</script></body></html>\n"
    )


def _head(audit: Audit) -> str:
    survey = audit.survey
    run = page_words(
        "run",
        when=f"{audit.when:%Y-%m-%d %H:%M}",
        who=audit.who,
        version=audit.version,
        rules=tuple(s.label for s in audit.sets),
    )
    return (
        f"<h1>{escape(page_words('title'))}</h1>"
        f'<p class="soft where">{escape(survey.where)}<br>{escape(run)}</p>'
    )


def _verdict(audit: Audit) -> str:
    dangers, faults = audit.severity_count("danger"), audit.severity_count("fault")
    missing = audit.tally.missing
    if dangers:
        words = page_words("dangers", count=grouped(dangers))
    elif missing:
        words = page_words("not_complete", count=grouped(missing))
    elif faults:
        words = page_words("with_faults", count=grouped(faults))
    else:
        words = page_words("all_well")
    total = audit.tally
    filled = total.present + total.substituted
    more = (
        page_words("filled", filled=grouped(filled), required=grouped(total.required))
        if total.required
        else page_words("nothing_required")
    )
    if dangers and missing:
        more = page_words("and_missing", filled=more, missing=grouped(missing))
    more = page_words("sentence", text=more)
    return f'<div class="verdict"><strong>{escape(words)}</strong><p>{escape(more)}</p></div>'


def _section(key: str) -> str:
    return escape(words_of()(f"records.section.{key}"))


def _of_photographs(audit: Audit, count: int) -> str:
    """Tell of how many photographs, and how many sides are confirmed by word only."""
    said = audit.sides.get(SAID, 0)
    if not said:
        return page_words("of_photographs", count=grouped(count))
    return page_words("of_photographs_said", count=grouped(count), said=grouped(said))


def _figures(audit: Audit) -> str:
    total = audit.tally
    dangers, faults = audit.severity_count("danger"), audit.severity_count("fault")
    unconfirmed, pictures = audit.unconfirmed, audit.photographs
    cells = (
        (
            "",
            page_words("figure_complete"),
            total.percent,
            page_words(
                "present",
                present=grouped(total.present),
                substituted=grouped(total.substituted),
                required=grouped(total.required),
            ),
        ),
        (
            "danger" if dangers else "",
            page_words("figure_dangerous"),
            grouped(dangers),
            page_words("what_is_dangerous"),
        ),
        (
            "fault" if faults else "",
            page_words("figure_faults"),
            grouped(faults),
            page_words("what_is_a_fault"),
        ),
        (
            "",
            page_words("figure_unconfirmed"),
            grouped(unconfirmed),
            _of_photographs(audit, pictures),
        ),
    )
    return (
        '<dl class="figures">'
        + "".join(
            f'<div class="figure {kind}"><dt>{escape(title)}</dt><dd>'
            f'<span class="number">{number}</span>'
            f'<span class="soft">{escape(more)}</span></dd></div>'
            for kind, title, number, more in cells
        )
        + "</dl>"
    )


def _danger(audit: Audit) -> str:
    few = audit.severity_count("danger") <= _OPENED
    blocks = [_block(k, g, is_open=few) for k, g in audit.by_kind if k.severity == "danger"]
    return "".join(blocks) or f"<p>{escape(page_words('no_danger'))}</p>"


def _next(audit: Audit) -> str:
    steps = next_steps(audit)
    if not steps:
        return f"<p>{escape(page_words('no_step'))}</p>"
    headings = (("severity", ""), ("who", ""), ("what", ""), ("because", ""), ("times", "num"))
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
    return table("steps", page_words("worst_first"), headings, rows, raw=(0, 1, 2, 3, 4), sift=True)


def _block(kind: Kind, group: Sequence[Concern], *, is_open: bool = False) -> str:
    rows = [_row(c, kind) for c in group[:_ROWS]]
    used = [n for n in range(len(_CONCERN_HEADINGS)) if any(row[n] for row in rows)]
    headings = [_CONCERN_HEADINGS[n] for n in used]
    caption = page_words("so_many", count=len(group))
    if len(group) > _ROWS:
        caption = page_words("first_rows", rows=_ROWS, count=len(group), file="findings.csv")
    name, who = f"t-{kind.name}", str(kind.by_whom)
    shown = table(name, caption, headings, [[row[n] for n in used] for row in rows], sift=True)
    paper = " short" if len(rows) <= _TOGETHER else ""
    return (
        f'<details class="{kind.severity}{paper}" id="k-{kind.name}"{" open" if is_open else ""}>'
        f"<summary>{tag(kind.severity)}<span>{escape(str(kind.title))}</span>"
        f'<span class="count">{len(group)}</span></summary><div class="inside">'
        f'<p class="todo"><strong>{escape(who[:1].upper() + who[1:])}:</strong> '
        f"{escape(page_words('sentence', text=kind.next_step))}</p>{shown}</div></details>"
    )


def _row(c: Concern, kind: Kind) -> list[str]:
    # The source of a demand stands once, with its rules; here it would be in every row.
    parts = (c.rule, "" if kind.group == "completeness" and c.rule else c.source)
    rule = "; ".join(part for part in parts if part)
    words = words_of()
    place = " ".join(c.uids[:4]) or c.path
    if len(c.uids) > 4:
        place = page_words("more_instances", first=place, count=len(c.uids) - 4)
    told = (c.found_in(words), c.expected_in(words))
    return [c.patient, c.date, " ".join(c.teeth), c.view, *told, rule, c.who, place]


def _group(audit: Audit, group: str) -> str:
    """Return the findings of a group that do not stand among the dangerous ones."""
    found = [(k, g) for k, g in audit.by_kind if k.group == group]
    rest = [(k, g) for k, g in found if k.severity != "danger"]
    above = sum(len(g) for k, g in found if k.severity == "danger")
    told = ""
    if above:
        more = escape(page_words("above", count=above))
        told = f'<p>{more} <a href="#danger">{_section("danger")}</a>.</p>'
    nothing = words_of()(f"records.nothing.{group}")
    return told + "".join(_block(k, g) for k, g in rest) or f"<p>{escape(nothing)}</p>"


def _completeness(audit: Audit) -> str:
    pieces = []
    total = audit.tally
    if total.required:
        pieces.append(tally_table("by-rules", list(audit.tallies["rules"].items())))
    count = total.missing + total.substituted
    if count:
        wanting = nsmallest(
            _ROWS,
            (d for d in audit.counting if d.status != PRESENT),
            key=lambda d: (d.status != MISSING, d.patient, d.date),
        )
        headings = (
            ("patient", "name"),
            ("visit", "day"),
            ("occasion", "text"),
            ("of", ""),
            ("view", "few"),
            ("stage", "few"),
            ("state", "few"),
            ("stands_in", ""),
        )
        rows = [
            (d.patient, d.date, d.occasion, named(d.target), d.view, d.stage, d.status, d.by)
            for d in wanting
        ]
        caption = page_words("wanting", count=count)
        if count > _ROWS:
            file = "required-views.csv"
            caption = page_words("first_wanting", count=count, rows=_ROWS, file=file)
        pieces.append(_heading("view_by_view"))
        pieces.append(table("wanting", caption, headings, rows, sift=True))
        pieces += [_most_missing(audit, name) for name in ("target", "patient", "visit")]
    pieces.append(_heading("findings"))
    pieces.append(_group(audit, "completeness"))
    return "".join(pieces)


def _heading(key: str) -> str:
    return f"<h3>{escape(page_words(key))}</h3>"


def _most_missing(audit: Audit, by: str) -> str:
    """Return a table of those of which most is missing."""
    name = f"by-{by}"
    rows = [(k, t) for k, t in audit.tallies[by].items() if t.missing]
    rows.sort(key=lambda one: -one[1].missing)
    if not rows:
        return ""
    what = words_of()(f"records.heading.{name}").casefold()
    heading = page_words("most_missing", what=what)
    if len(rows) > _MOST:
        heading = page_words("first_missing", what=what, most=_MOST, count=len(rows))
    return f"<h3>{escape(heading)}</h3>" + tally_table(name, rows[:_MOST])


def _integrity(audit: Audit) -> str:
    s = audit.survey
    read = {"read": s.read, "size": f"{s.octets / 1e6:.1f}"}
    told = page_words("read", **read)
    if s.remembered:
        told = page_words("remembered", **read, unchanged=s.remembered, oldest=s.oldest)
    journal = ""
    if s.end.seq:
        stands = "journal" if s.tells_all else "journal_objects"
        journal = (
            f'<p class="where">{escape(page_words(stands, lines=s.end.seq))} '
            f"<code>{escape(s.end.hash)}</code>.</p>"
        )
    if s.depth is Depth.INDEX:
        told, journal = page_words("nothing_read"), ""
    told = escape(page_words("sentence", text=told))
    journal += "".join(f"<p>{escape(str(vouching_words(one)))}</p>" for one in s.vouched)
    return f"<p>{told}</p>{journal}" + _group(audit, "integrity")


def _trends(audit: Audit) -> str:
    by_month = [(k, t) for k, t in audit.tallies["month"].items() if k]
    if not by_month:
        return f"<p>{escape(page_words('no_trend'))}</p>"
    return (
        f'<div class="card">{_heading("by_month")}{months(by_month)}</div>'
        f"{tally_table('by-month', by_month)}"
        f"{_heading('by_view')}{tally_table('by-view', list(audit.tallies['view'].items()))}"
        f"{_heading('by_operator')}{tally_table('by-who', list(audit.tallies['who'].items()))}"
        f'<p class="soft">{escape(page_words("operator"))}</p>'
        f"{_heading('by_episode')}{_most(audit.tallies['episode'])}{_pictures(audit)}"
    )


def _most(counts: Mapping[str, RequirementCount]) -> str:
    rows = sorted(counts.items(), key=lambda one: -one[1].required)
    return tally_table("by-episode", rows[:_MOST])


def _pictures(audit: Audit) -> str:
    """Return how photographs fared by month, people and site."""
    shown = [
        picture_table(f"pictures-by-{name}", list(counts.items())[-_MOST:])
        for name, counts in audit.statistics.items()
        if counts
    ]
    soft = f'<p class="soft">{escape(page_words("corrected"))}</p>'
    return _heading("pictures") + "".join(shown) + soft


def _rules(audit: Audit) -> str:
    pieces = []
    for one in audit.sets:
        lines = explain(one)[1:]
        items = "".join(f"<li>{escape(line.strip(' -'))}</li>" for line in lines if line.strip())
        pieces.append(
            f'<div class="card"><h3 id="r-{slug(one.key)}">{escape(one.label)}</h3>'
            f'<ul class="rules">{items}</ul><p class="soft where">'
            f"{escape(page_words('file', file=f'{one.key}.toml', digest=one.digest))}</p></div>"
        )
    if audit.episodes is not None:
        e = audit.episodes
        how = [e.encoding]
        if e.separator:
            how.append(page_words("separated", separator=repr(e.separator)))
        if e.order:
            how.append(page_words("order", order=e.order))
        told = page_words(
            "treatments", file=e.name, read=len(e.episodes), rows=e.rows, how=tuple(how)
        )
        pieces.append(f"<p>{escape(told)}</p>")
    return "".join(pieces)


def _counted(audit: Audit) -> str:
    return '<dl class="told">' + "".join(_definitions(audit)) + "</dl>"


def _definitions(audit: Audit) -> Iterator[str]:
    for name, how in counted(audit):
        yield f"<dt>{escape(name)}</dt><dd>{escape(how)}.</dd>"
