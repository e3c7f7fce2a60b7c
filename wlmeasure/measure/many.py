"""Every definition of length and curvature for thousands of canals at once, given as paths in mm.

A canal is fitted by a straight line and by line, arc, line (`batch.fit_many`); where that does not explain its points, or one
of them lies astray, it is averaged over richer models (`bent`). The definitions are those of `curvature`, on arrays, and
`measure_curvature` has its figures from here: they are the same for one canal and for thousands. Of the points of a file
nothing is known but their own scatter, which is then their uncertainty, and the smallest radius along the canal is not among
the figures.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.measure.batch import BendEstimates, fit_many
from wlmeasure.measure.bent import FEWEST, STIFF_SPANS, Averaged, Looks, averaged, first_look, floor_mm2, freedom
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.clicks import CLICK_SPACING_MM, clicks_length
from wlmeasure.measure.curvature import (
    DETERMINED_RATIO,
    ESTRELA_CHORD_MM,
    FEW_CLICKS,
    LUITEN_APICAL_MM,
    LUITEN_CORONAL_MM,
    STRAIGHT_DEG,
    UNSURE_DEG,
    WHOLE_LENGTH_SHARE,
    CurvatureEstimate,
    bend_curvature,
    canal_access,
    canal_form,
    measure_curvature,
)
from wlmeasure.measure.line_arc import MOST_POINTS, Noise
from wlmeasure.measure.parts import SMALL_CURVATURE

__all__ = ["FIGURES", "ManyFigures", "figures_of", "measure_many", "measure_one"]

Float64 = NDArray[np.float64]

FIGURES = (
    "canal_mm", "path_std_mm", "schneider_deg", "schneider_std_deg", "schneider_secondary_deg", "schneider_secondary_std_deg",
    "weine_deg", "weine_std_deg", "weine_secondary_deg", "long_axis_deg", "turning_deg", "turning_std_deg", "arc_deg",
    "radius_mm", "radius_low_mm", "radius_high_mm", "radius_secondary_mm", "radius_secondary_low_mm",
    "radius_secondary_high_mm", "fitted_mm", "begin_mm", "tail_mm", "luiten_deg", "canal_access_deg", "access_height_mm",
    "access_distance_mm", "estrela_radius_mm", "backman_deg_per_mm", "misfit_mm",
)  # fmt: skip
"""Names of the figures of one canal; NaN stands for one that is not determined."""
_OF_FITS = (
    "schneider_deg", "schneider_std_deg", "weine_deg", "weine_std_deg", "long_axis_deg", "turning_deg", "turning_std_deg",
    "radius_mm", "radius_low_mm", "radius_high_mm", "begin_mm", "tail_mm", "backman_deg_per_mm",
)  # fmt: skip
_WITH = {
    "schneider": ("schneider_deg", "schneider_std_deg", "schneider_secondary_deg", "schneider_secondary_std_deg"),
    "weine": ("weine_deg", "weine_std_deg", "weine_secondary_deg", "backman_deg_per_mm"),
    "turning": ("turning_deg", "turning_std_deg", "long_axis_deg", "arc_deg"),
}

# Standard deviation of what canals turn by, beforehand: of 1163 canals 65 % turned up to 27 degrees and 9 % more than 35
# (Schaefer et al., J Endod 2002;28:211-216, abstract).
USUAL_TURN_DEG = 20.0
LOOKS_AT_ONCE = 256
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
        found = _measure(paths_mm, rel, Noise(0.0, correlated_mm), compiled)[0]
    for name, together in _WITH.items():
        # An angle that may be anything is none, and neither is what its uncertainty would say.
        unknown = ~(found.of[f"{name}_std_deg"] <= UNSURE_DEG)
        for one in together:
            found.of[one][unknown] = np.nan
    return found


def measure_one(path_mm: Float64, noise: Noise) -> tuple[dict[str, float], str, Averaged | None]:
    """The figures of one canal of six points or more, its form, and what was averaged where one bend does not explain it."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        found, closer = _measure([path_mm], np.zeros(1), noise, False)
    return {name: float(values[0]) for name, values in found.of.items()}, found.form[0], closer.get(0)


def _measure(
    paths_mm: Sequence[Float64], rel: Float64, noise: Noise, compiled: bool
) -> tuple[ManyFigures, dict[int, Averaged]]:
    """The figures, and what was averaged over several models of those canals that one bend does not explain."""
    count = len(paths_mm)
    of = {name: np.full(count, np.nan) for name in FIGURES}
    form = [""] * count
    sizes = np.array([len(path) for path in paths_mm], int)
    for rows in _blocks(sizes):
        _from_points([paths_mm[k] for k in rows], rows, of)
    for k in np.flatnonzero(sizes < FEW_CLICKS).tolist():
        form[k] = _one(paths_mm[k], float(rel[k]), noise.correlation_mm, k, of)
    many = np.flatnonzero(sizes >= FEW_CLICKS)
    closer: dict[int, Averaged] = {}
    if len(many):
        chosen = [paths_mm[k] for k in many.tolist()]
        fits, bent = _one_bend(chosen, of["misfit_mm"][many], noise, compiled)
        for k, letter in zip(many.tolist(), _from_fits(fits, bent, rel[many], many, of), strict=True):
            form[k] = letter
        thin = [_thinned(path) for path in chosen]
        square = np.where(bent > 0.5, fits.misfit_mm, of["misfit_mm"][many]) ** 2
        of["misfit_mm"][many] = np.sqrt(square)
        widths = np.array([len(path) for path in thin])
        for width in np.unique(widths).tolist():
            for k, one in _closer(thin, np.flatnonzero(widths == width), square, noise):
                closer[int(many[k])] = one
        for k, averages in closer.items():
            form[k] = canal_form(averages.model)
            for name in _OF_FITS:
                of[name][k] = np.nan
            for name, value in _of_averaged(averages, float(rel[k])).items():
                of[name][k] = value
    bend = np.array([letter in "JCS" for letter in form])
    of["estrela_radius_mm"][~bend] = np.nan
    return ManyFigures(of, form), closer


def _closer(
    paths: Sequence[Float64], rows: NDArray[np.int_], square: Float64, noise: Noise
) -> Iterator[tuple[int, Averaged]]:
    """The canals of as many points that one bend does not explain, each averaged over richer models."""
    size = len(paths[int(rows[0])])
    each = max(1, AT_ONCE // (size * (2 * STIFF_SPANS + 3)))  # the basis of each path is the largest array here
    for first in range(0, len(rows), each):
        which = rows[first : first + each]
        some = np.stack([paths[int(k)] for k in which])
        looks = first_look(some)
        total = np.hypot(*np.moveaxis(np.diff(some, axis=1), -1, 0)).sum(axis=1)
        independent = np.maximum(4.0, total / np.maximum(total / (size - 1), noise.correlation_mm))
        chosen = looks.astray | (
            looks.worth_more(square[which], independent, floor_mm2(noise, total)) & (size >= FEWEST[1])
        )
        for at in range(0, int(chosen.sum()), LOOKS_AT_ONCE):
            taken = np.flatnonzero(chosen)[at : at + LOOKS_AT_ONCE]
            part = Looks(looks.across_mm2[taken], looks.scale_mm[taken], looks.astray[taken])
            yield from zip(which[taken].tolist(), averaged(some[taken], noise, part), strict=True)


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


def _one_bend(paths: list[Float64], straight: Float64, noise: Noise, compiled: bool) -> tuple[BendEstimates, Float64]:
    """The fit of one bend to each path, and its share (K,) against a `straight` line of that misfit."""
    compiled = compiled and noise.correlation_mm == 0.0
    sizes = np.array([min(len(path), MOST_POINTS) for path in paths])
    alike = np.stack(paths) if len({len(path) for path in paths}) == 1 else paths  # looked at once and not one by one
    fits = fit_many(alike, noise=noise, compiled=compiled)
    spacing = fits.length_mm / (sizes - 1)
    independent = np.maximum(4.0, fits.length_mm / np.maximum(spacing, noise.correlation_mm))
    floor = floor_mm2(noise, fits.length_mm)
    by_straight, by_bend = (
        freedom(independent, 5, noise) * np.log(misfit**2 + floor) + parameters * np.log(independent)
        for misfit, parameters in ((straight, 2), (fits.misfit_mm, 5))
    )
    return fits, 1.0 / (1.0 + np.exp(np.clip(0.5 * (by_bend - by_straight), -700.0, 700.0)))


def _off_straight(points: Float64, sizes: NDArray[np.int_]) -> Float64:
    """Root mean square distance of the first `sizes` points of each path from the straight line nearest to them, mm."""
    local = (points - points[:, :1]) * (np.arange(points.shape[1]) < sizes[:, None])[..., None]
    mean = local.sum(axis=1) / sizes[:, None]
    xx, yy = (np.einsum("kni,kni->ki", local, local) / sizes[:, None] - mean**2).T
    xy = np.einsum("kn,kn->k", local[..., 0], local[..., 1]) / sizes - mean[:, 0] * mean[:, 1]
    return np.asarray(np.sqrt(np.maximum(0.5 * (xx + yy - np.hypot(xx - yy, 2.0 * xy)), 0.0)), np.float64)


def _from_fits(
    fits: BendEstimates, share: Float64, rel: Float64, rows: NDArray[np.int_], of: dict[str, Float64]
) -> list[str]:
    """The definitions of one bend from its fit and its share against a straight line, and the form of each canal."""
    turn, curvature, length = fits.angle_deg, np.abs(fits.curvature_per_mm), fits.length_mm
    begin, arc = fits.begin_mm, np.maximum(length - fits.tail_mm - fits.begin_mm, 0.0)
    angle, angle_std = _shared(turn, fits.angle_std_deg, share)
    schneider, schneider_std = _shared(fits.schneider_deg, fits.schneider_std_deg, share)
    bent = angle >= STRAIGHT_DEG
    radius, low, high = _radius(curvature, fits.curvature_std_per_mm, rel)
    # The end of the canal seen from its coronal axis.
    sharp = curvature > SMALL_CURVATURE
    safe = np.where(sharp, curvature, 1.0)
    turned = curvature * arc
    u = begin + np.where(sharp, np.sin(turned) / safe, arc) + fits.tail_mm * np.cos(turned)
    v = np.where(sharp, (1.0 - np.cos(turned)) / safe, 0.5 * curvature * arc**2) + fits.tail_mm * np.sin(turned)
    chord = np.maximum(np.hypot(u, v), 1e-12)
    values = {
        "schneider_deg": schneider,
        "schneider_std_deg": schneider_std,
        "weine_deg": angle,
        "weine_std_deg": angle_std,
        "long_axis_deg": angle,
        "turning_deg": angle,
        "turning_std_deg": angle_std,
        "arc_deg": turn,
        "radius_mm": np.where(bent, radius, np.nan),
        "radius_low_mm": np.where(bent, low, np.nan),
        "radius_high_mm": np.where(bent, high, np.nan),
        "fitted_mm": length,
        "begin_mm": np.where(bent, begin, np.nan),
        "tail_mm": np.where(bent, fits.tail_mm, np.nan),
        "canal_access_deg": share * np.degrees(np.arctan2(v, u)),
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


def _shared(value: Float64, std: Float64, share: Float64) -> tuple[Float64, Float64]:
    """Mean and standard deviation of an angle that is `value` with that share, and else none."""
    mean = share * value
    # What one arc may turn by is not without bounds: a kink behind the last points but one could have any angle.
    known = std * USUAL_TURN_DEG / np.hypot(std, USUAL_TURN_DEG)
    known = np.where(np.isfinite(std), known, USUAL_TURN_DEG)
    return mean, np.sqrt(np.maximum(share * (known**2 + value**2) - mean**2, 0.0))


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


def _of_averaged(one: Averaged, rel: float) -> dict[str, float]:
    """The figures of a canal that was averaged over models."""
    values = {name: one.of[name][0] for name in ("turning_deg", "long_axis_deg", "canal_access_deg")}
    # Where the parts lie is that of the model that is drawn.
    model, access = one.model, canal_access(one.model)
    values["fitted_mm"] = model.length_mm
    values["turning_std_deg"] = min(one.of["turning_deg"][1], USUAL_TURN_DEG)
    bent = canal_form(one.model) != "I"
    if bent:
        values["begin_mm"], values["tail_mm"] = float(model.breaks_mm[2 * model.bends[0][0]]), model.tail_mm
    values["access_height_mm"], values["access_distance_mm"] = access.height_mm, access.distance_mm
    for name in ("schneider", "weine"):
        values[f"{name}_deg"], values[f"{name}_std_deg"] = one.of.get(f"{name}_deg_0", (0.0, one.of["turning_deg"][1]))
        if one.bends > 1:
            values[f"{name}_secondary_deg"], std = one.of[f"{name}_deg_1"]
            if name == "schneider":
                values["schneider_secondary_std_deg"] = std
        values[f"{name}_std_deg"] = min(values[f"{name}_std_deg"], USUAL_TURN_DEG)
    for bend, name in zip(range(len(model.bends)) if bent else (), ("radius", "radius_secondary"), strict=False):
        size, spread = bend_curvature(model, bend)
        radius, low, high = _radius(np.array([size]), np.array([spread]), np.array([rel]))
        values |= {f"{name}_mm": float(radius[0]), f"{name}_low_mm": float(low[0]), f"{name}_high_mm": float(high[0])}
    values["backman_deg_per_mm"] = values["weine_deg"] / values.get("radius_mm", np.nan)
    values["misfit_mm"] = one.model.misfit_mm
    return values


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
    bent = found.form != "I"
    return {
        "schneider_deg": found.schneider_deg,
        "schneider_std_deg": found.schneider_std_deg if found.schneider_deg is not None else None,
        "schneider_secondary_deg": found.schneider_secondary_deg,
        "schneider_secondary_std_deg": found.schneider_secondary_std_deg,
        "weine_deg": found.weine_deg,
        "weine_std_deg": found.weine_std_deg if found.weine_deg is not None else None,
        "weine_secondary_deg": found.weine_secondary_deg,
        "long_axis_deg": found.long_axis_deg,
        "turning_deg": found.total_turning_deg,
        "turning_std_deg": found.total_turning_std_deg if found.total_turning_deg is not None else None,
        "radius_mm": found.pruett_radius_mm,
        "radius_low_mm": interval[0],
        "radius_high_mm": interval[1],
        "radius_secondary_mm": found.pruett_radius_secondary_mm,
        "radius_secondary_low_mm": second[0],
        "radius_secondary_high_mm": second[1],
        "fitted_mm": found.model.length_mm,
        "begin_mm": float(found.model.breaks_mm[2 * found.model.bends[0][0]]) if bent else None,
        "tail_mm": found.model.tail_mm if bent else None,
        "luiten_deg": found.luiten_deg,
        "canal_access_deg": found.canal_access.angle_deg,
        "access_height_mm": found.canal_access.height_mm,
        "access_distance_mm": found.canal_access.distance_mm,
        "estrela_radius_mm": found.estrela_radius_mm,
        "backman_deg_per_mm": found.backman_deg_per_mm,
        "misfit_mm": found.misfit_mm,
    }
