"""The report of one case: one self-contained HTML page that prints well.

Every text that comes from a person or a file is escaped; nothing is loaded from anywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import isfinite
from pathlib import Path

from wlmeasure.decide.advice import Advice
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.measure.budget import Term, half_width_mm, total_std_mm
from wlmeasure.measure.curvature import CurvatureEstimate
from wlmeasure.measure.line_arc import NORMAL_95
from wlmeasure.record.case import case_digest
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.figures import FILE_COLOUR, apex_svg, canal_colours, film_definition, film_svg, profile_svg
from wlmeasure.share.result import (
    FORMS,
    SETTLED,
    advice_words,
    canal_flags,
    curvature_words,
    electronic_words,
    length_words,
    limit_words,
    measured_words,
    proposal_words,
    scale_words,
    stop_words,
)

__all__ = ["report_html"]

STYLE = Path(__file__).with_name("report.css")

Rows = list[tuple[str, str, str]]


def report_html(result: CaseResult, *, made_at: str, program: str) -> str:
    """The report of one case.

    Parameters
    ----------
    result
        What was measured.
    made_at
        Date and time shown on it.
    program
        Name and version of what made it.
    """
    tooth = result.tooth
    title = f"Working length, tooth {tooth.designation}"
    colours = canal_colours(result)
    body = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="sub">{escape(tooth.name)}, {escape(tooth.universal)} Universal, {escape(tooth.palmer_letters)} Palmer'
        + (f"; case {escape(result.case.case_id)}" if result.case.case_id else "")
        + f". Made {escape(made_at)}.</p>",
        '<div class="headline">' + "".join(_card(c, colours[c.canal.name]) for c in result.canals) + "</div>",
    ]
    for k, film in enumerate(result.films):
        key = f"film{k}"
        drawn = [(canal, trace) for canal in result.canals for trace in canal.traces if trace.film is film]
        body.append(film_definition(film, key))
        body.append(_film_section(film, drawn, key, colours))
        body += [_bend_section(canal, trace, key, colours[canal.canal.name]) for canal, trace in drawn]
    for canal in result.canals:
        if not canal.traces:
            body.append(f"<h2>Canal {escape(canal.canal.name)}, without a film</h2>")
            body.append(_lengths(canal, None, colours[canal.canal.name]))
    cautions = list(CAUTIONS)
    if any(canal.electronic is not None for canal in result.canals):
        cautions.append(PACEMAKER)
    body.append("<h2>Cautions</h2>")
    body.append('<ul class="cautions">' + "".join(f"<li>{escape(text)}</li>" for text in cautions) + "</ul>")
    body.append(_provenance(result, program))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE.read_text(encoding='utf-8')}</style></head><body>"
        + "\n".join(body)
        + "</body></html>\n"
    )


def _half(std: float | None) -> str:
    return "" if std is None else f"{NORMAL_95 * std:.1f}"


def _table(head: tuple[str, str, str] | None, rows: Rows) -> str:
    top = "" if head is None else f"<tr><th>{head[0]}</th><th class=n>{head[1]}</th><th>{head[2]}</th></tr>"
    cells = "".join(
        f"<tr><td>{escape(a)}</td><td class=n>{escape(b)}</td><td>{escape(c)}</td></tr>" for a, b, c in rows
    )
    return f"<table>{top}{cells}</table>"


def _flag_list(texts: list[str]) -> str:
    return '<ul class="flags">' + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>" if texts else ""


def _card(canal: CanalResult, colour: str) -> str:
    working, decision = canal.working_length, canal.canal.decision
    lines = [f'<div class="what">Canal {escape(canal.canal.name)}, proposed working length</div>']
    if working.length_mm is None or working.std_mm is None:
        lines.append("<b>none</b>")
    else:
        lines.append(
            f'<b>{limit_words(working.length_mm)}</b> <span class="pm">± {NORMAL_95 * working.std_mm:.1f}</span>'
        )
    lines.append(f'<div class="what">{escape(working.status)}')
    if working.ceiling_mm is not None and working.status not in SETTLED:
        lines.append(f"; not beyond {limit_words(working.ceiling_mm)} until this is settled")
    lines.append("</div>")
    lines += [f'<div class="what">stop at {escape(words)}</div>' for words in stop_words(canal)]
    if decision is not None:
        lines.append(
            f'<div class="what"><strong>decided {decision.length_mm:.1f} mm</strong> by {escape(decision.by)}, '
            f"{escape(decision.at[:10])}</div>"
        )
    return f'<div class="card" style="--c:{colour}">' + "".join(lines) + "</div>"


def _claim_words(claim: SpacingClaim, film: FilmResult) -> str:
    used = film.calibration is not None and film.calibration.claim == claim
    words = f"{claim.claim} {claim.row_mm:g} x {claim.col_mm:g} mm (row x column), trust: {claim.trust}"
    return f"{words}; {'in use' if used else 'not used'}"


def _film_section(
    film: FilmResult, drawn: list[tuple[CanalResult, TraceResult]], key: str, colours: dict[str, str]
) -> str:
    graph = film.radiograph
    facts = [
        ("Picture", f"{graph.rows} x {graph.cols} pixels, {graph.bits} bit, {graph.format}"),
        ("Purpose", film.film.purpose or "not stated"),
        ("Scale", scale_words(film)),
        *(("Spacing claim", _claim_words(claim, film)) for claim in graph.spacings),
    ]
    if film.magnification is not None:
        facts.append(("Magnification", f"{film.magnification:.2f}, implied by the detector spacing"))
    table = "".join(f"<tr><th>{name}</th><td>{escape(value)}</td></tr>" for name, value in facts)
    legend = [
        f'<span class="key" style="color:{colours[c.canal.name]}"></span>canal {escape(c.canal.name)}' for c, _ in drawn
    ]
    if film.calibration is not None and film.calibration.lines:
        legend.insert(0, f'<span class="key wide" style="color:{FILE_COLOUR}"></span>known length')
    caption = (
        " &nbsp; ".join([*legend, ""]) + "Bars: stop and reference point. Ring: apical end. White dot: working length."
    )
    remarks = [flag.text for flag in film.flags] + list(graph.warnings) + list(graph.densities)
    return (
        f"<h2>Film {escape(film.film.id)}: {escape(Path(film.film.path).name)}</h2>"
        f'<div class="cols"><figure>{film_svg(film, drawn, key, colours)}<figcaption>{caption}</figcaption></figure>'
        f'<div class="grow"><table>{table}</table>{_flag_list(remarks)}'
        + "".join(_lengths(canal, trace, colours[canal.canal.name]) for canal, trace in drawn)
        + "</div></div>"
    )


def _lengths(canal: CanalResult, trace: TraceResult | None, colour: str) -> str:
    """Every length of one canal; what readings and decision say stands on the film that the working length rests on."""
    rows = [] if trace is None else _film_rows(trace)
    readings = ""
    if trace is canal.basis:
        rows += _decision_rows(canal)
        listed = ", ".join(f"{r.length_mm:g} ({r.mark})" for r in canal.canal.electronic_readings)
        readings = f'<p class="sub">Readings: {escape(listed)} mm.</p>' if listed else ""
    return (
        f'<h3><span class="key" style="color:{colour}"></span>Canal {escape(canal.canal.name)}, '
        f"from {escape(canal.canal.reference_point)}</h3>"
        + _table(("length", "value ± 95 %", "basis"), rows)
        + readings
        + _flag_list([flag.text for flag in canal_flags(canal, trace)])
    )


def _film_rows(trace: TraceResult) -> Rows:
    rows: Rows = []
    length, film = trace.length, trace.radiographic
    if length is not None:
        low, high = length.length_interval_mm
        label = f"To the {trace.trace.apical_end}"
        rows.append((label, measured_words(length), f"95 %: {low:.2f} to {high:.2f} mm"))
        if length.coronal_mm > 0.0:
            rows.append(
                ("of that, crown piece", length_words(length.coronal_mm, None), f"canal {length.canal_mm:.1f} mm")
            )
    if trace.tip_to_end_mm is not None:
        side = "short of" if trace.tip_to_end_mm >= 0.0 else "beyond"
        rows.append(
            (
                "File tip",
                length_words(abs(trace.tip_to_end_mm), trace.tip_to_end_std_mm),
                f"{side} the end of the trace",
            )
        )
    if film is not None:
        allowance = f"{film.method} of {film.allowance_mm:.1f} mm" if film.length_mm is not None else film.method
        rows.append(("From the film", length_words(film.length_mm, film.std_mm), allowance))
    return rows


def _decision_rows(canal: CanalResult) -> Rows:
    rows: Rows = []
    electronic, working, decision = canal.electronic, canal.working_length, canal.canal.decision
    if electronic is not None:
        rows.append(("Electronic", length_words(electronic.length_mm, electronic.std_mm), electronic_words(electronic)))
    if working.weighted_mm is not None and working.weights is not None:
        share = round(100.0 * working.weights[0])
        weights = f"film {share} %, readings {100 - share} %"
        rows.append(("Weighted mean", length_words(working.weighted_mm, working.weighted_std_mm), weights))
    rows.append(("Working length", proposal_words(working.length_mm, working.std_mm), working.status))
    if decision is not None:
        rows.append(
            (
                "Decided",
                length_words(decision.length_mm, None),
                f"{decision.by}, {decision.at[:10]}. {decision.reason or ''}",
            )
        )
    return rows


def _bend_section(canal: CanalResult, trace: TraceResult, key: str, colour: str) -> str:
    return (
        f'<h2><span class="key" style="color:{colour}"></span>Canal {escape(canal.canal.name)} '
        f"on film {escape(trace.trace.film)}: bend and uncertainty</h2>"
        f'<div class="cols"><div class="grow">{_curvature(trace, colour)}</div><div class="grow">{_budget(canal, trace)}'
        f"<figure>{apex_svg(canal, trace, key, colour)}<figcaption>The apical end, 5 mm wide.</figcaption></figure></div></div>"
    )


def _budget(canal: CanalResult, trace: TraceResult) -> str:
    if trace.length is None:
        return ""
    text = _terms("What the uncertainty of the length is made of", trace.length.budget, trace.advice)
    working = canal.working_length
    if trace is canal.basis and len(working.budget) > 1:
        text += _terms("And of the proposed working length", working.budget, canal.advice)
    return text


def _terms(title: str, budget: Sequence[Term], advice: Sequence[Advice]) -> str:
    """A budget as a table, with what to measure again under it."""
    total = total_std_mm(budget) ** 2
    rows = [
        (t.term, f"± {t.half_mm:.2f} mm", f"{100 * t.std_mm**2 / total:.0f} %")
        for t in sorted(budget, key=lambda term: -term.std_mm)
    ]
    rows.append(("all of them", f"± {half_width_mm(budget):.2f} mm", "100 %"))
    again = "".join(f"<p>To narrow it: {escape(words)}.</p>" for words in advice_words(advice))
    return f"<h3>{title}</h3>" + _table(("term", "95 %", "share"), rows) + again


def _curvature(trace: TraceResult, colour: str) -> str:
    bend = trace.curvature
    if bend is None:
        return f"<h3>Curvature</h3><p>{escape(curvature_words(None, trace.angles))}</p>"
    difficulty = f" Curvature alone makes this case {trace.difficulty} in difficulty." if trace.difficulty else ""
    return (
        f"<h3>Curvature: {escape(FORMS[bend.form] if bend.determined else 'not determined')}</h3>"
        f"<figure>{profile_svg(trace, colour)}"
        f"<figcaption>Grey: the fitted bend. Band: 95 %.{escape(difficulty)}</figcaption></figure>"
        + _table(None, _curvature_rows(bend))
    )


def _curvature_rows(bend: CurvatureEstimate) -> Rows:
    def radius(name: str, value: float | None, interval: tuple[float, float] | None) -> tuple[str, str, str]:
        span = ""
        if interval is not None:
            low, high = interval
            span = f"{low:.1f} to {high:.1f} mm" if isfinite(high) else f"above {low:.1f} mm"
        return name, "not determined" if value is None else f"{value:.1f} mm", span

    access = bend.canal_access
    parts = ", ".join(f"{name} {NORMAL_95 * std:.1f}" for name, std in bend.schneider_budget)
    rows: Rows = [
        ("Schneider 1971", f"{bend.schneider_deg:.1f}°", f"± {NORMAL_95 * bend.schneider_std_deg:.1f}° ({parts})"),
        ("Weine; Pruett 1997", f"{bend.weine_deg:.1f}°", f"± {NORMAL_95 * bend.weine_std_deg:.1f}°"),
    ]
    if bend.form != "I":
        rows.append(radius("Radius, Pruett 1997", bend.pruett_radius_mm, bend.pruett_radius_interval_mm))
    if bend.schneider_secondary_deg is not None:
        rows.append(
            (
                "Second curve, Schneider",
                f"{bend.schneider_secondary_deg:.1f}°",
                f"± {NORMAL_95 * (bend.schneider_secondary_std_deg or 0.0):.1f}°, opposite",
            )
        )
        second = bend.pruett_radius_secondary_mm, bend.pruett_radius_secondary_interval_mm
        rows.append(radius("its radius", *second))
    heights = (
        f"± {_half(bend.canal_access_std_deg)}°; height {access.height_mm:.1f}, distance {access.distance_mm:.1f} mm"
    )
    rows.append(("Canal access angle, Günday 2005", f"{access.angle_deg:.1f}°", heights))
    rows.append(("Total turning", f"{bend.total_turning_deg:.1f}°", f"± {_half(bend.total_turning_std_deg)}°"))
    if bend.form != "I":
        name, value, span = radius("Smallest radius", bend.min_radius_mm, bend.min_radius_interval_mm)
        where = span if bend.min_radius_at_mm is None else f"{span}, at {bend.min_radius_at_mm:.1f} mm"
        rows.append((name, value, where))
    rows.append(("Path against model", f"{bend.misfit_mm:.2f} mm", "root mean square distance"))
    return rows


def _provenance(result: CaseResult, program: str) -> str:
    films = "<br>".join(
        f"film {escape(f.film.id)}: {escape(f.film.path)}, SHA-256 {escape(f.film.sha256)}" for f in result.films
    )
    tracers = ", ".join(dict.fromkeys(t.path.tracer for canal in result.canals for t in canal.traces)) or "none"
    bounds = "; ".join(
        f"{escape(canal.canal.name)}: "
        + ", ".join(f"{name} {value:g}" for name, value in canal.working_length.parameters)
        for canal in result.canals
    )
    return (
        f'<h2>Where it comes from</h2><p class="prov">{films}<br>inputs of the case: SHA-256 {case_digest(result.case)}<br>'
        f"{escape(program)}; paths by {escape(tracers)}<br>bounds used: {bounds}</p>"
    )
