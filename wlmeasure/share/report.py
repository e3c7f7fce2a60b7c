"""The report of one case: what stands on its page, in order.

The same page is written as HTML and as PDF; see :mod:`~wlmeasure.share.page`.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path

from wlmeasure.decide.remeasure import Advice
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.measure.budget import NORMAL_95, Term, half_width_mm, total_std_mm
from wlmeasure.measure.curvature import CurvatureEstimate
from wlmeasure.record.case import case_digest
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.course import course
from wlmeasure.share.drawing import Picture
from wlmeasure.share.figures import (
    FILE_COLOUR,
    apex_drawing,
    canal_colours,
    film_drawing,
    film_picture,
    profile_drawing,
)
from wlmeasure.share.page import Block, Bullets, Card, Cards, Columns, Figure, Heading, Key, Page, Remarks, Table, Text
from wlmeasure.share.page_file import page_file
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
    reading_words,
    scale_words,
    stop_words,
)

__all__ = ["report", "report_file"]

Row = tuple[str, str, str]


def report(result: CaseResult, *, made_at: str, program: str) -> Page:
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
    colours = canal_colours(result)
    case = f"; case {result.case.case_id}" if result.case.case_id else ""
    blocks: list[Block] = [Cards(tuple(_card(c, colours[c.canal.name]) for c in result.canals))]
    for film in result.films:
        picture = film_picture(film)
        drawn = [(canal, trace) for canal in result.canals for trace in canal.traces if trace.film is film]
        blocks += _film(film, drawn, picture, colours)
        for canal, trace in drawn:
            blocks += _bend(canal, trace, picture, colours[canal.canal.name])
    for canal in result.canals:
        if not canal.traces:
            blocks.append(Heading(2, f"Canal {canal.canal.name}, without a film"))
            blocks += _lengths(canal, None, colours[canal.canal.name])
    blocks += course(result, colours)
    cautions = list(CAUTIONS)
    if any(canal.electronic is not None for canal in result.canals):
        cautions.append(PACEMAKER)
    blocks += [Heading(2, "Cautions"), Bullets(tuple(cautions)), *_provenance(result, program)]
    return Page(
        f"Working length, tooth {tooth.designation}",
        f"{tooth.name}, {tooth.universal} Universal, {tooth.palmer_letters} Palmer{case}. Made {made_at}.",
        tuple(blocks),
        footer=f"tooth {tooth.designation}{case}; {made_at}; {program}",
    )


def report_file(result: CaseResult, name: str, *, made_at: str, program: str) -> bytes:
    """The report as the contents of a file, HTML or PDF by the ending of its name.

    Raises
    ------
    CaseError
        Another ending.
    """
    return page_file(name, lambda: report(result, made_at=made_at, program=program))


def _card(canal: CanalResult, colour: str) -> Card:
    working, decision = canal.working_length, canal.canal.decision
    value, spread = "none", ""
    if working.length_mm is not None and working.std_mm is not None:
        value, spread = limit_words(working.length_mm), f"± {NORMAL_95 * working.std_mm:.1f}"
    status: str = working.status
    if working.ceiling_mm is not None and working.status not in SETTLED:
        status += f"; not beyond {limit_words(working.ceiling_mm)} until this is settled"
    decided = "" if decision is None else f"decided {decision.length_mm:.1f} mm by {decision.by}, {decision.at[:10]}"
    stops = (f"stop at {words}" for words in stop_words(canal))
    return Card(colour, f"Canal {canal.canal.name}, proposed working length", value, spread, (status, *stops), decided)


def _claim_words(claim: SpacingClaim, film: FilmResult) -> str:
    used = film.calibration is not None and film.calibration.claim == claim
    words = f"{claim.claim} {claim.row_mm:g} x {claim.col_mm:g} mm (row x column), trust: {claim.trust}"
    return f"{words}; {'in use' if used else 'not used'}"


def _film(
    film: FilmResult, drawn: list[tuple[CanalResult, TraceResult]], picture: Picture, colours: dict[str, str]
) -> list[Block]:
    graph = film.radiograph
    facts = [
        ("Picture", f"{graph.rows} x {graph.cols} pixels, {graph.bits} bit, {graph.format}"),
        ("Purpose", film.film.purpose or "not stated"),
        ("Scale", scale_words(film)),
        *(("Spacing claim", _claim_words(claim, film)) for claim in graph.spacings),
    ]
    if film.magnification is not None:
        facts.append(("Magnification", f"{film.magnification:.2f}, implied by the detector spacing"))
    keys = [Key(colours[c.canal.name], f"canal {c.canal.name}") for c, _ in drawn]
    if film.calibration is not None and film.calibration.lines:
        keys.insert(0, Key(FILE_COLOUR, "known length", wide=True))
    caption = "Bars: stop and reference point. Ring: apical end. White dot: working length."
    if any(not seen for _, trace in drawn for _, seen in trace.pieces):
        caption += " Dashed: nothing is seen along this stretch."
    remarks = (*(flag.text for flag in film.flags), *graph.warnings, *graph.densities)
    right: list[Block] = [Table(tuple(facts), named=True), Remarks(remarks)]
    for canal, trace in drawn:
        right += _lengths(canal, trace, colours[canal.canal.name])
    figure = Figure(film_drawing(film, drawn, picture, colours), caption, tuple(keys))
    return [
        Heading(2, f"Film {film.film.id}: {Path(film.film.path).name}"),
        Columns((figure,), tuple(right)),
    ]


def _lengths(canal: CanalResult, trace: TraceResult | None, colour: str) -> list[Block]:
    """Every length of one canal; what readings and decision say stands on the film that the working length rests on."""
    rows = [] if trace is None else _film_rows(trace)
    readings: list[Block] = []
    if trace is canal.basis:
        rows += _decision_rows(canal)
        if canal.canal.electronic_readings:
            readings.append(Text(f"Readings: {reading_words(canal.canal.electronic_readings)}.", small=True))
    return [
        Heading(3, f"Canal {canal.canal.name}, from {canal.canal.reference_point}", colour),
        Table(tuple(rows), ("length", "value ± 95 %", "basis"), numbers=(1,)),
        *readings,
        Remarks(tuple(flag.text for flag in canal_flags(canal, trace))),
    ]


def _film_rows(trace: TraceResult) -> list[Row]:
    rows: list[Row] = []
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


def _decision_rows(canal: CanalResult) -> list[Row]:
    rows: list[Row] = []
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


def _bend(canal: CanalResult, trace: TraceResult, picture: Picture, colour: str) -> list[Block]:
    right = _budget(canal, trace)
    close = apex_drawing(canal, trace, picture, colour)
    if close is not None:
        right.append(Figure(close, "The apical end, 5 mm wide."))
    return [
        Heading(2, f"Canal {canal.canal.name} on film {trace.trace.film}: bend and uncertainty", colour),
        Columns(tuple(_curvature(trace, colour)), tuple(right), 0.5),
    ]


def _budget(canal: CanalResult, trace: TraceResult) -> list[Block]:
    if trace.length is None:
        return []
    blocks = _terms("What the uncertainty of the length is made of", trace.length.budget, trace.advice)
    working = canal.working_length
    if trace is canal.basis and len(working.budget) > 1:
        blocks += _terms("And of the proposed working length", working.budget, canal.advice)
    return blocks


def _terms(title: str, budget: Sequence[Term], advice: Sequence[Advice]) -> list[Block]:
    """A budget as a table, with what to measure again under it."""
    total = total_std_mm(budget) ** 2
    rows = [
        (t.term, f"± {t.half_mm:.2f} mm", f"{100 * t.std_mm**2 / total:.0f} %")
        for t in sorted(budget, key=lambda term: -term.std_mm)
    ]
    rows.append(("all of them", f"± {half_width_mm(budget):.2f} mm", "100 %"))
    again: list[Block] = [Text(f"To narrow it: {words}.") for words in advice_words(advice)]
    return [Heading(3, title), Table(tuple(rows), ("term", "95 %", "share"), numbers=(1,)), *again]


def _curvature(trace: TraceResult, colour: str) -> list[Block]:
    bend = trace.curvature
    if bend is None:
        return [Heading(3, "Curvature"), Text(curvature_words(None, trace.angles))]
    difficulty = f" Curvature alone makes this case {trace.difficulty} in difficulty." if trace.difficulty else ""
    blocks: list[Block] = [Heading(3, f"Curvature: {FORMS[bend.form] if bend.determined else 'not determined'}")]
    profile = profile_drawing(trace, colour)
    if profile is not None:
        blocks.append(Figure(profile, f"Grey: the fitted bend. Band: 95 %.{difficulty}"))
    return [*blocks, Table(tuple(_curvature_rows(bend)), numbers=(1,))]


def _half(std: float | None) -> str:
    return "" if std is None else f"{NORMAL_95 * std:.1f}"


def _curvature_rows(bend: CurvatureEstimate) -> list[Row]:
    def radius(name: str, value: float | None, interval: tuple[float, float] | None) -> tuple[str, str, str]:
        span = ""
        if interval is not None:
            low, high = interval
            span = f"{low:.1f} to {high:.1f} mm" if isfinite(high) else f"above {low:.1f} mm"
        return name, "not determined" if value is None else f"{value:.1f} mm", span

    access = bend.canal_access
    parts = ", ".join(f"{name} {NORMAL_95 * std:.1f}" for name, std in bend.schneider_budget)
    rows: list[Row] = [
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


def _provenance(result: CaseResult, program: str) -> list[Block]:
    films = [f"film {f.film.id}: {f.film.path}, SHA-256 {f.film.sha256}" for f in result.films]
    tracers = ", ".join(dict.fromkeys(t.path.tracer for canal in result.canals for t in canal.traces)) or "none"
    bounds = "; ".join(
        f"{canal.canal.name}: " + ", ".join(f"{name} {value:g}" for name, value in canal.working_length.parameters)
        for canal in result.canals
    )
    lines = [
        *films,
        f"inputs of the case: SHA-256 {case_digest(result.case)}",
        f"{program}; paths by {tracers}",
        f"bounds used: {bounds}",
    ]
    return [Heading(2, "Where it comes from"), Text("\n".join(lines), small=True)]
