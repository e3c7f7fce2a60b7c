"""What stands between source and detector, and how long every ray runs through each material.

Bodies that lie in one another replace one another: canals and chamber replace dentine, the access cavity enamel and dentine,
a file what fills the canal, a restoration the crown. Bone is a slab with the sockets taken out: the periodontal line and the
lamina dura appear because the sockets are wider than the roots.
"""

from __future__ import annotations

from math import radians, tan

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError, check_positive
from wlmeasure.phantom.curve import Curve
from wlmeasure.phantom.film import attenuation_per_mm, trabecular_texture
from wlmeasure.phantom.projection import Projection
from wlmeasure.phantom.rays import Crossing, cross, finer, overlap_mm, union_mm
from wlmeasure.phantom.solid import Solid, tube
from wlmeasure.phantom.tooth import RING_MM, Canal, Tooth

__all__ = ["Bone", "Cap", "FileInCanal", "FillingInCanal", "Layers", "Marks", "Scene", "paths_mm", "tooth_paths"]

Float64 = NDArray[np.float64]
Float32 = NDArray[np.float32]

PERIODONTAL_MM, LAMINA_MM = 0.2, 0.25
"""Width of the periodontal ligament and of the lamina dura (usual figures, from memory)."""
STOP_RADIUS_MM, STOP_HEIGHT_MM = 1.5, 1.5
"""Rubber stop; round numbers."""
WORKING_PART_MM = 16.0
"""Length over which a file tapers (ISO 3630-1)."""
HANDLE_RADIUS_MM, HANDLE_MM = 1.7, 10.0
MOST_CAP_MM = 2.0
"""Thickest artificial crown at its side; our parameter."""
CLEARANCE_MM = 0.02
"""Room between file and canal wall at the least."""
THIN = 3
"""Oversampling of canals, file and stop: faces that run along a pixel row would otherwise be off by up to half a pixel."""
SUBSTANCES: dict[str, tuple[str, float]] = {
    "titanium": ("steel", 0.35),
    "silver": ("amalgam", 1.0),
    "zirconia": ("alloy", 1.27),
    "paste": ("gutta-percha", 0.6),
    "dense sealer": ("gutta-percha", 1.6),
    "fibre": ("enamel", 0.9),
    "cement": ("gutta-percha", 0.75),
    "glass ionomer": ("composite", 0.75),
    "old resin": ("dentine", 0.55),
    "temporary": ("gutta-percha", 0.5),
    "faint silicone": ("silicone", 0.35),
    "plastic": ("silicone", 1.3),
}
"""Materials that weaken the beam as another one of so many times its density. Titanium over steel is 0.34 to 0.36 in every
group, silver 10.5 g/cm3 within 20 % of amalgam but for its K edge, zirconia 6 g/cm3 about 1.3 times the alloy; sealers,
cements and resins differ as much between makers as these factors do (tabulated coefficients and densities from memory)."""
METALS = frozenset({"steel", "alloy", "amalgam", "titanium", "silver", "zirconia"})
"""What covers all that lies behind it, for `Marks`."""
COARSE = 2
"""Pixels of sockets and neighbours are twice as large: a quarter of the time, and their edges are soft anyway."""


@frozen(eq=False)
class FileInCanal:
    """A hand file in the canal of index `canal`, on its centre line.

    Attributes
    ----------
    line
        Centre line from the stop's apical face (the coronal reference point) to the tip.
    coronal_mm
        Length of its straight first part, down to the canal's orifice.
    size_mm, taper
        Diameter at the tip (D0) and its rise per mm over the working part.
    tip_angle_deg
        Full angle of the cone at the tip.
    shank_mm
        Length from tip to handle.
    stop_mm, stop, handle
        Half width and height of the stop, and the materials of stop and handle; None for none.
    rests_on
        Index in the tooth's `cusps_mm` of the cusp or edge that the stop's face is level with; None: the level of the cusps.
    """

    canal: int
    line: Curve
    coronal_mm: float
    size_mm: float
    taper: float
    tip_angle_deg: float
    shank_mm: float
    stop_mm: tuple[float, float] = (STOP_RADIUS_MM, STOP_HEIGHT_MM)
    stop: str | None = "silicone"
    handle: str | None = "silicone"
    rests_on: int | None = None

    def __attrs_post_init__(self) -> None:
        check_positive(PhantomError, "size_mm", self.size_mm)
        if not 0.0 <= self.taper <= 0.2:
            raise PhantomError(f"taper must be 0 to 0.2 mm per mm: {self.taper:g}")
        if not 10.0 <= self.tip_angle_deg <= 180.0:
            raise PhantomError(f"tip_angle_deg must be 10 to 180: {self.tip_angle_deg:g}")

    def radius(self, from_tip_mm: Float64) -> Float64:
        """Half diameter at distances from the tip, mm."""
        body = 0.5 * (self.size_mm + self.taper * np.minimum(from_tip_mm, WORKING_PART_MM))
        cone = np.maximum(from_tip_mm, 0.0) * tan(radians(min(self.tip_angle_deg, 179.9) / 2.0))
        radius: Float64 = np.minimum(body, cone)
        return radius

    def radius_at(self, arc_mm: Float64) -> Float64:
        """Half diameter at arc lengths from the canal's orifice, 0 beyond the tip, mm."""
        return self.radius(np.maximum(self.line.length_mm - self.coronal_mm - arc_mm, 0.0))

    def solid(self) -> Solid:
        """Working part and shank, from the handle to the tip."""
        length = self.line.length_mm
        ends = np.linspace(0.0, 2.0 * self.size_mm, 12)
        from_tip = np.concatenate([np.arange(max(self.shank_mm, length + 2.0), 2.0 * self.size_mm, -0.15), ends[::-1]])
        return tube(self.line.at(length - from_tip), np.maximum(self.radius(from_tip), 1e-3), sides=32)

    @property
    def above_mm(self) -> float:
        """Length from the stop's face up to the handle."""
        return max(self.shank_mm, self.line.length_mm + 2.0) - self.line.length_mm

    def stop_solid(self) -> Solid:
        """The stop, its apical face square to the file at the reference point."""
        return tube(self.line.at(-np.linspace(self.stop_mm[1], 0.0, 3)), self.stop_mm[0])

    def handle_solid(self) -> Solid:
        """The handle."""
        start = -self.above_mm
        return tube(self.line.at(start - np.linspace(HANDLE_MM, 0.0, 3)), HANDLE_RADIUS_MM)


@frozen
class FillingInCanal:
    """A root filling in the canal of index `canal`, from `start_mm` to `end_mm` along it.

    It fills the canal as it was shaped: `size_mm` wide at the filling's end, `taper` mm per mm wider towards the orifice, and
    nowhere narrower than the canal was before. An end beyond the canal's own length goes on straight. A `point` does not fill
    the canal: it is as wide as `size_mm` and `taper` have it. In `voids` (from, to along the canal, mm) there is none.
    """

    canal: int
    end_mm: float
    size_mm: float
    taper: float
    material: str = "gutta-percha"
    start_mm: float = 0.0
    point: bool = False
    voids: tuple[tuple[float, float], ...] = ()

    def radius(self, canal: Canal, arc_mm: Float64) -> Float64:
        """Half width of the canal as shaped at arc lengths from the orifice, 0 beyond the filling's end, mm."""
        shaped = 0.5 * (self.size_mm + self.taper * np.maximum(self.end_mm - arc_mm, 0.0))
        return np.where(arc_mm <= self.end_mm, np.maximum(canal.radius(arc_mm), shaped), 0.0)

    def solid(self, canal: Canal) -> Solid:
        """The filling's body, its voids not taken out."""
        return self._body(canal, self.start_mm, self.end_mm)

    def solids(self, canal: Canal) -> list[Solid]:
        """The bodies that its voids leave."""
        at, parts = self.start_mm, []
        for start, end in (*sorted(self.voids), (self.end_mm, self.end_mm)):
            if start - at > 0.05:
                parts.append(self._body(canal, at, start))
            at = max(at, end)
        return parts

    def _body(self, canal: Canal, start_mm: float, end_mm: float) -> Solid:
        arc = np.linspace(start_mm, end_mm, max(int(np.ceil((end_mm - start_mm) / RING_MM)), 1) + 1)
        if self.point:
            radius = 0.5 * (self.size_mm + self.taper * np.maximum(self.end_mm - arc, 0.0))
            return tube(canal.curve.at(arc), radius, sides=24)
        radius = self.radius(canal, arc)
        deep = None if canal.oval == 1.0 else np.maximum(canal.radius(arc) * canal.depth(arc), radius)
        return tube(canal.curve.at(arc), radius, other_radius_mm=deep, sides=32)


@frozen
class Cap:
    """An artificial crown of the natural one's form: alloy of `metal_mm`, under `ceramic_mm` of ceramic where there is any.

    Thickness is that at the side of the crown; it is 1.4 times that over the cusps and about half of the metal at the neck.
    The core under it, out to its inner surface, counts as dentine.
    """

    metal_mm: float
    ceramic_mm: float = 0.0

    def __attrs_post_init__(self) -> None:
        check_positive(PhantomError, "metal_mm", self.metal_mm)
        if not 0.0 <= self.ceramic_mm <= MOST_CAP_MM - self.metal_mm:
            raise PhantomError(
                f"ceramic_mm must be 0 to {MOST_CAP_MM - self.metal_mm:.2f} over that metal: {self.ceramic_mm:g}; "
                f"a crown is at most {MOST_CAP_MM:g} mm thick at its side"
            )

    @property
    def kind(self) -> str:
        """Metal or veneered."""
        return "veneered" if self.ceramic_mm > 0.0 else "metal"


@frozen
class Bone:
    """The jaw: a slab of `thickness_mm` with two cortical plates below a crest at z = `crest_mm`, behind soft tissue.

    `texture` is the standard deviation of attenuation that the trabecular pattern adds at full thickness.
    """

    thickness_mm: float = 9.0
    cortical_mm: float = 0.6
    crest_mm: float = -1.7
    soft_mm: float = 7.0
    texture: float = 0.02


@frozen(eq=False)
class Scene:
    """A tooth and everything on its film. `restorations` and `hardware` are (material, body) pairs; restorations lie in crowns.

    `more_files` stand beside `file`, each with an opening of its own among `more_access`. `inside` are bodies that take the
    place of whatever they lie in: posts, pins, broken instruments. `cap_material` is what a cap is of, under any ceramic.

    Raises PhantomError for a cap and restorations at once, for a file in a filled canal.
    """

    tooth: Tooth
    neighbours: tuple[tuple[Tooth, Float64], ...] = ()
    bone: Bone = Bone()
    file: FileInCanal | None = None
    fillings: tuple[FillingInCanal, ...] = ()
    access: Solid | None = None
    cap: Cap | None = None
    restorations: tuple[tuple[str, Solid], ...] = ()
    hardware: tuple[tuple[str, Solid], ...] = ()
    more_files: tuple[FileInCanal, ...] = ()
    more_access: tuple[Solid, ...] = ()
    inside: tuple[tuple[str, Solid], ...] = ()
    cap_material: str = "alloy"

    @property
    def files(self) -> tuple[FileInCanal, ...]:
        """All files."""
        return (() if self.file is None else (self.file,)) + self.more_files

    def __attrs_post_init__(self) -> None:
        if self.cap is not None and self.restorations:
            raise PhantomError("restorations must be none under a cap: leave one of them out")
        if {one.canal for one in self.files} & {one.canal for one in self.fillings}:
            raise PhantomError("filling must leave the file's canal empty: ask for file=False, or None for that canal")


def _moved(solid: Solid, shift_mm: Float64) -> Solid:
    return Solid(solid.vertices + shift_mm, solid.faces)


class Marks:
    """Which pixels' rays meet dentine ("root"), a root filling ("filling"), metal other than a hand file ("metal").

    Arrays (rows, cols) of uint8, 1 where they do: where more than `LEAST_MM` of the ray lies in it.
    """

    LEAST_MM = 0.05

    def __init__(self, shape: tuple[int, int]) -> None:
        self.images = {name: np.zeros(shape, np.uint8) for name in ("root", "filling", "metal")}

    def add(self, name: str, crossing: Crossing) -> None:
        """Mark the pixels whose rays meet a body."""
        if crossing.length_mm.size:
            self.images[name][crossing.rows, crossing.cols] |= (crossing.length_mm > self.LEAST_MM).astype(np.uint8)


class Layers:
    """Sums of path lengths on one projection's pixels, and marks of what they meet where those are wanted."""

    def __init__(self, projection: Projection, marks: Marks | None = None) -> None:
        self.shape = (projection.rows, projection.cols)
        self.paths: dict[str, Float32] = {}
        self.marks = marks

    def add_paths(self, paths: dict[str, Float32]) -> None:
        """Add path lengths of the whole image, by material."""
        for name, path in paths.items():
            self.paths[name] = self.paths[name] + path if name in self.paths else path

    def add(self, material: str, crossing: Crossing, sign: float = 1.0, mark: str | None = None) -> None:
        """Add a body's path, or take it away where `sign` is -1, and mark its pixels."""
        if crossing.length_mm.size:
            material, density = SUBSTANCES.get(material, (material, 1.0))
            path = self.paths.setdefault(material, np.zeros(self.shape, np.float32))
            path[crossing.rows, crossing.cols] += np.float32(sign * density) * crossing.length_mm.astype(np.float32)
            if self.marks is not None and mark is not None:
                self.marks.add(mark, crossing)

    def add_bodies(self, bodies: tuple[tuple[str, Solid], ...], projection: Projection) -> None:
        """Add (material, body) pairs that lie in nothing else, and mark the metal ones."""
        for material, body in bodies:
            self.add(material, cross(body, projection), mark=_metal(material))


def paths_mm(scene: Scene, projection: Projection, rng: np.random.Generator) -> dict[str, Float32]:
    """Path length, mm, of the ray of every pixel in each material; arrays (rows, cols). `rng` draws the bone's pattern."""
    film = Layers(projection)
    _add_tooth(film, scene, projection)
    coarse = projection.coarser(COARSE)
    side = Layers(coarse)
    for tooth, shift in scene.neighbours:
        _add_neighbour(side, tooth, shift, coarse)
    film.add_paths({name: finer(path, COARSE, film.shape) for name, path in side.paths.items()})
    _add_bone(film, scene, projection, coarse, rng)
    film.add_bodies(scene.hardware, projection)
    return {name: np.maximum(path, np.float32(0.0)) for name, path in film.paths.items()}


def tooth_paths(scene: Scene, projection: Projection, marks: Marks) -> dict[str, Float32]:
    """Path lengths, mm, in one tooth and all that is in and on it, without the bone; marks are laid on `marks`."""
    film = Layers(projection, marks)
    _add_tooth(film, scene, projection)
    film.add_bodies(scene.hardware, projection)
    return {name: np.maximum(path, np.float32(0.0)) for name, path in film.paths.items()}


def _metal(material: str) -> str | None:
    return "metal" if material in METALS else None


def _add_tooth(film: Layers, scene: Scene, projection: Projection) -> None:
    """Enamel, dentine, pulp, access, file and restorations of the tooth under treatment."""
    tooth = scene.tooth
    crown = cross(tooth.crown_solid(), projection)
    core = cross(tooth.core_solid(), projection)
    body = union_mm([core, *(cross(root.solid(), projection) for root in tooth.roots)])
    covered = cross(tooth.covered_solid(), projection)
    shells = _shells(tooth, scene, crown, covered, projection)
    for material, outer, inner in shells:
        film.add(material, outer, mark=_metal(material))
        film.add(material, inner, -1.0)
    film.add("dentine", body, mark="root")
    filled = {one.canal: one for one in scene.fillings if not one.point}
    widened = []
    for k, canal in enumerate(tooth.canals):
        least = None
        for file in scene.files:
            if file.canal == k:
                least = _needed(file, canal.arcs())
        if k in filled:
            least = filled[k].radius(canal, canal.arcs())
        widened.append(canal.solid(least))
    chamber = cross(tooth.chamber_solid(), projection)
    pulp = union_mm([chamber, *(cross(solid, projection, oversampling=THIN) for solid in widened)])
    film.add("dentine", pulp, -1.0)
    film.add("soft", pulp)
    openings = [cross(one, projection) for one in _openings(scene)]
    access = union_mm(openings)
    if openings:
        film.add("dentine", overlap_mm(access, core), -1.0)
        film.add("dentine", overlap_mm(access, chamber), 1.0)
        for material, outer, inner in shells:
            film.add(material, overlap_mm(access, outer), -1.0)
            film.add(material, overlap_mm(access, inner), 1.0)
    for name in {"dentine", *(material for material, _, _ in shells)}:
        base = SUBSTANCES.get(name, (name, 1.0))[0]
        if base in film.paths:  # nothing of a tooth that lies outside the image
            np.maximum(film.paths[base], np.float32(0.0), out=film.paths[base])
    for material, solid in scene.restorations:
        _add_restoration(film, material, cross(solid, projection), crown, access if openings else None)
    for material in dict.fromkeys(one.material for one in scene.fillings):
        points = union_mm(
            [
                cross(solid, projection, oversampling=THIN)
                for f in scene.fillings
                if f.material == material
                for solid in f.solids(tooth.canals[f.canal])
            ]
        )
        film.add(material, points, mark="filling")
        film.add("soft", overlap_mm(points, pulp), -1.0)
    for material, solid in scene.inside:
        _put_inside(film, material, cross(solid, projection, oversampling=THIN), body, pulp)
    for file in scene.files:
        _add_file(film, file, pulp, projection)


def _add_file(film: Layers, file: FileInCanal, pulp: Crossing, projection: Projection) -> None:
    """A file with its stop and handle; inside the tooth it replaces what fills the canal."""
    metal = cross(file.solid(), projection, oversampling=THIN)
    film.add("steel", metal)
    film.add("soft", overlap_mm(metal, pulp), -1.0)
    if file.stop is not None:
        stop = cross(file.stop_solid(), projection, oversampling=THIN)
        film.add(file.stop, stop)
    if file.handle is not None:
        film.add(file.handle, cross(file.handle_solid(), projection), mark="metal")
    if file.stop is not None:
        film.add(file.stop, overlap_mm(metal, stop), -1.0)


def _put_inside(film: Layers, material: str, what: Crossing, body: Crossing, pulp: Crossing) -> None:
    """A body that takes the place of pulp and dentine."""
    film.add(material, what, mark=_metal(material))
    film.add("soft", overlap_mm(what, pulp), -1.0)
    film.add("dentine", overlap_mm(what, body), -1.0)
    film.add("dentine", overlap_mm(overlap_mm(what, body), pulp), 1.0)


def _openings(scene: Scene) -> tuple[Solid, ...]:
    return (() if scene.access is None else (scene.access,)) + scene.more_access


def _shells(
    tooth: Tooth, scene: Scene, crown: Crossing, covered: Crossing, projection: Projection
) -> list[tuple[str, Crossing, Crossing]]:
    """What lies between the outside of the crown and the dentine under its enamel: (material, outer, inner surface)."""
    cap, alloy = scene.cap, scene.cap_material
    if cap is None:
        return [("enamel", crown, covered)]
    inner = cross(tooth.under_cap(cap.ceramic_mm, cap.metal_mm), projection)
    # The core: what was dentine under enamel becomes what lies under the cap.
    if cap.ceramic_mm == 0.0:
        return [(alloy, crown, inner), ("dentine", inner, covered)]
    between = cross(tooth.under_cap(cap.ceramic_mm, 0.0), projection)
    return [("ceramic", crown, between), (alloy, between, inner), ("dentine", inner, covered)]


def _add_restoration(film: Layers, material: str, filling: Crossing, crown: Crossing, access: Crossing | None) -> None:
    """A filling in the crown's place, opened where the access cavity runs; enamel and dentine give way in proportion."""
    if filling.length_mm.size == 0:
        return
    room = np.zeros_like(filling.length_mm)
    inside = overlap_mm(filling, crown)
    if inside.length_mm.size:
        at = (slice(inside.row - filling.row, None), slice(inside.col - filling.col, None))
        room[at][: inside.length_mm.shape[0], : inside.length_mm.shape[1]] = inside.length_mm
    layers = [film.paths[name][filling.rows, filling.cols] for name in ("enamel", "dentine") if name in film.paths]
    total = sum(layers, np.zeros((), np.float32))
    left = np.clip(1.0 - room / np.maximum(total, 1e-3), 0.0, 1.0).astype(np.float32)
    for layer in layers:
        layer *= left
    film.add(material, filling, mark=_metal(material))
    if access is not None:
        film.add(material, overlap_mm(filling, access), -1.0)


def _needed(file: FileInCanal, arc_mm: Float64) -> Float64:
    """Half width that the file asks of its canal at arc lengths from the orifice."""
    half = file.radius_at(arc_mm)
    return np.where(half > 0.0, half + CLEARANCE_MM, 0.0)


def _add_neighbour(film: Layers, tooth: Tooth, shift: Float64, projection: Projection) -> None:
    """A tooth beside the one under treatment; plain, never treated."""
    crown = cross(_moved(tooth.crown_solid(), shift), projection)
    core = cross(_moved(tooth.core_solid(), shift), projection)
    film.add("enamel", crown)
    film.add("enamel", cross(_moved(tooth.covered_solid(), shift), projection), -1.0)
    film.add(
        "dentine", union_mm([core, *(cross(_moved(root.solid(sides=32), shift), projection) for root in tooth.roots)])
    )
    pulp = union_mm(
        [cross(_moved(tooth.chamber_solid(), shift), projection)]
        + [cross(_moved(canal.solid(), shift), projection) for canal in tooth.canals]
    )
    film.add("dentine", pulp, -1.0)
    film.add("soft", pulp)


def _add_bone(film: Layers, scene: Scene, projection: Projection, coarse: Projection, rng: np.random.Generator) -> None:
    """Soft tissue everywhere, and the jaw below its crest with the sockets taken out."""
    bone = scene.bone
    side = Layers(coarse)
    for tooth, shift in ((scene.tooth, np.zeros(3)), *scene.neighbours):
        for name, wider in (("socket", PERIODONTAL_MM), ("lamina", PERIODONTAL_MM + LAMINA_MM)):
            bodies = [tooth.core_solid(wider_mm=wider), *(r.solid(wider_mm=wider, sides=32) for r in tooth.roots)]
            side.add(name, union_mm([cross(_moved(one, shift), coarse) for one in bodies]))
    rows, cols = np.arange(coarse.rows)[:, None], np.arange(coarse.cols)[None, :]
    x, z = coarse.through_plane(rows, cols)
    # The crest rises a little between teeth and is not a ruler's edge; the slab thins out towards it.
    crest = bone.crest_mm + 0.25 * np.cos(1.1 * x + 0.4)
    below = np.clip((crest - z) / 1.2, 0.0, 1.0)
    below = below * below * (3.0 - 2.0 * below)
    deep = np.clip((crest - z) / 9.0, 0.0, 1.0)
    thickness = below * bone.thickness_mm * (0.75 + 0.25 * deep)
    socket = np.minimum(side.paths["socket"], thickness)
    lamina = np.minimum(side.paths["lamina"], thickness)
    plates = np.minimum(2.0 * bone.cortical_mm * below, thickness - lamina)
    marrow = thickness - lamina - plates
    fine = {
        k: finer(v.astype(np.float32), COARSE, film.shape)
        for k, v in (("marrow", marrow), ("all", thickness), ("socket", socket))
    }
    wall = finer((lamina - socket + plates).astype(np.float32), COARSE, film.shape)
    texture = trabecular_texture(film.shape, (projection.mm_per_px_row, projection.mm_per_px_col), rng)
    full_mm = bone.thickness_mm - 2.0 * bone.cortical_mm
    strength = bone.texture / (attenuation_per_mm("trabecular") * full_mm)
    # Where a strut is, there is more bone along the ray; the mean over the film stays.
    trabecular = fine["marrow"] * (1.0 + np.float32(strength) * texture)
    film.add_paths({"trabecular": trabecular, "cortical": wall})
    soft = film.paths.setdefault("soft", np.zeros(film.shape, np.float32))
    # What is not bone in the slab is gingiva above the crest (thinning out towards the crown) and ligament in the socket.
    gum = np.clip((z - crest) / 4.0, 0.0, 1.0)
    soft += np.float32(bone.soft_mm) + finer(
        (0.5 * bone.thickness_mm * (1.0 - gum) * (1.0 - below)).astype(np.float32), COARSE, film.shape
    )
