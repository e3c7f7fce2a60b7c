"""Curvature of a canal, each published definition a function that names its author and year.

All of them take the canal from the orifice to its apical end; the crown piece is no part of it. Those that speak of straight
parts and an arc take the fitted model (:class:`~wlmeasure.measure.line_arc.LineArc`); those that speak of points take the
path. The definitions give different numbers for one canal and are not interchangeable.

Sources. Schneider 1971, Weine, Pruett 1997, Luiten 1995 and Backman 1992: the constructions are from memory, their
originals could not be read. Estrela 2008, Gunday 2005 and Gialain 2021: abstracts read.
"""

from __future__ import annotations

from functools import lru_cache
from math import atan2, cos, degrees, hypot, isfinite, pi, sin, sqrt
from typing import Literal

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import MeasureError
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.line_arc import LEAST_BEND_DEG, LineArc, Noise, fit_line_arc
from wlmeasure.points import as_points
from wlmeasure.trace.spline import arc_length, resample, smooth_line

__all__ = [
    "CanalAccess",
    "CurvatureEstimate",
    "CurvatureProfile",
    "Form",
    "backman_deg_per_mm",
    "bend_curvature",
    "canal_access",
    "canal_form",
    "circumradius_mm",
    "curvature_profile",
    "estrela_radius_mm",
    "fit_canal",
    "long_axis_deg",
    "luiten_deg",
    "measure_curvature",
    "pruett_deg",
    "pruett_radius_interval_mm",
    "schneider_deg",
    "summed_turning_deg",
    "sure_deg",
    "total_turning_deg",
    "weine_deg",
]

Float64 = NDArray[np.float64]
Form = Literal["I", "J", "C", "S"]

STRAIGHT_DEG = LEAST_BEND_DEG
WHOLE_LENGTH_SHARE = (
    0.25  # our parameter: a curve that begins in the first quarter of the canal runs its whole length (C)
)
LUITEN_CORONAL_MM = (
    2.0  # 2 mm below the orifice and 1 mm short of the foramen (a teaching text, which elsewhere says 2 mm
)
LUITEN_APICAL_MM = 1.0  # at both ends): both are parameters
ESTRELA_CHORD_MM = 6.0  # from memory
PROFILE_WINDOW_MM = 2.0  # our parameter: curvature at a point is the slope of the heading over this stretch
DETERMINED_RATIO = 2.0  # our parameter: a radius whose 95 % interval spans more than this factor is "not determined"
# Our parameter: a half circle's ends lie 0.64 of its length apart; where they come so near, the path is none of a canal.
LEAST_APART = 0.1
# Our parameter: an angle with a larger standard uncertainty is not determined; 95 of 100 would lie within 20 degrees.
UNSURE_DEG = 5.0
KEPT = 256  # lines measured last: those of the cases that are worked on
FEW_CLICKS = 6  # fewer points than this do not show where a bend begins or how sharp it is
FEW_CLICKS_REL_STD = (
    0.5  # our parameter: the turn between the first and the last chord is then off by up to itself (95 %)
)


def schneider_deg(model: LineArc, bend: int = 0) -> float:
    """Angle between the coronal axis and the line from the departure point to the canal's end (Schneider 1971).

    The departure point is where the fitted arc begins. For an S-shaped canal `bend` 1 applies the construction to the second
    bend from the inflection (Cunningham & Senia 1992), and the first bend ends at the inflection.

    Returns
    -------
    float
        Degrees, 0 for a straight canal. For an arc of angle a that reaches the end it is a / 2 exactly.
    """
    if not model.arcs:
        return 0.0
    begin, end = _bend_ends(model, bend)
    heading = model.heading(begin)
    first, last = model.point(begin)[0], model.point(end)[0]
    return _angle_deg(last - first, heading)


def weine_deg(model: LineArc, bend: int = 0) -> float:
    """Angle between the axes of the coronal and the apical part of the bend (Weine, Endodontic Therapy): tangents.

    Variants that draw chords lie between this and Schneider's angle.
    """
    return abs(degrees(model.bend_turn_rad(model.bends[bend]))) if model.arcs else 0.0


def long_axis_deg(model: LineArc) -> float:
    """Angle between the long axes of the canal's coronal and apical ends (long axis method; named in Gunday 2005).

    For an S-shaped canal the two bends cancel in part: compare `total_turning_deg`.
    """
    return abs(degrees(float(model.turns_rad.sum())))


def pruett_deg(model: LineArc, bend: int = 0) -> float:
    """Central angle of the arc between the straight parts (Pruett, Clement & Carnes, J Endod 1997;23:77-85)."""
    return weine_deg(model, bend)


def pruett_radius_interval_mm(model: LineArc, bend: int = 0) -> tuple[float, float]:
    """95 % interval of the radius of the arc between the straight parts (Pruett, Clement & Carnes 1997).

    The interval is symmetrical in curvature, in which the fit is nearly linear, and so unsymmetrical in the radius; its upper
    end is infinite when no curvature at all is within the interval.

    Raises
    ------
    MeasureError
        For a straight canal, which has no radius.
    """
    if not model.arcs:
        raise MeasureError("model must hold a bend: a straight canal has no radius")
    curvature, std = abs(float(model.curvatures_per_mm[bend])), float(model.curvature_stds_per_mm[bend])
    low, high = curvature - NORMAL_95 * std, curvature + NORMAL_95 * std
    return (1.0 / high, 1.0 / low if low > 0.0 else float("inf"))


def luiten_deg(
    path_mm: object, *, coronal_mm: float = LUITEN_CORONAL_MM, apical_mm: float = LUITEN_APICAL_MM
) -> float | None:
    """Angle between the first `coronal_mm` and the last `apical_mm` of the canal (Luiten et al., J Endod 1995;21:26-32).

    Returns
    -------
    float or None
        Degrees; None when the canal is shorter than both together.
    """
    path = _path(path_mm)
    along = arc_length(path)
    if along[-1] < coronal_mm + apical_mm:
        return None
    second, third = _at(path, along, coronal_mm), _at(path, along, float(along[-1]) - apical_mm)
    first = second - path[0]
    return _angle_deg(path[-1] - third, atan2(float(first[1]), float(first[0])))


@frozen
class CanalAccess:
    """Canal access angle with the height and distance of the curve (Gunday, Sazak & Garip, J Endod 2005).

    Attributes
    ----------
    angle_deg
        At the orifice, between the coronal axis and the line from orifice to foramen.
    height_mm
        Perpendicular from the departure point to that line (x).
    distance_mm
        From the orifice to the foot of that perpendicular (y).
    """

    angle_deg: float
    height_mm: float
    distance_mm: float


def canal_access(model: LineArc) -> CanalAccess:
    """Canal access angle, curvature height and curvature distance (Gunday, Sazak & Garip 2005)."""
    chord = model.point(model.length_mm)[0] - model.start
    length = float(np.hypot(*chord))
    unit = chord / length
    departure = (model.point(_bend_ends(model, 0)[0])[0] if model.arcs else model.start) - model.start
    return CanalAccess(
        _angle_deg(chord, model.heading_rad),
        abs(float(departure[0] * unit[1] - departure[1] * unit[0])),
        float(departure @ unit),
    )


def circumradius_mm(first: object, second: object, third: object) -> float:
    """Radius of the circle through three points, in their unit: abc / (4 area); infinite when they lie on one line."""
    a, b, c = (np.asarray(point, np.float64) for point in (first, second, third))
    double_area = abs(float((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0]))
    sides = float(np.hypot(*(b - a)) * np.hypot(*(c - b)) * np.hypot(*(a - c)))
    return sides / (2.0 * double_area) if double_area > 0.0 else float("inf")


def estrela_radius_mm(
    path_mm: object, *, point_std_mm: float, chord_mm: float = ESTRELA_CHORD_MM
) -> tuple[float | None, tuple[float, float]] | None:
    """Radius from the circumcentre of three points on two chords (Estrela et al., Braz Dent J 2008;19:114-118).

    The points are the canal's end and those `chord_mm` and twice `chord_mm` back along chords.

    Parameters
    ----------
    path_mm : (N, 2)
        The canal.
    point_std_mm
        Standard uncertainty of each point across the canal.
    chord_mm
        Length of one chord.

    Returns
    -------
    (radius or None, (low, high)) or None
        The 95 % interval stands beside the radius, which is None where the three points do not determine it; None alone when
        the canal is shorter than two chords.
    """
    path = _path(path_mm)
    points, end = [path[-1]], len(path)
    for _ in range(2):
        far = np.hypot(*(path[:end] - points[-1]).T)
        beyond = np.flatnonzero(far >= chord_mm)
        if not beyond.size:
            return None
        k = int(beyond[-1])
        # Where points lie far apart, both chords may end on one piece of the path.
        after, beside = (path[k + 1], far[k + 1]) if k + 1 < end else (points[-1], 0.0)
        points.append(path[k] + (far[k] - chord_mm) / max(far[k] - beside, 1e-12) * (after - path[k]))
        end = k + 1
    third, second, first = points
    half = 0.5 * float(np.hypot(*(third - first)))
    middle = second - 0.5 * (first + third)
    rise = float(np.hypot(*middle))
    std = float(np.sqrt(1.5)) * point_std_mm  # of the middle point against the mean of the outer two
    low, high = max(rise - NORMAL_95 * std, 0.0), rise + NORMAL_95 * std

    def radius(height: float) -> float:
        return half * half / (2.0 * height) + 0.5 * height if height > 0.0 else float("inf")

    interval = (radius(high), radius(low))
    return (circumradius_mm(*points) if interval[1] <= DETERMINED_RATIO * interval[0] else None), interval


def backman_deg_per_mm(model: LineArc, bend: int = 0) -> float:
    """Radius quotient: angle of the curve over its radius (Backman, Oswald & Pitts, J Endod 1992;18:19-24; from memory)."""
    return pruett_deg(model, bend) * abs(float(model.curvatures_per_mm[model.bends[bend][0]])) if model.arcs else 0.0


def total_turning_deg(model: LineArc) -> float:
    """Sum of the sizes of the turns of all bends of the fitted model, whatever their direction."""
    return float(sum(abs(degrees(model.bend_turn_rad(bend))) for bend in model.bends))


def summed_turning_deg(path_mm: object, *, step_mm: float = 1.0) -> float:
    """Sum of the turns at points every `step_mm` (the point method of Gialain et al., abstract of 2021).

    It also adds up the turns that noise makes, and misses half a step of the curve at each end.
    """
    path = _path(path_mm)
    count = max(3, int(arc_length(path)[-1] / step_mm) + 1)
    steps = np.diff(resample(path, count), axis=0)
    return float(np.degrees(np.abs(_turns(steps)).sum()))


@frozen(eq=False)
class CurvatureProfile:
    """Curvature along the canal.

    Attributes
    ----------
    at_mm : (N,) float64
        Distance from the orifice along the canal.
    per_mm : (N,) float64
        Signed curvature; positive turns from row towards column.
    std_per_mm : (N,) float64
        Standard uncertainty of each value; larger near the ends, which are clicks.
    window_mm
        Length over which each value is taken: sharper bends than this are rounded off.
    """

    at_mm: Float64
    per_mm: Float64
    std_per_mm: Float64
    window_mm: float

    @property
    def sharpest(self) -> int:
        """Index of the curvature whose lower bound (95 %) is the largest."""
        return int(np.argmax(np.abs(self.per_mm) - NORMAL_95 * self.std_per_mm))


def curvature_profile(
    path_mm: object,
    *,
    noise: Noise | None = None,
    end_std_mm: float = 0.0,
    window_mm: float = PROFILE_WINDOW_MM,
    step_mm: float = 0.1,
) -> CurvatureProfile:
    """Curvature kappa(s) as the slope of the least-squares line through the heading on each stretch of the path.

    Parameters
    ----------
    path_mm : (N, 2)
        The canal, coronal to apical.
    noise
        Uncertainty of the path across its direction.
    end_std_mm
        Standard uncertainty of each end across the canal, where it is a click that the path has to reach.
    window_mm
        Length of the stretch; at the ends it is one-sided.
    step_mm
        Distance between values.
    """
    noise = noise or Noise()
    path = _path(path_mm)
    total = float(arc_length(path)[-1])
    count = max(9, round(total / step_mm) + 1)
    if len(path) * 0.4 < total:  # clicks, not a dense path: a smooth line through them, else every corner is a bend
        path = smooth_line(path, max(1, min(len(path) // 3, 12)), 4 * count)
    line = resample(path, count)
    spacing = total / (count - 1)
    half = max(2, min(round(0.5 * window_mm / spacing), (count - 2) // 2))
    heading = np.unwrap(np.arctan2(*np.diff(line, axis=0).T[::-1]))
    # The slope of the least-squares line averages kappa with weights that are never negative, so that the sharpest bend is
    # rounded off and never overstated. Near an end the stretch stops moving.
    slope = _slope_weights(2 * half + 1, spacing)
    middle = np.convolve(heading, slope[::-1], mode="valid")
    values = np.concatenate([np.full(half, middle[0]), middle, np.full(half, middle[-1])])
    at = np.asarray((np.arange(count - 1) + 0.5) * spacing, np.float64)
    # One value weighs the positions by the differences of the slope's weights. Errors that go together over a stretch (a
    # Gaussian correlation with that integral length) turn a path less than independent ones.
    weights = np.diff(np.concatenate([[0.0], slope, [0.0]])) / spacing
    reach = max(noise.correlation_mm / sqrt(2.0 * pi), 1e-9)
    apart = np.arange(len(weights))[:, None] - np.arange(len(weights))[None]
    variance = float(weights @ np.exp(-0.5 * (apart * spacing / reach) ** 2) @ weights)
    inner = noise.std_mm * sqrt(max(variance, 0.0))  # over a short path it is 0 up to rounding
    # A path that has to reach a click off its axis turns by 1.5 times the error over the stretch in which it gets there (the
    # end slope of a clamped cubic), and the slope of the heading spreads that turn over its own length.
    window = 2.0 * half * spacing
    give = max(noise.correlation_mm, 0.5 * window)
    near_end = np.minimum(at, total - at) < give
    std = np.hypot(inner, np.where(near_end, 1.5 * end_std_mm / (give * window), 0.0))
    return CurvatureProfile(at, values, std, window)


def _slope_weights(size: int, spacing: float) -> Float64:
    """Weights that give the slope of the least-squares line through `size` equally spaced values."""
    steps = (np.arange(size) - 0.5 * (size - 1)) * spacing
    return np.asarray(steps / (steps @ steps), np.float64)


def fit_canal(path_mm: object, *, noise: Noise | None = None) -> LineArc:
    """The most probable line-arc model of a path: straight, one bend, or several, see :mod:`wlmeasure.measure.bent`.

    Parameters
    ----------
    path_mm : (N, 2)
        (row, col) in mm, orifice to apical end.
    noise
        Uncertainty of the points across the canal.

    Raises
    ------
    MeasureError
        Fewer than three points, points that are not distinct finite numbers, or a path that comes back to where it begins.
    """
    return _fitted(_canal_path(path_mm), noise or Noise())[0]


def _canal_path(path_mm: object) -> Float64:
    points = _path(path_mm)
    chord_mm, path_length_mm = float(np.hypot(*(points[-1] - points[0]))), float(arc_length(points)[-1])
    if chord_mm < LEAST_APART * path_length_mm:
        raise _comes_back(chord_mm, path_length_mm)
    return points


def _fitted(points: Float64, noise: Noise) -> tuple[LineArc, dict[str, float] | None]:
    """The model of a path and, where it has points enough to show a bend, its figures."""
    from wlmeasure.measure.many import measure_one  # which has the definitions from here

    chord_mm, path_length_mm = float(np.hypot(*(points[-1] - points[0]))), float(arc_length(points)[-1])
    if len(points) < FEW_CLICKS:
        # Too few to fit a bend to: a smooth line is laid through them, which is as uncertain as they are.
        spacing = path_length_mm / (len(points) - 1)
        points = smooth_line(points, 1, 40)
        noise = Noise(noise.std_mm, max(noise.correlation_mm, spacing))
        models = [fit_line_arc(points, arcs, noise=noise) for arcs in (0, 1)]
        figures = None
        bent = canal_form(models[1]) != "I" and models[1].misfit_mm < models[0].misfit_mm
        models = models[::-1] if bent else models
    else:
        figures, _, closer = measure_one(points, noise)
        if closer is not None and _spans(closer.model) > LEAST_APART * chord_mm:
            return closer.model, figures
        models = [fit_line_arc(points, arcs, noise=noise) for arcs in (1, 0)]
        if closer is None and abs(figures["misfit_mm"] - models[1].misfit_mm) < abs(
            figures["misfit_mm"] - models[0].misfit_mm
        ):
            models = models[::-1]
    # Of a path that turns back a model may run backwards, or end where it begins.
    for model in models:
        if _spans(model) > LEAST_APART * chord_mm:
            return model, figures
    raise _comes_back(chord_mm, path_length_mm)


def _spans(model: LineArc) -> float:
    """How far apart a model's ends are; nothing where it runs backwards."""
    return float(np.hypot(*(model.point(model.length_mm)[0] - model.start))) if model.length_mm > 0.0 else 0.0


def _comes_back(chord_mm: float, length_mm: float) -> MeasureError:
    return MeasureError(
        f"path_mm must not end where it begins or run back on itself: it is {length_mm:.3g} mm long and its ends lie "
        f"{chord_mm:.3g} mm apart; check the order of the points"
    )


@frozen(eq=False)
class CurvatureEstimate:
    """Curvature of one canal on one film by every definition, with what it rests on.

    Angles in degrees, lengths in mm; ``*_std_*`` is one standard uncertainty. They are averages over the models of a bent
    line (`bent`); `model` is the most probable of them. For an S-shaped canal the angles without ``secondary`` are those of the
    first bend. An angle is None where it is not determined (`sure_deg`), and so is a radius, whose interval stands beside it.
    `schneider_budget` names the parts of Schneider's standard uncertainty, degrees; no angle depends on the scale. With
    `determined` False the points do not show a bend.
    """

    form: Form
    determined: bool
    model: LineArc
    profile: CurvatureProfile
    schneider_deg: float | None
    schneider_std_deg: float
    schneider_secondary_deg: float | None
    schneider_secondary_std_deg: float | None
    weine_deg: float | None
    weine_std_deg: float
    weine_secondary_deg: float | None
    long_axis_deg: float | None
    pruett_deg: float | None
    pruett_radius_mm: float | None
    pruett_radius_interval_mm: tuple[float, float] | None
    pruett_radius_secondary_mm: float | None
    pruett_radius_secondary_interval_mm: tuple[float, float] | None
    luiten_deg: float | None
    canal_access: CanalAccess
    canal_access_std_deg: float
    estrela_radius_mm: float | None
    estrela_radius_interval_mm: tuple[float, float] | None
    backman_deg_per_mm: float | None
    total_turning_deg: float | None
    total_turning_std_deg: float
    min_radius_mm: float | None
    min_radius_interval_mm: tuple[float, float] | None
    min_radius_at_mm: float | None
    misfit_mm: float
    parameters: tuple[tuple[str, float], ...]
    schneider_budget: tuple[tuple[str, float], ...] = ()

    @property
    def largest_deg(self) -> float:
        """The larger of the Schneider angles of the bends: what the difficulty of the canal is judged by."""
        return max(self.schneider_deg or 0.0, self.schneider_secondary_deg or 0.0)


def measure_curvature(
    path_mm: object,
    *,
    noise: Noise | None = None,
    end_std_mm: float = 0.0,
    scale_rel_std: float = 0.0,
    determined_ratio: float = DETERMINED_RATIO,
) -> CurvatureEstimate:
    """Measure a canal by every definition.

    Parameters
    ----------
    path_mm : (N, 2)
        (row, col) in mm, orifice to apical end, without the crown piece.
    noise
        Uncertainty of the points across the canal.
    end_std_mm
        Standard uncertainty of the apical end across the canal: a click, which no fit averages away. It turns the line
        that Schneider's angle is measured to.
    scale_rel_std
        Relative standard uncertainty of the scale, which every radius shares; angles do not depend on it.
    determined_ratio
        Largest ratio of the ends of a radius' 95 % interval at which the radius itself is given.

    Raises
    ------
    MeasureError
        As `fit_canal`.
    """
    path = np.ascontiguousarray(_canal_path(path_mm))
    return _measured(path.tobytes(), noise or Noise(), end_std_mm, scale_rel_std, determined_ratio)


@lru_cache(KEPT)
def _measured(
    points: bytes, noise: Noise, end_std_mm: float, scale_rel_std: float, determined_ratio: float
) -> CurvatureEstimate:
    """`measure_curvature` of points that are sound. A case is measured anew with every entry, an undo and a report, but its
    lines are seldom new, and a dense one takes a quarter of a second.
    """
    path: Float64 = np.frombuffer(points).reshape(-1, 2)
    model, figures = _fitted(path, evolve(noise, end_std_mm=end_std_mm))
    profile = curvature_profile(path, noise=noise, end_std_mm=end_std_mm)
    bent = canal_form(model) != "I"
    double = canal_form(model) == "S"
    radius, interval = _radius(model, 0, determined_ratio, scale_rel_std) if bent else (None, None)
    second_radius, second_interval = _radius(model, 1, determined_ratio, scale_rel_std) if double else (None, None)
    estrela = estrela_radius_mm(path, point_std_mm=max(noise.std_mm, 1e-9)) if bent else None
    smallest, smallest_interval, where = _smallest_radius(profile, determined_ratio, scale_rel_std)
    hidden = 0.0
    if figures is None:
        hidden = FEW_CLICKS_REL_STD * float(np.degrees(np.abs(_turns(np.diff(path, axis=0))).sum()))
        radius = interval = smallest = smallest_interval = where = None
        figures = _of_few(model, double)
    by_path = max(figures["schneider_std_deg"], 0.0 if bent else _straight_std_deg(path, noise))
    schneider_budget = (
        ("path", by_path),
        ("end click", _turn_by_end_deg(model, end_std_mm)),
        *((("too few points", hidden),) if hidden > 0.0 else ()),
    )
    schneider_std = hypot(*(std for _, std in schneider_budget))
    weine_std, turning_std = (hypot(figures[f"{name}_std_deg"], 2.0 * hidden) for name in ("weine", "turning"))
    schneider, weine = sure_deg(figures["schneider_deg"], schneider_std), sure_deg(figures["weine_deg"], weine_std)
    access = canal_access(model)
    return CurvatureEstimate(
        form=canal_form(model),
        determined=len(path) >= FEW_CLICKS and schneider is not None,
        model=model,
        profile=profile,
        schneider_deg=schneider,
        schneider_std_deg=schneider_std,
        schneider_secondary_deg=sure_deg(figures["schneider_secondary_deg"], schneider_std),
        schneider_secondary_std_deg=_finite(figures["schneider_secondary_std_deg"]),
        weine_deg=weine,
        weine_std_deg=weine_std,
        weine_secondary_deg=sure_deg(figures["weine_secondary_deg"], weine_std),
        long_axis_deg=sure_deg(figures["long_axis_deg"], turning_std),
        pruett_deg=weine,
        pruett_radius_mm=radius,
        pruett_radius_interval_mm=interval,
        pruett_radius_secondary_mm=second_radius,
        pruett_radius_secondary_interval_mm=second_interval,
        luiten_deg=luiten_deg(path),
        canal_access=CanalAccess(
            figures["canal_access_deg"], access.height_mm if bent else 0.0, access.distance_mm if bent else 0.0
        ),
        canal_access_std_deg=model.std_of(lambda m: canal_access(m).angle_deg),
        estrela_radius_mm=estrela[0] if estrela else None,
        estrela_radius_interval_mm=estrela[1] if estrela else None,
        backman_deg_per_mm=weine / radius if radius is not None and weine is not None else None,
        total_turning_deg=sure_deg(figures["turning_deg"], turning_std),
        total_turning_std_deg=turning_std,
        min_radius_mm=smallest,
        min_radius_interval_mm=smallest_interval,
        min_radius_at_mm=where,
        misfit_mm=model.misfit_mm,
        parameters=(
            ("straight_deg", STRAIGHT_DEG),
            ("unsure_deg", UNSURE_DEG),
            ("determined_ratio", determined_ratio),
            ("luiten_coronal_mm", LUITEN_CORONAL_MM),
            ("luiten_apical_mm", LUITEN_APICAL_MM),
            ("profile_window_mm", profile.window_mm),
        ),
        schneider_budget=schneider_budget,
    )


def sure_deg(angle_deg: float, std_deg: float) -> float | None:
    """An angle that is determined, else None: one whose standard uncertainty is above `UNSURE_DEG` is not."""
    return angle_deg if std_deg <= UNSURE_DEG and isfinite(angle_deg) else None


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None


def _of_few(model: LineArc, double: bool) -> dict[str, float]:
    """Figures of a path with too few points for a bend: those of the model."""
    nothing = float("nan")
    return {
        "schneider_deg": schneider_deg(model),
        "schneider_std_deg": model.std_of(schneider_deg),
        "schneider_secondary_deg": schneider_deg(model, 1) if double else nothing,
        "schneider_secondary_std_deg": nothing,
        "weine_deg": weine_deg(model),
        "weine_std_deg": model.std_of(weine_deg),
        "weine_secondary_deg": weine_deg(model, 1) if double else nothing,
        "long_axis_deg": long_axis_deg(model),
        "turning_deg": total_turning_deg(model),
        "turning_std_deg": model.std_of(total_turning_deg),
        "canal_access_deg": canal_access(model).angle_deg,
    }


def _radius(model: LineArc, bend: int, ratio: float, scale_rel_std: float) -> tuple[float | None, tuple[float, float]]:
    """Radius and interval of a bend."""
    curvature, std = bend_curvature(model, bend)
    half = NORMAL_95 * std
    interval = (1.0 / (curvature + half), 1.0 / (curvature - half) if curvature > half else float("inf"))
    low, high = _with_scale(curvature, interval, scale_rel_std)
    return (1.0 / curvature if high <= ratio * low else None), (low, high)


def bend_curvature(model: LineArc, bend: int) -> tuple[float, float]:
    """Size of the curvature of a bend, 1/mm, and its standard uncertainty.

    Of a bend of several arcs, or a spiral, it is the turn over the length, and what its curvatures differ by (as values
    that are spread evenly) is part of the uncertainty: a bend too uneven for a circle has no radius that is determined.
    """
    first, last = model.bends[bend]
    if first == last:
        return abs(float(model.curvatures_per_mm[first])), float(model.curvature_stds_per_mm[first])
    sizes = np.abs(model.curvatures_per_mm[first : last + 1])

    def mean(one: LineArc) -> float:
        length = float(one.breaks_mm[2 * last + 1] - one.breaks_mm[2 * first])
        return abs(one.bend_turn_rad((first, last))) / max(length, 1e-6)

    return mean(model), hypot(model.std_of(mean), float(np.ptp(sizes)) / sqrt(12.0))


def _with_scale(curvature: float, radius_mm: tuple[float, float], scale_rel_std: float) -> tuple[float, float]:
    """The 95 % interval of a radius widened by the scale, whose errors are independent of the path's: in quadrature, as
    curvature, in which the interval is symmetrical.
    """
    share = NORMAL_95 * scale_rel_std * curvature
    high = curvature + hypot(1.0 / radius_mm[0] - curvature, share)
    low = curvature - hypot(curvature - 1.0 / radius_mm[1], share)
    return 1.0 / high, 1.0 / low if low > 0.0 and isfinite(radius_mm[1]) else float("inf")


def _smallest_radius(
    profile: CurvatureProfile, ratio: float, scale_rel_std: float
) -> tuple[float | None, tuple[float, float] | None, float | None]:
    k = profile.sharpest
    curvature = abs(float(profile.per_mm[k]))
    half = NORMAL_95 * hypot(float(profile.std_per_mm[k]), scale_rel_std * curvature)
    low, high = curvature - half, curvature + half
    if low <= 0.0 or high > ratio * low:
        return None, ((1.0 / high, 1.0 / low if low > 0.0 else float("inf")) if high > 0.0 else None), None
    return 1.0 / curvature, (1.0 / high, 1.0 / low), float(profile.at_mm[k])


def _straight_std_deg(path: Float64, noise: Noise) -> float:
    """Spread of the angle between two halves of a straight canal."""
    return degrees(noise.std_mm * 2.0 * np.sqrt(6.0) / max(float(arc_length(path)[-1]), 1e-9))


def _turn_by_end_deg(model: LineArc, end_std_mm: float) -> float:
    begin = _bend_ends(model, 0)[0] if model.arcs else 0.5 * model.length_mm
    return degrees(end_std_mm / max(float(np.hypot(*(model.point(model.length_mm) - model.point(begin))[0])), 1e-9))


def canal_form(model: LineArc) -> Form:
    """I straight, J curved apically, C curved along its length, S curved two opposite ways (the forms of Nagy 1995)."""
    bends = model.bends
    if not bends or max(abs(degrees(model.bend_turn_rad(bend))) for bend in bends) < STRAIGHT_DEG:
        return "I"
    if len(bends) > 1:
        return "S"
    return "C" if model.breaks_mm[0] < WHOLE_LENGTH_SHARE * model.length_mm else "J"


def _bend_ends(model: LineArc, bend: int) -> tuple[float, float]:
    """Where the construction of one bend begins and ends along the model.

    Opposite bends are divided at the inflection, the middle of the straight part between them, and the last one ends with the
    canal: so a second bend is seen from the inflection (Cunningham & Senia 1992), where the axis of its coronal part runs.
    """
    bends = model.bends

    def inflection(k: int) -> float:
        """Between bend k and the next."""
        return 0.5 * float(model.breaks_mm[2 * bends[k][1] + 1] + model.breaks_mm[2 * bends[k + 1][0]])

    begin = float(model.breaks_mm[2 * bends[0][0]]) if bend == 0 else inflection(bend - 1)
    return begin, model.length_mm if bend == len(bends) - 1 else inflection(bend)


def _angle_deg(vector: Float64, heading: float) -> float:
    along = float(vector[0]) * cos(heading) + float(vector[1]) * sin(heading)
    across = float(vector[1]) * cos(heading) - float(vector[0]) * sin(heading)
    return degrees(atan2(abs(across), along))


def _turns(steps: Float64) -> Float64:
    cross = steps[:-1, 0] * steps[1:, 1] - steps[:-1, 1] * steps[1:, 0]
    return np.asarray(np.arctan2(cross, np.einsum("ij,ij->i", steps[:-1], steps[1:])), np.float64)


def _at(path: Float64, along: Float64, at: float) -> Float64:
    return np.array([np.interp(at, along, path[:, axis]) for axis in (0, 1)])


def _path(path_mm: object) -> Float64:
    path = as_points(MeasureError, "path_mm", path_mm, least=3)
    if not np.any(path != path[0]):
        raise MeasureError("path_mm must have a length: all its points are the same")
    return path
