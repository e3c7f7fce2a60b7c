"""What is true of a phantom: 3-D and pixel centre lines, lengths, curvature, magnification, the file, the geometry."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.scene import FileInCanal, FillingInCanal, Scene
from wlmeasure.phantom.tooth import Joint
from wlmeasure.points import frozen_array

__all__ = ["SCHEMA", "CanalTruth", "FileTruth", "FillingTruth", "Truth", "truth_of"]

Float64 = NDArray[np.float64]

SCHEMA = "wlmeasure-phantom/1"
SAMPLE_MM = 0.05
"""Distance of the points that are given; a chord of it is short by 2e-4 of itself at a radius of 0.7 mm."""


@frozen(eq=False)
class CanalTruth:
    """One canal from orifice to foramen.

    Attributes
    ----------
    points_mm : (N, 3), path_px : (N, 2), arc_mm, kappa_per_mm, magnification : (N,)
        Centre line in the tooth's frame, its exact projection (row, col), true arc length from the orifice, curvature, and
        the magnification of a small object parallel to the detector at each point.
    length_mm
        True arc length, orifice to foramen.
    coronal_mm, reference_mm, reference_px
        Straight distance from the coronal reference point to the orifice, and that point in 3-D and on the film.
    apex_mm, apex_px
        End of the root that holds the canal.
    width_mm
        Lumen at the orifice and at its narrowest, before a file widened it.
    joins
        Canal that this one runs into, and the length that both share up to that one's foramen; None for a canal with a
        foramen of its own. All the rest holds for the whole way, the shared stretch included.
    """

    name: str
    root: int
    points_mm: Float64 = field(converter=frozen_array)
    path_px: Float64 = field(converter=frozen_array)
    arc_mm: Float64 = field(converter=frozen_array)
    kappa_per_mm: Float64 = field(converter=frozen_array)
    magnification: Float64 = field(converter=frozen_array)
    length_mm: float
    coronal_mm: float
    reference_mm: Float64 = field(converter=frozen_array)
    reference_px: Float64 = field(converter=frozen_array)
    apex_mm: Float64 = field(converter=frozen_array)
    apex_px: Float64 = field(converter=frozen_array)
    width_mm: tuple[float, float]
    joins: Joint | None = None

    @property
    def total_mm(self) -> float:
        """Reference point to foramen along the canal: coronal part and canal."""
        return self.coronal_mm + self.length_mm


@frozen(eq=False)
class FileTruth:
    """The file in canal `canal` (name): from the stop's apical face, at the coronal reference point, to its tip."""

    canal: str
    points_mm: Float64 = field(converter=frozen_array)
    path_px: Float64 = field(converter=frozen_array)
    stop_px: Float64 = field(converter=frozen_array)
    tip_px: Float64 = field(converter=frozen_array)
    stop_to_tip_mm: float
    tip_short_mm: float
    size_mm: float
    taper: float
    tip_angle_deg: float
    stop_in_view: bool


@frozen(eq=False)
class FillingTruth:
    """Where the filling of canal `canal` (name) ends: in 3-D and on the film, and how far from the canal's and the root's end.

    `short_mm` is along the canal to its foramen; `to_apex_mm` and `to_apex_px` are straight to the end of the root, in 3-D and
    as the difference (rows, columns) on the film. `size_mm`, `taper`: the shape, as `Options` has it.
    """

    canal: str
    end_mm: Float64 = field(converter=frozen_array)
    end_px: Float64 = field(converter=frozen_array)
    short_mm: float
    to_apex_mm: float
    to_apex_px: Float64 = field(converter=frozen_array)
    size_mm: float
    taper: float


@frozen(eq=False)
class Truth:
    """All that is true of one film. `facts` are plain values: seed, level, options as drawn, geometry, detector."""

    canals: tuple[CanalTruth, ...]
    file: FileTruth | None
    facts: dict[str, Any]
    fillings: tuple[FillingTruth, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values of schema `wlmeasure-phantom/1`: pixels to 1e-4, millimetres to 1e-5, kappa to 1e-6.

        Members of the whole: `schema`, `seed`, `level`, `rows`, `cols`, `bits`, `mm_per_px_row`, `mm_per_px_col`,
        `geometry`, `tooth`, `detector`, `restorations` (materials), `cap` ("metal", "veneered" or null), `clamp`,
        `neighbours` (how many), `ramp_mm`, `scatter` (over the primary), `jpeg_quality`, `sensor_marks`, for one of several
        films of a tooth `shift` (`make_views`), then `canals`, `file` and `fillings` with the attributes of `CanalTruth`,
        `FileTruth` and `FillingTruth`. A canal's `joins` is null or `canal` and `mm_from_apex`, as in a case file.
        """
        return {
            "schema": SCHEMA,
            **self.facts,
            "canals": [_canal_json(canal) for canal in self.canals],
            "file": None if self.file is None else _file_json(self.file),
            "fillings": [_filling_json(one) for one in self.fillings],
        }


def _list(values: Float64, digits: int) -> list[Any]:
    # Adding 0 turns -0.0 into 0.0.
    plain: list[Any] = (np.round(values, digits) + 0.0).tolist()
    return plain


def _canal_json(canal: CanalTruth) -> dict[str, Any]:
    return {
        "name": canal.name,
        "root": canal.root,
        "joins": None
        if canal.joins is None
        else {"canal": canal.joins.canal, "mm_from_apex": round(canal.joins.mm_from_apex, 5)},
        "length_mm": round(canal.length_mm, 5),
        "coronal_mm": round(canal.coronal_mm, 5),
        "total_mm": round(canal.total_mm, 5),
        "width_mm": [round(v, 4) for v in canal.width_mm],
        "reference_mm": _list(canal.reference_mm, 5),
        "reference_px": _list(canal.reference_px, 4),
        "apex_mm": _list(canal.apex_mm, 5),
        "apex_px": _list(canal.apex_px, 4),
        "arc_mm": _list(canal.arc_mm, 5),
        "points_mm": _list(canal.points_mm, 5),
        "path_px": _list(canal.path_px, 4),
        "kappa_per_mm": _list(canal.kappa_per_mm, 6),
        "magnification": _list(canal.magnification, 6),
    }


def _file_json(file: FileTruth) -> dict[str, Any]:
    return {
        "canal": file.canal,
        "stop_to_tip_mm": round(file.stop_to_tip_mm, 5),
        "tip_short_mm": round(file.tip_short_mm, 5),
        "size_mm": file.size_mm,
        "taper": file.taper,
        "tip_angle_deg": round(file.tip_angle_deg, 3),
        "stop_in_view": file.stop_in_view,
        "stop_px": _list(file.stop_px, 4),
        "tip_px": _list(file.tip_px, 4),
        "points_mm": _list(file.points_mm, 5),
        "path_px": _list(file.path_px, 4),
    }


def _filling_json(filling: FillingTruth) -> dict[str, Any]:
    return {
        "canal": filling.canal,
        "end_mm": _list(filling.end_mm, 5),
        "end_px": _list(filling.end_px, 4),
        "short_mm": round(filling.short_mm, 5),
        "to_apex_mm": round(filling.to_apex_mm, 5),
        "to_apex_px": _list(filling.to_apex_px, 4),
        "size_mm": filling.size_mm,
        "taper": filling.taper,
    }


def _sampled(curve: Curve) -> tuple[Float64, Float64, Float64]:
    """Arc lengths, points and curvature about every `SAMPLE_MM`, the ends included."""
    length = curve.length_mm
    arc = np.linspace(0.0, length, int(np.ceil(length / SAMPLE_MM)) + 1)
    index = np.clip(np.searchsorted(curve.arc_mm, arc - 1e-9), 0, curve.arc_mm.size - 1)
    return arc, curve.at(arc), curve.kappa_per_mm[index]


def _one_px(projection: Projection, point_mm: Float64) -> Float64:
    px: Float64 = projection.pixels(point_mm[None])[0]
    return px


def in_view(projection: Projection, px: Float64) -> bool:
    """True where a point lies on the image."""
    return bool(-0.5 <= px[0] < projection.rows - 0.5 and -0.5 <= px[1] < projection.cols - 0.5)


def truth_of(scene: Scene, references_mm: list[Float64], projection: Projection, facts: dict[str, Any]) -> Truth:
    """Truth of a scene on a projection; `references_mm` holds the coronal reference point of each canal in order."""
    canals = []
    k = 0
    for number, root in enumerate(scene.tooth.roots):
        apex = root.end_mm()
        for canal in root.canals:
            arc, points, kappa = _sampled(canal.curve)
            reference = references_mm[k]
            canals.append(
                CanalTruth(
                    name=canal.name,
                    root=number,
                    points_mm=points,
                    path_px=projection.pixels(points),
                    arc_mm=arc,
                    kappa_per_mm=kappa,
                    magnification=projection.magnification(points),
                    length_mm=canal.curve.length_mm,
                    coronal_mm=float(np.linalg.norm(points[0] - reference)),
                    reference_mm=reference,
                    reference_px=_one_px(projection, reference),
                    apex_mm=apex,
                    apex_px=_one_px(projection, apex),
                    width_mm=canal.width_mm,
                    joins=canal.joins,
                )
            )
            k += 1
    file = None if scene.file is None else _file_truth(scene.file, canals, projection)
    fillings = tuple(_filling_truth(one, scene, canals[one.canal], projection) for one in scene.fillings)
    return Truth(tuple(canals), file, facts, fillings)


def _filling_truth(filling: FillingInCanal, scene: Scene, canal: CanalTruth, projection: Projection) -> FillingTruth:
    end = scene.tooth.canals[filling.canal].curve.at([filling.end_mm])[0]
    end_px = _one_px(projection, end)
    return FillingTruth(
        canal=canal.name,
        end_mm=end,
        end_px=end_px,
        short_mm=canal.length_mm - filling.end_mm,
        to_apex_mm=float(np.linalg.norm(canal.apex_mm - end)),
        to_apex_px=canal.apex_px - end_px,
        size_mm=filling.size_mm,
        taper=filling.taper,
    )


def _file_truth(file: FileInCanal, canals: list[CanalTruth], projection: Projection) -> FileTruth:
    _, points, _ = _sampled(file.line)
    path = projection.pixels(points)
    return FileTruth(
        canal=canals[file.canal].name,
        points_mm=points,
        path_px=path,
        stop_px=path[0],
        tip_px=path[-1],
        stop_to_tip_mm=file.line.length_mm,
        tip_short_mm=canals[file.canal].total_mm - file.line.length_mm,
        size_mm=file.size_mm,
        taper=file.taper,
        tip_angle_deg=file.tip_angle_deg,
        stop_in_view=in_view(projection, path[0]),
    )
