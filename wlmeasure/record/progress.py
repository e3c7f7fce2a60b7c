"""Where the treatment of a canal stands, read from its record: the rules of the trade applied to what was entered.

The rules themselves are in the room ``decide``; here entries are matched to them. Only entries that stand and that count
from the same reference point as the working length are used, and nothing is rescaled to fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import numpy as np
from attrs import evolve, frozen

from wlmeasure.decide._limits import ACCEPTED_MM
from wlmeasure.decide.advice import advice
from wlmeasure.decide.electronic import RULER_STD_MM
from wlmeasure.decide.filling import ConeFit, FillingLength, cone_fit, filling_length
from wlmeasure.decide.methods import RadiographicLength, radiographic_length
from wlmeasure.decide.shaping import (
    ApicalSize,
    Gauge,
    Gauging,
    LengthChange,
    ShapingRules,
    Shortfall,
    apical_size,
    gauging,
    length_change,
    shortfall,
)
from wlmeasure.decide.taper import Strain, bend_strain
from wlmeasure.errors import DecideError
from wlmeasure.flags import Flag, merge
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record.case import Case, Entry
from wlmeasure.record.evaluate import CanalResult
from wlmeasure.record.kinds import KIND_TABLE
from wlmeasure.record.record import LengthRecord, heard, record_of
from wlmeasure.record.stale import Stale, stale_entries
from wlmeasure.trade.instruments import AnyInstrument

__all__ = ["CanalProgress", "CaseProgress", "bend_strains", "canal_progress", "case_progress"]


# What was last found of a kind, at one level, and is worth repeating until it is found otherwise.
OPEN_FINDINGS = {
    ("glide path", "not reproducible"): "glide-path-open",
    ("patency", "not patent"): "not-patent",
    ("block", "not passed"): "block-open",
    ("ledge", "not bypassed"): "ledge-open",
    ("separated fragment", "not bypassed"): "fragment-open",
    ("perforation", None): "perforation-noted",
    ("perforation", "open"): "perforation-noted",
    ("perforation", "closed"): "perforation-noted",
    ("canals joining", "ends in the other"): "joins-other",
}


@frozen
class CanalProgress:
    """What the record says of one canal; a member is None where nothing was entered for it.

    `current` is the entry of the decision that holds; `trial` is what a trial file film taken since it gives; `file`,
    `gauge`, `cone` and `filling_check` are the entries that the verdicts beside them were made from.
    """

    canal: str
    current: Entry | None
    trial: RadiographicLength | None = None
    file: Entry | None = None
    shortfall: Shortfall | None = None
    gauge: Entry | None = None
    gauging: Gauging | None = None
    apical: ApicalSize | None = None
    cone: Entry | None = None
    cone_fit: ConeFit | None = None
    filling_check: Entry | None = None
    filling: FillingLength | None = None
    change: LengthChange | None = None
    own_flags: tuple[Flag, ...] = ()

    @property
    def flags(self) -> tuple[Flag, ...]:
        """Every remark, in the order of the treatment, each once.

        Of a canal whose filling was checked only what was met in it and where the filling ends: the steps before are done.
        """
        if self.filling is not None:
            return merge(self.own_flags, self.filling.flags)
        parts = (self.trial, self.change, self.shortfall, self.gauging, self.apical, self.cone_fit, self.filling)
        return merge(self.own_flags, *(() if part is None else part.flags for part in parts))


@frozen
class CaseProgress:
    """Every canal that the record knows, and the entries that no longer hold.

    `fault` says why a stored record cannot be followed, None where it can.
    """

    canals: tuple[CanalProgress, ...] = ()
    stale: tuple[Stale, ...] = ()
    fault: str | None = None


def case_progress(case: Case) -> CaseProgress:
    """The progress of every canal of a case from its entries; what no longer holds is listed beside it.

    Entries that are out of order, as a file written elsewhere may hold, give a `fault` and nothing else.
    """
    record, fault = record_of(case)
    if fault is not None:
        return CaseProgress(fault=fault)
    points = {canal.name: canal.reference_point for canal in case.canals if canal.reference_point is not None}
    stale = stale_entries(record, reference_points=points)
    gone = {item.entry.id for item in stale}
    canals = []
    for name in (canal.name for canal in case.canals):
        if record.standing(name):
            # the shipped list is there to pick from, and is nobody's own
            canal = canal_progress(record, name, case.instruments if case.instrument_list else ())
            if canal.current is not None and canal.current.id in gone and canal.flags:
                canal = evolve(canal, own_flags=(advice("working-length-open"), *canal.own_flags))
            canals.append(canal)
    return CaseProgress(tuple(canals), stale)


def canal_progress(
    record: LengthRecord,
    canal: str,
    instruments: Sequence[AnyInstrument] = (),
    *,
    rules: ShapingRules | None = None,
) -> CanalProgress:
    """What the standing entries of one canal say by the rules of :mod:`~wlmeasure.decide.shaping` and ``filling``.

    Parameters
    ----------
    record, canal
        The record and the canal's name.
    instruments
        The user's list, for the next larger file.
    rules
        Bounds of the shortfall rule.

    Entries that the rules refuse, as two gauges that contradict each other, give a remark and no verdict.
    """
    current = record.decision(canal)
    rule = ShapingRules() if rules is None else rules
    flags = _findings(record, canal)
    checks = _of_kind(record, canal, "filling check")
    check = checks[-1] if checks else None
    out = CanalProgress(
        canal=canal,
        current=current,
        filling_check=check,
        filling=None if check is None or check.distance_mm is None else filling_length(check.distance_mm),
        change=_change(record, canal),
        trial=_trial(record, canal),
        own_flags=tuple(flags),
    )
    working = None if current is None else current.length_mm
    if current is None or working is None:
        return out
    files = [e for e in _of_kind(record, canal, "shaping file") if _comparable(e, current)]
    gauges = [e for e in _of_kind(record, canal, "apical gauging") if _comparable(e, current)]
    cones = [e for e in _of_kind(record, canal, "cone fit") if _comparable(e, current)]
    short = None
    if files and files[-1].length_mm is not None:
        short = shortfall(working, files[-1].length_mm, std_mm=_std_of_difference(files[-1]), rules=rule)
    done = [e for e in files if e.length_mm is not None and rule.row(working - e.length_mm) <= 1]
    shaped_size = done[-1].size if done else None
    recent = _since(record, files[-1] if files else None, gauges)
    verdict, apical = None, None
    told = -1
    if recent:
        try:
            rows = [_gauge(entry) for entry in recent]
            apical = apical_size(working, rows)
            if apical.confirmed:  # the last one tried stopped short, as it should: the one that sat snug speaks
                told = max(k for k, row in enumerate(rows) if row.size == apical.size)
            verdict = gauging(working, rows[told], instruments, shaped_size=shaped_size)
        except DecideError:
            flags.append(advice("gauge-contradicts"))
    cone = cones[-1] if cones else None
    fit = None
    if cone is not None and cone.length_mm is not None:
        fit = cone_fit(working, cone.length_mm, resists=cone.finding == "resistance")
        if apical is not None and apical.size is not None and cone.size != apical.size:
            flags.append(advice("cone-other-size"))
    return CanalProgress(
        canal=canal,
        current=current,
        trial=out.trial,
        file=files[-1] if files else None,
        shortfall=short,
        gauge=recent[told] if recent else None,
        gauging=verdict,
        apical=apical,
        cone=cone,
        cone_fit=fit,
        filling_check=out.filling_check,
        filling=out.filling,
        change=out.change,
        own_flags=tuple(flags),
    )


def _findings(record: LengthRecord, canal: str) -> list[Flag]:
    """Remarks on what was met in the canal and still stands in the way: the last word on each kind at each level."""
    last = {(e.kind, e.level_mm): e.finding for e in record.in_order(canal)}
    codes = [OPEN_FINDINGS.get((kind, finding)) for (kind, _), finding in last.items()]
    return list(merge(advice(code) for code in codes if code is not None))


def _of_kind(record: LengthRecord, canal: str, kind: str) -> list[Entry]:
    """Standing entries of a kind that hold what the kind needs; a stranger's file may hold others."""
    needs = KIND_TABLE[kind].needs
    return [e for e in record.in_order(canal) if e.kind == kind and all(getattr(e, name) is not None for name in needs)]


def _comparable(entry: Entry, current: Entry) -> bool:
    return None in (entry.reference_point, current.reference_point) or entry.reference_point == current.reference_point


def _std_of_difference(entry: Entry) -> float:
    """Ruler or stated uncertainty of the insertion; a decision is exact as it was decided."""
    return RULER_STD_MM if entry.length_std_mm is None else entry.length_std_mm


def _since(record: LengthRecord, last: Entry | None, entries: list[Entry]) -> list[Entry]:
    places = record.places()
    return [e for e in entries if last is None or places[e.id] > places[last.id]]


def _gauge(entry: Entry) -> Gauge:
    assert entry.size is not None
    finding = entry.finding
    if finding not in KIND_TABLE["apical gauging"].findings:
        raise DecideError(f"finding must be one of the kind's: {finding!r}")
    return Gauge(entry.size, finding, entry.length_mm)  # type: ignore[arg-type]  # one of the four words, checked above


def _trial(record: LengthRecord, canal: str) -> RadiographicLength | None:
    """What the last trial file film gives, where no length was decided since (T1.4 to T1.6 of the named methods).

    The end allowance is that of a root end without resorption; what is known of the canal enters through its trace.
    """
    films = _of_kind(record, canal, "trial file film")
    current, places = record.decision(canal), record.places()
    if not films or (current is not None and places[current.id] > places[films[-1].id]):
        return None
    film = films[-1]
    assert film.length_mm is not None
    try:
        return radiographic_length(
            film.length_mm,
            RULER_STD_MM if film.length_std_mm is None else film.length_std_mm,
            apical_end="file tip",
            tip_to_apex_mm=film.distance_mm,
            tip_to_apex_std_mm=film.distance_std_mm,
        )
    except DecideError:  # an end outside 1 to 60 mm, or before the allowance
        return None


def _change(record: LengthRecord, canal: str) -> LengthChange | None:
    """The decided length against the readings since, else against the decision before it.

    Only lengths from one reference point are compared; a decision that was superseded was one all the same.
    """
    current = record.decision(canal)
    if current is None or current.length_mm is None:
        return None
    places = record.places()
    readings, _ = record.readings(canal, current.reference_point)
    since = heard([entry for entry in readings if places[entry.id] > places[current.id]])
    if since is not None and since.length_mm is not None and since.length_mm >= ACCEPTED_MM[0]:
        return length_change(current.length_mm, since.length_mm)
    before = [
        e.length_mm
        for e in record.present
        if places[e.id] < places[current.id]
        and e.kind == current.kind
        and e.canal == canal
        and _comparable(e, current)
        and e.length_mm is not None
    ]
    return length_change(before[-1], current.length_mm) if before else None


def bend_strains(
    canal: CanalResult, instruments: Sequence[AnyInstrument], working_length_mm: float | None
) -> tuple[tuple[AnyInstrument, Strain], ...]:
    """Strain of each instrument where the canal strains it most, with its tip at working length.

    d |kappa| / 2 along the part of the canal that the instrument's working part lies in, from the measured profile of
    curvature and its uncertainty; the place is the one whose lower bound (95 %) is the largest. It is the bend seen on the
    film that speaks for the canal, in its plane only. Empty where no bend, no scale or no working length is known.
    """
    trace = canal.basis
    if trace is None or trace.length is None or trace.curvature is None or working_length_mm is None:
        return ()
    bend, length = trace.curvature, trace.length
    if not bend.determined or bend.form == "I":
        return ()
    from_tip = length.on_trace_mm(working_length_mm) - bend.profile.at_mm
    curvature, half = np.abs(bend.profile.per_mm), NORMAL_95 * bend.profile.std_per_mm
    strains = []
    for one in instruments:
        inside = np.flatnonzero((from_tip >= 0.0) & (from_tip <= one.working_part_mm))
        if inside.size == 0:
            continue
        thick = np.array([one.diameter_mm(float(n)) for n in from_tip[inside]])
        k = int(inside[np.argmax(thick * (curvature - half)[inside])])
        low, high = float(curvature[k] - half[k]), float(curvature[k] + half[k])
        strain = bend_strain(
            one,
            float(from_tip[k]),
            1.0 / float(curvature[k]) if low > 0.0 else None,
            radius_interval_mm=(1.0 / high if high > 0.0 else inf, 1.0 / low if low > 0.0 else inf),
        )
        if strain is not None:
            strains.append((one, strain))
    return tuple(strains)
