"""The report of one case: what stands on its page, in order.

The same page is written as HTML and as PDF; see :mod:`~wlmeasure.share.page`.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from wlmeasure.decide.remeasure import Advice
from wlmeasure.image.radiograph import SpacingClaim
from wlmeasure.measure.budget import NORMAL_95, Term, reach_mm, total_std_mm
from wlmeasure.measure.curvature import CurvatureEstimate
from wlmeasure.record.case import Entry, case_digest
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.record.facts import SETTLED, CanalFacts, CaseFacts, case_facts
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.share.course import NARROW_PX, course
from wlmeasure.share.drawing import Picture
from wlmeasure.share.ends_plot import ENDS_CAPTION, ends_drawing
from wlmeasure.share.figures import (
    FILE_COLOUR,
    Shown,
    apex_drawing,
    canal_colours,
    film_drawing,
    film_picture,
    profile_drawing,
)
from wlmeasure.share.page import (
    Block,
    Bullets,
    Card,
    Cards,
    Columns,
    Figure,
    Heading,
    Key,
    Page,
    PageFile,
    Remarks,
    Row,
    Table,
    Text,
)
from wlmeasure.share.page_file import page_file
from wlmeasure.share.result import (
    FORMS,
    advice_words,
    angle_words,
    canal_flags,
    case_words,
    curvature_words,
    decided_by_words,
    decision_doubts,
    electronic_words,
    film_label,
    film_words,
    from_words,
    length_words,
    limit_words,
    measured_words,
    method_words,
    no_stop_words,
    past_reading_words,
    proposal_end_words,
    proposal_words,
    reading_words,
    risk_words,
    said_words,
    scale_words,
    start_words,
    stop_words,
    without_film_words,
)
from wlmeasure.words import interval_words, reach_words

TYPE_CHECKING = False
if TYPE_CHECKING:  # the room is loaded only where films are compared
    from wlmeasure.record.over_time import Comparison

__all__ = ["report", "report_file"]

Line = tuple[str, str, str]
Bend = tuple[CanalResult, TraceResult, Picture]
ABREAST = 3
"""Canals side by side on a page; a fourth one begins another row."""
LEFT_OUT = ("Total turning",)
"""Rows that stand on the report of a single canal only."""
LEAST_SHARE = 5.0
"""Terms that make up less of the variance, in percent, are left out where several canals share a table."""
HASH_SIGNS = 12
"""As much of a hash as tells two files of a practice apart."""


def report(result: CaseResult, *, made_at: str, program: str, compared: Sequence[Comparison] = ()) -> Page:
    """The report of one case.

    Parameters
    ----------
    result
        What was measured.
    made_at
        Date and time shown on it.
    program
        Name and version of what made it.
    compared
        Films over time (:func:`wlmeasure.record.over_time.over_time`).
    """
    tooth = result.tooth
    colours = canal_colours(result)
    case = f"; {case_words(result.case.case_id)}"
    facts = case_facts(result)
    blocks: list[Block] = [Cards(tuple(_card(c, facts.of(c.canal.name), colours[c.canal.name]) for c in result.canals))]
    traced = [trace.film for canal in result.canals for trace in canal.traces]
    several = len(traced) > 1
    if several:
        blocks += _ends(facts, colours)  # beside what is proposed
    if len(result.films) > 1:
        blocks += _films_alone([film for film in result.films if not any(film is one for one in traced)])
    if several:
        blocks += _cautions(result)  # where the first sheet has room, and before the figures
    bends: list[Bend] = []
    for film in result.films:
        drawn = [(canal, trace) for canal in result.canals for trace in canal.traces if trace.film is film]
        if not drawn and len(result.films) > 1:
            continue
        picture = film_picture(film)
        blocks += _film(film, drawn, picture, colours, facts)
        for canal, trace in drawn:
            if several:
                bends.append((canal, trace, picture))
            else:
                blocks += _bend(canal, trace, picture, colours[canal.canal.name], facts.of(canal.canal.name))
    order = [canal.canal.name for canal in result.canals]
    bends.sort(key=lambda bend: order.index(bend[0].canal.name))
    for k in range(0, len(bends), ABREAST):
        blocks += _bends(bends[k : k + ABREAST], colours)
    for canal in result.canals:
        if not canal.traces:
            blocks.append(Heading(2, f"Canal {canal.canal.name}, {without_film_words(canal)}"))
            blocks += _lengths(canal, None, colours[canal.canal.name], facts.of(canal.canal.name))
    if result.spatial is not None:
        from wlmeasure.share.in_space import space_blocks  # few cases have films that belong together

        blocks += space_blocks(result, colours)
    if compared:
        from wlmeasure.share.over_time import over_time_blocks

        blocks += over_time_blocks(tuple(compared))
    blocks += course(result, facts, colours)
    blocks += [*([] if several else _cautions(result)), *_how_made(result, program)]
    return Page(
        f"Working length, tooth {tooth.designation}",
        f"{tooth.name}, {tooth.universal} Universal, {tooth.palmer_letters} Palmer{case}. Made {made_at}.",
        tuple(blocks),
        footer=f"tooth {tooth.designation}{case}; {made_at}; {program}",
    )


def report_file(
    result: CaseResult, name: str, *, made_at: str, program: str, compared: Sequence[Comparison] = ()
) -> PageFile:
    """The report as the contents of a file, HTML or PDF by the ending of its name.

    Raises
    ------
    CaseError
        Another ending.
    """
    return page_file(name, lambda: report(result, made_at=made_at, program=program, compared=compared))


def _card(canal: CanalResult, facts: CanalFacts, colour: str) -> Card:
    """What holds, large: the decision, else what is proposed, set lightly."""
    working, decision = facts.proposal, facts.decision
    value, spread = "none", ""
    if working.length_mm is not None and working.interval_mm is not None:
        value, spread = limit_words(working.length_mm), interval_words(working.length_mm, working.interval_mm)
    status = ", ".join(words for words in (proposal_end_words(working), working.status) if words)
    if working.ceiling_mm is not None and working.status not in SETTLED:
        status += f"; not beyond {limit_words(working.ceiling_mm)} until this is settled"
    stops = [f"stop at {words}" for words in stop_words(facts)] or [f"no stop: {no_stop_words(canal, facts)}"]
    if facts.risk is not None and facts.stop is not None:
        stops.append(facts.risk.words)
    title = f"Canal {facts.name}, "
    if decision is None:
        return Card(colour, f"{title}proposed working length, not decided", value, spread, (status, *stops), faint=True)
    # What was decided is what holds: it is the large figure, and the proposal stands below it.
    proposed = f"proposed {value} {spread}".rstrip() + f", {status}"
    doubts = tuple(f"! {text}" for text in decision_doubts(facts))
    by = decided_by_words(decision.by, decision.at)
    return Card(colour, f"{title}decided working length", _held(decision), "", (*doubts, proposed, *stops), by)


def _ends(facts: CaseFacts, colours: dict[str, str]) -> list[Block]:
    """Where constriction and foramen of every canal may lie, and its stop among them."""
    shown = [(one.name, ends_drawing(one, width=NARROW_PX, height=150)) for one in facts.canals]
    cells = [(Heading(3, f"Canal {name}", colours[name]), Figure(made, "")) for name, made in shown if made is not None]
    if not cells:
        return []
    rows = [Row(tuple(cells[k : k + ABREAST])) for k in range(0, len(cells), ABREAST)]
    return [Heading(2, "Where the canal may end"), *rows, Text(ENDS_CAPTION, small=True)]


def _held(decision: Entry) -> str:
    assert decision.length_mm is not None  # a decision without one is none
    return limit_words(decision.length_mm)


def _claim_words(claim: SpacingClaim, film: FilmResult) -> str:
    used = film.calibration is not None and film.calibration.claim == claim
    words = f"{claim.claim} {claim.row_mm:g} x {claim.col_mm:g} mm (row x column), trust: {claim.trust}"
    return f"{words}; {'in use' if used else 'not used'}"


def _film(
    film: FilmResult,
    drawn: list[tuple[CanalResult, TraceResult]],
    picture: Picture,
    colours: dict[str, str],
    held: CaseFacts,
) -> list[Block]:
    graph = film.radiograph
    facts = [
        ("Picture", f"{graph.rows} x {graph.cols} pixels, {graph.bits} bit, {graph.format}"),
        *((("Shown", f"{words}; the film itself is as stored"),) if (words := Shown(film).words) else ()),
        ("Purpose", film.film.purpose or "not stated"),
        ("Scale", scale_words(film)),
        *(("Said of it", words) for words in said_words(film)),
        *(("Spacing claim", _claim_words(claim, film)) for claim in graph.spacings),
    ]
    if film.magnification is not None:
        facts.append(("Magnification", f"{film.magnification:.2f}, implied by the detector spacing"))
    facts += [("Scales compared", pair.words) for pair in film.checks]
    keys = [Key(colours[c.canal.name], f"canal {c.canal.name}") for c, _ in drawn]
    lines = () if film.calibration is None else film.calibration.lines
    of_files, of_objects = ([line for line in lines if line.kind == kind] for kind in ("file", "object"))
    if of_objects:
        keys.insert(0, Key(FILE_COLOUR, "object of known size"))
    if of_files or film.unscaled_files:
        words = "known length" if not film.unscaled_files else "known length, file" if of_files else "file"
        keys.insert(0, Key(FILE_COLOUR, words, wide=True))
    by_reference = any(line.upper_end == "reference" for line in of_files)
    bars = ["where the stop rested" if by_reference else "stop"] if of_files else []
    bars += ["reference point"] if any(trace.trace.reference_px is not None for _, trace in drawn) else []
    caption = f"{'Bar' if len(bars) == 1 else 'Bars'}: {' and '.join(bars)}. " if bars else ""
    if by_reference:
        caption += "Small ring: the point that the stop rested on, and from it square to the shaft. "
    if drawn:
        caption += "Ring: apical end. White dot: working length, decided or proposed."
    caption = caption.strip()
    if any(not seen for _, trace in drawn for _, seen in trace.pieces):
        caption += " Dashed: nothing is seen along this stretch."
    remarks = (*(flag.text for flag in film.flags), *graph.warnings, *graph.densities)
    right: list[Block] = [Table(tuple(facts), named=True), Remarks(remarks)]
    if len(drawn) == 1:
        name = drawn[0][0].canal.name
        right += _lengths(*drawn[0], colours[name], held.of(name))
    else:
        right += _lengths_abreast(drawn, held)
    figure = Figure(film_drawing(film, drawn, picture, colours), caption, tuple(keys))
    return [
        Heading(2, f"Film {film.film.id}: {film.film.name}"),
        Columns((figure,), tuple(right), 0.36 if len(drawn) > 1 else 0.22),
    ]


def _lengths(canal: CanalResult, trace: TraceResult | None, colour: str, facts: CanalFacts) -> list[Block]:
    """Every length of one canal; what readings and decision say stands on the film that the working length rests on."""
    rows = [] if trace is None else _film_rows(trace)
    readings: list[Block] = []
    if trace is canal.basis:
        rows += _decision_rows(facts)
        readings += [Text(f"{words}.", small=True) for words in _reading_lines(facts)]
    return [
        Heading(3, f"Canal {canal.canal.name}, from {from_words(canal)}", colour),
        Table(tuple(rows), ("length", "value ± 95 %", "basis"), numbers=(1,)),
        *readings,
        Remarks(tuple(flag.text for flag in canal_flags(canal, trace, facts))),
    ]


def _reading_lines(facts: CanalFacts, of: str = "") -> list[str]:
    lines = [f"Readings{of}: {reading_words(facts.readings)}"] if facts.readings else []
    past = facts.past_readings
    risk = [f"A stop{of} at {risk_words(facts)}"] if facts.risk is not None else []
    return [*lines, *([f"Earlier readings{of}: {past_reading_words(past)}"] if past else []), *risk]


def _lengths_abreast(drawn: list[tuple[CanalResult, TraceResult]], facts: CaseFacts) -> list[Block]:
    """Every length of the canals of one film, a column a canal; a remark that all of them have stands once."""
    found: dict[str, dict[str, str]] = {}
    lines: list[str] = []
    remarks: dict[str, list[str]] = {}
    for canal, trace in drawn:
        name = canal.canal.name
        rows: list[Line] = [("Counts from", from_words(canal), ""), *_film_rows(trace)]
        if trace is canal.basis:
            rows += _decision_rows(facts.of(name))
            lines += [f"{words}." for words in _reading_lines(facts.of(name), f" {name}")]
        for label, value, basis in rows:
            found.setdefault(label, {})[name] = f"{value}, {basis.removeprefix('95 %: ')}" if basis else value
        for flag in canal_flags(canal, trace, facts.of(name)):
            remarks.setdefault(flag.text, []).append(name)
    names = [canal.canal.name for canal, _ in drawn]
    table = Table(
        tuple((label, *(cells.get(name, "–") for name in names)) for label, cells in found.items()),
        ("length ± 95 %", *names),
    )
    texts = tuple(text if len(of) == len(names) else f"{', '.join(of)}: {text}" for text, of in remarks.items())
    return [table, *(Text(line, small=True) for line in lines), Remarks(texts)]


def _film_rows(trace: TraceResult) -> list[Line]:
    rows: list[Line] = []
    length, film = trace.length, trace.radiographic
    if length is not None:
        low, high = length.length_interval_mm
        label = f"{f'From {start_words(trace)} to' if trace.lacks_reference else 'To'} the {trace.trace.apical_end}"
        if trace.preliminary:
            label = f"Preliminary: {label[0].lower()}{label[1:]}"
        rows.append((label, measured_words(length), f"95 %: {low:.2f} to {high:.2f} mm"))
        if length.gap is not None:
            rows.append(("of that, known length", length_words(length.gap.known_mm, None), method_words(length)))
        elif length.coronal_mm and length.canal_mm is not None:
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
        label = film_label(film)
        rows.append((f"{label[0].upper()}{label[1:]}", film_words(film), allowance))
    return rows


def _decision_rows(facts: CanalFacts) -> list[Line]:
    rows: list[Line] = []
    electronic, working, decision = facts.electronic, facts.proposal, facts.decision
    if electronic is not None:
        rows.append(("Electronic", length_words(electronic.length_mm, electronic.std_mm), electronic_words(electronic)))
    rounded = ", rounded down"
    end = proposal_end_words(working)
    basis = f"{end}; {working.status}{rounded}" if end else working.status
    rows.append(("Proposed", proposal_words(working), basis))
    if decision is not None:
        reason = f". {decision.note}" if decision.note else ""
        rows.append(("Decided", _held(decision), f"{decided_by_words(decision.by, decision.at)}{reason}"))
    return rows


def _bend(canal: CanalResult, trace: TraceResult, picture: Picture, colour: str, facts: CanalFacts) -> list[Block]:
    """Bend and uncertainty of a canal that stands alone: pictures and the length's budget side by side, figures below."""
    head = Heading(2, f"Canal {canal.canal.name} on film {trace.trace.film}: bend and uncertainty", colour)
    bend, close = trace.curvature, apex_drawing(canal, trace, picture, colour, side_px=190)
    if bend is None or close is None or trace.length is None:  # a film without a scale
        return [head, Text(curvature_words(None, trace.angles))]
    profile = profile_drawing(trace, colour, width=NARROW_PX, height=135)
    caption = "Grey: the fitted bend. Band: 95 %."
    if trace.difficulty:
        caption += f" Curvature alone makes this case {trace.difficulty} in difficulty."
    shape = Heading(3, f"Curvature: {FORMS[bend.form] if bend.determined else 'not determined'}")
    cells = (
        (shape, *(() if profile is None else (Figure(profile, caption),))),
        (Heading(3, "The apical end, 5 mm wide"), Figure(close, "")),
        (
            *_terms("What makes the length uncertain", trace.length.budget, trace.advice),
            *(() if trace.film.clicks is None else (Text(f"Reckoned with {trace.film.clicks.words}.", small=True),)),
        ),
    )
    table = Table(tuple(_curvature_rows(bend)), numbers=(1,))
    ends = ends_drawing(facts, width=NARROW_PX, height=105)
    if trace is not canal.basis or ends is None:
        return [head, Row(cells), table]
    words = [f"To narrow it: {one}." for one in advice_words(canal.advice)]
    more: tuple[Block, ...] = (
        Heading(3, "Where the canal may end"),
        Figure(ends, ""),
        *(Text(one, small=True) for one in words),
    )
    return [head, Row(cells), Columns((table,), more, 0.62)]


def _films_alone(films: list[FilmResult]) -> list[Block]:
    """Films on which no canal was traced, as the first and the last one of a treatment, small and side by side."""
    if not films:
        return []
    blocks: list[Block] = [Heading(2, "Films without a traced canal")]
    for k in range(0, len(films), 2):
        cells = []
        for film in films[k : k + 2]:
            graph = film.radiograph
            title = f"Film {film.film.id}: {film.film.name}"
            words = [film.film.purpose or "purpose not stated", f"{graph.rows} x {graph.cols} pixels, {graph.bits} bit"]
            words.append(f"scale {scale_words(film)}")
            words += [f"shown {shown}"] if (shown := Shown(film).words) else []
            words += [f"spacing claim {_claim_words(claim, film)}" for claim in graph.spacings]
            remarks = Remarks((*(flag.text for flag in film.flags), *graph.warnings, *graph.densities))
            figure = Figure(film_drawing(film, [], film_picture(film), {}), "")
            cells.append((Columns((figure,), (Heading(3, title), Text("\n".join(words), small=True), remarks), 0.5),))
        blocks.append(Row(tuple(cells)))
    return blocks


def _bends(bends: list[Bend], colours: dict[str, str]) -> list[Block]:
    """Bend and uncertainty of several canals side by side: figures above, what they say in one table below."""
    cells, close = [], []
    for canal, trace, picture in bends:
        colour = colours[canal.canal.name]
        head = Heading(3, f"{_bend_name(canal, trace)}: {_form_words(trace)}", colour)
        profile = profile_drawing(trace, colour, width=NARROW_PX, height=130)
        cells.append((head, *(() if profile is None else (Figure(profile, ""),))))
        apex = apex_drawing(canal, trace, picture, colour)
        close.append(() if apex is None else (Figure(apex, ""),))
    names = [_bend_name(canal, trace) for canal, trace, _ in bends]
    figures: dict[str, dict[str, str]] = {}
    for canal, trace, _ in bends:
        rows = [] if trace.curvature is None else _curvature_rows(trace.curvature)
        for label, value, span in rows:
            if label in LEFT_OUT:
                continue
            shown = span.split(";")[0]
            shown = f"({shown})" if shown and not shown.startswith("±") else shown
            figures.setdefault(label, {})[_bend_name(canal, trace)] = f"{value} {shown}".strip()
        if trace.difficulty:
            figures.setdefault("Difficulty, by curvature alone", {})[_bend_name(canal, trace)] = trace.difficulty
    for canal, trace, _ in bends:
        if trace.length is None:
            continue
        for term in sorted(trace.length.budget, key=lambda term: -term.std_mm):
            share = 100 * term.std_mm**2 / trace.length.length_std_mm**2
            words = f"{_reach(term.reach_mm)} mm, {share:.0f} %"
            if share >= LEAST_SHARE:
                figures.setdefault(f"Uncertain by: {term.term}", {})[_bend_name(canal, trace)] = words
        if trace.film.clicks is not None:
            figures.setdefault("Clicks", {})[_bend_name(canal, trace)] = trace.film.clicks.words.removeprefix("clicks ")
    for canal, trace, _ in bends:
        again = "".join(advice_words(trace.advice)[:1])
        if again:
            figures.setdefault("To narrow it", {})[_bend_name(canal, trace)] = again
    table = Table(
        tuple((label, *(found.get(name, "–") for name in names)) for label, found in figures.items()),
        ("figure, ± 95 %", *names),
    )
    return [
        Heading(2, "Bend and uncertainty of each canal"),
        Row(tuple(cells)),
        Row((*close, (Text(BEND_WORDS, small=True),))),
        table,
    ]


BEND_WORDS = (
    "Above: curvature along the canal. Grey is the fitted bend, the band its 95 % interval, the diamond the sharpest place. "
    "Here: the apical end, 5 mm wide; the ring is the end of the trace, the dot the working length. "
    "Below: the percentage is a term's share of the length's variance."
)


def _bend_name(canal: CanalResult, trace: TraceResult) -> str:
    return f"{canal.canal.name}, film {trace.trace.film}"


def _form_words(trace: TraceResult) -> str:
    bend = trace.curvature
    return "angles only" if bend is None else FORMS[bend.form] if bend.determined else "not determined"


def _terms(title: str, budget: Sequence[Term], advice: Sequence[Advice]) -> list[Block]:
    """A budget as a table, with what to measure again under it."""
    total = total_std_mm(budget) ** 2
    rows = [
        (t.term, f"{_reach(t.reach_mm)} mm", f"{100 * t.std_mm**2 / total:.0f} %")
        for t in sorted(budget, key=lambda term: -term.std_mm)
    ]
    rows.append(("all of them", f"{_reach(reach_mm(budget))} mm", "100 %"))
    again: list[Block] = [Text(f"To narrow it: {words}.", small=True) for words in advice_words(advice)]
    return [Heading(3, title), Table(tuple(rows), ("term", "95 %", "share"), numbers=(1,)), *again]


def _reach(reach: tuple[float, float]) -> str:
    return reach_words(*reach).replace("±", "± ")


def _curvature_rows(bend: CurvatureEstimate) -> list[Line]:
    def radius(name: str, value: float | None, interval: tuple[float, float] | None) -> tuple[str, str, str]:
        span = ""
        if interval is not None:
            low, high = interval
            span = f"{low:.1f} to {high:.1f} mm" if isfinite(high) else f"above {low:.1f} mm"
        return name, "not determined" if value is None else f"{value:.1f} mm", span

    access = bend.canal_access
    parts = ", ".join(f"{name} {NORMAL_95 * std:.1f}" for name, std in bend.schneider_budget)
    schneider, half = angle_words(bend.schneider_deg, bend.schneider_std_deg)
    rows: list[Line] = [
        ("Schneider 1971", schneider, f"{half} ({parts})" if half.startswith("±") else half),
        ("Weine; Pruett 1997", *angle_words(bend.weine_deg, bend.weine_std_deg)),
    ]
    if bend.form != "I":
        rows.append(radius("Radius, Pruett 1997", bend.pruett_radius_mm, bend.pruett_radius_interval_mm))
    if bend.schneider_secondary_deg is not None:
        angle, spread = angle_words(bend.schneider_secondary_deg, bend.schneider_secondary_std_deg or 0.0)
        rows.append(("Second curve, Schneider", angle, f"{spread}, opposite".removeprefix(", ")))
        second = bend.pruett_radius_secondary_mm, bend.pruett_radius_secondary_interval_mm
        rows.append(radius("its radius", *second))
    angle, spread = angle_words(access.angle_deg, bend.canal_access_std_deg)
    heights = f"{spread}; height {access.height_mm:.1f}, distance {access.distance_mm:.1f} mm"
    rows.append(("Canal access angle, Günday 2005", angle, heights.removeprefix("; ")))
    rows.append(("Total turning", *angle_words(bend.total_turning_deg, bend.total_turning_std_deg)))
    if bend.form != "I":
        name, value, span = radius("Smallest radius", bend.min_radius_mm, bend.min_radius_interval_mm)
        where = span if bend.min_radius_at_mm is None else f"{span}, at {bend.min_radius_at_mm:.1f} mm"
        rows.append((name, value, where))
    return rows


def _cautions(result: CaseResult) -> list[Block]:
    cautions = list(CAUTIONS)
    if any(canal.electronic is not None for canal in result.canals):
        cautions.append(PACEMAKER)
    return [Heading(3, "Cautions"), Bullets(tuple(cautions))]


def _how_made(result: CaseResult, program: str) -> list[Block]:
    """What was measured from what, and with which program; the full figures stand in the JSON."""
    films = ", ".join(f"{f.film.id} ({f.film.name}, SHA-256 {f.film.sha256[:HASH_SIGNS]})" for f in result.films)
    tracers = ", ".join(dict.fromkeys(t.path.tracer for canal in result.canals for t in canal.traces))
    words = (
        f"How this was made: measured by {program} from film {films}; {f'paths by {tracers}; ' if tracers else ''}readings, "
        f"decisions and treatment as entered. Inputs of the case: SHA-256 {case_digest(result.case)[:HASH_SIGNS]}. ± is the "
        "half-width of the 95 % interval. Every figure, bound and whole hash: wlmeasure measure CASE.wl.json --json."
    )
    return [Text(words, small=True)]
