"""One case carried through every step: file traced, scale, canals, lengths, curvature, readings, working length.

The only place where the rooms of the core meet. It reads the films (checking that they are the ones the case was made
on), and it changes nothing: the same case and films give the same result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import hypot, sqrt

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import CLICK_STD_PX, SEAT_TERM, UNSEATED_MM, UNSEATED_RMS_MM, Calibration
from wlmeasure.decide.anatomy import anatomy_of
from wlmeasure.decide.difficulty import Difficulty, curvature_difficulty
from wlmeasure.decide.electronic import ElectronicLength
from wlmeasure.decide.flags import flag
from wlmeasure.decide.methods import RadiographicLength, corrected_length, radiographic_length
from wlmeasure.decide.reconcile import CHANGED_END, WorkingLength, reconcile
from wlmeasure.decide.remeasure import Advice, advise_length, advise_working_length
from wlmeasure.errors import CaseError, WlmeasureError
from wlmeasure.flags import Flag, catalogue
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.measure.budget import NORMAL_95, Term
from wlmeasure.measure.curvature import FEW_CLICKS, CurvatureEstimate, fit_canal, measure_curvature
from wlmeasure.measure.gap import gap_length
from wlmeasure.measure.length import (
    UNCOVERED_END_REL_STD,
    UNSEEN,
    UNSEEN_REL_STD,
    LengthEstimate,
    measure_length,
    path_noise,
    polyline_mm,
)
from wlmeasure.measure.line_arc import LineArc, Noise
from wlmeasure.points import polyline_feet
from wlmeasure.record.case import (
    FILES,
    Canal,
    Case,
    Clicks,
    Entry,
    Film,
    KnownFile,
    Scale,
    Trace,
    as_proposed,
    path_fingerprint,
)
from wlmeasure.record.films import NO_SCALE, SAME_TIP_PX, FilmResult, clicks_on, evaluate_film, known_std, read_films
from wlmeasure.record.record import LengthRecord, heard, record_of
from wlmeasure.record.scale_check import with_scale_check
from wlmeasure.trace.centreline import (
    GIVEN_STD_PX,
    CanalTrace,
    check_points,
    given_path,
    stored_trace,
    trace_line,
)
from wlmeasure.trace.reference_foot import ReferenceFoot
from wlmeasure.trace.spline import arc_length
from wlmeasure.trade.tooth import Tooth

__all__ = [
    "CanalResult",
    "CaseResult",
    "FilmResult",
    "TraceResult",
    "accept_paths",
    "angles_of_path",
    "curvature_of_path",
    "evaluate",
    "read_films",
]

TYPE_CHECKING = False
if TYPE_CHECKING:  # loaded only for a case that asks for it
    from wlmeasure.record.spatial import SpatialResult

Float64 = NDArray[np.float64]

TYPICAL_CANAL_MM = 13.0  # only where a film has no scale: to size the tracer's filters, and for what is known of bends
# A traced canal stands out 0.5 times the level in a picture of noise, 0.8 to 2.1 times where it is faint and found, 1.7 times
# and more where it is seen well (synthetic films). Below LINE_LOST a stretch stands out no more than noise does.
LINE_LOST, LINE_SEEN = 0.5, 0.7
# Flags 46 of 47 failed traces and 13 % of the good ones on the films that the doubt was fitted to, most of the latter faint.
DOUBTFUL = 0.05
AFTER_SHAPING = ("cone fit", "filling")  # what a film is taken for once the canal has been shaped
SEAT_MM = 0.5  # our parameter: how far apart two places may be that should be one

_FLAGS = catalogue(
    {
        "canal-joins": "This canal joins another one; the shared end belongs to the canal it joins.",
        "films-disagree": "The films give lengths to the apex that differ by more than their uncertainties explain.",
        "line-not-seen": "Nothing like a canal is seen along the trace; check the points.",
        "line-faint": (
            "What is seen along the trace hardly tells it from other ways, and the path may have left the canal; look at it "
            "closely."
        ),
        "proposal-faint": (
            "The network proposed this path by all that it has learnt; the film's own greys along it hardly tell it from other "
            "ways, so look closely whether it is the canal."
        ),
        "click-off-path": "The path passes one of the clicked points at a distance; look at it closely.",
        "trace-reversed": (
            "The trace runs the other way than the file or the reference point says, so no working length is proposed from it; "
            "click the file from stop to tip and the canal from orifice to apex."
        ),
        "reference-points-differ": (
            "The point that the file's stop rested on and the canal's reference point lie apart on the film, so no working "
            "length is proposed from it; mark the same point for both."
        ),
        "scale-in-doubt": (
            "Something is open about the scale of this film, which its remarks name, so no working length is proposed from it."
        ),
        "reference-not-marked": (
            "The coronal reference point is not named, or not marked on the film: the figure is no working length, and gives "
            "no stop."
        ),
        "record-not-followed": "The length record cannot be followed, so no reading and no decision in it counts.",
        "few-points": "The path has too few points to show a bend.",
        "bend-not-sure": "This path does not show how far the canal bends: an angle could be more than 10 degrees off.",
        "tip-beyond-end": "The file's tip lies beyond the end of the traced canal.",
        "stop-off-reference": ("The file's stop is not at the coronal reference point; its length is not the canal's."),
        "tip-off-canal": "The file's tip lies beside the traced canal, so its distance from the end says nothing; check both.",
        "preliminary-length": (
            "The scale of this film was not measured, so the length is preliminary: it is no working length and gives no stop."
        ),
        "radius-rough": (
            "The scale of this film is rough, so radii of the bend and distances along it are too; its angles rest on no scale."
        ),
        "gap-needs-scale": (
            "The file's upper end is out of the picture and the film has no scale, not even a rough one, so the stretch from "
            "its tip to the end gives no length; take the image's own spacing, the file's taper or another known length."
        ),
        "gap-not-measured": (
            "The file's tip does not lie in the traced canal, so the stretch from it to the end is not known and the file's "
            "length gives none of the canal."
        ),
        "apex-at-edge": "The traced canal ends at the edge of the film; the apex may lie outside it.",
        "nothing-seen-in-depth": "One film shows a bend only in its own plane; the true bend is usually sharper.",
    }
)


@frozen(eq=False)
class TraceResult:
    """One canal on one film.

    `tip_to_end_mm` is the distance along the canal from the file's tip to the end of the trace, positive when short.
    `retraced_mm` is how much longer a new tracing of the stored clicks is than the stored path, where that was asked for.
    On a film without a scale `angles` alone is measured. `advice` says what would make the length surer. `start_px` is where
    the length begins: the reference point, or its foot on the shaft of the file whose stop rested on it; None at the orifice,
    and where the length is a known length plus a gap, which begins wherever the stop was.
    """

    trace: Trace
    film: FilmResult
    path: CanalTrace
    angles: LineArc
    length: LengthEstimate | None = None
    curvature: CurvatureEstimate | None = None
    difficulty: Difficulty | None = None
    tip_to_end_mm: float | None = None
    tip_to_end_std_mm: float | None = None
    retraced_mm: float | None = None
    radiographic: RadiographicLength | None = None
    flags: tuple[Flag, ...] = ()
    advice: tuple[Advice, ...] = ()
    start_px: Float64 | None = None

    @property
    def pieces(self) -> list[tuple[Float64, bool]]:
        """The path in pieces (N, 2), pixels, and whether a line is seen along each; neighbours share a point."""
        path, seen = self.path.path_px, self.path.seen_along
        if seen is None:
            return [(path, True)]
        lost = seen < LINE_LOST
        cuts = [0, *(np.flatnonzero(lost[1:] != lost[:-1]) + 1), len(path) - 1]
        return [(path[a : b + 1], not lost[a]) for a, b in pairwise(cuts) if b > a]

    @property
    def lacks_reference(self) -> bool:
        """Whether the length counts from no reference point that is named and marked on this film."""
        return any(flag.code == "reference-not-marked" for flag in self.flags)

    @property
    def preliminary(self) -> bool:
        """Whether the length rests on a scale that gives no working length."""
        return self.film.rough and self.length is not None and self.length.gap is None

    @property
    def lost_mm(self) -> float:
        """Length of the path along which nothing like a canal stands out; 0 on a film without a scale."""
        calibration = self.film.calibration
        if calibration is None:
            return 0.0
        return sum(polyline_mm(points, calibration) for points, seen in self.pieces if not seen)

    @property
    def sharpest_px(self) -> tuple[float, float] | None:
        """Where the canal bends most, (row, col); None where it is straight or no bend is determined."""
        bend, calibration = self.curvature, self.film.calibration
        if calibration is None or bend is None or not bend.determined or bend.form == "I":
            return None
        at = bend.min_radius_at_mm
        if at is None:
            return None
        along = arc_length(calibration.to_mm(self.path.path_px))
        row, col = (float(np.interp(at, along, axis)) for axis in self.path.path_px.T)
        return row, col


@frozen(eq=False)
class CanalResult:
    """One canal: what each film gives, what the readings give, and the working length of both.

    `basis` is the trace whose length entered the working length: the one with the smallest uncertainty. Where no film
    gives a length it is the first trace, and None for a canal with readings alone. `readings` are the entries that `electronic`
    was made from, `past_readings` those from before the canal was shaped or counted from another point, `decision` the entry of
    the length that was decided. `advice` says what would make the working length surer.
    """

    canal: Canal
    traces: tuple[TraceResult, ...]
    basis: TraceResult | None
    readings: tuple[Entry, ...]
    past_readings: tuple[Entry, ...]
    decision: Entry | None
    electronic: ElectronicLength | None
    working_length: WorkingLength
    flags: tuple[Flag, ...]
    advice: tuple[Advice, ...] = ()


@frozen(eq=False)
class CaseResult:
    """Everything measured on one case; `spatial` is what several films say together, None for a case that does not ask."""

    case: Case
    tooth: Tooth
    films: tuple[FilmResult, ...]
    canals: tuple[CanalResult, ...]
    spatial: SpatialResult | None = None


def evaluate(
    case: Case,
    radiographs: Mapping[str, Radiograph] | None = None,
    *,
    retrace: bool = False,
    before: CaseResult | None = None,
    in_space: bool = True,
) -> CaseResult:
    """Measure a case.

    Parameters
    ----------
    case
        The case; it is not changed.
    radiographs
        Its films by id; read from beside the case file when left out.
    retrace
        Also trace the stored clicks anew where a path is stored, and say how far the two differ.
    before
        An earlier result on the same films. What rests on nothing that has changed is taken from it; the figures are the same.
    in_space
        Whether films that say how they were taken are put together; else that is what it was before. For the first of two
        measurements in a row.

    Raises
    ------
    WlmeasureError
        A film that cannot be read or has changed, or a member that cannot be measured; names the member.
    """
    films = read_films(case) if radiographs is None else dict(radiographs)
    tooth = Tooth.from_iso3950(case.tooth)
    film_results = {}
    for k, film in enumerate(case.films):
        if film.id not in films:
            raise CaseError(f"films[{k}] must come with its image: none was given for {film.id!r}")
        known = None if before is None else _same_film(film, films[film.id], clicks_on(case, film), before)
        made = known or evaluate_film(film, films[film.id], f"films[{k}]", clicks_on(case, film))
        film_results[film.id] = with_scale_check(made, case.canals)
    earlier = () if before is None or before.tooth != tooth or retrace else before.canals
    record, fault = record_of(case)
    canals: tuple[CanalResult, ...] = ()
    for k, canal in enumerate(case.canals):
        others = _Others(case.canals, canals, canal)
        made_of = _evaluate_canal(canal, film_results, tooth, record, f"canals[{k}]", retrace, earlier, others)
        canals += (made_of,)
    if fault is not None:
        canals = tuple(evolve(c, flags=(_FLAGS["record-not-followed"], *c.flags)) for c in canals)
    together = None
    if sum(film.angulation is not None for film in case.films) > 1:
        together = None if before is None else before.spatial
        if in_space:
            from wlmeasure.record.spatial import spatial_result  # most cases have no second film of the same moment

            together = spatial_result(tuple(film_results.values()), canals, together)
    if together is not None:
        canals = tuple(_with_space(canal, tooth, record, together) for canal in canals)
    return CaseResult(case, tooth, tuple(film_results.values()), canals, together)


@frozen(eq=False)
class _Others:
    """The canals of a case and what was measured of those before one of them: where its canal does not run."""

    canals: Sequence[Canal]
    measured: Sequence[CanalResult]
    own: Canal

    def paths(self, film: str) -> list[Float64]:
        """Paths on a film of canals that this one does not meet: stored ones, and those traced before it."""
        found = []
        for k, canal in enumerate(self.canals):
            meet = (canal.joins is not None and canal.joins.canal == self.own.name) or (
                self.own.joins is not None and self.own.joins.canal == canal.name
            )
            if canal is self.own or meet:
                continue
            if k < len(self.measured):
                found += [t.path.path_px for t in self.measured[k].traces if t.trace.film == film]
            else:
                found += [np.asarray(t.path_px) for t in canal.traces if t.film == film and t.path_px is not None]
        return found


def _same_film(film: Film, radiograph: Radiograph, clicks: Clicks | None, before: CaseResult) -> FilmResult | None:
    """The earlier result of a film that has not changed, nor its clicks.

    However it is turned, whatever is proposed, accepted paths or not.
    """
    for known in before.films:
        same = (known.radiograph.sha256, known.radiograph.frame) == (radiograph.sha256, radiograph.frame)
        alike = (evolve(a, view=film.view, proposed=film.proposed) for a in (known.film, _with_file_paths(known)))
        if same and known.clicks == clicks and film in alike:
            return evolve(known, film=film)
    return None


def _same_trace(canal: Canal, trace: Trace, film: FilmResult, earlier: Sequence[CanalResult]) -> TraceResult | None:
    """The earlier result of a trace that has not changed, on a film whose scale has not changed."""

    def known_as(one: Canal) -> tuple[object, ...]:
        return one.apex, one.resorption, one.reference_point is None

    alike = [known for known in earlier if known_as(known.canal) == known_as(canal)]
    for made in (made for known in alike for made in known.traces):
        same_scale = made.film.calibration is film.calibration and made.film.col_over_row == film.col_over_row
        same_scale = same_scale and made.film.clicks == film.clicks
        if same_scale and made.film.radiograph == film.radiograph and trace in (made.trace, _with_path(made)):
            return evolve(made, trace=trace, film=film)
    return None


def accept_paths(result: CaseResult) -> Case:
    """The case with every traced path written beside its clicks, so that a better tracer never changes a stored length."""
    canals = [evolve(c.canal, traces=tuple(_with_path(trace) for trace in c.traces)) for c in result.canals]
    films = [_with_file_paths(film) for film in result.films]
    return evolve(result.case, films=tuple(films), canals=tuple(canals))


def _with_path(result: TraceResult) -> Trace:
    trace, path = result.trace, result.path
    if trace.path_px is not None:
        return trace
    stored, doubt = _stored(path), _kept_doubt(path)
    return evolve(
        trace,
        path_px=stored,
        tracer=path.tracer,
        path_std_px=path.centre_std_px,
        path_doubt=doubt,
        doubted_path_sha256=None if doubt is None else path_fingerprint(stored),
    )


def _kept_doubt(path: CanalTrace) -> float | None:
    """Doubt is kept with a path that maps had a part in: without a network it could not be had again."""
    return round(path.doubt, 6) if path.doubt is not None and " with " in path.tracer else None


def _with_file_paths(result: FilmResult) -> Film:
    files = iter(result.file_traces)
    scales: list[Scale] = []
    for scale in result.film.scale:
        if isinstance(scale, FILES):
            trace = next(files)
            if scale.trace_kind == "clicks" and scale.path_px is None:
                scale = evolve(scale, path_px=_stored(trace), tracer=trace.tracer)
        scales.append(scale)
    return evolve(result.film, scale=tuple(scales))


def _stored(trace: CanalTrace) -> tuple[tuple[float, float], ...]:
    return tuple((float(row), float(col)) for row, col in trace.path_px)


def _path_flags(path: CanalTrace, trace: Trace, film: FilmResult) -> list[Flag]:
    """Whether a line was seen where the path runs, whether it passes the clicks, and whether it runs the right way."""
    assert film.calibration is not None
    to_mm = film.calibration.to_mm
    line = to_mm(path.path_px)
    found = []
    doubtful = path.doubt is not None and path.doubt > DOUBTFUL
    if doubtful and path.seen is not None:
        by_hand = "line-not-seen" if path.seen < LINE_SEEN else "line-faint"
        found.append(_FLAGS["proposal-faint" if as_proposed(trace) else by_hand])
    clicks = to_mm(trace.clicks_px or path.path_px[[0, -1]])
    if max(_foot(line, click)[1] for click in clicks) > SEAT_MM:
        found.append(_FLAGS["click-off-path"])
    # The stop and the reference point lie at the crown.
    crown = [trace.reference_px] if trace.reference_px is not None else [t.path_px[0] for t in film.file_traces]
    for point in crown:
        first, last = np.hypot(*(line[[0, -1]] - to_mm(point)).T)
        if last < first:
            found.append(_FLAGS["trace-reversed"])
            break
    return found


def _seat_flags(path: CanalTrace, reference: Float64 | None, tip: Float64 | None, film: FilmResult) -> list[Flag]:
    """Whether the file sits as it should: stop on the reference point, tip in the canal, apex on the film."""
    assert film.calibration is not None
    to_mm = film.calibration.to_mm
    line = to_mm(path.path_px)
    found = []
    if tip is not None:
        if _foot(line, to_mm(tip))[1] > SEAT_MM:
            found.append(_FLAGS["tip-off-canal"])
        start = line[0] if reference is None else to_mm(reference)
        for scale, trace, _ in _in_canal(film, tip):
            if not (isinstance(scale, KnownFile) and scale.gives_scale):
                continue
            rested = trace.path_px[0] if scale.reference_px is None else np.asarray(scale.reference_px)
            if np.hypot(*(to_mm(rested) - start)) > SEAT_MM:
                # A stop that is seen shows how long the file is wherever it is. Two marks for one reference contradict.
                both = scale.reference_px is not None and reference is not None
                found.append(_FLAGS["reference-points-differ" if both else "stop-off-reference"])
    rows, cols = film.radiograph.values.shape
    border = np.minimum(path.path_px[-1] + 0.5, (rows, cols) - path.path_px[-1] - 0.5) * film.calibration.mm_per_px
    if float(border.min()) < SEAT_MM:
        found.append(_FLAGS["apex-at-edge"])
    return found


def _in_canal(film: FilmResult, tip: Float64 | None) -> list[tuple[Scale, CanalTrace, ReferenceFoot | None]]:
    """Those of :attr:`FilmResult.files` whose tip is the one noted in a canal; where canals meet, not the other one's."""
    if tip is None or film.calibration is None:
        return []
    to_mm = film.calibration.to_mm
    apart = [float(np.hypot(*(to_mm(trace.path_px[-1]) - to_mm(tip)))) for _, trace, _ in film.files]
    most = min(SEAT_MM, min(apart, default=0.0) + SAME_TIP_PX * max(film.calibration.mm_per_px))
    return [file for file, far in zip(film.files, apart, strict=True) if far <= most]


def _start(
    path: CanalTrace, reference: Float64 | None, tip: Float64 | None, film: FilmResult
) -> tuple[Float64 | None, bool]:
    """Where the length of a canal begins: at its reference point, or where that is what the stop of the canal's file rested on,
    at its foot on the shaft, where the stop was. The way from a cusp's tip over to the shaft is no part of a working length.

    Returns the point, and whether it is such a foot.
    """
    if reference is None or film.calibration is None:
        return reference, False
    # Who begins the canal at its reference point means one point; the path may begin a pixel beside the click.
    if np.array_equal(reference, path.clicks_px[0]) or np.array_equal(reference, path.path_px[0]):
        return path.path_px[0], False
    to_mm = film.calibration.to_mm
    for scale, _, foot in _in_canal(film, tip):
        if foot is None or not isinstance(scale, KnownFile) or scale.reference_px is None:
            continue
        if np.hypot(*(to_mm(scale.reference_px) - to_mm(reference))) <= SEAT_MM:
            return foot.foot_px, True
    return reference, False


def _seat_flag(length: LengthEstimate) -> Flag:
    return Flag(
        "stop-seat-not-known",
        f"Whether the stop rested on the reference point at exposure is not known: if it had slid up by {UNSEATED_MM[1]:g} mm, "
        f"this length is {length.too_long_mm:.1f} mm too long, towards passing the foramen.",
    )


def _traced_now(
    film: FilmResult, clicks: object, size: tuple[float, float], files: list[Float64], others: list[Float64]
) -> CanalTrace:
    """A canal traced through clicks, with the maps of its film where there are any: only here is a network loaded."""
    from wlmeasure.detect.tracing import tracing_maps  # a stored path asks no network

    maps = tracing_maps(film.radiograph, size)
    return trace_line(
        film.radiograph, clicks, "canal", size, files=files, maps=maps, others=others, click_std_px=film.click_std_px
    )


def _retraced_mm(trace: Trace, stored: LengthEstimate, film: FilmResult, others: list[Float64]) -> float | None:
    """How much longer a new tracing of the stored clicks is than the stored path."""
    if trace.path_px is None or trace.clicks_px is None or film.calibration is None:
        return None
    files = [made.path_px for made in film.file_traces]
    again = _traced_now(film, trace.clicks_px, film.calibration.mm_per_px, files, others)
    return polyline_mm(again.path_px, film.calibration) - (stored.canal_mm or 0.0)


def _trace_canal(trace: Trace, film: FilmResult, others: list[Float64]) -> CanalTrace:
    # A hand draws a line as much worse as it clicks.
    std = GIVEN_STD_PX * film.click_std_px / CLICK_STD_PX if trace.path_std_px is None else trace.path_std_px
    if trace.path_px is not None and trace.tracer is None:
        return given_path(trace.path_px, film.radiograph.values.shape, centre_std_px=std)
    points = trace.clicks_px or (trace.path_px and trace.path_px[:: len(trace.path_px) - 1])
    clicks = check_points(points, film.radiograph.values.shape, name="clicks_px")
    if film.calibration is not None:
        size = film.calibration.mm_per_px
    else:
        chord = hypot(clicks[-1, 0] - clicks[0, 0], (clicks[-1, 1] - clicks[0, 1]) * film.col_over_row)
        rough = TYPICAL_CANAL_MM / max(chord, 1.0)
        size = (rough, rough * film.col_over_row)
    files = [made.path_px for made in film.file_traces]
    if trace.path_px is None or trace.tracer is None:
        return _traced_now(film, clicks, size, files, others)
    return stored_trace(
        film.radiograph, trace.path_px, clicks, "canal", size, tracer=trace.tracer, centre_std_px=std, files=files,
        doubt=trace.kept_doubt,
    )  # fmt: skip


def _evaluate_canal(
    canal: Canal,
    films: Mapping[str, FilmResult],
    tooth: Tooth,
    record: LengthRecord,
    where: str,
    retrace: bool,
    earlier: Sequence[CanalResult],
    others: _Others,
) -> CanalResult:
    readings, past = record.readings(canal.name, canal.reference_point)
    decision = record.decision(canal.name)
    try:
        electronic = heard(readings)
    except WlmeasureError as error:
        raise type(error)(f"electronic readings of canal {canal.name}: {error}") from None
    traces = []
    for k, trace in enumerate(canal.traces):
        try:
            film = films[trace.film]
            known = _same_trace(canal, trace, film, earlier)
            traces.append(known or _measure_trace(canal, trace, film, tooth, retrace, others))
        except WlmeasureError as error:
            raise type(error)(f"{where}.traces[{k}]: {error}") from None
    basis = min(traces, key=_film_std_mm, default=None)
    working = _working_length(canal, traces, basis, electronic, decision, tooth, record)
    flags = []
    if canal.joins is not None:
        flags.append(_FLAGS["canal-joins"])
    if _films_disagree(traces):
        flags.append(_FLAGS["films-disagree"])
    # What is known of the root end holds for readings alone too.
    if canal.apex == "open":
        flags.append(flag("open-apex"))
    if canal.resorption not in (None, "none"):
        flags.append(flag("resorption-bone" if canal.resorption == "bone" else "resorption-root"))
    on_film = None if basis is None or basis.radiographic is None else basis
    advice = advise_working_length(
        working,
        None if on_film is None else on_film.length,
        None if on_film is None else on_film.film.calibration,
        click_std_px=CLICK_STD_PX if on_film is None else on_film.film.click_std_px,
    )
    return CanalResult(
        canal=canal,
        traces=tuple(traces),
        basis=basis,
        readings=readings,
        past_readings=past,
        decision=decision,
        electronic=electronic,
        working_length=working,
        flags=tuple(flags),
        advice=advice,
    )


def _working_length(
    canal: Canal,
    traces: Sequence[TraceResult],
    basis: TraceResult | None,
    electronic: ElectronicLength | None,
    decision: Entry | None,
    tooth: Tooth,
    record: LengthRecord,
    in_space: RadiographicLength | None = None,
) -> WorkingLength:
    """What follows for a canal from its films, readings and record."""
    comparable = decision is not None and decision.reference_point == canal.reference_point
    earlier, shaped = record.before_shaping(canal.name, canal.reference_point)
    return reconcile(
        None if basis is None else basis.radiographic,
        electronic,
        decided_mm=decision.length_mm if decision is not None and comparable else None,
        other_films=[t.radiographic for t in traces if t.radiographic is not None and t is not basis],
        in_space=in_space,
        before_shaping=heard(earlier),
        film_before_shaping=shaped and basis is not None and basis.film.film.purpose not in AFTER_SHAPING,
        anatomy=anatomy_of(
            tooth,
            apex=canal.apex or "closed",
            resorption=canal.resorption or "none",
            changed=_end_changed(canal, record, electronic),
        ),
    )


def _with_space(canal: CanalResult, tooth: Tooth, record: LengthRecord, together: SpatialResult) -> CanalResult:
    """The canal with its length in space among what its working length follows from, where that is surer than each film.

    It counts only from a reference point that is marked on every film it was put together from, and not where something speaks
    against those films.
    """
    found = next((one for one in together.canals if one.name == canal.canal.name), None)
    basis, used = canal.basis, [t for t in canal.traces if t.trace.film in together.films]
    if found is None or together.tooth is None or together.tooth.status != "fitted":
        return canal
    if together.doubted or found.doubted:
        return canal
    if basis is None or basis.radiographic is None or basis.length is None or basis not in used:
        return canal
    marked = all(t.trace.reference_px is not None and t.radiographic is not None for t in used)
    marked = marked and basis.trace.apical_end in ("radiographic apex", "apical foramen", "open apex")
    if not marked or found.length_std_mm >= basis.length.length_std_mm:
        return canal
    in_space = radiographic_length(
        found.length_mm,
        found.length_std_mm,
        apical_end=basis.trace.apical_end,
        resorption=canal.canal.resorption or "none",
        apex=canal.canal.apex or "closed",
        apex_visibility=basis.trace.apex_visibility or "clear",
        end_budget=(Term("length in space", found.length_std_mm),),
    )
    working = _working_length(
        canal.canal, canal.traces, basis, canal.electronic, canal.decision, tooth, record, in_space
    )
    return evolve(canal, working_length=working, advice=advise_working_length(working, None, None))


def _end_changed(canal: Canal, record: LengthRecord, electronic: ElectronicLength | None) -> bool:
    """Whether something other than resorption or an open apex makes the root's end unlike those that were published."""
    noted = () if electronic is None else electronic.conditions
    return record.end_changed(canal.name) or any(condition in CHANGED_END for condition in noted)


def _films_disagree(traces: list[TraceResult]) -> bool:
    """Whether two films give lengths to the same end that differ by more than both uncertainties explain (95 %)."""
    lengths = [(t.trace.apical_end, t.length) for t in traces if t.length is not None]
    return any(
        end == other_end
        and abs(one.length_mm - other.length_mm) > NORMAL_95 * hypot(one.length_std_mm, other.length_std_mm)
        for k, (end, one) in enumerate(lengths)
        for other_end, other in lengths[:k]
    )


def _film_std_mm(result: TraceResult) -> float:
    """What the film that speaks for a canal is chosen by; the first of equals is taken."""
    film = result.radiographic
    return float("inf") if film is None or film.std_mm is None else film.std_mm


def curvature_of_path(
    path: CanalTrace, calibration: Calibration, *, click_std_px: float = CLICK_STD_PX
) -> CurvatureEstimate:
    """The bends of a path on a film with a scale, its points as uncertain as it says and its end clicks as is said here."""
    return measure_curvature(
        _three_points(calibration.to_mm(path.path_px)),
        noise=path_noise(path, calibration),
        end_std_mm=click_std_px * max(calibration.mm_per_px),
        scale_rel_std=calibration.rel_std,
    )


def angles_of_path(path: CanalTrace, col_over_row: float) -> LineArc:
    """The bends of a path on a film without one, in units of its rows; `col_over_row` is a pixel's width over its height.

    What is known of bends beforehand is known in mm: by the length that a canal usually has, and angles need no more.
    """
    points = _three_points(path.path_px * np.array([1.0, col_over_row]))
    nominal = TYPICAL_CANAL_MM / float(arc_length(points)[-1])
    return fit_canal(points * nominal, noise=Noise(path.centre_std_px * nominal)).scaled(1.0 / nominal)


def _measure_trace(
    canal: Canal, trace: Trace, film: FilmResult, tooth: Tooth, retrace: bool, others: _Others
) -> TraceResult:
    path = _trace_canal(trace, film, others.paths(film.film.id))
    calibration = film.calibration
    reference = _point(trace.reference_px, film, "reference_px")
    tip_px = _point(trace.file_tip_px, film, "file_tip_px")
    own = film.file_of(trace.file_tip_px)
    if calibration is None:
        angles = angles_of_path(path, film.col_over_row)
        without_scale = (NO_SCALE,) if own is None else (NO_SCALE, _FLAGS["gap-needs-scale"])
        return TraceResult(trace, film, path, angles, flags=without_scale)
    start, on_foot = _start(path, reference, tip_px, film)
    curvature = curvature_of_path(path, calibration, click_std_px=film.click_std_px)
    flags = _seat_flags(path, reference, tip_px, film)
    tip = None
    if tip_px is not None and _FLAGS["tip-off-canal"] not in flags:
        tip = _foot(calibration.to_mm(path.path_px), calibration.to_mm(tip_px))[0]
        if tip < -SEAT_MM:
            flags.append(_FLAGS["tip-beyond-end"])
    along = measure_length(
        path,
        calibration,
        reference_px=start,
        from_foot=on_foot,
        click_std_px=film.click_std_px,
        unseen_from_mm=trace.unseen_from_mm,
    )
    length: LengthEstimate | None = along
    corrected = None
    if own is not None:
        if tip is None:
            flags.append(_FLAGS["gap-not-measured"])
        else:
            corrected = corrected_length(own.known_length_mm, tip)
        if film.in_doubt:
            corrected = length = None
        elif corrected is not None and corrected.root_end_mm is not None:
            length = _known_plus_gap(own, path, film, tip or 0.0, trace)
        else:
            flags += () if corrected is None else corrected.flags
            corrected = None
            # A trace of the apical part alone is no length of the canal.
            length = None if reference is None else along
    flags += _path_flags(path, trace, film)
    if not curvature.determined:
        flags.append(_FLAGS["few-points" if len(path.path_px) < FEW_CLICKS else "bend-not-sure"])
    flags.append(_FLAGS["nothing-seen-in-depth"])
    # The stop of a file whose upper end is out of the picture rested on the reference point, wherever the film ends.
    by_known_length = corrected is not None or (own is not None and film.in_doubt)
    if canal.reference_point is None or (reference is None and not by_known_length):
        flags.append(_FLAGS["reference-not-marked"])
    if length is not None and length.too_long_mm > 0.0:
        flags.append(_seat_flag(length))
    doubt = None if length is None else tooth.length_doubt(length.length_mm)
    if doubt is not None:
        flags.append(Flag("length-doubtful", f"{doubt[:1].upper()}{doubt[1:].rstrip('.')}."))
    preliminary = film.rough and corrected is None
    if preliminary and length is not None:
        flags.append(_FLAGS["preliminary-length"])
    if film.rough:
        flags.append(_FLAGS["radius-rough"])
    if film.in_doubt:
        flags.append(_FLAGS["scale-in-doubt"])
    without = [
        _FLAGS[code] for code in ("trace-reversed", "reference-not-marked", "reference-points-differ", "scale-in-doubt")
    ]
    radiographic: RadiographicLength | None = None
    if length is not None and not preliminary and not any(flag in flags for flag in without):
        radiographic = radiographic_length(
            length.length_mm,
            length.length_std_mm,
            apical_end=trace.apical_end,
            resorption=canal.resorption or "none",
            apex=canal.apex or "closed",
            apex_visibility=trace.apex_visibility or "clear",
            unseen_mm=0.0 if trace.unseen_from_mm is None else max(0.0, (along.canal_mm or 0.0) - trace.unseen_from_mm),
            unseen_std_per_mm=0.0,  # already a term of the length's budget
            end_budget=length.budget,
            corrected=corrected,
        )
    return TraceResult(
        trace=trace,
        film=film,
        path=path,
        angles=curvature.model,
        start_px=None if corrected is not None else start,
        length=length,
        curvature=curvature,
        difficulty=curvature_difficulty(curvature.largest_deg, s_shaped=curvature.form == "S")
        if curvature.determined
        else None,
        tip_to_end_mm=tip,
        tip_to_end_std_mm=None if tip is None else _tip_std_mm(tip, along, film),
        retraced_mm=_retraced_mm(trace, along, film, others.paths(film.film.id)) if retrace else None,
        radiographic=radiographic,
        flags=tuple(flags),
        advice=() if length is None else advise_length(length, calibration, click_std_px=film.click_std_px),
    )


def _tip_std_mm(tip_mm: float, length: LengthEstimate, film: FilmResult) -> float:
    """Standard uncertainty of the distance of a file's tip from the end; a rough scale is a term of it."""
    assert film.calibration is not None
    scale = film.calibration.rel_std if film.rough else 0.0
    clicks = sqrt(2.0) * film.click_std_px * min(film.calibration.mm_per_px)  # a length from a foot counts one of them
    return hypot(max(length.end_std_mm, clicks), hypot(UNCOVERED_END_REL_STD, scale) * tip_mm)


def _known_plus_gap(own: KnownFile, path: CanalTrace, film: FilmResult, gap_mm: float, trace: Trace) -> LengthEstimate:
    """Length of a canal by the file in it whose upper end is out of the picture."""
    assert film.calibration is not None
    further = [] if own.stop_seated == "yes" else [Term(SEAT_TERM, UNSEATED_RMS_MM, False, "one-sided")]
    if trace.unseen_from_mm is not None:
        unseen = polyline_mm(path.path_px, film.calibration) - trace.unseen_from_mm
        further.append(Term(UNSEEN, UNSEEN_REL_STD * max(0.0, min(unseen, gap_mm))))
    std, on_ruler = known_std(own)
    return gap_length(
        path,
        film.calibration,
        gap_mm,
        known_length_mm=own.known_length_mm,
        known_length_std_mm=std,
        read_to_division=on_ruler,
        click_std_px=film.click_std_px,
        further=further,
    )


def _three_points(points: Float64) -> Float64:
    """The same polyline with at least three points, which the fit of a bend needs: two are a straight canal."""
    return points if len(points) > 2 else np.vstack([points[0], points.mean(axis=0), points[1]])


def _point(point: tuple[float, float] | None, film: FilmResult, name: str) -> Float64 | None:
    if point is None:
        return None
    return np.asarray(check_points([point], film.radiograph.values.shape, name=name, least=1)[0], np.float64)


def _foot(path_mm: Float64, point_mm: Float64) -> tuple[float, float]:
    """Distance along the path from a point's foot to the end, negative beyond it, and the point's distance from the path."""
    foot = polyline_feet(point_mm, path_mm)
    over = max(float(foot.over[0]), 0.0)
    return foot.total - float(foot.along[0]) - over, float(foot.aside[0] if over else foot.apart[0])
