"""The report of one case: one self-contained HTML page that prints well.

Every text that comes from a person or a file is escaped; nothing is loaded from anywhere.
"""

from __future__ import annotations

from html import escape
from math import isfinite
from pathlib import Path

from wlmeasure.record.case import case_digest
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.figures import CANAL_COLOURS, FILE_COLOUR, apex_svg, film_definition, film_svg, profile_svg
from wlmeasure.share.result import (
    SETTLED,
    canal_flags,
    curvature_words,
    electronic_words,
    scale_words,
    stop_setting_mm,
)

__all__ = ["report_html"]

STYLE = Path(__file__).with_name("report.css")


def _half(std: float | None) -> str:
    return "" if std is None else f"{1.96 * std:.1f}"


def _length(value: float | None, std: float | None = None) -> str:
    if value is None:
        return "none"
    return f"{value:.1f} mm" + (f" ± {_half(std)}" if std is not None else "")


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
    keys = {film.film.id: f"film{k}" for k, film in enumerate(result.films)}
    colours = _colours(result)
    body = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="sub">{escape(tooth.name)}, {escape(tooth.universal)} Universal, {escape(tooth.palmer_letters)} Palmer'
        + (f"; case {escape(result.case.case_id)}" if result.case.case_id else "")
        + f". Made {escape(made_at)}.</p>",
        '<div class="headline">',
        *(_card(canal, colours[canal.canal.name]) for canal in result.canals if canal.working_length is not None),
        "</div>",
        *(film_definition(film, keys[film.film.id]) for film in result.films),
    ]
    for film in result.films:
        on_film = [canal for canal in result.canals if canal.film is film]
        body.append(_film_section(film, on_film, keys[film.film.id], colours))
        body += [_canal_section(canal, keys[film.film.id], colours[canal.canal.name]) for canal in on_film]
    body.append("<h2>Cautions</h2>")
    cautions = list(CAUTIONS)
    if any(canal.electronic is not None for canal in result.canals):
        cautions.append(PACEMAKER)
    body.append('<ul class="cautions">' + "".join(f"<li>{escape(text)}</li>" for text in cautions) + "</ul>")
    body.append(_provenance(result, program))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE.read_text(encoding='utf-8')}</style></head><body>"
        + "\n".join(body)
        + "</body></html>\n"
    )


def _colours(result: CaseResult) -> dict[str, str]:
    names = dict.fromkeys(canal.canal.name for canal in result.canals)
    return {name: CANAL_COLOURS[k % len(CANAL_COLOURS)] for k, name in enumerate(names)}


def _card(canal: CanalResult, colour: str) -> str:
    working = canal.working_length
    assert working is not None
    decision = canal.canal.decision
    lines = [f'<div class="what">Canal {escape(canal.canal.name)}, proposed working length</div>']
    if working.length_mm is None:
        lines.append("<b>none</b>")
    else:
        lines.append(f'<b>{working.length_mm:.1f} mm</b> <span class="pm">± {_half(working.std_mm)}</span>')
    lines.append(f'<div class="what">{escape(working.status)}')
    if working.ceiling_mm is not None and working.status not in SETTLED:
        lines.append(f"; not beyond {working.ceiling_mm:.1f} mm until this is settled")
    lines.append("</div>")
    if working.length_mm is not None:
        lines.append(
            f'<div class="what">stop at {stop_setting_mm(working.length_mm):.1f} mm on a ruler, rounded down</div>'
        )
    if decision is not None:
        lines.append(
            f'<div class="what"><strong>decided {decision.length_mm:.1f} mm</strong> by {escape(decision.by)}, '
            f"{escape(decision.at[:10])}</div>"
        )
    return f'<div class="card" style="--c:{colour}">' + "".join(lines) + "</div>"


def _film_section(film: FilmResult, canals: list[CanalResult], key: str, colours: dict[str, str]) -> str:
    graph = film.radiograph
    legend = (
        [f'<span class="key wide" style="color:{FILE_COLOUR}"></span>known length']
        if (film.calibration is not None and film.calibration.lines)
        else []
    )
    legend += [
        f'<span class="key" style="color:{colours[canal.canal.name]}"></span>canal {escape(canal.canal.name)}'
        for canal in canals
    ]
    rows = [
        ("Picture", f"{graph.rows} x {graph.cols} pixels, {graph.bits} bit, {escape(graph.format)}"),
        ("Purpose", escape(film.film.purpose or "not stated")),
        ("Scale", escape(scale_words(film))),
    ]
    if film.magnification is not None:
        rows.append(("Magnification", f"{film.magnification:.2f}, implied by the detector spacing"))
    for claim in graph.spacings:
        rows.append(
            (
                "Spacing claim",
                f"{escape(claim.claim)} {claim.row_mm:g} x {claim.col_mm:g} mm, {escape(claim.trust)}; not used here",
            )
            if film.calibration is None or film.calibration.claim is not claim
            else (
                "Spacing claim",
                f"{escape(claim.claim)} {claim.row_mm:g} x {claim.col_mm:g} mm, {escape(claim.trust)}; in use",
            )
        )
    table = "".join(f"<tr><th>{name}</th><td>{value}</td></tr>" for name, value in rows)
    remarks = [flag.text for flag in film.flags] + list(graph.warnings) + list(graph.densities)
    caption = f"{' &nbsp; '.join(legend)}. Bars: stop and reference point. Ring: apical end. White dot: proposed working length."
    return (
        f"<h2>Film {escape(film.film.id)}: {escape(film.film.path)}</h2>"
        f'<div class="cols"><figure>{film_svg(film, canals, key, colours)}<figcaption>{caption}</figcaption></figure>'
        f'<div class="grow"><table>{table}</table>{_flag_list(remarks)}'
        + "".join(_lengths(canal, colours[canal.canal.name]) for canal in canals)
        + "</div></div>"
    )


def _flag_list(texts: list[str]) -> str:
    return '<ul class="flags">' + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>" if texts else ""


def _lengths(canal: CanalResult, colour: str) -> str:
    length, film, electronic, working = canal.length, canal.radiographic, canal.electronic, canal.working_length
    rows: list[tuple[str, str, str]] = []
    if length is not None:
        low, high = length.length_interval_mm
        rows.append(
            (
                f"To the {canal.trace.apical_end}",
                _length(length.length_mm, length.length_std_mm),
                f"95 %: {low:.2f} to {high:.2f} mm",
            )
        )
        if length.coronal_mm > 0.0:
            rows.append(("of that, crown piece", _length(length.coronal_mm), f"canal {length.canal_mm:.1f} mm"))
    if canal.tip_to_end_mm is not None:
        side = "short of" if canal.tip_to_end_mm >= 0.0 else "beyond"
        rows.append(("File tip", f"{abs(canal.tip_to_end_mm):.1f} mm", f"{side} the end of the trace"))
    if film is not None:
        rows.append(
            ("From the film", _length(film.length_mm, film.std_mm), f"{film.method} of {film.allowance_mm:.1f} mm")
        )
    if electronic is not None:
        rows.append(("Electronic", _length(electronic.length_mm, electronic.std_mm), electronic_words(electronic)))
    if working is not None:
        if working.weighted_mm is not None and working.weights is not None:
            film_share = round(100.0 * working.weights[0])
            rows.append(
                (
                    "Weighted mean",
                    _length(working.weighted_mm, working.weighted_std_mm),
                    f"film {film_share} %, readings {100 - film_share} %",
                )
            )
        rows.append(("Working length", _length(working.length_mm, working.std_mm), working.status))
    decision = canal.canal.decision
    if decision is not None:
        rows.append(
            ("Decided", _length(decision.length_mm), f"{decision.by}, {decision.at[:10]}. {decision.reason or ''}")
        )
    table = "".join(
        f"<tr><td>{escape(a)}</td><td class=n>{escape(b)}</td><td>{escape(c)}</td></tr>" for a, b, c in rows
    )
    readings = ", ".join(f"{r.length_mm:g} ({r.mark})" for r in canal.canal.electronic_readings)
    return (
        f'<h3><span class="key" style="color:{colour}"></span>Canal {escape(canal.canal.name)}, '
        f"from {escape(canal.canal.reference_point)}</h3>"
        f"<table><tr><th>length</th><th class=n>value ± 95 %</th><th>basis</th></tr>{table}</table>"
        + (f'<p class="sub">Readings: {escape(readings)} mm.</p>' if readings else "")
        + _flag_list([flag.text for flag in canal_flags(canal)])
    )


def _canal_section(canal: CanalResult, key: str, colour: str) -> str:
    return (
        f'<h2><span class="key" style="color:{colour}"></span>Canal {escape(canal.canal.name)} '
        f"on film {escape(canal.trace.film)}: bend and uncertainty</h2>"
        f'<div class="cols"><div class="grow">{_curvature(canal, colour)}</div><div class="grow">{_budget(canal)}'
        f"<figure>{apex_svg(canal, key, colour)}<figcaption>The apical end, 5 mm wide.</figcaption></figure></div></div>"
    )


def _budget(canal: CanalResult) -> str:
    if canal.length is None:
        return ""
    terms = sorted(canal.length.budget, key=lambda term: -term.std_mm)
    total = canal.length.length_std_mm**2
    rows = "".join(
        f"<tr><td>{escape(t.term)}</td><td class=n>± {1.96 * t.std_mm:.2f} mm</td>"
        f"<td class=n>{100 * t.std_mm**2 / total:.0f} %</td></tr>"
        for t in terms
    )
    return (
        "<h3>What the uncertainty of the length is made of</h3>"
        f"<table><tr><th>term</th><th class=n>95 %</th><th class=n>share</th></tr>{rows}</table>"
    )


def _curvature(canal: CanalResult, colour: str) -> str:
    bend = canal.curvature
    if bend is None:
        return f"<h3>Curvature</h3><p>{escape(curvature_words(None, canal.angles))}</p>"

    def span(interval: tuple[float, float] | None) -> str:
        if interval is None:
            return ""
        return f"{interval[0]:.1f} to {interval[1]:.1f} mm" if isfinite(interval[1]) else f"above {interval[0]:.1f} mm"

    def radius(value: float | None, interval: tuple[float, float] | None) -> tuple[str, str]:
        return ("not determined" if value is None else f"{value:.1f} mm"), span(interval)

    rows = [
        ("Schneider 1971", f"{bend.schneider_deg:.1f}°", f"± {1.96 * bend.schneider_std_deg:.1f}°"),
        ("Weine; Pruett 1997", f"{bend.weine_deg:.1f}°", f"± {1.96 * bend.weine_std_deg:.1f}°"),
    ]
    if bend.form != "I":
        rows.append(("Radius, Pruett 1997", *radius(bend.pruett_radius_mm, bend.pruett_radius_interval_mm)))
    if bend.schneider_secondary_deg is not None:
        rows.append(("Second curve, Schneider", f"{bend.schneider_secondary_deg:.1f}°", "opposite direction"))
        rows.append(("its radius", *radius(bend.pruett_radius_secondary_mm, bend.pruett_radius_secondary_interval_mm)))
    rows += [
        ("Canal access angle, Günday 2005", f"{bend.canal_access.angle_deg:.1f}°",
         f"height {bend.canal_access.height_mm:.1f}, distance {bend.canal_access.distance_mm:.1f} mm"),
        ("Total turning", f"{bend.total_turning_deg:.1f}°", ""),
    ]  # fmt: skip
    if bend.form != "I":
        where = "" if bend.min_radius_at_mm is None else f"at {bend.min_radius_at_mm:.1f} mm from the orifice"
        rows.append(("Smallest radius", radius(bend.min_radius_mm, bend.min_radius_interval_mm)[0], where))
    rows.append(("Distance of the path from the model", f"{bend.misfit_mm:.2f} mm", "root mean square"))
    table = "".join(
        f"<tr><td>{escape(a)}</td><td class=n>{escape(b)}</td><td>{escape(c)}</td></tr>" for a, b, c in rows
    )
    difficulty = (
        f" Curvature alone makes this case {escape(canal.difficulty)} in difficulty." if canal.difficulty else ""
    )
    return (
        f"<h3>Curvature: {escape(curvature_words(bend, None).split(',')[0])}</h3>"
        f"<figure>{profile_svg(canal, colour)}<figcaption>Grey: the fitted bend. Band: 95 %.{difficulty}</figcaption></figure>"
        f"<table>{table}</table>"
    )


def _provenance(result: CaseResult, program: str) -> str:
    films = "<br>".join(
        f"film {escape(f.film.id)}: {escape(f.film.path)}, SHA-256 {escape(f.film.sha256)}" for f in result.films
    )
    tracers = ", ".join(dict.fromkeys(canal.path.tracer for canal in result.canals)) or "none"
    working = next((canal.working_length for canal in result.canals if canal.working_length is not None), None)
    parameters = "" if working is None else "; ".join(f"{name} {value:g}" for name, value in working.parameters)
    return (
        f'<h2>Where it comes from</h2><p class="prov">{films}<br>inputs of the case: SHA-256 {case_digest(result.case)}<br>'
        f"{escape(program)}; path by {escape(tracers)}<br>bounds used: {escape(parameters)}</p>"
    )
