"""A result as JSON (``wlmeasure-result/1``) and as the text of a length record."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

from wlmeasure.calibration import KnownLine
from wlmeasure.decide.electronic import ElectronicLength
from wlmeasure.decide.ends import RISK_BASIS, Posterior, Risk
from wlmeasure.decide.filling import limit_words, stop_setting_mm
from wlmeasure.decide.methods import RadiographicLength
from wlmeasure.decide.reconcile import WorkingLength
from wlmeasure.decide.remeasure import Advice
from wlmeasure.flags import Flag, merge
from wlmeasure.measure.budget import NORMAL_95, Shape, Term, one_sided_mm, reach_mm
from wlmeasure.measure.curvature import (
    CurvatureEstimate,
    canal_access,
    canal_form,
    long_axis_deg,
    pruett_deg,
    schneider_deg,
    total_turning_deg,
    weine_deg,
)
from wlmeasure.measure.length import LengthEstimate
from wlmeasure.measure.line_arc import LineArc
from wlmeasure.record.case import Entry, KnownFile
from wlmeasure.record.evaluate import CanalResult, CaseResult, FilmResult, TraceResult
from wlmeasure.record.facts import SETTLED, CanalFacts, CaseFacts, case_facts
from wlmeasure.record.scale_check import without_length
from wlmeasure.record.stale import Stale
from wlmeasure.share.cautions import CAUTIONS, PACEMAKER
from wlmeasure.words import interval_words, reach_words

TYPE_CHECKING = False
if TYPE_CHECKING:
    from wlmeasure.record.over_time import Comparison

__all__ = [
    "RESULT_SCHEMA",
    "advice_words",
    "angle_words",
    "budget_words",
    "canal_flags",
    "canal_rows",
    "case_cautions",
    "case_words",
    "curvature_words",
    "decided_by_words",
    "decision_doubts",
    "decision_is_stale",
    "decision_words",
    "electronic_words",
    "film_label",
    "film_words",
    "first_point_words",
    "from_words",
    "ground_words",
    "length_label",
    "length_words",
    "limit_words",
    "look_words",
    "measured_words",
    "method_words",
    "no_length_words",
    "no_stop_words",
    "past_reading_words",
    "proposal_end_words",
    "proposal_words",
    "reading_words",
    "record_text",
    "result_json",
    "risk_words",
    "said_words",
    "scale_words",
    "start_words",
    "stop_setting_mm",
    "stop_words",
    "without_film_words",
]

RESULT_SCHEMA = "wlmeasure-result/1"
ROUNDING = "A measured length is rounded to the nearest 0.1 mm, a working length down, never up."
NO_LENGTH = "no film of it gives a length"
WITHHELD = {
    "scale-in-doubt": "something is open about the film's scale",
    "reference-points-differ": "the reference point of the file and that of the canal lie apart on the film",
    "trace-reversed": "the canal's trace runs the wrong way",
}
"""Why no working length is proposed from a film that gives a length, by the remark on its trace."""
FORMS = {"I": "straight", "J": "curved in its apical part", "C": "curved along its length", "S": "S-shaped"}


def stop_words(facts: CanalFacts) -> list[str]:
    """What a ruler is set to, in words, and whether for a decided or a proposed length; nothing where no length holds."""
    stop = facts.stop
    if stop is None:
        return []
    whose = "for the decided length" if stop.whose == "decided" else "for the proposed length, which nobody has decided"
    return [f"{stop.setting_mm:.1f} mm on a ruler, rounded down, {whose}"]


def no_stop_words(canal: CanalResult, facts: CanalFacts) -> str:
    """Why stops of a canal cannot be set, in one line; empty where they can."""
    if facts.stop is not None:
        return ""
    if facts.reference_point is None:
        return "the coronal reference point is not named"
    decision, status = facts.decision, facts.proposal.status
    if decision is not None and decision.length_mm is not None:
        return (
            f"decided from {decision.reference_point}, and lengths count from {facts.reference_point} now; decide again"
        )
    if status != "not established":
        before = ", from before the canal was shaped" if status == "film only" and facts.past_readings else ""
        return f"not decided, and the proposal is not settled ({status}{before})"
    if facts.electronic is not None:
        return f"not decided, and the readings establish no length ({facts.electronic.status})"
    if not canal.traces:
        return "nothing is measured"
    codes = {flag.code for trace in canal.traces for flag in trace.flags}
    withheld = [words for code, words in WITHHELD.items() if code in codes]
    if withheld:
        return f"not decided, and {withheld[0]}"
    if all(trace.length is None for trace in canal.traces):
        return "no film of it has a scale" if all(trace.curvature is None for trace in canal.traces) else NO_LENGTH
    if all(trace.lacks_reference for trace in canal.traces):
        return "the coronal reference point is not marked on the film"
    if any(trace.preliminary for trace in canal.traces):
        return "not decided, and the film's length is preliminary"
    return "not decided, and the film gives no working length"


GROUNDS = {
    "film only": "film only, no readings",
    "reading only": "readings only, no film",
    "caution": "film and readings differ",
    "conflict": "film and readings are in conflict",
}


LOOKED_AT = {
    "file-not-seen": "the file is not seen along its points",
    "file-hidden": "part of the file is not seen",
    "reference-far-beside": "the reference point lies far beside the shaft",
    "stop-off-reference": "the file's stop is not at the reference point",
    "tip-off-canal": "the file's tip lies beside the canal",
    "click-off-path": "the path passes a click at a distance",
    "line-not-seen": "the canal is not seen along its trace",
    "line-faint": "the canal is hardly seen",
    "proposal-faint": "the film alone hardly shows the canal that was proposed",
}


def look_words(canal: CanalResult, facts: CanalFacts) -> str:
    """What has to be looked at on the film before its proposed length is decided on, in short; empty where nothing has."""
    if canal.basis is None or facts.decision is not None or facts.proposal.status == "reading only":
        return ""
    codes = {flag.code for flag in (*canal.basis.film.flags, *canal.basis.flags)}
    found = [words for code, words in LOOKED_AT.items() if code in codes]
    return f"Look at the film: {'; '.join(found)}" if found else ""


def ground_words(canal: CanalResult, facts: CanalFacts) -> str:
    """What a decided or proposed length rests on, in one short line, where that is weak; else empty."""
    status = facts.proposal.status
    if status == "film only" and facts.past_readings:
        parts = ["film only, no readings that still count"]
    elif status == "not established":
        parts = ["neither film nor readings give a length"]
    else:
        parts = [GROUNDS[status]] if status in GROUNDS else []
    film = None if canal.basis is None or canal.basis.radiographic is None else canal.basis.length
    if film is not None and film.too_long_mm > 0.0 and status in ("film only", "caution"):
        slid = f"the stop may have slid: then up to {film.too_long_mm:.1f} mm too long"
        parts.append(slid if facts.decision is None else "seat of the stop not known")
    return f"Rests on: {'; '.join(parts)}" if parts and status != "not established" else "".join(parts).capitalize()


def decision_words(decision: Entry) -> str:
    """A decided length, rounded down as what is set by it, by whom and on which day."""
    assert decision.length_mm is not None
    return f"{limit_words(decision.length_mm)}, {decided_by_words(decision.by, decision.at)}"


def case_words(case_id: str | None) -> str:
    """The practice's own reference; a line to write it on where none was entered, since one tooth is like another on paper."""
    return f"case {case_id}" if case_id else "case ____________"


def decided_by_words(by: str | None, at: str | None) -> str:
    """Who decided and on which day."""
    return f"decided by {by}" + ("" if at is None else f", {at[:10]}")


def decision_doubts(facts: CanalFacts) -> list[str]:
    """What speaks against the length that was decided: it no longer holds, or its film gives another length now."""
    lines = [flag.text for flag in facts.flags]
    for item in _stale_decision(facts):
        why = " ".join(reason.text for reason in item.reasons)
        lines.append(f"No longer holds. {why} {item.settled_by[:1].upper()}{item.settled_by[1:]}.")
    return lines


def decision_is_stale(facts: CanalFacts) -> bool:
    """Whether the length that was decided no longer holds."""
    return bool(_stale_decision(facts))


def _stale_decision(facts: CanalFacts) -> list[Stale]:
    return [item for item in facts.stale if facts.decision is not None and item.entry.id == facts.decision.id]


def canal_flags(canal: CanalResult, trace: TraceResult | None, facts: CanalFacts) -> tuple[Flag, ...]:
    """Everything remarked on one canal as seen on one film; what concerns its working length where that rests on the film."""
    working = (*facts.flags, *canal.working_length.flags) if trace is canal.basis else ()
    return merge(working, () if trace is None else trace.flags, canal.flags)


def canal_rows(result: CaseResult) -> list[tuple[CanalResult, TraceResult | None]]:
    """One row a canal and film; a canal with readings alone has one row without a film."""
    return [(canal, trace) for canal in result.canals for trace in (canal.traces or (None,))]


def proposal_words(working: WorkingLength) -> str:
    """A proposed working length, rounded down, with its 95 % interval."""
    if working.length_mm is None or working.interval_mm is None:
        return "none"
    return f"{limit_words(working.length_mm)} {interval_words(working.length_mm, working.interval_mm)}"


def proposal_end_words(working: WorkingLength) -> str:
    """Where a proposed length ends; empty without one. The film's own figure ends elsewhere (:func:`film_label`)."""
    if working.length_mm is None:
        return ""
    # Where nothing published holds, and at an open apex, there may be no constriction.
    changed = working.has("anatomy-not-known") or working.has("open-apex")
    return f"to the estimated {'end of the canal' if changed else 'constriction'}"


def risk_words(facts: CanalFacts) -> str:
    """What the model says of the stop, as it is set or would be; empty where there is no length."""
    return "" if facts.risk is None else f"{facts.risk.length_mm:.1f} mm {facts.risk.words}"


def measured_words(length: LengthEstimate) -> str:
    """A measured length to 0.1 mm with its 95 % interval, which is what its budget makes it."""
    return f"{length.length_mm:.1f} mm {interval_words(length.length_mm, length.length_interval_mm)}"


def film_label(film: RadiographicLength) -> str:
    """What the figure of a film by itself is: its end on the film less an allowance, which no curve has a part in."""
    if film.length_mm is None:
        return "from the film"
    end = "apex" if film.apex_length_mm is not None and not film.open_apex else "end"
    return f"{end} less {film.allowance_mm:g} mm"


def film_words(film: RadiographicLength) -> str:
    """The length that a film gives by itself, with its 95 % interval; :func:`film_label` says to where."""
    if film.length_mm is None or film.std_mm is None or not one_sided_mm(film.budget):
        return length_words(film.length_mm, film.std_mm)
    below, above = reach_mm(film.budget)
    return f"{film.length_mm:.1f} mm {interval_words(film.length_mm, (film.length_mm - below, film.length_mm + above))}"


def budget_words(budget: Sequence[Term]) -> str:
    """Every term with the half-width that it alone would make, the largest first; two figures where it errs to one side."""
    ordered = sorted(budget, key=lambda term: -term.std_mm)
    return ", ".join(f"{term.term} {reach_words(*term.reach_mm).removeprefix('±')}" for term in ordered)


def advice_words(advice: Sequence[Advice]) -> list[str]:
    """What to measure again: the act that helps most, and where that needs another film, what helps most without one."""
    first = list(advice[:1])
    first += [one for one in advice if first[0].needs_film and not one.needs_film][:1]
    return [one.words for one in first]


def _flags_json(flags: tuple[Flag, ...]) -> list[dict[str, str]]:
    return [{"code": flag.code, "text": flag.text} for flag in flags]


def result_json(result: CaseResult, compared: Sequence[Comparison] = ()) -> dict[str, Any]:
    """The whole result as JSON-ready values; lengths in mm, angles in degrees, absent figures null.

    `compared` are films over time (:func:`wlmeasure.record.over_time.over_time`), which take a second each.

    Returns
    -------
    dict
        Members as the design names them; further members may follow in later versions.
    """
    facts = case_facts(result)
    return {
        "schema": RESULT_SCHEMA,
        "tooth": result.case.tooth,
        "case_id": result.case.case_id,
        "films": [_film_json(film) for film in result.films],
        "canals": [_canal_json(canal, trace, facts.of(canal.canal.name)) for canal, trace in canal_rows(result)],
        "spatial": _spatial_json(result),
        "over_time": _over_time_json(compared),
        "record": _record_json(facts),
    }


def _spatial_json(result: CaseResult) -> dict[str, Any] | None:
    if result.spatial is None:
        return None
    from wlmeasure.share.in_space import space_json

    return space_json(result.spatial)


def _over_time_json(compared: Sequence[Comparison]) -> list[dict[str, Any]]:
    if not compared:
        return []
    from wlmeasure.share.over_time import over_time_json

    return over_time_json(tuple(compared))


def _record_json(facts: CaseFacts) -> dict[str, Any]:
    """What is open in the length record: entries that no longer hold, and what the rules of the trade say of each canal."""
    return {
        "fault": facts.fault,
        "stale": [
            {
                "entry": item.entry.id,
                "canal": item.entry.canal,
                "reasons": _flags_json(item.reasons),
                "causes": list(item.causes),
                "settled_by": item.settled_by,
            }
            for item in facts.stale
        ],
        "canals": [
            {
                "name": canal.canal,
                "working_length_mm": canal.current and canal.current.length_mm,
                "shortfall_mm": canal.shortfall and canal.shortfall.short_mm,
                "shortfall": canal.shortfall and canal.shortfall.room,
                "gauging": canal.gauging and canal.gauging.verdict,
                "apical_size": canal.apical and canal.apical.size,
                "apical_size_confirmed": canal.apical and canal.apical.confirmed,
                "cone_fit": canal.cone_fit and canal.cone_fit.verdict,
                "filling": canal.filling and canal.filling.verdict,
                "change_mm": canal.change and canal.change.change_mm,
                "flags": _flags_json(canal.flags),
            }
            for canal in (one.treatment for one in facts.canals)
            if canal is not None
        ],
    }


def _film_json(film: FilmResult) -> dict[str, Any]:
    calibration = film.calibration
    out: dict[str, Any] = {
        "id": film.film.id,
        "mm_per_px_row": None,
        "mm_per_px_col": None,
        "rel_std": None,
        "method": None,
        "magnification": film.magnification,
        "metal": film.film.metal,
        "known_files": [
            {
                "known_length_mm": one.known_length_mm,
                "upper_end": one.upper_end or "stop",
                "upper_end_said": one.upper_end is not None,
                "stop_seated": None if one.upper_end in (None, "stop") else one.stop_seated or "not known",
            }
            for one in film.film.scale
            if isinstance(one, KnownFile)
        ],
        "scales": [
            {"name": name, "method": scale.method, "mm_per_px_row": scale.mm_per_px_row, "rel_std": scale.rel_std}
            for name, (_, scale) in zip(film.names, film.scales, strict=True)
        ],
        "scale_checks": [
            {
                "first": pair.first,
                "second": pair.second,
                "ratio": pair.ratio,
                "tolerance": pair.tolerance,
                "verdict": pair.verdict,
                "why": pair.why or None,
                "swapped_mm": pair.swapped_mm and list(pair.swapped_mm),
            }
            for pair in film.checks
        ],
        "file_paths_px": [trace.path_px.tolist() for trace in film.file_traces],
        "warnings": [*_flags_json(film.flags), *({"code": "image", "text": text} for text in film.radiograph.warnings)],
    }
    if calibration is not None:
        out |= {
            "mm_per_px_row": calibration.mm_per_px_row,
            "mm_per_px_col": calibration.mm_per_px_col,
            "rel_std": calibration.rel_std,
            "method": calibration.method,
            "terms": [{"term": name, "rel_std": std} for name, std in calibration.terms],
            "consistency": calibration.consistency,
            "assumed_magnification": calibration.magnification,
            "rough": film.rough,
        }
    return out


def _canal_json(canal: CanalResult, trace: TraceResult | None, facts: CanalFacts) -> dict[str, Any]:
    length = None if trace is None else trace.length
    film = None if trace is None else trace.radiographic
    electronic = canal.electronic
    working = canal.working_length if trace is canal.basis else None
    flags = _flags_json(canal_flags(canal, trace, facts))
    return {
        "name": canal.canal.name,
        "reference_point": canal.canal.reference_point,
        "film": trace and trace.trace.film,
        "apical_end": trace and trace.trace.apical_end,
        "from_orifice": None if trace is None else trace.trace.reference_px is None,
        "path_px": trace and trace.path.path_px.tolist(),
        "tracer": trace and trace.path.tracer,
        "retraced_difference_mm": trace and trace.retraced_mm,
        "coronal_mm": length and length.coronal_mm,
        "canal_mm": length and length.canal_mm,
        "length_mm": length and length.length_mm,
        "length_std_mm": length and length.length_std_mm,
        "length_interval_mm": length and list(length.length_interval_mm),
        "length_method": length and length.method,
        "known_length_mm": length and length.gap and length.gap.known_mm,
        "gap_mm": length and length.gap and length.gap.gap_mm,
        "preliminary": trace and trace.preliminary,
        "budget": [] if length is None else _budget_json(length.budget),
        "advice": [] if trace is None else _advice_json(trace.advice),
        "file_tip_to_end_mm": trace and trace.tip_to_end_mm,
        "file_tip_to_end_std_mm": trace and trace.tip_to_end_std_mm,
        "curvature": trace and _curvature_json(trace.curvature, trace.angles),
        "difficulty": trace and trace.difficulty,
        "radiographic": film
        and {
            "length_mm": film.length_mm,
            "std_mm": film.std_mm,
            "method": film.method,
            "allowance_mm": film.allowance_mm,
            "apex_length_mm": film.apex_length_mm,
        },
        "electronic": electronic
        and {
            "length_mm": electronic.length_mm,
            "std_mm": electronic.std_mm,
            "mark": electronic.mark,
            "status": electronic.status,
            "readings": electronic.n,
            "span_mm": electronic.span_mm,
        },
        "working_length": working
        and {
            "length_mm": working.length_mm,
            "std_mm": working.std_mm,
            "interval_mm": working.interval_mm and list(working.interval_mm),
            "ceiling_mm": working.ceiling_mm,
            "status": working.status,
            "margin_mm": working.margin_mm,
            "ends": _ends_json(working.ends),
            "risk": _risk_json(facts.risk),
            "difference_mm": working.difference_mm,
            "weighted_mm": working.weighted_mm,
            "weighted_std_mm": working.weighted_std_mm,
            "weights": working.weights and list(working.weights),
            "consistent": working.consistency and working.consistency.consistent,
            "decided_mm": facts.decision and facts.decision.length_mm,
            "decision": facts.decision and _entry_json(facts.decision),
            "stop": facts.stop
            and {"length_mm": facts.stop.length_mm, "setting_mm": facts.stop.setting_mm, "whose": facts.stop.whose},
            "readings": [_entry_json(entry) for entry in facts.readings],
            "past_readings": [_entry_json(entry) for entry in facts.past_readings],
            "budget": _budget_json(working.budget),
            "advice": _advice_json(canal.advice),
            "flags": flags,
            "parameters": dict(working.parameters),
        },
        "flags": flags,
    }


def _ends_json(ends: Posterior | None) -> dict[str, Any] | None:
    """Where foramen and constriction may lie; the curves themselves follow from the inputs."""
    if ends is None:
        return None
    return {
        "foramen_mm": ends.foramen_mean_mm,
        "foramen_std_mm": ends.foramen_std_mm,
        "constriction_mm": ends.mean_mm,
        "constriction_std_mm": ends.std_mm,
        "anatomy_known": ends.anatomy.known,
        "film_or_readings_wrong": ends.wrong,
    }


def _risk_json(risk: Risk | None) -> dict[str, Any] | None:
    """Shares from 0 to 1, of the stop as it is set or would be."""
    if risk is None:
        return None
    return {
        "stop_mm": risk.length_mm,
        "beyond_foramen": risk.beyond,
        "more_than_1_mm_short": risk.short,
        "mean_short_mm": risk.mean_short_mm,
        "basis": RISK_BASIS,
    }


def _entry_json(entry: Entry) -> dict[str, Any]:
    """What an output says of a reading or decision; the whole of it stands in the case."""
    return {
        "entry": entry.id,
        "length_mm": entry.length_mm,
        "at": entry.at,
        "by": entry.by,
        **({"mark": entry.finding, "file_size": entry.size} if entry.finding is not None else {"reason": entry.note}),
    }


def _budget_json(budget: Sequence[Term]) -> list[dict[str, Any]]:
    return [{"term": t.term, "std_mm": t.std_mm, "shared": t.shared, "shape": t.shape} for t in budget]


def _advice_json(advice: Sequence[Advice]) -> list[dict[str, Any]]:
    """Half-widths of the 95 % interval, mm."""
    return [
        {
            "term": one.term,
            "action": one.action,
            "before_mm": one.before_mm,
            "after_mm": one.after_mm,
            "needs_film": one.needs_film,
        }
        for one in advice
    ]


def _interval(value: tuple[float, float] | None) -> list[float | None] | None:
    """JSON has no infinity: an open end is null."""
    return None if value is None else [value[0], value[1] if isfinite(value[1]) else None]


def _curvature_json(curvature: CurvatureEstimate | None, angles: LineArc) -> dict[str, Any]:
    if curvature is None:  # a film without a scale gives angles only
        return {
            "schneider_deg": schneider_deg(angles),
            "weine_deg": weine_deg(angles),
            "long_axis_deg": long_axis_deg(angles),
            "pruett_deg": pruett_deg(angles),
            "pruett_radius_mm": None,
            "pruett_radius_interval_mm": None,
            "canal_access_angle_deg": canal_access(angles).angle_deg,
            "min_radius_mm": None,
            "total_turning_deg": total_turning_deg(angles),
            "form": canal_form(angles),
            "misfit": None,
        }
    return {
        "schneider_deg": curvature.schneider_deg,
        "schneider_std_deg": curvature.schneider_std_deg,
        "schneider_budget": [{"term": name, "std_deg": std} for name, std in curvature.schneider_budget],
        "schneider_secondary_deg": curvature.schneider_secondary_deg,
        "schneider_secondary_std_deg": curvature.schneider_secondary_std_deg,
        "weine_deg": curvature.weine_deg,
        "weine_std_deg": curvature.weine_std_deg,
        "weine_secondary_deg": curvature.weine_secondary_deg,
        "long_axis_deg": curvature.long_axis_deg,
        "pruett_deg": curvature.pruett_deg,
        "pruett_radius_mm": curvature.pruett_radius_mm,
        "pruett_radius_interval_mm": _interval(curvature.pruett_radius_interval_mm),
        "pruett_radius_secondary_mm": curvature.pruett_radius_secondary_mm,
        "pruett_radius_secondary_interval_mm": _interval(curvature.pruett_radius_secondary_interval_mm),
        "luiten_deg": curvature.luiten_deg,
        "canal_access_angle_deg": curvature.canal_access.angle_deg,
        "canal_access_angle_std_deg": curvature.canal_access_std_deg,
        "curvature_height_mm": curvature.canal_access.height_mm,
        "curvature_distance_mm": curvature.canal_access.distance_mm,
        "estrela_radius_mm": curvature.estrela_radius_mm,
        "estrela_radius_interval_mm": _interval(curvature.estrela_radius_interval_mm),
        "backman_deg_per_mm": curvature.backman_deg_per_mm,
        "total_turning_deg": curvature.total_turning_deg,
        "total_turning_std_deg": curvature.total_turning_std_deg,
        "min_radius_mm": curvature.min_radius_mm,
        "min_radius_interval_mm": _interval(curvature.min_radius_interval_mm),
        "min_radius_at_mm": curvature.min_radius_at_mm,
        "form": curvature.form,
        "determined": curvature.determined,
        "misfit": {"rms_mm": curvature.misfit_mm},
        "profile": {
            "at_mm": curvature.profile.at_mm.tolist(),
            "per_mm": curvature.profile.per_mm.tolist(),
            "std_per_mm": curvature.profile.std_per_mm.tolist(),
            "window_mm": curvature.profile.window_mm,
        },
        "parameters": dict(curvature.parameters),
    }


def scale_words(film: FilmResult) -> str:
    """The scale of one film in one line."""
    calibration = film.calibration
    if calibration is None:
        return "none: angles only"
    row, col = calibration.mm_per_px
    size = f"{row:.5f}" if abs(row - col) < 5e-6 else f"{row:.5f} x {col:.5f} (row x column)"
    lengths = ", ".join(f"{_known_words(line)}{_whose(line, film)}" for line in calibration.lines)
    source = calibration.method if not lengths else f"{calibration.method} ({lengths})"
    if calibration.magnification is not None:
        source += f" over a magnification of {calibration.magnification:.2f}"
    if film.rough:
        source += ", rough"
    spread = f"± {100.0 * NORMAL_95 * calibration.rel_std:.1f}"
    terms = [Term(name, 100.0 * std, shape=calibration.shape_of(name)) for name, std in calibration.terms]
    if one_sided_mm(terms):
        spread = reach_words(*reach_mm(terms), 1)
    return f"{size} mm per pixel {spread} %, from {source}"


def _known_words(line: KnownLine) -> str:
    """A known length, and from where to where it runs."""
    words = f"{line.known_length_mm:g} mm ± {_known_half_mm(line):.2f}"
    if line.kind == "object":
        return words
    seat = f", {_seat_words(line.stop_seated)}" if line.upper_end == "reference" else ""
    return f"{words} {line.runs}{seat}"


def _seat_words(seated: bool) -> str:
    return "stop seen to be seated" if seated else "seat of the stop not known"


def said_words(film: FilmResult) -> list[str]:
    """What a person said of the film that no figure shows: of files whose upper end is out of the picture, and of its metal."""
    outside = [one for one in film.film.scale if isinstance(one, KnownFile) and one.upper_end == "out of the picture"]
    words = [
        f"file of {one.known_length_mm:g} mm, its upper end out of the picture, {_seat_words(one.stop_seated == 'yes')}"
        for one in outside
    ]
    return words if film.film.metal is None else [*words, f"metal said to be {film.film.metal}"]


def _whose(line: KnownLine, film: FilmResult) -> str:
    """Which file or object a known length is entered for, where there are several."""
    names = [name for name, (_, scale) in zip(film.names, film.scales, strict=False) if line in scale.lines]
    several = film.calibration is not None and len(film.calibration.lines) > 1
    return f" of {without_length(names[0])}" if several and names else ""


def _known_half_mm(line: KnownLine) -> float:
    """Half-width of the 95 % interval of a known length."""
    shape: Shape = "rectangular" if line.read_to_division else "normal"
    return Term("known length", line.known_length_std_mm, shape=shape).half_mm


def length_words(length: float | None, std: float | None) -> str:
    """A length to 0.1 mm with the half-width of its 95 % interval."""
    if length is None:
        return "none"
    return f"{length:.1f} mm" if std is None else f"{length:.1f} mm ± {NORMAL_95 * std:.1f}"


MOST_SPREAD_DEG = 90.0
"""An angle with a wider 95 % half-width is not known at all (our parameter): a fit that hardly tells one bend from none says
hundreds of degrees."""


def angle_words(angle_deg: float | None, std_deg: float | None) -> tuple[str, str]:
    """An angle and its 95 % half-width; "not determined" and nothing where it is none or that is wider than an angle can be."""
    if angle_deg is None:
        return "not determined", ""
    if std_deg is None:
        return f"{angle_deg:.1f}°", ""
    half = NORMAL_95 * std_deg
    return ("not determined", "") if half > MOST_SPREAD_DEG else (f"{angle_deg:.1f}°", f"± {half:.1f}°")


def curvature_words(curvature: CurvatureEstimate | None, angles: LineArc) -> str:
    """Form, angle and radius in one line."""
    if curvature is None:
        return f"{FORMS[canal_form(angles)]}, Schneider {schneider_deg(angles):.0f}° (film without a scale)"
    if not curvature.determined:
        # A dense path has no angle where that is too unsure, however many points it has.
        few = curvature.schneider_deg is not None or "too few points" in dict(curvature.schneider_budget)
        return (
            f"not determined: {'too few points to show a bend' if few else 'the bend is too uncertain along this path'}"
        )
    if curvature.form == "I":
        return f"{FORMS['I']}, Schneider below 5°"
    half = max(1.0, NORMAL_95 * curvature.schneider_std_deg)
    known = half <= MOST_SPREAD_DEG
    angle = f"{curvature.schneider_deg:.0f}° ± {half:.0f}" if known else "not determined"
    text = f"{FORMS[curvature.form]}, Schneider {angle}"
    if curvature.schneider_secondary_deg is not None:
        text += f", then {curvature.schneider_secondary_deg:.0f}° the other way"
    return f"{text}, {_radius_words(curvature)}"


def _radius_words(curvature: CurvatureEstimate) -> str:
    interval = curvature.pruett_radius_interval_mm
    if interval is None:
        return "no radius"
    span = f"{interval[0]:.1f} to {interval[1]:.1f} mm" if isfinite(interval[1]) else f"{interval[0]:.1f} mm or more"
    if curvature.pruett_radius_mm is None:
        return f"radius not determined ({span})"
    return f"radius {curvature.pruett_radius_mm:.1f} mm ({span})"


def reading_words(readings: Sequence[Entry]) -> str:
    """The readings as they were entered; what they share is said once."""

    def about(reading: Entry) -> str:
        size = "" if reading.size is None else f", size {reading.size}"
        return ", ".join([f"{reading.finding}{size}", *reading.conditions])

    told = {about(reading) for reading in readings}
    if len(told) == 1:
        return f"{', '.join(f'{r.length_mm:g}' for r in readings)} mm ({told.pop()})"
    return "; ".join(f"{r.length_mm:g} mm ({about(r)})" for r in readings)


def past_reading_words(readings: Sequence[Entry]) -> str:
    """Readings that count no more, and why."""
    return f"{reading_words(readings)}, superseded: the canal was shaped after them or counts from another point now"


def electronic_words(electronic: ElectronicLength) -> str:
    """How many readings, at which mark, whether they agree."""
    count = f"{electronic.n} reading{'' if electronic.n == 1 else 's'}"
    if electronic.mark == "foramen" and electronic.foramen_mm is not None:
        # The readings stand at the foramen; the length given beside this is already shorter.
        withdrawn = dict(electronic.parameters)["withdraw_mm"]
        return f"{count}, foramen at {electronic.foramen_mm:.1f} mm less {withdrawn:.1f} mm, {electronic.status}"
    mark = {"foramen": "at the foramen mark", "constriction": "at the constriction mark", "mixed": "at both marks"}.get(
        electronic.mark, "without a usable mark"
    )
    return f"{count} {mark}, {electronic.status}"


def case_cautions(facts: CaseFacts) -> list[str]:
    """What is open in a case's length record, in words."""
    from wlmeasure.share.timeline import open_cautions  # it says lengths in the words of this module

    return open_cautions(facts)


def record_text(result: CaseResult, compared: Sequence[Comparison] = ()) -> str:
    """The length record of a case in plain text, lengths to 0.1 mm with their 95 % half-widths."""
    tooth = result.tooth
    lines = [
        f"LENGTH RECORD   tooth {tooth.designation} (ISO 3950), {tooth.name}",
        f"                also {tooth.universal} (Universal), {tooth.palmer_letters} (Palmer)"
        + (f"; case {result.case.case_id}" if result.case.case_id else ""),
    ]
    for k, film in enumerate(result.films):
        graph = film.radiograph
        lines += [
            *([] if k else [""]),
            f"Film {film.film.id}: {film.film.place}, {graph.rows} x {graph.cols} pixels, {graph.bits} bit"
            + (f", {film.film.purpose}" if film.film.purpose else ""),
            f"  scale            {scale_words(film)}",
        ]
        lines += [f"  said of it       {words}" for words in said_words(film)]
        if film.magnification is not None:
            lines.append(f"  magnification    {film.magnification:.2f} implied by the detector spacing")
        lines += [f"  scales compared  {pair.words}" for pair in film.checks]
        lines += [f"  ! {flag.text}" for flag in film.flags]
        lines += [f"  ! {text}" for text in graph.warnings]
    facts = case_facts(result)
    for canal, trace in canal_rows(result):
        lines += ["", *_canal_lines(canal, trace, facts.of(canal.canal.name))]
    if result.spatial is not None:
        from wlmeasure.share.in_space import space_text

        lines += space_text(result)
    if compared:
        from wlmeasure.share.over_time import over_time_lines

        lines += ["", *(line for one in compared for line in over_time_lines(one))]
    cautions = case_cautions(facts)
    if cautions:
        lines += ["", "Open in the record", *(f"  ! {text}" for text in cautions)]
    lines += ["", f"± is the half-width of the 95 % interval. {ROUNDING}", "Cautions"]
    lines += [f"  - {text}" for text in CAUTIONS]
    if any(canal.electronic is not None for canal in result.canals):
        lines.append(f"  - {PACEMAKER}")
    return "\n".join(lines) + "\n"


def start_words(trace: TraceResult) -> str:
    """Where a length begins that counts from no named and marked reference point."""
    if trace.length is not None and trace.length.gap is not None:
        return "where the file's stop rested, which nobody has named"
    return "the orifice" if trace.trace.reference_px is None else "a marked point that nobody has named"


def first_point_words(trace: TraceResult) -> str:
    """What the trace begins at: the orifice, unless only its end was traced."""
    gap = None if trace.length is None else trace.length.gap
    return "the orifice" if gap is None else "the beginning of the trace"


def method_words(length: LengthEstimate) -> str:
    """How a length was measured, where it is not along the path: known length and gap in figures; else empty."""
    gap = length.gap
    if gap is None:
        return ""
    way = "plus a gap of" if gap.gap_mm >= 0.0 else "less"
    end = "" if gap.gap_mm >= 0.0 else " that its tip lies beyond the end"
    return f"{length.method}: {gap.known_mm:g} mm {way} {abs(gap.gap_mm):.1f} mm{end}"


GAP_REFUSED = ("gap-needs-scale", "gap-not-measured", "correction-too-large", "scale-in-doubt")
"""Remarks on a trace whose file's upper end is out of the picture, so that its known length gives none of the canal."""


def no_length_words(trace: TraceResult) -> str:
    """Why a trace gives no length, or none by the file in it; empty where nothing is wanting."""
    refused = " ".join(flag.text for flag in trace.flags if flag.code in GAP_REFUSED)
    if trace.length is not None:
        return f"no length by the file in it: {refused}" if refused else ""
    if refused:
        return f"no length: {refused}"
    return "no scale: angles only" if trace.film.calibration is None else "no length"


def length_label(trace: TraceResult) -> str:
    """What a length on a film is, in one or two words."""
    if trace.preliminary:
        return "preliminary"
    return "no working length" if trace.lacks_reference else "length"


def from_words(canal: CanalResult) -> str:
    """Where lengths of a canal count from."""
    return canal.canal.reference_point or "a reference point that is not named yet"


def without_film_words(canal: CanalResult) -> str:
    """What there is of a canal that was traced on no film."""
    return "readings alone" if canal.readings or canal.past_readings else "on no film"


def _canal_lines(canal: CanalResult, trace: TraceResult | None, facts: CanalFacts) -> list[str]:
    head = f"Canal {canal.canal.name}"
    if trace is None:
        lines = [f"{head}: {without_film_words(canal)}, from {from_words(canal)}"]
    else:
        start = start_words(trace) if trace.lacks_reference else from_words(canal)
        lines = [
            f"{head} on film {trace.trace.film}: from {start} to the {trace.trace.apical_end}",
            *_trace_lines(trace),
        ]
    remarks = [f"  ! {flag.text}" for flag in canal_flags(canal, trace, facts)]
    if trace is not canal.basis:
        return lines + remarks
    electronic, working, decision = facts.electronic, facts.proposal, facts.decision
    if electronic is not None:
        lines.append(
            f"  electronic       {length_words(electronic.length_mm, electronic.std_mm)}  ({electronic_words(electronic)})"
        )
    if facts.past_readings:
        lines.append(f"  earlier readings {past_reading_words(facts.past_readings)}")
    proposed = "  ".join(
        words for words in (proposal_words(working), proposal_end_words(working), working.status) if words
    )
    if decision is not None:
        reason = f": {decision.note}" if decision.note else ""
        lines.append(f"  WORKING LENGTH   {decision_words(decision)}{reason}")
        for item in _stale_decision(facts):
            why = " ".join(flag.text for flag in item.reasons)
            lines.append(f"  NO LONGER HOLDS  {why} {item.settled_by[:1].upper()}{item.settled_by[1:]}.")
        lines += _stop_lines(canal, facts)
        lines.append(f"  proposed         {proposed}")
    else:
        lines.append(f"  WORKING LENGTH   not decided; proposed {proposed}")
        lines += _stop_lines(canal, facts)
    lines += [f"  to narrow it     {words}" for words in advice_words(canal.advice)]
    if working.ceiling_mm is not None and working.status not in SETTLED:
        lines.append(f"  ceiling          {limit_words(working.ceiling_mm)} until this is settled")
    if facts.treatment is not None:
        from wlmeasure.share.timeline import found_rows  # it says lengths in the words of this module

        found = found_rows(facts.treatment)
        if found:
            told = "; ".join(f"{name[:1].lower()}{name[1:]} {words}" for name, words in found)
            lines.append(f"  treatment        {told}")
    return lines + remarks


def _stop_lines(canal: CanalResult, facts: CanalFacts) -> list[str]:
    words = stop_words(facts) or [f"none: {no_stop_words(canal, facts)}"]
    risk = [f"  risk             {risk_words(facts)}"] if facts.risk is not None else []
    return [*(f"  stop setting     {line}" for line in words), *risk]


def _trace_lines(trace: TraceResult) -> list[str]:
    lines = []
    length, film = trace.length, trace.radiographic
    if length is not None:
        low, high = length.length_interval_mm
        parts = f"; crown piece {length.coronal_mm:.1f} mm, canal {length.canal_mm:.1f} mm" if length.coronal_mm else ""
        lines.append(f"  {length_label(trace):<17}{measured_words(length)}  (95 %: {low:.2f} to {high:.2f} mm{parts})")
        if length.gap is not None:
            lines.append(f"  measured by      {method_words(length)}")
        clicks = "" if trace.film.clicks is None else f" ({trace.film.clicks.words})"
        lines.append(f"  uncertain by     {budget_words(length.budget)}{clicks}")
        lines += [f"  to narrow it     {words}" for words in advice_words(trace.advice)]
    lines.append(f"  curvature        {curvature_words(trace.curvature, trace.angles)}")
    if trace.tip_to_end_mm is not None:
        side = "short of" if trace.tip_to_end_mm >= 0.0 else "beyond"
        spread = f" ± {NORMAL_95 * trace.tip_to_end_std_mm:.1f}" if trace.tip_to_end_std_mm is not None else ""
        lines.append(f"  file tip         {abs(trace.tip_to_end_mm):.1f} mm{spread} {side} the end of the trace")
    if trace.trace.path_px is None:
        lines.append(f"  path             traced now by {trace.path.tracer}; the case stores none")
    if trace.retraced_mm is not None:
        lines.append(f"  traced anew      {trace.retraced_mm:+.3f} mm against the stored path")
    if film is not None:
        allowance = f"{film.method} of {film.allowance_mm:.1f} mm" if film.length_mm is not None else film.method
        lines.append(f"  {film_label(film):<17}{film_words(film)}  ({allowance})")
    return lines
