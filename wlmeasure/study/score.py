"""Anybody's paths against the truth: how far the line lies off, and how wrong length, angles and radius are.

A path belongs to the canal of the same name on the same image; an image is known by its SHA-256, else its id, else its file
name. Where a file states a figure that is scored; where it does not, the figure is computed from its path by our definitions,
with its own scale or else the truth's. Lengths are held against the true ones in three dimensions, angles and radius against
those of the exact line on the film.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, sqrt
from pathlib import Path
from typing import Any

import numpy as np
from attrs import asdict, field, frozen
from numpy.typing import NDArray

from wlmeasure.decide.accuracy import Share, share_within
from wlmeasure.errors import ShareError, WlmeasureError
from wlmeasure.measure.many import measure_many
from wlmeasure.points import polyline_feet
from wlmeasure.share.cells import table_text
from wlmeasure.share.path_set import Head, PathFeature, PathScale
from wlmeasure.study.path_files import find_inputs, open_paths
from wlmeasure.study.path_lines import Bad
from wlmeasure.study.quantiles import t_quantile
from wlmeasure.trace.spline import resample

__all__ = [
    "SCORE_COLUMNS",
    "SCORE_SCHEMA",
    "Score",
    "ScoredCanal",
    "Summary",
    "score",
    "score_csv",
    "score_json",
    "score_text",
]

Float64 = NDArray[np.float64]

SCORE_SCHEMA = "wlmeasure-score/1"
MOST_CANALS = 200_000  # held at once (our parameter): 1 GB
COMPARED_POINTS = 400  # of each line (our parameter): 0.03 mm apart on a canal
SAME_MM = 1e-6
WITHIN_MM = (0.5, 1.0)  # what a length is judged by (common practice)
FIGURES = {
    "length_mm": "Length from the reference point, mm",
    "canal_mm": "Length of the canal, mm",
    "schneider_deg": "Schneider's angle, degrees",
    "weine_deg": "Weine's (Pruett's) angle, degrees",
    "long_axis_deg": "Long axis angle, degrees",
    "luiten_deg": "Luiten's angle, degrees",
    "canal_access_deg": "Canal access angle, degrees",
    "turning_deg": "Sum of turns, degrees",
    "radius_mm": "Radius, mm",
}
DISTANCES = {
    "mean": "Mean distance between the two lines, taken from equally spaced points of each to the other",
    "p95": "Distance that 95 % of those points are within",
    "max": "Largest of those distances",
}


def _error_column(figure: str) -> str:
    """``length_error_mm`` of ``length_mm``."""
    name, _, unit = figure.rpartition("_")
    return f"{name}_error_{unit}"


SCORE_COLUMNS = {
    "image": "Image of the truth.",
    "canal": "Name of the canal.",
    "id": "Id of the path, where it has one.",
    "annotator": "Who drew it.",
    "session": "In which session or repeat.",
    "method": "What made it.",
    "scale": "Whose scale its millimetres are made with: own or truth.",
    "end_px": "Distance of its apical end from the true one, pixels.",
    "end_mm": "Distance of its apical end from the true one, mm.",
    **{f"{name}_px": f"{text}, pixels." for name, text in DISTANCES.items()},
    **{f"{name}_mm": f"{text}, mm." for name, text in DISTANCES.items()},
    **{_error_column(name): f"{text}, stated or measured, less the true one." for name, text in FIGURES.items()},
    "stated": "Which of the figures the file states; the others are computed from its path.",
}


@frozen
class ScoredCanal:
    """One path against its canal. `errors` by figure, ours or stated less true; None where one of the two has none."""

    image: str
    canal: str
    id: str | None
    annotator: str | None
    session: str | None
    method: str | None
    scale: str
    distances_px: tuple[float, float, float]
    distances_mm: tuple[float, float, float]
    end_px: float
    end_mm: float
    errors: dict[str, float | None]
    stated: tuple[str, ...]


@frozen
class Summary:
    """Errors of one figure over n paths: bias with its 95 % interval, standard deviation, root mean square, largest size.

    The interval is Student's for independent paths; canals on one film share its scale, which makes it too narrow.
    `within` are the shares within 0.5 and 1 mm with their 95 % intervals (Wilson 1927), for lengths.
    """

    n: int
    bias: float
    bias_interval: tuple[float, float] | None
    std: float | None
    rms: float
    largest: float
    within: tuple[Share, ...] = ()


@frozen
class Score:
    """All scored paths; canals of the truth without a path, and paths without a canal or that cannot be used."""

    canals: tuple[ScoredCanal, ...]
    distances: dict[str, Summary]
    figures: dict[str, Summary]
    without_path: tuple[tuple[str, str], ...]
    without_truth: tuple[str, ...]
    unusable: tuple[str, ...] = field(default=())


@frozen(eq=False)
class _Lines:
    """Canals of some files with their heads."""

    canals: list[tuple[Head, PathFeature]]
    bad: list[str]


def score(given: Sequence[str | Path], truth: Sequence[str | Path]) -> Score:
    """Score the canals of some path files against those of others.

    Raises
    ------
    ShareError
        No canal in the truth, the same canal twice in it, one without a scale; no path that belongs to any of them.
    """
    mine, true = _lines(given), _lines(truth)
    if true.bad:
        raise ShareError(f"--truth must be whole: {true.bad[0]}")
    by_key: dict[tuple[str, str], int] = {}
    names: dict[str, str] = {}
    for k, (head, feature) in enumerate(true.canals):
        image = feature.image or ""
        known = next((one for one in head.images if one.id == image), None)
        for alias in _aliases(image, known):
            names.setdefault(alias, image)
        if by_key.setdefault((image, feature.canal or ""), k) != k:
            raise ShareError(f"--truth must have a canal once: {feature.canal!r} of image {image!r} is there twice")
    if not by_key:
        raise ShareError("--truth must hold canals: it holds none")
    pairs: list[tuple[int, int]] = []
    strangers: list[str] = []
    index = {id(head): {image.id: image for image in head.images} for head, _ in mine.canals}
    for k, (head, feature) in enumerate(mine.canals):
        image = feature.image or ""
        found = next((names[a] for a in _aliases(image, index[id(head)].get(image)) if a in names), None)
        at = None if found is None else by_key.get((found, feature.canal or ""))
        if at is None:
            strangers.append(f"image {image or '(none)'}, canal {feature.canal or '(none)'}")
        else:
            pairs.append((k, at))
    if not pairs:
        raise ShareError("no path belongs to a canal of --truth: images and canals must have the same names in both")
    scored = _scored(mine, true, pairs)
    met = {at for _, at in pairs}
    missed = tuple(key for key, at in by_key.items() if at not in met)
    distances = {
        f"{name}_{unit}": _summary([(one.distances_px if unit == "px" else one.distances_mm)[k] for one in scored])
        for k, name in enumerate(DISTANCES)
        for unit in ("px", "mm")
    }
    figures = {}
    for name in FIGURES:
        errors = [error for one in scored if (error := one.errors[name]) is not None]
        if errors:
            figures[name] = _summary(errors, WITHIN_MM if name in ("length_mm", "canal_mm") else ())
    return Score(tuple(scored), distances, figures, missed, tuple(strangers), tuple(mine.bad))


def _aliases(image: str, known: Any) -> list[str]:
    """What an image is known by, surest first; kinds are told apart."""
    if known is None:
        return [f"id {image}", f"name {image}"]
    names = [f"sha256 {known.sha256}"] if known.sha256 is not None else []
    names += [f"id {image}", f"name {image}"]
    return (
        names if known.file_name is None else [*names, f"name {known.file_name}", f"name {Path(known.file_name).stem}"]
    )


def _lines(given: Sequence[str | Path]) -> _Lines:
    canals: list[tuple[Head, PathFeature]] = []
    bad: list[str] = []
    for path in find_inputs(given):
        paths = open_paths(path)
        for feature in paths.features():
            if isinstance(feature, Bad):
                bad.append(f"{path.name}, path {feature.place}: {feature.reason}")
            elif feature.kind == "canal":
                canals.append((paths.head, feature))
            if len(canals) > MOST_CANALS:
                raise ShareError(f"paths must be at most {MOST_CANALS} at once: score them in parts")
    return _Lines(canals, bad)


def _scored(mine: _Lines, true: _Lines, pairs: list[tuple[int, int]]) -> list[ScoredCanal]:
    scales: list[tuple[PathScale, str]] = []
    paths: list[Float64] = []
    kept: list[tuple[PathFeature, PathFeature, PathScale]] = []
    for k, at in pairs:
        (head, feature), (truth_head, truth) = mine.canals[k], true.canals[at]
        true_scale = truth_head.scale(truth)
        if true_scale is None:
            raise ShareError(
                f"--truth must have a scale for each canal: {truth.canal!r} of image {truth.image!r} has none"
            )
        try:
            own = head.scale(feature)
        except ShareError as error:
            mine.bad.append(f"canal {feature.canal} of image {feature.image}: {error}")
            continue
        if np.array_equal(feature.path_px[0], feature.path_px[-1]):
            mine.bad.append(f"canal {feature.canal} of image {feature.image}: the path must not end where it begins")
            continue
        scale = own or true_scale
        scales.append((scale, "truth" if own is None else "own"))
        paths.append(feature.path_px * (scale.mm_per_px_row, scale.mm_per_px_col))
        kept.append((feature, truth, true_scale))
    measured, forms = _measured(paths, mine.bad, kept)
    scored = []
    for k, (feature, truth, true_scale) in enumerate(kept):
        if not forms[k]:
            continue
        scale, whose = scales[k]
        errors: dict[str, float | None] = {}
        stated = []
        for name in FIGURES:
            value = getattr(feature, name)
            if name == "length_mm" and _is_canal_alone(feature):
                value = None
            if value is not None:
                stated.append(name)
            else:
                value = measured[k].get(name)
            if name == "length_mm" and value is None and feature.reference_px is not None:
                step = (np.asarray(feature.reference_px) - feature.path_px[0]) * (
                    scale.mm_per_px_row,
                    scale.mm_per_px_col,
                )
                value = measured[k]["canal_mm"] + float(np.hypot(*step))
            right = getattr(truth, name)
            errors[name] = None if value is None or right is None else value - right
        pixel = (true_scale.mm_per_px_row, true_scale.mm_per_px_col)
        end = feature.path_px[-1] - truth.path_px[-1]
        scored.append(
            ScoredCanal(
                image=truth.image or "",
                canal=truth.canal or "",
                id=feature.id,
                annotator=feature.annotator,
                session=feature.session,
                method=feature.method,
                scale=whose,
                distances_px=_distances(feature.path_px, truth.path_px),
                distances_mm=_distances(feature.path_px * pixel, truth.path_px * pixel),
                end_px=float(np.hypot(*end)),
                end_mm=float(np.hypot(*(end * pixel))),
                errors=errors,
                stated=tuple(stated),
            )
        )
    return scored


def _is_canal_alone(feature: PathFeature) -> bool:
    """Whether the length that a path states is the canal's alone: without a reference point there is none from it."""
    length, canal = feature.length_mm, feature.canal_mm
    return feature.reference_px is None and length is not None and canal is not None and abs(length - canal) < SAME_MM


def _measured(
    paths: list[Float64], bad: list[str], kept: list[tuple[PathFeature, PathFeature, PathScale]]
) -> tuple[list[dict[str, float]], list[str]]:
    """Figures of each path, together where all can be measured, else one at a time."""
    try:
        found = measure_many(paths)
        columns = [{n: float(found.of[n][k]) for n in FIGURES if n in found.of} for k in range(len(paths))]
        return [{n: v for n, v in one.items() if isfinite(v)} for one in columns], found.form
    except (WlmeasureError, np.linalg.LinAlgError, ArithmeticError) as error:
        if len(paths) == 1:
            feature = kept[0][0]
            bad.append(f"canal {feature.canal} of image {feature.image}: {error}")
            return [{}], [""]
    each = [_measured([path], bad, [one]) for path, one in zip(paths, kept, strict=True)]
    return [one for figures, _ in each for one in figures], [form for _, forms in each for form in forms]


def _distances(line: Float64, other: Float64) -> tuple[float, float, float]:
    """Mean, 95 % and largest distance between two lines, both ways."""
    both = np.concatenate([_to_line(line, other), _to_line(other, line)])
    return float(both.mean()), float(np.quantile(both, 0.95)), float(both.max())


def _to_line(line: Float64, other: Float64) -> Float64:
    """Distance of equally spaced points of a line (COMPARED_POINTS,) from another."""
    points = resample(line, COMPARED_POINTS)
    if len(other) > 4 * COMPARED_POINTS:
        other = resample(other, 4 * COMPARED_POINTS)
    return polyline_feet(points, other).apart


def _summary(values: Sequence[float], within: Sequence[float] = ()) -> Summary:
    errors = np.array(values)
    n, bias = len(errors), float(errors.mean())
    std = float(errors.std(ddof=1)) if n > 1 else None
    half = None if std is None else t_quantile(0.975, n - 1) * std / sqrt(n)
    return Summary(
        n=n,
        bias=bias,
        bias_interval=None if half is None else (bias - half, bias + half),
        std=std,
        rms=float(np.sqrt(np.mean(errors**2))),
        largest=float(np.abs(errors).max()),
        within=tuple(share_within(errors, limit) for limit in within),
    )


def score_json(found: Score) -> dict[str, Any]:
    """The score as one JSON-ready object."""
    return {
        "schema": SCORE_SCHEMA,
        "summary": {
            "distances": {name: _summary_json(one) for name, one in found.distances.items()},
            "errors": {name: _summary_json(one) for name, one in found.figures.items()},
        },
        "canals": [asdict(one) for one in found.canals],
        "without_path": [{"image": image, "canal": canal} for image, canal in found.without_path],
        "without_truth": list(found.without_truth),
        "unusable": list(found.unusable),
    }


def _summary_json(one: Summary) -> dict[str, Any]:
    out = asdict(one) | {
        "within": [{"limit": met.within, "share": met.value, "interval": list(met.interval)} for met in one.within]
    }
    return out if one.within else {name: value for name, value in out.items() if name != "within"}


def score_csv(found: Score) -> str:
    """One row a scored path, with the columns of `SCORE_COLUMNS`."""
    return table_text([SCORE_COLUMNS, *map(_row, found.canals)])


def _row(one: ScoredCanal) -> list[str | None]:
    row: dict[str, Any] = {name: getattr(one, name) for name in list(SCORE_COLUMNS)[:9]}
    for unit, values in (("px", one.distances_px), ("mm", one.distances_mm)):
        row |= {f"{name}_{unit}": value for name, value in zip(DISTANCES, values, strict=True)}
    row |= {_error_column(n): error for n, error in one.errors.items()}
    row["stated"] = " ".join(one.stated)
    return [f"{row[name]:.4f}" if isinstance(row[name], float) else row[name] for name in SCORE_COLUMNS]


def score_text(found: Score) -> str:
    """The score in words."""
    true = len({(one.image, one.canal) for one in found.canals}) + len(found.without_path)
    lines = [f"SCORE   {len(found.canals)} paths of {true - len(found.without_path)} canals, of {true} that are true"]
    lines += ["", "  distance between the lines      mean     95 %  largest"]
    for unit in ("px", "mm"):
        row = [found.distances[f"{name}_{unit}"] for name in DISTANCES]
        digits = 2 if unit == "px" else 3
        lines.append(
            f"    {unit:<26}" + "".join(f"{v:>9.{digits}f}" for v in (row[0].bias, row[1].bias, row[2].largest))
        )
    lines.append("    (mean over the paths of each path's mean and 95 %; the largest of all)")
    header = f"{'n':>5}  {'bias':>8}  {'95 % of the bias':>18}  {'SD':>7}  {'largest':>7}"
    lines += ["", f"  {'error, measured less true':<38}{header}"]
    for name, one in found.figures.items():
        span = "" if one.bias_interval is None else f"{one.bias_interval[0]:+.3f} to {one.bias_interval[1]:+.3f}"
        std = "" if one.std is None else f"{one.std:.3f}"
        lines.append(f"    {FIGURES[name]:<36}{one.n:>5}  {one.bias:>+8.3f}  {span:>18}  {std:>7}  {one.largest:>7.3f}")
        for met in one.within:
            low, high = met.interval
            lines.append(
                f"      within {met.within:g} mm: {100 * met.value:.0f} % (95 %: {100 * low:.0f} to {100 * high:.0f} %)"
            )
    for title, items in (
        ("canals without a path", [f"image {image}, canal {canal}" for image, canal in found.without_path]),
        ("paths without a canal in the truth", list(found.without_truth)),
        ("paths that cannot be used", list(found.unusable)),
    ):
        if items:
            lines += ["", f"  {len(items)} {title}", *(f"    {item}" for item in items)]
    return "\n".join(lines) + "\n"
