"""The page and its figures as data."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from attrs import frozen

from .section import Figure, Section, Table

SCHEMA = "wlmeasure-evidence/1"
STYLE = (
    ":root{--ink:#1c2329;--soft:#5a6570;--line:#d8dee4;--wash:#f4f6f8}"
    'body{font:15px/1.5 system-ui,"Segoe UI",Roboto,"Helvetica Neue",Arial,sans-serif;color:var(--ink);max-width:1060px;'
    "margin:0 auto;padding:28px 24px 56px;background:#fff}"
    "h1{font-size:25px;margin:0}h2{font-size:19px;margin:40px 0 8px;padding-bottom:4px;border-bottom:1px solid var(--line)}"
    "h3{font-size:15px;margin:22px 0 4px}p{max-width:52em;margin:6px 0}.sub{color:var(--soft)}"
    ".note{background:var(--wash);border-radius:6px;padding:12px 16px;margin:16px 0}.note p{margin:4px 0}"
    "table{border-collapse:collapse;width:100%;margin:4px 0 14px;font-variant-numeric:tabular-nums;font-size:14px}"
    "th,td{text-align:left;padding:5px 12px 5px 0;border-bottom:1px solid var(--line);vertical-align:top}"
    "th{color:var(--soft);font-size:13px;font-weight:600}tr.new td{border-top:1.5px solid #aab4bd}"
    ".met::before{content:'\\2713\\00a0'}.short::before{content:'\\2717\\00a0'}.short{font-weight:700}"
    "figure{margin:0}.plots{display:flex;flex-wrap:wrap;gap:18px 26px}"
    "figcaption{font-size:13px;color:var(--soft);max-width:400px}"
    ".wide{overflow-x:auto}@media print{body{max-width:none;padding:0}h2{break-after:avoid}figure,table{break-inside:avoid}}"
)
LEFT_OUT = (
    "What these films leave out: on a patient's film most of the error is in finding the landmarks, above all the apex under "
    "bone and other roots. Here every end is clicked where it truly is, to a pixel. The figures say what tracing, scale and "
    "projection cost, and are no figures for patients."
)


@frozen
class Run:
    """What made the page."""

    version: str
    made_on: str
    seeds: tuple[int, int]
    count: int

    @property
    def held_out(self) -> bool:
        return self.seeds[0] >= 5000


def html(sections: Sequence[Section], run: Run) -> str:
    """One self-contained page."""
    goals = [figure for section in sections for figure in section.figures if figure.met is not None]
    met = sum(bool(figure.met) for figure in goals)
    first, last = run.seeds
    kind = "held out: nothing was chosen on them" if run.held_out else "development seeds: not for quoting"
    contents = "".join(f'<li><a href="#{s.key}">{escape(s.title)}</a> {escape(_verdict(s))}</li>' for s in sections)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>Evidence: wlmeasure {escape(run.version)}</title><style>{STYLE}</style></head><body>"
        f'<h1>Evidence</h1><p class="sub">wlmeasure {escape(run.version)}, made {escape(run.made_on)}. Synthetic films of '
        f"exactly known truth; {run.count} a row.</p>"
        f'<div class="note"><p>{escape(LEFT_OUT)}</p></div>'
        f"<p>Parameters were chosen on seeds 1000 to 1999. This page is of seeds {first} to {last} ({kind}). The same seeds "
        "give the same figures on any machine, but for the last digits of floating-point sums; nothing here is a time.</p>"
        f"<p><strong>{met} of {len(goals)} goals met.</strong> Every goal is the project's own; what falls short is said so. "
        "Brackets are 95 % intervals.</p>"
        f"<ol>{contents}</ol>" + "".join(_section(section) for section in sections) + "</body></html>\n"
    )


def _verdict(section: Section) -> str:
    goals = [figure for figure in section.figures if figure.met is not None]
    return f"({sum(bool(figure.met) for figure in goals)} of {len(goals)} goals met)"


def _section(section: Section) -> str:
    body = [
        f'<h2 id="{section.key}">{escape(section.title)}</h2><p>{escape(section.how)}</p>',
        _figures(section.figures),
    ]
    plots = "".join(f"<figure>{p.svg}<figcaption>{escape(p.caption)}</figcaption></figure>" for p in section.plots)
    body += [_table(table) for table in section.tables]
    return "".join(body) + (f'<div class="plots">{plots}</div>' if plots else "")


def _figures(figures: Sequence[Figure]) -> str:
    rows = "".join(
        f"<tr><td>{escape(f.name)}</td><td>{escape(f.words)}</td>"
        f"<td>{escape(f.goal.words(f.unit)) if f.goal else 'no goal set'}</td>"
        f'<td class="{f.verdict.split(":")[0]}">{f.verdict}</td></tr>'
        for f in figures
    )
    return f"<h3>Figures and goals</h3><table><tr><th>figure</th><th>value</th><th>goal</th><th>met?</th></tr>{rows}</table>"


def _table(table: Table) -> str:
    head = "".join(f"<th>{escape(h)}</th>" for h in table.head)
    rows, before = [], None
    for row in table.rows:
        new = ' class="new"' if before is not None and row[0] != before and table.rows[0][0] == table.rows[1][0] else ""
        rows.append(f"<tr{new}>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>")
        before = row[0]
    return f'<h3>{escape(table.title)}</h3><div class="wide"><table><tr>{head}</tr>{"".join(rows)}</table></div>'


def data(sections: Sequence[Section], run: Run) -> dict[str, Any]:
    """The figures, JSON-ready."""
    return {
        "schema": SCHEMA,
        "version": run.version,
        "made_on": run.made_on,
        "seeds": {"tuning": [1000, 1999], "page": list(run.seeds), "held_out": run.held_out},
        "count": run.count,
        "leaves_out": LEFT_OUT,
        "sections": [
            {
                "key": section.key,
                "title": section.title,
                "how": section.how,
                "figures": [
                    {
                        "name": figure.name,
                        "value": figure.value,
                        "unit": figure.unit.strip(),
                        "interval": figure.interval and list(figure.interval),
                        "goal": figure.goal and figure.goal.words(figure.unit),
                        "met": figure.met,
                    }
                    for figure in section.figures
                ],
                "tables": [
                    {"title": t.title, "head": list(t.head), "rows": [list(r) for r in t.rows]} for t in section.tables
                ],
            }
            for section in sections
        ],
    }
