"""Every definition of length and curvature for thousands of canals at once, given as paths in mm.

A canal is fitted by line and arc, and by line, arc, line (`batch.fit_many`); where a smooth line through it turns both ways, a
second look fits two opposite arcs. Between them and a straight line the Bayesian information criterion decides, as in
`curvature.fit_canal`. The definitions are those of `curvature`, on arrays; tests hold them equal to it one path at a time. Two
differences: the points' own scatter is their uncertainty, since nothing else is known of them, and the smallest radius along
the canal is not among the figures.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import log

import numpy as np
from attrs import field, fields, frozen
from numpy.typing import NDArray

from wlmeasure.measure.batch import BendEstimates, fit_many
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.clicks import CLICK_SPACING_MM, clicks_length
from wlmeasure.measure.curvature import (
    DETERMINED_RATIO,
    ESTRELA_CHORD_MM,
    FEW_CLICKS,
    LUITEN_APICAL_MM,
    LUITEN_CORONAL_MM,
    STRAIGHT_DEG,
    WHOLE_LENGTH_SHARE,
    CurvatureEstimate,
    canal_access,
    long_axis_deg,
    measure_curvature,
    schneider_deg,
    total_turning_deg,
    weine_deg,
)
from wlmeasure.measure.line_arc import MOST_POINTS, LineArc, Noise, model_of
from wlmeasure.measure.lockstep import COARSE, fit_paths
from wlmeasure.measure.parts import SMALL_CURVATURE, distances
from wlmeasure.measure.starts import smooth_paths

__all__ = ["FIGURES", "ManyFigures", "measure_many"]

Float64 = NDArray[np.float64]

FIGURES = (
    "canal_mm", "path_std_mm", "schneider_deg", "schneider_std_deg", "schneider_secondary_deg", "weine_deg", "weine_std_deg",
    "weine_secondary_deg", "long_axis_deg", "turning_deg", "arc_deg", "radius_mm", "radius_low_mm", "radius_high_mm",
    "radius_secondary_mm", "radius_secondary_low_mm", "radius_secondary_high_mm", "fitted_mm", "begin_mm", "tail_mm",
    "luiten_deg", "canal_access_deg", "access_height_mm", "access_distance_mm", "estrela_radius_mm", "backman_deg_per_mm",
    "misfit_mm",
)  # fmt: skip
"""Names of the figures of one canal; NaN stands for one that is not determined."""

STIFF_SPANS = 6  # our parameter: of the smooth line that shows whether a canal turns both ways; noise turns a finer one
PARAMETERS_OF_TWO, MORE_PARAMETERS = 8, 3  # of two bends with a straight end, and how many more than of one
# Our parameters: two bends are tried where the smooth line turns both ways by this share of a bend, and gains this share of
# what they have to gain. Of 2000 simulated single bends 4 % are tried (30 to 100 points, off by 5 to 50 micrometres), and 8 of
# 927 canals are missed that two bends explain better, 6 of which turn 6 to 20 degrees with points off by 5 micrometres.
TURNS_BOTH_WAYS, SECOND_LOOK = 0.8, 0.75
BLOCKS, FIRST_TURN = 10, 0.35  # our parameters: a look before that, at means of a tenth of the points, by less
LOOKS_AT_ONCE = 256
FLOOR = 1e-8  # mm squared: closer than 0.1 micrometres no model is better than another (`fit_canal`)
AT_ONCE = 2_000_000  # coordinates in one array (our parameter): 16 MB


@frozen(eq=False)
class ManyFigures:
    """Figures of K canals: `of[name]` (K,) for each of `FIGURES`, and the form of each: I, J, C, S (see `canal_form`)."""

    of: dict[str, Float64]
    form: list[str] = field(repr=False)


def measure_many(
    paths_mm: Sequence[Float64],
    *,
    scale_rel_std: Float64 | None = None,
    correlated_mm: float = 0.0,
    compiled: bool = False,
) -> ManyFigures:
    """Measure K canals by every definition.

    Parameters
    ----------
    paths_mm : K arrays of (N_k, 2)
        (row, col) in mm, orifice to apical end; each with two different points or more.
    scale_rel_std : (K,)
        Relative standard uncertainty of each canal's scale, which its radii share.
    correlated_mm
        Length over which errors of the points go together, for all of them; 0 for clicks. It does not move an estimate, but
        its uncertainty: treating a traced line's points as independent understates it about five times.
    compiled
        Use the compiled fit; only with independent errors.

    Raises
    ------
    MeasureError
        A path that cannot be measured; the caller keeps such ones out.
    """
    rel = np.zeros(len(paths_mm)) if scale_rel_std is None else scale_rel_std
    # A figure that an odd path does not determine comes out as NaN.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return _measure(paths_mm, rel, correlated_mm, compiled)


def _measure(paths_mm: Sequence[Float64], rel: Float64, correlated_mm: float, compiled: bool) -> ManyFigures:
    count = len(paths_mm)
    of = {name: np.full(count, np.nan) for name in FIGURES}
    form = [""] * count
    sizes = np.array([len(path) for path in paths_mm], int)
    for rows in _blocks(sizes):
        _from_points([paths_mm[k] for k in rows], rows, of)
    for k in np.flatnonzero(sizes < FEW_CLICKS).tolist():
        form[k] = _one(paths_mm[k], float(rel[k]), correlated_mm, k, of)
    many = np.flatnonzero(sizes >= FEW_CLICKS)
    if len(many):
        noise = Noise(0.0, correlated_mm)
        chosen = [paths_mm[k] for k in many.tolist()]
        fits, bent, of["misfit_mm"][many] = _one_bend(chosen, of["misfit_mm"][many], noise, compiled)
        for k, letter in zip(many.tolist(), _from_fits(fits, bent, rel[many], many, of), strict=True):
            form[k] = letter
        thin = {k: _thinned(path) for k, path in zip(many.tolist(), chosen, strict=True)}
        widths = np.array([len(path) for path in thin.values()])
        for width in np.unique(widths[widths > PARAMETERS_OF_TWO]).tolist():
            doubtful = _turning_both_ways(thin, many[widths == width], of["misfit_mm"], correlated_mm)
            for first in range(0, len(doubtful), LOOKS_AT_ONCE):
                for k in _second_look(thin, doubtful[first : first + LOOKS_AT_ONCE], rel, noise, of):
                    form[k] = "S"
    bent = np.array([letter in "JCS" for letter in form])
    of["estrela_radius_mm"][~bent] = np.nan
    return ManyFigures(of, form)


def _blocks(sizes: NDArray[np.int_]) -> Iterator[NDArray[np.int_]]:
    """Paths of about one size together, so that an array as wide as the longest of them holds little else."""
    order = np.argsort(sizes, kind="stable")
    begin = 0
    while begin < len(order):
        # The widest is the last one that goes in.
        end = begin + 1
        while end < len(order) and (end + 1 - begin) * int(sizes[order[end]]) <= AT_ONCE // 2:
            end += 1
        yield order[begin:end]
        begin = end


def _from_points(paths: list[Float64], rows: NDArray[np.int_], of: dict[str, Float64]) -> None:
    """The figures that the points themselves give: length, Luiten's angle, Estrela's radius."""
    sizes = np.array([len(path) for path in paths])
    width = int(sizes.max())
    # A short path ends with its last point again and again, which changes neither lengths nor distances.
    points = np.empty((len(paths), width, 2))
    for k, path in enumerate(paths):
        points[k, : len(path)] = path
        points[k, len(path) :] = path[-1]
    steps = np.diff(points, axis=1)
    along = np.concatenate(
        [np.zeros((len(paths), 1)), np.cumsum(np.hypot(steps[..., 0], steps[..., 1]), axis=1)], axis=1
    )
    total = along[:, -1]
    of["canal_mm"][rows] = total
    of["misfit_mm"][rows] = _off_straight(points, sizes)
    of["luiten_deg"][rows] = _luiten(points, along)
    of["estrela_radius_mm"][rows] = _estrela(points)
    # The rule of `measure_length`: points far apart are clicks, and their polyline is no estimate of the length.
    for k in np.flatnonzero(total > CLICK_SPACING_MM * (sizes - 1)).tolist():
        smooth = clicks_length(paths[k], click_std_mm=0.0)
        of["canal_mm"][rows[k]], of["path_std_mm"][rows[k]] = smooth.length_mm, smooth.path_std_mm


def _at(points: Float64, along: Float64, at: Float64) -> Float64:
    """(K, 2) the point of each path at a distance along it."""
    rows = np.arange(len(points))
    k = np.clip((along <= at[:, None]).sum(axis=1) - 1, 0, along.shape[1] - 2)
    step = along[rows, k + 1] - along[rows, k]
    share = np.where(step > 0.0, (at - along[rows, k]) / np.where(step > 0.0, step, 1.0), 0.0)
    return np.asarray(points[rows, k] + share[:, None] * (points[rows, k + 1] - points[rows, k]), np.float64)


def _luiten(points: Float64, along: Float64) -> Float64:
    total = along[:, -1]
    first = _at(points, along, np.minimum(LUITEN_CORONAL_MM, total)) - points[:, 0]
    last = points[:, -1] - _at(points, along, np.maximum(total - LUITEN_APICAL_MM, 0.0))
    cross = first[:, 0] * last[:, 1] - first[:, 1] * last[:, 0]
    angle = np.degrees(np.arctan2(np.abs(cross), np.einsum("ki,ki->k", first, last)))
    return np.where(total >= LUITEN_CORONAL_MM + LUITEN_APICAL_MM, angle, np.nan)


def _estrela(points: Float64) -> Float64:
    """Circumradius of the end and the points one and two chords back from it; without an end or on a line NaN."""
    rows = np.arange(len(points))
    found, end, there = [points[:, -1]], np.full(len(points), points.shape[1]), np.ones(len(points), bool)
    for _ in range(2):
        far = np.hypot(*np.moveaxis(points - found[-1][:, None], -1, 0))
        beyond = (far >= ESTRELA_CHORD_MM) & (np.arange(points.shape[1]) < end[:, None])
        there &= beyond.any(axis=1)
        k = points.shape[1] - 1 - beyond[:, ::-1].argmax(axis=1)
        inside, next_one = k + 1 < end, np.minimum(k + 1, points.shape[1] - 1)
        # Where points lie far apart, both chords may end on one piece of the path.
        after = np.where(inside[:, None], points[rows, next_one], found[-1])
        fall = np.maximum(far[rows, k] - np.where(inside, far[rows, next_one], 0.0), 1e-12)
        share = (far[rows, k] - ESTRELA_CHORD_MM) / fall
        found.append(points[rows, k] + share[:, None] * (after - points[rows, k]))
        end = k + 1
    a, b, c = found
    double = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
    sides = np.hypot(*(b - a).T) * np.hypot(*(c - b).T) * np.hypot(*(a - c).T)
    return np.where(there & (double > 1e-12), sides / np.where(double > 1e-12, 2.0 * double, 1.0), np.nan)


def _one_bend(
    paths: list[Float64], straight: Float64, noise: Noise, compiled: bool
) -> tuple[BendEstimates, NDArray[np.bool_], Float64]:
    """The fit of one bend to each path, with a straight part behind it where that is worth its parameter; whether a bend is
    worth its own against a `straight` line of that misfit, as `fit_canal` judges it; and the misfit of the better of the two.
    """
    compiled = compiled and noise.correlation_mm == 0.0
    sizes = np.array([min(len(path), MOST_POINTS) for path in paths])
    alike = np.stack(paths) if len({len(path) for path in paths}) == 1 else paths  # looked at once and not one by one
    tailed = fit_many(alike, noise=noise, compiled=compiled)
    ending = fit_many(alike, tail=False, noise=noise, compiled=compiled)
    spacing = tailed.length_mm / (sizes - 1)
    independent = np.maximum(4.0, tailed.length_mm / np.maximum(spacing, noise.correlation_mm))
    by_straight, by_tailed, by_ending = (
        independent * np.log(misfit**2 + FLOOR) + parameters * np.log(independent)
        for misfit, parameters in ((straight, 2), (tailed.misfit_mm, 5), (ending.misfit_mm, 4))
    )
    ends = (by_ending <= by_tailed) & (ending.angle_deg >= STRAIGHT_DEG) | (tailed.angle_deg < STRAIGHT_DEG)
    merged = BendEstimates(
        *(np.where(ends, getattr(ending, a.name), getattr(tailed, a.name)) for a in fields(BendEstimates))
    )
    best = np.where(ends, by_ending, by_tailed)
    bent = (merged.angle_deg >= STRAIGHT_DEG) & (best < by_straight)
    return merged, bent, np.where(bent, merged.misfit_mm, straight)


def _off_straight(points: Float64, sizes: NDArray[np.int_]) -> Float64:
    """Root mean square distance of the first `sizes` points of each path from the straight line nearest to them, mm."""
    local = (points - points[:, :1]) * (np.arange(points.shape[1]) < sizes[:, None])[..., None]
    mean = local.sum(axis=1) / sizes[:, None]
    xx, yy = (np.einsum("kni,kni->ki", local, local) / sizes[:, None] - mean**2).T
    xy = np.einsum("kn,kn->k", local[..., 0], local[..., 1]) / sizes - mean[:, 0] * mean[:, 1]
    return np.asarray(np.sqrt(np.maximum(0.5 * (xx + yy - np.hypot(xx - yy, 2.0 * xy)), 0.0)), np.float64)


def _from_fits(
    fits: BendEstimates, bent: NDArray[np.bool_], rel: Float64, rows: NDArray[np.int_], of: dict[str, Float64]
) -> list[str]:
    """The definitions of one bend from its fit, and the form of each canal."""
    turn, curvature, length = fits.angle_deg, np.abs(fits.curvature_per_mm), fits.length_mm
    begin, arc = fits.begin_mm, np.maximum(length - fits.tail_mm - fits.begin_mm, 0.0)
    angle = np.where(bent, turn, 0.0)
    radius, low, high = _radius(curvature, fits.curvature_std_per_mm, rel)
    # The end of the canal seen from its coronal axis.
    sharp = curvature > SMALL_CURVATURE
    safe = np.where(sharp, curvature, 1.0)
    turned = curvature * arc
    u = begin + np.where(sharp, np.sin(turned) / safe, arc) + fits.tail_mm * np.cos(turned)
    v = np.where(sharp, (1.0 - np.cos(turned)) / safe, 0.5 * curvature * arc**2) + fits.tail_mm * np.sin(turned)
    chord = np.maximum(np.hypot(u, v), 1e-12)
    values = {
        "schneider_deg": np.where(bent, fits.schneider_deg, 0.0),
        "schneider_std_deg": fits.schneider_std_deg,
        "weine_deg": angle,
        "weine_std_deg": fits.angle_std_deg,
        "long_axis_deg": angle,
        "turning_deg": angle,
        "arc_deg": turn,
        "radius_mm": np.where(bent, radius, np.nan),
        "radius_low_mm": np.where(bent, low, np.nan),
        "radius_high_mm": np.where(bent, high, np.nan),
        "fitted_mm": length,
        "begin_mm": np.where(bent, begin, np.nan),
        "tail_mm": np.where(bent, fits.tail_mm, np.nan),
        "canal_access_deg": np.where(bent, np.degrees(np.arctan2(v, u)), 0.0),
        "access_height_mm": np.where(bent, begin * v / chord, 0.0),
        "access_distance_mm": np.where(bent, begin * u / chord, 0.0),
        "backman_deg_per_mm": np.where(bent & np.isfinite(radius), angle * curvature, np.nan),
    }
    for name, value in values.items():
        of[name][rows] = value
    unknown = rows[np.isnan(of["path_std_mm"][rows])]
    of["path_std_mm"][unknown] = fits.path_std_mm[np.isnan(of["path_std_mm"][rows])]
    whole = begin < WHOLE_LENGTH_SHARE * length
    return [("C" if w else "J") if b else "I" for b, w in zip(bent, whole, strict=True)]


def _radius(curvature: Float64, std: Float64, rel: Float64) -> tuple[Float64, Float64, Float64]:
    """Radius where it is determined, and its 95 % interval; symmetrical in curvature, the scale in quadrature."""
    half = NORMAL_95 * np.hypot(std, rel * curvature)
    with np.errstate(divide="ignore"):
        low = 1.0 / (curvature + half)
        high = np.where(curvature > half, 1.0 / np.where(curvature > half, curvature - half, 1.0), np.inf)
        radius = np.where(high <= DETERMINED_RATIO * low, 1.0 / curvature, np.nan)
    return radius, low, high


def _thinned(path: Float64) -> Float64:
    """A dense path as `fit_many` thins it."""
    if len(path) <= MOST_POINTS:
        return path
    return np.asarray(path[np.linspace(0, len(path) - 1, MOST_POINTS).round().astype(int)], np.float64)


def _turning_both_ways(
    paths: Mapping[int, Float64], rows: NDArray[np.int_], misfit_mm: Float64, correlated_mm: float
) -> NDArray[np.int_]:
    """Which of some canals of as many points may be two opposite bends: a stiff smooth line through the points turns both ways,
    and lies so much nearer to them than the one bend does that two bends could be worth their parameters.
    """
    found = []
    each = max(
        1, AT_ONCE // (len(paths[rows[0]]) * (STIFF_SPANS + 3))
    )  # the basis of each path is the largest array here
    for first in range(0, len(rows), each):
        some = np.stack([paths[k] for k in rows[first : first + each]])
        chosen = rows[first : first + each]
        # Most paths need no closer look: the line through a few means of neighbours turns one way only.
        means = _means(some, BLOCKS)
        bending = _lesser_turn_deg(means[..., 0] + 1j * means[..., 1]) >= FIRST_TURN * STRAIGHT_DEG
        if not bending.any():
            continue
        some, chosen = some[bending], chosen[bending]
        local = some - some[:, :1]
        x, y = local[..., 0], local[..., 1]
        fine, total, smooth = smooth_paths(x, y, max(1, min(STIFF_SPANS, some.shape[1] // 3)))
        # Along the line a point may lie anywhere: its distance across counts.
        tangent = np.gradient(smooth, axis=1)
        tangent /= np.maximum(np.abs(tangent), 1e-12)
        across = np.mean(((x + 1j * y - smooth) * tangent.conj()).imag ** 2, axis=1)
        independent = np.maximum(4.0, total / np.maximum(total / (some.shape[1] - 1), correlated_mm))
        gain = independent * np.log((misfit_mm[chosen] ** 2 + FLOOR) / (across + FLOOR))
        both = _lesser_turn_deg(fine) >= TURNS_BOTH_WAYS * STRAIGHT_DEG
        found.append(chosen[both & (gain >= SECOND_LOOK * MORE_PARAMETERS * np.log(independent))])
    return np.concatenate(found) if found else np.empty(0, int)


def _means(paths: Float64, blocks: int) -> Float64:
    """Means of neighbours (K, blocks, 2), where there are twice as many points or more."""
    size = paths.shape[1]
    if size < 2 * blocks:
        return paths
    edges = (np.arange(blocks + 1) * size) // blocks
    return np.asarray(np.add.reduceat(paths, edges[:-1], axis=1) / np.diff(edges)[:, None], np.float64)


def _lesser_turn_deg(line: Float64) -> Float64:
    """How far each line (K, M) complex turns the way in which it turns less, degrees."""
    steps = np.diff(line, axis=1)
    turns = np.degrees(np.angle(steps[:, 1:] * steps[:, :-1].conj()))
    ways = (np.maximum(turns, 0.0).sum(axis=1), np.maximum(-turns, 0.0).sum(axis=1))
    return np.asarray(np.minimum(*ways), np.float64)


def _second_look(
    paths: Mapping[int, Float64], rows: NDArray[np.int_], rel: Float64, noise: Noise, of: dict[str, Float64]
) -> list[int]:
    """Which of some canals of as many points two opposite bends explain better than one; their figures are then theirs."""
    some = np.stack([paths[k] for k in rows])
    hopeful = _hopeful(some, rows, noise, of)
    if not hopeful.any():
        return []
    some, rows = some[hopeful], rows[hopeful]
    fits = fit_paths(some, (2, True), std_mm=noise.std_mm, correlation_mm=noise.correlation_mm)
    taken = []
    for at, k in enumerate(rows.tolist()):
        model = model_of(fits, at, some[at, 0], 2)
        turns = np.degrees(model.turns_rad)
        if np.any(np.abs(turns) < STRAIGHT_DEG) or turns[0] * turns[1] >= 0.0:
            continue
        spacing = model.length_mm / (some.shape[1] - 1)
        independent = max(4.0, model.length_mm / max(spacing, noise.correlation_mm))
        gain = independent * log((float(of["misfit_mm"][k]) ** 2 + FLOOR) / (model.misfit_mm**2 + FLOOR))
        if gain > MORE_PARAMETERS * log(independent):  # the criterion of `fit_canal`
            for name, value in _of_model(model, float(rel[k])).items():
                of[name][k] = value
            taken.append(k)
    return taken


def _hopeful(some: Float64, rows: NDArray[np.int_], noise: Noise, of: dict[str, Float64]) -> NDArray[np.bool_]:
    """Which canals two bends that were fitted to means of neighbours nearly explain: only they are fitted to all points."""
    coarse = _means(some, COARSE)
    if coarse is some:
        return np.ones(len(some), bool)
    fits = fit_paths(coarse, (2, True))
    local = some - coarse[:, :1]
    points = np.stack([local[..., 0], local[..., 1], np.ones(local.shape[:2])], axis=1)
    misfit = np.mean(distances(points, fits.theta, (2, True)) ** 2, axis=1)
    spacing = fits.length_mm / (some.shape[1] - 1)
    independent = np.maximum(4.0, fits.length_mm / np.maximum(spacing, noise.correlation_mm))
    gain = independent * np.log((of["misfit_mm"][rows] ** 2 + FLOOR) / (misfit + FLOOR))
    turns = np.degrees(fits.theta[:, 2:4] * (fits.theta[:, [5, 7]] - fits.theta[:, [4, 6]]))
    opposite = (turns[:, 0] * turns[:, 1] < 0.0) & (np.abs(turns).min(axis=1) >= TURNS_BOTH_WAYS * STRAIGHT_DEG)
    return np.asarray(opposite & (gain >= SECOND_LOOK * MORE_PARAMETERS * np.log(independent)), np.bool_)


def _of_model(model: LineArc, rel: float) -> dict[str, float]:
    values: dict[str, float] = {}
    for bend, name in enumerate(("radius", "radius_secondary")):
        size, std = np.abs(model.curvatures_per_mm[bend : bend + 1]), model.curvature_stds_per_mm[bend : bend + 1]
        radius, low, high = _radius(size, std, np.array([rel]))
        values |= {f"{name}_mm": float(radius[0]), f"{name}_low_mm": float(low[0]), f"{name}_high_mm": float(high[0])}
    access = canal_access(model)
    determined = np.isfinite(values["radius_mm"])
    return values | {
        "schneider_deg": schneider_deg(model),
        "schneider_std_deg": model.std_of(schneider_deg),
        "schneider_secondary_deg": schneider_deg(model, 1),
        "weine_deg": weine_deg(model),
        "weine_std_deg": model.std_of(weine_deg),
        "weine_secondary_deg": weine_deg(model, 1),
        "long_axis_deg": long_axis_deg(model),
        "turning_deg": total_turning_deg(model),
        "fitted_mm": model.length_mm,
        "begin_mm": float(model.breaks_mm[0]),
        "tail_mm": model.tail_mm,
        "canal_access_deg": access.angle_deg,
        "access_height_mm": access.height_mm,
        "access_distance_mm": access.distance_mm,
        "backman_deg_per_mm": weine_deg(model) * abs(float(model.curvatures_per_mm[0])) if determined else np.nan,
        "misfit_mm": model.misfit_mm,
    }


def _one(path: Float64, rel: float, correlated_mm: float, k: int, of: dict[str, Float64]) -> str:
    """A path of very few points by itself: it shows what its chords give and no radius."""
    points = path if len(path) > 2 else np.vstack([path[0], path.mean(axis=0), path[1]])
    found = measure_curvature(points, noise=Noise(0.0, correlated_mm), scale_rel_std=rel)
    for name, value in figures_of(found).items():
        if value is not None and name != "canal_mm":
            of[name][k] = value
    return found.form


def figures_of(found: CurvatureEstimate) -> dict[str, float | None]:
    """The same figures of a canal that was measured by itself; None for one that is not determined."""
    interval = found.pruett_radius_interval_mm or (None, None)
    second = found.pruett_radius_secondary_interval_mm or (None, None)
    bent = found.model.arcs > 0
    return {
        "schneider_deg": found.schneider_deg,
        "schneider_std_deg": found.schneider_std_deg,
        "schneider_secondary_deg": found.schneider_secondary_deg,
        "weine_deg": found.weine_deg,
        "weine_std_deg": found.weine_std_deg,
        "weine_secondary_deg": found.weine_secondary_deg,
        "long_axis_deg": found.long_axis_deg,
        "turning_deg": found.total_turning_deg,
        "radius_mm": found.pruett_radius_mm,
        "radius_low_mm": interval[0],
        "radius_high_mm": interval[1],
        "radius_secondary_mm": found.pruett_radius_secondary_mm,
        "radius_secondary_low_mm": second[0],
        "radius_secondary_high_mm": second[1],
        "fitted_mm": found.model.length_mm,
        "begin_mm": float(found.model.breaks_mm[0]) if bent else None,
        "tail_mm": found.model.tail_mm if bent else None,
        "luiten_deg": found.luiten_deg,
        "canal_access_deg": found.canal_access.angle_deg,
        "access_height_mm": found.canal_access.height_mm,
        "access_distance_mm": found.canal_access.distance_mm,
        "estrela_radius_mm": found.estrela_radius_mm,
        "backman_deg_per_mm": found.backman_deg_per_mm,
        "misfit_mm": found.misfit_mm,
    }
