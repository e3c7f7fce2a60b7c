"""One film of a tooth laid on another film of the same tooth: where a point of film A lies on film B, and how surely.

What changes between films of one treatment is what lies in the canals and over the crown, the exposure, the tone curve, the
detector and how the film lay in the hand. What stays are the outlines of root, crown, bone and neighbours. So the films are
compared by the directions of their edges, each as strong as it stands out of its surroundings: a file's edge then counts no
more than a root's. A search over turn, scale and place (`laying`) gives the start; patches of edges are then matched
(`patches`), each with its own 2 x 2 certainty (along an edge it knows nothing), and a plane-to-plane map is fitted to them by
iterated reweighting, from coarse to fine (`parallax`).

The map is a projective one of eight parameters: two pictures of one plane from two points are related by nothing less. The
two parameters of perspective are hardly seen in a tooth of 20 mm from 300 mm away, so they get a prior, and with it the map is
affine where nothing else is seen. What no plane can carry is parallax: points before or behind the plane move against it when
the angulation changes. On the outline it is seen, as a residual, and a point on the outline (an apex) follows the smooth field
of it. Other points (a cusp within the crown) have a depth of their own, which enters their uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import asin, atan2, degrees, hypot, radians, sin, sqrt
from typing import Literal

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import TraceError, check_positive
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import as_points, frozen_array, polyline_feet
from wlmeasure.trace.edges import edges_of, square_grid, warped_edges
from wlmeasure.trace.laying import COARSE_MM, layings
from wlmeasure.trace.parallax import Field, fit_field, fit_map, map_change, map_jacobian
from wlmeasure.trace.patches import Matches, match_patches

__all__ = ["Landmark", "Registration", "Verdict", "register_films"]

Float64 = NDArray[np.float64]
Verdict = Literal["fits", "projections differ", "not the same tooth"]

ROUGH_MM = 0.025  # of a pixel where nothing is known of it, as everywhere before there is a scale
SCALES_KNOWN, SCALES_ROUGH = (0.87, 1.15), (0.58, 1.75)
"""Length on B over length on A that is looked for: with pixel sizes known, the magnifications alone (1.03 to 1.10 each, from
memory, and a foreshortening); without, detectors of 0.018 to 0.03 mm. Our parameters."""
STEPS = ((0.4, 4, 2), (0.2, 3, 2), (0.1, 5, 2))
"""Step of the grid in mm, reach in steps and rounds, from coarse to fine; our parameters."""
PATCH_MM, PATCH_STEPS = 0.5, 2.5
"""Standard deviation of a patch's window: in mm, and at least so many steps; our parameters."""
APART_MM = 0.8
"""Distance of patches; neighbours share little of their windows. Our parameter."""
NEAR_MM = 6.0
"""Standard deviation of the bell by which patches away from the tooth count less, mm; our parameter."""
FIELD_REACH_MM, FIELD_MOST = 10.0, 400
"""Offsets of the field lie so near to the tooth, mm, and are so many at most: the fit takes the cube of it. Our parameters."""
ALONG_SHARE = 0.05
"""A direction counts where it is at least so sure, as a share of the usual certainty; our parameter."""
EXPLAINED_CORRELATION, EXPLAINED_MM = 0.5, 0.3
"""A patch is explained where it correlates so well and lies so near to where the map has it; our parameters."""
LEAST_PATCHES = 25
"""A map of eight parameters rests on at least three times as many patches; our parameter."""
LEAST_SCORE, LEAST_EXPLAINED = 0.5, 0.45
"""Correlation of the films laid roughly, and share of the edges explained, below which it is another tooth; from phantoms."""
MOST_PARALLAX_MM = 0.085
"""Residual of the outline above which the projections differ too much: it grows by `OUTLINE_DEPTH_MM` times the sine of the
change of angulation, so this is a change of about 12 degrees. On the same phantoms it was 0.02 to 0.076 (one of 40: 0.092) for
changes of up to 5 degrees a way, and 0.093 to 0.21 for 15 to 30 degrees (two of 30: 0.053, 0.072)."""
MOST_SPREAD_MM, SPREAD_CAP_MM = 0.11, 0.4
"""Root mean square of all patches' residuals, each counted up to the cap, above which they differ too: where many patches let
go of the map the residual of the others is small. On 40 phantoms that should fit it was 0.014 to 0.104, but for two of 0.114
and 0.116; on 30 that should not 0.111 to 0.21."""
MOST_ANISOTROPY = 1.06
"""Largest over smallest scale of the map, likewise: at most 1.032 on films that fit; 1.06 is a foreshortening by 19 degrees."""
OUTLINE_DEPTH_MM = 0.4
"""Spread of the outline's depth about its plane as the residual shows it, mm; from the same phantoms."""
APEX_PARALLAX, POINT_PARALLAX = 2.2, 3.7
"""Standard deviation, either way, of what is left of a point's parallax, over the residual of the outline: of a point on the
outline that follows its field, and of any other point: a depth of 0.9 mm and of 1.5 mm off it; from 39 phantoms."""
LEAST_STD_MM = 0.03
"""Standard deviation of a carried point at the least, either way, mm: a third of the finest grid's step; our parameter."""
MARK_STD_PX = 2.0
"""Of a point marked by a person, pixels; common practice."""


@frozen(eq=False)
class Landmark:
    """The same point marked on both films, (row, col), with its standard deviation in pixels on each."""

    a_px: Float64 = field(converter=frozen_array)
    b_px: Float64 = field(converter=frozen_array)
    a_std_px: float = MARK_STD_PX
    b_std_px: float = MARK_STD_PX


@frozen(eq=False)
class Registration:
    """Film A laid on film B.

    Attributes
    ----------
    a_to_b : (3, 3)
        Maps (row, col, 1) of A to (row, col, 1) of B, up to a factor.
    covariance : (8, 8)
        Of the map's parameters: a change near the identity about `centre_px`, in mm of A (:func:`.parallax.map_change`).
    centre_px : (2,)
        Middle of the tooth on A.
    a_mm_per_px, b_mm_per_px
        Pixel sizes (rows, cols) that were taken, rough where nothing better is known.
    explained
        Share of A's edges about the tooth that lie on B where the map has them.
    score
        Correlation of the films at low resolution, at most 1.
    residual_mm
        Spread of what the map leaves on the outline, mm of A.
    turn_deg, scale, anisotropy
        What the map does at the centre: its turn (from rows to columns), length on B over length on A in mm, and its largest
        over its smallest scale.
    perspective_per_mm
        How much the scale changes along a millimetre.
    verdict, why
        Whether it may be used, and a sentence where not.
    """

    a_to_b: Float64 = field(converter=frozen_array, repr=False)
    covariance: Float64 = field(converter=frozen_array, repr=False)
    centre_px: Float64 = field(converter=frozen_array)
    a_mm_per_px: tuple[float, float]
    b_mm_per_px: tuple[float, float]
    explained: float
    score: float
    residual_mm: float
    turn_deg: float
    scale: float
    anisotropy: float
    perspective_per_mm: float
    verdict: Verdict
    why: str
    _field: Field | None = field(default=None, repr=False)

    @property
    def fits(self) -> bool:
        return self.verdict == "fits"

    @property
    def angle_deg(self) -> float:
        """Change of angulation that the residual amounts to, roughly, degrees; not below what noise alone gives, some 3."""
        return degrees(asin(min(1.0, self.residual_mm / OUTLINE_DEPTH_MM)))

    def to_b(self, points_px: ArrayLike) -> Float64:
        """Points (N, 2) of A on B by the map alone, as for drawing."""
        return _mapped(self.a_to_b, as_points(TraceError, "points_px", points_px))

    def carry(self, points_px: ArrayLike, *, on_outline: bool, std_px: float = MARK_STD_PX) -> tuple[Float64, Float64]:
        """Marked points of A on B, and how surely.

        Parameters
        ----------
        points_px
            (N, 2) on A.
        on_outline
            Whether they lie on the tooth's outline, as an apex does; a cusp within the crown does not.
        std_px
            Standard deviation with which they were marked on A.

        Returns
        -------
        tuple
            Points (N, 2) and their covariances (N, 2, 2), both in pixels of B.

        Raises
        ------
        TraceError
            The films do not fit (`verdict`).
        """
        points = as_points(TraceError, "points_px", points_px)
        if not self.fits:
            raise TraceError(f"points_px cannot be carried over: {self.why}")
        size = np.array(self.a_mm_per_px)
        at = (points - self.centre_px) * size
        if on_outline and self._field is not None:
            moved, spread = self._field.at(at)
            points, share = points + moved / size, APEX_PARALLAX
        else:
            jacobian = map_jacobian(at)
            spread, share = np.einsum("nia,ab,njb->nij", jacobian, self.covariance, jacobian), POINT_PARALLAX
        spread = spread + np.eye(2) * ((share * self.residual_mm) ** 2 + LEAST_STD_MM**2)
        # mm of A to pixels of A, with the click; pixels of A to pixels of B by the map's slope there.
        spread = spread / np.outer(size, size) + np.eye(2) * std_px**2
        slope = _slopes(self.a_to_b, points)
        return _mapped(self.a_to_b, points), np.einsum("nij,njk,nlk->nil", slope, spread, slope)


def register_films(
    a: Radiograph,
    b: Radiograph,
    *,
    a_mm_per_px: tuple[float, float] | None = None,
    b_mm_per_px: tuple[float, float] | None = None,
    about_px: ArrayLike | None = None,
    landmarks: Sequence[Landmark] = (),
    angle_deg: float = 0.0,
) -> Registration:
    """Lay film A on film B.

    Parameters
    ----------
    a, b
        The films.
    a_mm_per_px, b_mm_per_px
        Their pixel sizes (rows, cols) as well as known: a calibration, a claim of the header; both or none, since one alone
        tells nothing of the other.
    about_px
        Points of A along the tooth, as of a canal's path; the middle of the film where left out.
    landmarks
        Points marked on both films. Each has its own parallax as any point, so it counts less than a patch of outline does.
    angle_deg
        How much the angulation differs as far as it was noted. The outline of a round root does not tell that the tooth was
        seen from another side: where this says more than the residual, it counts in its place.

    Returns
    -------
    Registration
        Also where the films do not fit; `verdict` says so.

    Raises
    ------
    TraceError
        Points that are none, or a pixel size that is not > 0.
    """
    if a_mm_per_px is not None and b_mm_per_px is not None:
        first, second, known = a_mm_per_px, b_mm_per_px, True
    elif a.spacings and b.spacings:
        first, second = ((film.spacings[0].row_mm, film.spacings[0].col_mm) for film in (a, b))
        known = True
    else:
        first, second = ((ROUGH_MM, ROUGH_MM * film.col_over_row) for film in (a, b))
        known = False
    for name, size in zip(("a_mm_per_px", "b_mm_per_px"), (first, second), strict=True):
        for value in size:
            check_positive(TraceError, name, value)
    if about_px is None:
        about = np.array([[(a.rows - 1) / 2.0, (a.cols - 1) / 2.0]])
    else:
        about = as_points(TraceError, "about_px", about_px)
    return _register(a, b, first, second, known, about, landmarks, angle_deg)


def _register(
    a: Radiograph,
    b: Radiograph,
    size_a: tuple[float, float],
    size_b: tuple[float, float],
    known: bool,
    about: Float64,
    landmarks: Sequence[Landmark],
    angle_deg: float,
) -> Registration:
    grids = [square_grid(film, COARSE_MM, size) for film, size in ((a, size_a), (b, size_b))]
    laid = layings(grids[0][0], grids[1][0], SCALES_KNOWN if known else SCALES_ROUGH, 1)
    centre = (about.min(axis=0) + about.max(axis=0)) / 2.0
    mm_a, mm_b = (np.diag([*size, 1.0]) for size in (size_a, size_b))
    if not laid:
        raise TraceError("film must show something: it is one grey; choose another film")
    to_px = [_grid_to_px(step) for _, step in grids]
    to_steps = np.diag([1.0 / COARSE_MM, 1.0 / COARSE_MM, 1.0])
    a_to_b = to_px[1] @ to_steps @ laid[0].to_other @ np.linalg.inv(to_px[0] @ to_steps)
    # mm of A about the centre, and back
    to_mm = mm_a.copy()
    to_mm[:2, 2] = -centre * np.array(size_a)
    from_mm = np.linalg.inv(to_mm)
    line = (about - centre) * np.array(size_a)
    covariance, residual, rms, explained, local = np.eye(8), 1.0, 1.0, 0.0, None
    for step, reach, rounds in STEPS:
        (grid_a, step_a), (grid_b, step_b) = (square_grid(f, step, s) for f, s in ((a, size_a), (b, size_b)))
        edges_a, a_px, b_px = edges_of(grid_a, step), _grid_to_px(step_a), _grid_to_px(step_b)
        for k in range(rounds):
            edges_b, _ = warped_edges(grid_b, np.linalg.inv(b_px) @ a_to_b @ a_px, edges_a.shape[:2], step)
            found = match_patches(
                edges_a, edges_b, reach, max(PATCH_MM / step, PATCH_STEPS), max(2, round(APART_MM / step))
            )
            if len(found.at) < LEAST_PATCHES:
                break
            at = _mapped(to_mm, _mapped(a_px, found.at))
            near = np.exp(-(polyline_feet(at, line).apart ** 2) / (2.0 * NEAR_MM**2))
            offset, sure = found.off * step, found.certainty / step**2
            counts = np.clip(found.correlation, 0.0, 1.0) ** 2 * near
            marks = _marked(landmarks, a_to_b, to_mm, size_a, residual)
            p, covariance, residual, left = fit_map(
                np.vstack([at, marks[0]]),
                np.vstack([offset, marks[1]]),
                np.concatenate([sure, marks[2] * np.median(np.trace(sure, axis1=1, axis2=2))]),
                np.concatenate([counts, marks[3]]),
                held=len(landmarks),
            )
            left = left[: len(at)]
            rms = float(np.sqrt(np.average(np.minimum(left, SPREAD_CAP_MM) ** 2, weights=counts)))
            count = near * found.weight
            good = (found.correlation > EXPLAINED_CORRELATION) & (left < EXPLAINED_MM)
            explained = float(count[good].sum() / max(count.sum(), 1e-9))
            if (step, k) == (STEPS[-1][0], rounds - 1):
                local = _local(found, at, sure, offset, line, p, residual)
            a_to_b = a_to_b @ from_mm @ map_change(p) @ to_mm
            a_to_b /= a_to_b[2, 2]
    residual = max(residual, OUTLINE_DEPTH_MM * abs(sin(radians(angle_deg))))
    turn, scale, anisotropy, perspective = _told(mm_b @ a_to_b @ from_mm)
    verdict, why = _judged(laid[0].score, explained, residual, rms, anisotropy)
    return Registration(
        a_to_b, covariance, centre, size_a, size_b, explained, laid[0].score, residual,
        turn, scale, anisotropy, perspective, verdict, why, local,
    )  # fmt: skip


def _judged(score: float, explained: float, residual: float, rms: float, anisotropy: float) -> tuple[Verdict, str]:
    if score < LEAST_SCORE or explained < LEAST_EXPLAINED:
        return "not the same tooth", (
            f"only {100 * explained:.0f} % of the tooth's edges are found on the other film; it shows another tooth, or too "
            "little of this one"
        )
    left = "points before or behind that plane cannot be carried over; it may also be another tooth"
    if residual > MOST_PARALLAX_MM:
        angle = degrees(asin(min(1.0, residual / OUTLINE_DEPTH_MM)))
        return "projections differ", (
            f"after the best fit of a plane {residual:.2f} mm are left on the outline (or were noted as angulation), as when "
            f"the angulation differs by roughly {angle:.0f} degrees; {left}"
        )
    if rms > MOST_SPREAD_MM:
        return "projections differ", f"parts of the outline lie {rms:.2f} mm off the best fit of a plane; {left}"
    if anisotropy > MOST_ANISOTROPY:
        return "projections differ", (
            f"one film is stretched by {100 * (anisotropy - 1):.0f} % against the other, as when the angulation differs; {left}"
        )
    return "fits", ""


def _told(mm_to_mm: Float64) -> tuple[float, float, float, float]:
    """Turn in degrees, scale, anisotropy and perspective of a map from mm about the centre to mm."""
    slope = _slopes(mm_to_mm, np.zeros((1, 2)))[0]
    turn = degrees(atan2(slope[1, 0] - slope[0, 1], slope[0, 0] + slope[1, 1]))
    large, small = np.linalg.svd(slope, compute_uv=False)
    bend = mm_to_mm[2, :2] / mm_to_mm[2, 2]
    return turn, float(sqrt(large * small)), float(large / small), hypot(*bend)


def _local(
    found: Matches, at: Float64, sure: Float64, offset: Float64, line: Float64, p: Float64, residual: float
) -> Field | None:
    """The field of parallax about the tooth, on top of the map with parameters `p`."""
    apart = polyline_feet(at, line).apart
    n = np.argsort(apart)
    n = n[apart[n] < FIELD_REACH_MM]
    values, vectors = np.linalg.eigh(sure[n])
    usual = float(np.median(values[:, 1]))
    offset = offset[n] - map_jacobian(at[n]) @ p
    where, ways, offs, noise = [], [], [], []
    for j in (1, 0):
        kept = values[:, j] > ALONG_SHARE * usual
        where.append(at[n][kept])
        ways.append(vectors[kept][:, :, j])
        offs.append(np.einsum("ni,ni->n", offset[kept], ways[-1]))
        noise.append(usual / values[kept, j] / np.clip(found.correlation[n][kept], 0.1, 1.0) ** 2)
    order = np.argsort(polyline_feet(np.vstack(where), line).apart, kind="stable")[:FIELD_MOST]
    if len(order) < LEAST_PATCHES:
        return None
    return fit_field(
        np.vstack(where)[order],
        np.vstack(ways)[order],
        np.concatenate(offs)[order],
        np.concatenate(noise)[order],
        residual,
    )


def _marked(
    landmarks: Sequence[Landmark], a_to_b: Float64, to_mm: Float64, size: tuple[float, float], residual: float
) -> tuple[Float64, Float64, Float64, Float64]:
    """Places, offsets, certainties and weights of marked points, as of patches whose spread is the residual."""
    n = len(landmarks)
    at, off, sure, weight = np.zeros((n, 2)), np.zeros((n, 2)), np.zeros((n, 2, 2)), np.ones(n)
    for k, mark in enumerate(landmarks):
        back = _mapped(np.asarray(np.linalg.inv(a_to_b), np.float64), mark.b_px[None])
        at[k] = _mapped(to_mm, mark.a_px[None])[0]
        off[k] = (_mapped(to_mm, back) - at[k])[0]
        std = hypot(mark.a_std_px, mark.b_std_px) * sqrt(size[0] * size[1])
        std = hypot(std, POINT_PARALLAX * residual)
        sure[k], weight[k] = np.eye(2) / 2.0, (residual / std) ** 2
    return at, off, sure, weight


def _grid_to_px(step_px: tuple[float, float]) -> Float64:
    r, c = step_px
    return np.array([[r, 0.0, (r - 1.0) / 2.0], [0.0, c, (c - 1.0) / 2.0], [0.0, 0.0, 1.0]])


def _mapped(matrix: Float64, points: Float64) -> Float64:
    out = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(out[:, :2] / out[:, 2:])


def _slopes(matrix: Float64, points: Float64) -> Float64:
    """Derivatives of the mapped points, (N, 2, 2)."""
    out = points @ matrix[:, :2].T + matrix[:, 2]
    whole = out[:, 2:, None]
    return np.asarray(
        (matrix[None, :2, :2] - (out[:, :2] / out[:, 2:])[:, :, None] * matrix[None, None, 2, :2]) / whole
    )
