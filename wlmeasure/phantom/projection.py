"""Cone-beam geometry of one exposure: from points in the tooth's frame to exact pixels.

The tooth's frame is in mm: z along the tooth with the crown at +z, y towards the source (vestibular), x mesiodistal. Seen
from the detector's side: rows run against z, columns along x. The tooth stays; source and detector go around it.
"""

from __future__ import annotations

from math import cos, radians, sin

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import ArrayLike, NDArray

from wlmeasure.errors import PhantomError, check_finite, check_positive

__all__ = ["Projection", "aim"]

Float64 = NDArray[np.float64]


def _vector(value: ArrayLike) -> Float64:
    array = np.array(value, np.float64)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise PhantomError(f"a vector must be three finite numbers: {value!r}")
    array.flags.writeable = False
    return array


@frozen(eq=False)
class Projection:
    """A point source and a flat detector in the tooth's frame.

    Attributes
    ----------
    source_mm, centre_mm : (3,)
        Focal spot, and the point of the detector at pixel `centre_px`, mm.
    down, right : (3,)
        Unit vectors in the detector along growing rows and growing columns; they stand square to each other.
    rows, cols
        Size of the image in pixels.
    mm_per_px_row, mm_per_px_col
        Distance of pixel centres on the detector between rows and between columns, mm.
    """

    source_mm: Float64 = field(converter=_vector)
    centre_mm: Float64 = field(converter=_vector)
    down: Float64 = field(converter=_vector)
    right: Float64 = field(converter=_vector)
    rows: int
    cols: int
    mm_per_px_row: float
    mm_per_px_col: float
    centre_px: tuple[float, float]

    @property
    def _normal(self) -> Float64:
        normal: Float64 = np.cross(self.down, self.right)
        return normal

    @property
    def mirrored(self) -> bool:
        """True where left and right have changed sides on the image."""
        return bool((self.centre_mm - self.source_mm) @ self._normal < 0.0)

    def pixels(self, points_mm: ArrayLike) -> Float64:
        """Exact (row, col) of points (N, 3) in the tooth's frame; (N, 2).

        Raises PhantomError for a point that is not in front of the source.
        """
        return self.pixels_and_depth(points_mm)[0]

    def pixels_and_depth(self, points_mm: ArrayLike) -> tuple[Float64, Float64]:
        """(row, col) of points, and their distance from the source as a share of the way to the detector (1 = on it)."""
        points = np.asarray(points_mm, np.float64)
        ray = points - self.source_mm
        to_detector = (self.centre_mm - self.source_mm) @ self._normal
        depth: Float64 = (ray @ self._normal) / to_detector
        if not (depth > 0.0).all():
            raise PhantomError("points_mm must lie in front of the source: move the source away")
        hit = ray / depth[:, None] - (self.centre_mm - self.source_mm)
        row = self.centre_px[0] + hit @ self.down / self.mm_per_px_row
        col = self.centre_px[1] + hit @ self.right / self.mm_per_px_col
        return np.column_stack([row, col]), depth

    def magnification(self, points_mm: ArrayLike) -> Float64:
        """How much larger than life a small object parallel to the detector appears at each point (N, 3); (N,)."""
        return 1.0 / self.pixels_and_depth(points_mm)[1]

    def detector_points(self, row: ArrayLike, col: ArrayLike) -> Float64:
        """Points on the detector, mm, of pixels; (..., 3)."""
        down = (np.asarray(row, np.float64) - self.centre_px[0]) * self.mm_per_px_row
        right = (np.asarray(col, np.float64) - self.centre_px[1]) * self.mm_per_px_col
        down, right = np.broadcast_arrays(down, right)
        points: Float64 = self.centre_mm + down[..., None] * self.down + right[..., None] * self.right
        return points

    def through_plane(self, row: ArrayLike, col: ArrayLike) -> tuple[Float64, Float64]:
        """Where the rays of pixels cross the tooth's own plane y = 0: x and z, mm."""
        ray = self.detector_points(row, col) - self.source_mm
        share = -self.source_mm[1] / ray[..., 1]
        return self.source_mm[0] + share * ray[..., 0], self.source_mm[2] + share * ray[..., 2]

    def finer(self, factor: int) -> Projection:
        """The same exposure on pixels `factor` times smaller; pixel (0, 0) is split into `factor` x `factor`."""
        edge = 0.5 * (factor - 1)
        return Projection(
            self.source_mm,
            self.centre_mm,
            self.down,
            self.right,
            self.rows * factor,
            self.cols * factor,
            self.mm_per_px_row / factor,
            self.mm_per_px_col / factor,
            (self.centre_px[0] * factor + edge, self.centre_px[1] * factor + edge),
        )

    def coarser(self, factor: int) -> Projection:
        """The same exposure on pixels `factor` times larger, enough of them to cover the image; the inverse of `finer`."""
        edge = 0.5 * (factor - 1)
        return Projection(
            self.source_mm,
            self.centre_mm,
            self.down,
            self.right,
            -(-self.rows // factor),
            -(-self.cols // factor),
            self.mm_per_px_row * factor,
            self.mm_per_px_col * factor,
            ((self.centre_px[0] - edge) / factor, (self.centre_px[1] - edge) / factor),
        )

    def mapped(self, matrix: ArrayLike, shift_px: ArrayLike, rows: int, cols: int) -> Projection:
        """The same exposure on an image of `rows` x `cols` whose (row, col) is `matrix` @ (row, col) + `shift_px`.

        Turns, mirrored films and resampled ones are projections again: the pixels of points stay exact.

        Raises
        ------
        PhantomError
            A matrix that is not (2, 2) or under which rows and columns no longer stand square to each other on the detector.
        """
        turn, shift = np.asarray(matrix, np.float64), np.asarray(shift_px, np.float64)
        if turn.shape != (2, 2) or shift.shape != (2,):
            raise PhantomError(f"matrix and shift_px must have the shapes (2, 2) and (2,): {turn.shape}, {shift.shape}")
        per_mm = turn @ np.vstack([self.down / self.mm_per_px_row, self.right / self.mm_per_px_col])
        size = np.linalg.norm(per_mm, axis=1)
        if not (size > 0.0).all() or abs(per_mm[0] @ per_mm[1]) > 1e-9 * size[0] * size[1]:
            raise PhantomError("matrix must leave rows and columns square to each other on the detector: turn in mm")
        centre = turn @ np.asarray(self.centre_px) + shift
        return Projection(
            self.source_mm,
            self.centre_mm,
            per_mm[0] / size[0],
            per_mm[1] / size[1],
            rows,
            cols,
            # Whole turns of pixels leave 0.055 at 0.055.
            float(np.round(1.0 / size[0], 13)),
            float(np.round(1.0 / size[1], 13)),
            (float(centre[0]), float(centre[1])),
        )

    def seen_from(self, turn: Float64, shift_mm: ArrayLike) -> Projection:
        """The same exposure in the frame of a body whose point p stands at `turn` (3, 3) @ p + `shift_mm`."""
        shift = np.asarray(shift_mm, np.float64)
        return evolve(
            self,
            source_mm=turn.T @ (self.source_mm - shift),
            centre_mm=turn.T @ (self.centre_mm - shift),
            down=turn.T @ self.down,
            right=turn.T @ self.right,
        )


def _about_x(angle_deg: float) -> Float64:
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def _about_z(angle_deg: float) -> Float64:
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def aim(
    *,
    source_object_mm: float,
    source_detector_mm: float,
    rows: int,
    cols: int,
    spacing_mm: tuple[float, float],
    horizontal_deg: float = 0.0,
    vertical_deg: float = 0.0,
    technique: str = "square",
    detector_tilt_deg: float | None = None,
    detector_turn_deg: float = 0.0,
    aim_mm: ArrayLike = (0.0, 0.0, 0.0),
    aim_px: tuple[float, float] | None = None,
    roll_deg: float = 0.0,
) -> Projection:
    """Projection whose central ray meets the tooth at `aim_mm` and the detector at pixel `aim_px` (its middle).

    Parameters
    ----------
    source_object_mm, source_detector_mm
        Distances along the central ray, mm.
    rows, cols
        Size of the image.
    spacing_mm
        Distance of pixel centres between rows and between columns, mm.
    aim_mm, aim_px
        Where the central ray meets the tooth, mm in its frame, and the image, (row, col).
    horizontal_deg
        Angulation of the tube about the tooth's axis: the tooth as if turned by this angle about z.
    vertical_deg
        The tooth's long axis from the plane square to the central ray (a of Cieszynski's construction).
    technique
        How the detector is tilted about the row direction: "paralleling" (parallel to the tooth), "bisecting" (so that the
        central ray stands square to the plane halfway between tooth and detector) or "square" (to the central ray).
    detector_tilt_deg
        Tilt of the detector from the plane square to the central ray (b), in place of `technique`.
    detector_turn_deg
        Turn of the detector about the tooth's axis against the plane square to the ray; `-horizontal_deg` leaves it where
        it was before the tube was shifted.
    roll_deg
        Turn of the detector in its own plane: 90 gives a film that lies sideways.

    Raises
    ------
    PhantomError
        A distance or spacing that is not > 0, a detector that is not beyond the tooth, an unknown technique.
    """
    near = check_positive(PhantomError, "source_object_mm", source_object_mm)
    far = check_positive(PhantomError, "source_detector_mm", source_detector_mm)
    if far <= near:
        raise PhantomError(f"source_detector_mm must be > source_object_mm: {far:g}, {near:g}")
    for name, value in (("horizontal_deg", horizontal_deg), ("vertical_deg", vertical_deg), ("roll_deg", roll_deg)):
        check_finite(PhantomError, name, value)
    if technique not in ("paralleling", "bisecting", "square"):
        raise PhantomError(f"technique must be paralleling, bisecting or square: {technique!r}")
    tilt = {"paralleling": vertical_deg, "bisecting": -vertical_deg, "square": 0.0}[technique]
    if detector_tilt_deg is not None:
        tilt = check_finite(PhantomError, "detector_tilt_deg", detector_tilt_deg)
    # In the ray's frame the source stands at +y, the tooth is turned about z, then tilted about x; here the tooth stays.
    to_ray = _about_x(vertical_deg) @ _about_z(horizontal_deg)
    target = np.asarray(aim_mm, np.float64)
    frame = _about_z(detector_turn_deg) @ _about_x(tilt)
    c, s = cos(radians(roll_deg)), sin(radians(roll_deg))
    down = frame @ np.array([s, 0.0, -c])
    right = frame @ np.array([c, 0.0, s])
    row_mm, col_mm = (check_positive(PhantomError, "spacing_mm", v) for v in spacing_mm)
    return Projection(
        source_mm=target + to_ray.T @ np.array([0.0, near, 0.0]),
        centre_mm=target + to_ray.T @ np.array([0.0, near - far, 0.0]),
        down=to_ray.T @ down,
        right=to_ray.T @ right,
        rows=rows,
        cols=cols,
        mm_per_px_row=row_mm,
        mm_per_px_col=col_mm,
        centre_px=((rows - 1) / 2.0, (cols - 1) / 2.0) if aim_px is None else aim_px,
    )
