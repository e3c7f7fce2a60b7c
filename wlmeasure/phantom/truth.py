"""What is true of a phantom: 3-D and pixel centre lines, lengths, curvature, magnification, the file, the geometry."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.mouth import Mouth, Placed, Work
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.scene import FileInCanal, FillingInCanal, Scene
from wlmeasure.phantom.solid import SIDES
from wlmeasure.phantom.tooth import Joint, Root, Tooth
from wlmeasure.points import frozen_array

__all__ = [
    "SCHEMA",
    "CanalTruth",
    "CuspTruth",
    "FileTruth",
    "FillingTruth",
    "RootTruth",
    "ToothTruth",
    "Truth",
    "WorkTruth",
    "teeth_truth",
    "truth_of",
]

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
    holds
        "nothing", "file" or "filling".
    lumen_mm : (N,)
        Width of what is not hard tissue at each point, as a file or filling widened it; 0 where the canal is closed.
    visible : (N,) of bool
        Where the canal stands out from its noise; None where nobody has looked.
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
    holds: str = "nothing"
    lumen_mm: Float64 | None = None
    visible: NDArray[np.bool_] | None = None

    @property
    def total_mm(self) -> float:
        """Reference point to foramen along the canal: coronal part and canal."""
        return self.coronal_mm + self.length_mm


@frozen(eq=False)
class FileTruth:
    """The file in canal `canal` (name): from the stop's apical face, at the coronal reference point, to its tip.

    Attributes
    ----------
    shaft_px : (M, 2)
        The shaft from the stop's face on up to the handle.
    leaves_px : (2,)
        Where the file's middle leaves the film on its way from the tip to the handle: the image's border, or to a quarter of
        a pixel the inner edge of a frame; None where it does not, or where the tip lies outside.
    rests_on
        Name of the cusp or edge that the stop's face is level with.
    stop_drawn
        False where there is no stop, or one that hardly stands out.
    """

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
    tip_in_view: bool = True
    shaft_px: Float64 | None = None
    leaves_px: Float64 | None = None
    rests_on: str | None = None
    stop_drawn: bool = True


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
class CuspTruth:
    """A point that a length can be counted from: a cusp, or an edge's middle or corner."""

    name: str
    point_mm: Float64 = field(converter=frozen_array)
    px: Float64 = field(converter=frozen_array)


@frozen(eq=False)
class RootTruth:
    """A root: its outline on the film from below the crown's trunk around its end and up again, and that end.

    `outline_px` (N, 2) is open above and not cut at the image's border. `open_apex` is true of a root that is not closed yet.
    """

    outline_px: Float64 = field(converter=frozen_array)
    apex_mm: Float64 = field(converter=frozen_array)
    apex_px: Float64 = field(converter=frozen_array)
    apex_in_view: bool
    open_apex: bool


@frozen(eq=False)
class WorkTruth:
    """Something a clinician made or left: what, of which material, and a line (N, 2) through it on the film."""

    what: str
    material: str
    line_px: Float64 = field(converter=frozen_array)


@frozen(eq=False)
class ToothTruth:
    """A tooth on the film: the one in hand is the first of them. All millimetres are in the frame of that one.

    `kind`: `kinds.KINDS`; `state`: "erupted" or "unerupted"; `lumen`: `kinds.LUMENS`; `cap`: None, "metal" or "veneered".
    """

    kind: str
    state: str
    lumen: str
    roots: tuple[RootTruth, ...]
    cusps: tuple[CuspTruth, ...]
    canals: tuple[CanalTruth, ...]
    files: tuple[FileTruth, ...]
    fillings: tuple[FillingTruth, ...]
    works: tuple[WorkTruth, ...]
    cap: str | None


@frozen(eq=False)
class Truth:
    """All that is true of one film. `facts` are plain values: seed, level, options as drawn, geometry, detector.

    `teeth` are all teeth of a film of level "real"; `canals`, `file` and `fillings` are those of the tooth in hand, its first
    file alone.
    """

    canals: tuple[CanalTruth, ...]
    file: FileTruth | None
    facts: dict[str, Any]
    fillings: tuple[FillingTruth, ...] = ()
    teeth: tuple[ToothTruth, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values of schema `wlmeasure-phantom/1`: pixels to 1e-4, millimetres to 1e-5, kappa to 1e-6.

        Members of the whole: `schema`, `seed`, `level`, `rows`, `cols`, `bits`, `mm_per_px_row`, `mm_per_px_col`,
        `geometry`, `tooth`, `detector`, `restorations` (materials), `cap` ("metal", "veneered" or null), `clamp`,
        `neighbours` (how many), `ramp_mm`, `scatter` (over the primary), `jpeg_quality`, `sensor_marks`, for one of several
        films of a tooth `shift` (`make_views`), then `canals`, `file` and `fillings` with the attributes of `CanalTruth`,
        `FileTruth` and `FillingTruth`. A canal's `joins` is null or `canal` and `mm_from_apex`, as in a case file. Level "real"
        adds `jaw`, `mouth` and `processing` (what was drawn), and `teeth` with the attributes of `ToothTruth`.
        """
        whole = {
            "schema": SCHEMA,
            **self.facts,
            "canals": [_canal_json(canal) for canal in self.canals],
            "file": None if self.file is None else _file_json(self.file),
            "fillings": [_filling_json(one) for one in self.fillings],
        }
        return whole | {"teeth": [_tooth_json(one) for one in self.teeth]} if self.teeth else whole


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


def _tooth_json(tooth: ToothTruth) -> dict[str, Any]:
    return {
        "kind": tooth.kind,
        "state": tooth.state,
        "lumen": tooth.lumen,
        "cap": tooth.cap,
        "roots": [
            {
                "outline_px": _list(root.outline_px, 3),
                "apex_mm": _list(root.apex_mm, 5),
                "apex_px": _list(root.apex_px, 4),
                "apex_in_view": root.apex_in_view,
                "open_apex": root.open_apex,
            }
            for root in tooth.roots
        ],
        "cusps": [
            {"name": cusp.name, "point_mm": _list(cusp.point_mm, 5), "px": _list(cusp.px, 4)} for cusp in tooth.cusps
        ],
        "canals": [
            _canal_json(canal)
            | {
                "holds": canal.holds,
                "lumen_mm": None if canal.lumen_mm is None else _list(canal.lumen_mm, 4),
                "visible": None if canal.visible is None else canal.visible.tolist(),
            }
            for canal in tooth.canals
        ],
        "files": [
            _file_json(file)
            | {
                "tip_in_view": file.tip_in_view,
                "shaft_px": None if file.shaft_px is None else _list(file.shaft_px, 3),
                "leaves_px": None if file.leaves_px is None else _list(file.leaves_px, 4),
                "rests_on": file.rests_on,
                "stop_drawn": file.stop_drawn,
            }
            for file in tooth.files
        ],
        "fillings": [_filling_json(one) for one in tooth.fillings],
        "works": [
            {"what": work.what, "material": work.material, "line_px": _list(work.line_px, 3)} for work in tooth.works
        ],
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


def in_view(projection: Projection, px: Float64) -> bool:
    """True where a point lies on the image."""
    return bool(-0.5 <= px[0] < projection.rows - 0.5 and -0.5 <= px[1] < projection.cols - 0.5)


def truth_of(scene: Scene, references_mm: list[Float64], projection: Projection, facts: dict[str, Any]) -> Truth:
    """Truth of a scene on a projection; `references_mm` holds the coronal reference point of each canal in order."""
    here = _Frame(projection)
    canals = _canals(scene, references_mm, here)
    file = None if scene.file is None else _file_truth(scene.file, scene.tooth, canals, here)
    fillings = tuple(_filling_truth(one, scene, canals[one.canal], here) for one in scene.fillings)
    return Truth(tuple(canals), file, facts, fillings)


def teeth_truth(mouth: Mouth, projection: Projection, film: NDArray[np.uint8] | None = None) -> tuple[ToothTruth, ...]:
    """Truth of all teeth that a projection shows, the one in hand first; what belongs to no tooth stands with that one.

    `film` (rows, cols) is 0 where no film is seen, of a frame for instance; None: it is seen all over the image.
    """
    made = []
    for number, placed in enumerate(mouth.on_film(projection)):
        here, scene = _Frame(projection, placed, film), placed.scene
        canals = _canals(scene, list(placed.references_mm), here)
        works = [_work(one, here) for one in placed.works]
        if number == 0:
            works += [_work(one, _Frame(projection)) for one in mouth.works]
        made.append(
            ToothTruth(
                kind=placed.kind,
                state=placed.state,
                lumen=placed.lumen,
                roots=tuple(_root(root, scene.tooth, here) for root in scene.tooth.roots),
                cusps=tuple(
                    CuspTruth(name, here.mm(point[None])[0], here.px(point)) for name, point in scene.tooth.cusps_mm()
                ),
                canals=tuple(_with_contents(canals, scene)),
                files=tuple(_file_truth(one, scene.tooth, canals, here) for one in scene.files),
                fillings=tuple(_filling_truth(one, scene, canals[one.canal], here) for one in scene.fillings),
                works=tuple(works),
                cap=None if scene.cap is None else scene.cap.kind,
            )
        )
    return tuple(made)


@frozen(eq=False)
class _Frame:
    """From a tooth's own frame to the mouth's and to the film; without `placed` the tooth's frame is the mouth's."""

    projection: Projection
    placed: Placed | None = None
    film: NDArray[np.uint8] | None = None

    def shows(self, px: Float64) -> bool:
        """True where a point of the image shows the film."""
        if not in_view(self.projection, px):
            return False
        row, col = np.rint(px).astype(int)
        return self.film is None or bool(self.film[row, col])

    def mm(self, points_mm: Float64) -> Float64:
        return points_mm if self.placed is None else self.placed.out(points_mm)

    def px(self, point_mm: Float64) -> Float64:
        """(row, col) of one point of the tooth's frame."""
        px: Float64 = self.projection.pixels(self.mm(point_mm[None]))[0]
        return px

    def all_px(self, points_mm: Float64) -> Float64:
        return self.projection.pixels(self.mm(points_mm))


def _canals(scene: Scene, references_mm: list[Float64], here: _Frame) -> list[CanalTruth]:
    canals = []
    k = 0
    for number, root in enumerate(scene.tooth.roots):
        apex = root.end_mm()
        for canal in root.canals:
            arc, points, kappa = _sampled(canal.curve)
            reference, placed = references_mm[k], here.mm(points)
            canals.append(
                CanalTruth(
                    name=canal.name,
                    root=number,
                    points_mm=placed,
                    path_px=here.projection.pixels(placed),
                    arc_mm=arc,
                    kappa_per_mm=kappa,
                    magnification=here.projection.magnification(placed),
                    length_mm=canal.curve.length_mm,
                    coronal_mm=float(np.linalg.norm(points[0] - reference)),
                    reference_mm=here.mm(reference[None])[0],
                    reference_px=here.px(reference),
                    apex_mm=here.mm(apex[None])[0],
                    apex_px=here.px(apex),
                    width_mm=canal.width_mm,
                    joins=canal.joins,
                )
            )
            k += 1
    return canals


def _with_contents(canals: list[CanalTruth], scene: Scene) -> list[CanalTruth]:
    """The canals with what they hold and how wide they are."""
    made = []
    for k, (truth, canal) in enumerate(zip(canals, scene.tooth.canals, strict=True)):
        wide = np.where(truth.arc_mm >= canal.closed_mm, 2.0 * canal.radius(truth.arc_mm), 0.0)
        holds = "nothing"
        for filling in scene.fillings:
            if filling.canal == k:
                holds = "filling"
                if not filling.point:
                    wide = np.maximum(wide, 2.0 * filling.radius(canal, truth.arc_mm))
        for file in scene.files:
            if file.canal == k:
                holds = "file"
                wide = np.maximum(wide, 2.0 * file.radius_at(truth.arc_mm))
        made.append(evolve(truth, holds=holds, lumen_mm=wide))
    return made


def _root(root: Root, tooth: Tooth, here: _Frame) -> RootTruth:
    """The silhouette of a root's body: of every section the points that lie farthest to both sides of its axis."""
    count = len(root.sections()[0])
    rings = root.solid().vertices[: count * SIDES].reshape(count, SIDES, 3)
    top = -0.5 if len(tooth.roots) == 1 else -0.65 * tooth.trunk_mm
    rings = rings[rings[:, :, 2].mean(axis=1) < top]
    px = here.all_px(rings.reshape(-1, 3)).reshape(len(rings), SIDES, 2)
    # Across the axis as it runs on the detector in mm, since pixels need not be square.
    scale = np.array([here.projection.mm_per_px_row, here.projection.mm_per_px_col])
    along = np.gradient(px.mean(axis=1) * scale, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]])
    side = np.einsum("ksi,ki->ks", px * scale, across)
    row = np.arange(len(rings))
    left, right = px[row, side.argmax(axis=1)], px[row, side.argmin(axis=1)]
    apex = root.end_mm()
    apex_px = here.px(apex)
    return RootTruth(
        outline_px=np.vstack([left, right[::-1]]),
        apex_mm=here.mm(apex[None])[0],
        apex_px=apex_px,
        apex_in_view=here.shows(apex_px),
        open_apex=root.blunt,
    )


def _work(work: Work, here: _Frame) -> WorkTruth:
    line = here.all_px(work.line_mm) if len(work.line_mm) else np.zeros((0, 2))
    return WorkTruth(work.what, work.material, line)


def _filling_truth(filling: FillingInCanal, scene: Scene, canal: CanalTruth, here: _Frame) -> FillingTruth:
    end = scene.tooth.canals[filling.canal].curve.at([filling.end_mm])[0]
    end_mm, end_px = here.mm(end[None])[0], here.px(end)
    return FillingTruth(
        canal=canal.name,
        end_mm=end_mm,
        end_px=end_px,
        short_mm=canal.length_mm - filling.end_mm,
        to_apex_mm=float(np.linalg.norm(canal.apex_mm - end_mm)),
        to_apex_px=canal.apex_px - end_px,
        size_mm=filling.size_mm,
        taper=filling.taper,
    )


def _file_truth(file: FileInCanal, tooth: Tooth, canals: list[CanalTruth], here: _Frame) -> FileTruth:
    _, points, _ = _sampled(file.line)
    path = here.all_px(points)
    shaft = here.all_px(file.line.at(-np.linspace(0.0, file.above_mm, 2)))
    tip_in_view = here.shows(path[-1])
    return FileTruth(
        canal=canals[file.canal].name,
        points_mm=here.mm(points),
        path_px=path,
        stop_px=path[0],
        tip_px=path[-1],
        stop_to_tip_mm=file.line.length_mm,
        tip_short_mm=canals[file.canal].total_mm - file.line.length_mm,
        size_mm=file.size_mm,
        taper=file.taper,
        tip_angle_deg=file.tip_angle_deg,
        stop_in_view=here.shows(path[0]),
        tip_in_view=tip_in_view,
        shaft_px=shaft,
        leaves_px=_leaves(np.vstack([path[::-1], shaft[1:]]), here) if tip_in_view else None,
        rests_on=None if file.rests_on is None else tooth.cusps_mm()[file.rests_on][0],
        stop_drawn=file.stop == "silicone",
    )


def _leaves(path_px: Float64, here: _Frame) -> Float64 | None:
    """Where a path that begins on the film first leaves it; None: nowhere. A pixel's outer edge is the image's border."""
    if here.film is not None and not here.film.all():
        steps = np.linalg.norm(np.diff(path_px, axis=0), axis=1)
        along = np.append(0.0, np.cumsum(steps))
        fine = np.linspace(0.0, along[-1], int(4.0 * along[-1]) + 2)
        dense = np.column_stack([np.interp(fine, along, path_px[:, k]) for k in (0, 1)])
        near = np.rint(dense).astype(int)
        on = np.all((near >= 0) & (near < np.array(here.film.shape)), axis=1)
        covered = np.zeros(len(dense), bool)
        covered[on] = here.film[near[on, 0], near[on, 1]] == 0
        if covered.any() and on[: covered.argmax()].all():
            edge: Float64 = dense[max(int(covered.argmax()) - 1, 0)]
            return edge
    projection = here.projection
    low, high = np.array([-0.5, -0.5]), np.array([projection.rows - 0.5, projection.cols - 0.5])
    outside = ((path_px < low) | (path_px >= high)).any(axis=1)
    if not outside.any():
        return None
    k = int(outside.argmax())
    before, behind = path_px[k - 1], path_px[k]
    way = behind - before
    shares = []
    for axis in (0, 1):
        for border in (low[axis], high[axis]):
            if way[axis] != 0.0 and 0.0 <= (border - before[axis]) / way[axis] <= 1.0:
                shares.append((border - before[axis]) / way[axis])
    # The first border that it meets; on a straight stretch that is the only one inside the other two.
    at: Float64 = before + min(shares) * way
    return at
