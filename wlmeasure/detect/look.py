"""One look at a film: files, canals, root ends and reference points, each with a probability, for a person to accept.

1. The film is scaled and given to the network (`prepare`, `network`), which says of every pixel what is there.
2. Points and lines are followed and put together (`ways`, `assembly`): teeth, roots, canals, files.
3. Each item gets a probability from its marks (`certainty`), and a path to a fraction of a pixel from the film (`refine`).

Nothing here is measured with before a person has accepted it, and nothing is named: one film cannot tell mesiobuccal from
mesiolingual, so canals are called by their number along the film.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from attrs import evolve, field, frozen
from attrs.converters import optional
from numpy.typing import NDArray

from wlmeasure.detect.assembly import Found, FoundCanal, FoundFile, assemble
from wlmeasure.detect.certainty import Certainty, certainty_of
from wlmeasure.detect.network import Maps, Network, shipped_network
from wlmeasure.detect.prepare import prepared
from wlmeasure.detect.refine import MAP_END_STD_MM, fine_canal, fine_file
from wlmeasure.detect.ways import Way
from wlmeasure.errors import DetectError, check_positive
from wlmeasure.flags import Flag, catalogue
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import frozen_array
from wlmeasure.trace.file_ends import TipForm

__all__ = [
    "TRUSTED",
    "Look",
    "SeenCanal",
    "SeenFile",
    "SeenPoint",
    "SeenRoot",
    "Side",
    "look",
    "look_at_maps",
    "roots_point",
]

Float64 = NDArray[np.float64]

TRUSTED = 0.9
"""Probability from which an item is trusted, on a film like those that were trained on; our parameter."""
SAID = {"file": 0.5, "canal": 0.78, "root_end": 0.5, "orifice": 0.5, "reference": 0.5}
"""Probability from which an item of a kind is proposed, so that most of what is said is right; our parameters."""
PERHAPS = 0.1
"""The same where what is less likely is asked for too, and where probabilities are not calibrated."""
DOUBLED_PX, DOUBLED_SHARE = 3.0, 0.85
"""A canal that lies so near a likelier one, pixels of the maps, over such a share of itself is the same one."""
PERIAPICAL = 0.5
BORDER_MM, CUT_MM = 0.6, 0.25
"""So near to the picture's border a line whose end is not seen leaves it, and a canal that ends so near is cut off, whatever
the maps mark there: on made films they mark an end where the picture ends. Our parameters."""
TOGETHER, ASIDE_DEG = 0.9, 30.0
"""Roots point one way if the mean of their unit vectors is so long, and so near to a side of the picture; our parameters."""
CROSSING_PX = 3.0

Side = Literal["up", "down", "left", "right", ""]

_FLAGS = catalogue(
    {
        "not-periapical": "This is not a periapical film as far as can be seen.",
        "apex-not-in-picture": "A root's end lies at the border of the picture or outside it.",
        "tip-not-in-picture": "A file's tip is not in the picture.",
        "upper-end-not-in-picture": "A file leaves the picture before the end of its known length.",
        "roots-overlap": "Roots lie over one another; their canals may be mistaken for each other.",
        "film-unlike-training": "This film is unlike those that the network has learnt from; check everything.",
        "network-not-calibrated": "The network's probabilities were not fitted to films of known truth; check everything.",
    }
)


@frozen(eq=False)
class SeenFile:
    """A hand file, proposed.

    Attributes
    ----------
    label
        "file 1", along the film.
    path_px : (N, 2)
        (row, col) from the upper end of its known length, or the picture's border, to its tip.
    upper_px, tip_px : (2,) or None
        Its ends; None where they are not in the picture or not seen.
    upper_std_px, tip_std_px
        Standard uncertainty along the path, infinite where an end is not seen.
    leaves_picture
        True where the shaft runs out of the picture before the upper end.
    canal
        Label of the canal in which it lies, or None.
    probability, upper_probability
        Of line and tip, and of what is said of the upper end (its place, or that it is not in the picture); see `certainty`.
        Where no stop is seen, a film cannot show which cusp it rests on: then the second is low while the first is high.
    trusted
        Both of at least `TRUSTED` on a film like those trained on.
    marks, upper_marks
        What the probabilities follow from (`assembly`).
    """

    label: str
    path_px: Float64 = field(converter=frozen_array)
    upper_px: Float64 | None = field(converter=optional(frozen_array))
    tip_px: Float64 | None = field(converter=optional(frozen_array))
    upper_std_px: float
    tip_std_px: float
    leaves_picture: bool
    canal: str | None
    probability: float
    upper_probability: float
    trusted: bool
    marks: tuple[float, ...] = field(default=(), repr=False)
    upper_marks: tuple[float, ...] = field(default=(), repr=False)


@frozen(eq=False)
class SeenCanal:
    """A canal, proposed: its path (N, 2) from orifice to end.

    `orifice_seen` and `end_seen` say whether its ends are marked on the film; `root` is the place of its root in
    `Look.roots`, or None; `tooth` counts along the film from 1; `file` is the label of the file in it; `doubt` is that of
    the tracer; `marks` are what its probability follows from.
    """

    label: str
    path_px: Float64 = field(converter=frozen_array)
    orifice_seen: bool
    end_seen: bool
    root: int | None
    tooth: int
    file: str | None
    doubt: float | None
    probability: float
    trusted: bool
    marks: tuple[float, ...] = field(default=(), repr=False)


@frozen(eq=False)
class SeenRoot:
    """The end of a root, proposed: (2,) pixels; its tooth, counted along the film from 1; labels of its canals."""

    end_px: Float64 = field(converter=frozen_array)
    tooth: int
    canals: tuple[str, ...]
    probability: float
    trusted: bool
    marks: tuple[float, ...] = field(default=(), repr=False)


@frozen(eq=False)
class SeenPoint:
    """An orifice, or a cusp tip or incisal edge: (2,) pixels; its tooth, or None."""

    at_px: Float64 = field(converter=frozen_array)
    tooth: int | None
    probability: float
    trusted: bool
    marks: tuple[float, ...] = field(default=(), repr=False)


@frozen(eq=False)
class Look:
    """What one look proposes.

    Attributes
    ----------
    files, canals, roots, orifices, references
        Items in the order of the film.
    teeth
        How many teeth the canals and roots belong to.
    mm_per_px, mm_per_px_rel_std
        Pixel size (row, col) as judged from what is seen, and its relative standard uncertainty: no scale to measure with.
    periapical
        Probability that it is a periapical film.
    roots_point
        The side of the picture, as it is stored, that the proposed canals' apical ends point to; "" where they do not agree on
        one. It is a fact of the picture: a film does not say which jaw it shows, nor whether it lies upright.
    model
        Name and hash of the network.
    flags
        Remarks on the film.
    """

    files: tuple[SeenFile, ...]
    canals: tuple[SeenCanal, ...]
    roots: tuple[SeenRoot, ...]
    orifices: tuple[SeenPoint, ...]
    references: tuple[SeenPoint, ...]
    teeth: int
    mm_per_px: tuple[float, float]
    mm_per_px_rel_std: float
    periapical: float
    model: str
    flags: tuple[Flag, ...] = ()
    roots_point: Side = ""


def look(
    radiograph: Radiograph,
    *,
    mm_per_px: tuple[float, float] | None = None,
    network: Network | None = None,
    tip: TipForm | None = None,
    fine: bool = True,
    perhaps: bool = False,
) -> Look:
    """Look at a film once and propose everything on it.

    Parameters
    ----------
    radiograph
        The film; metal is taken to be bright or dark as it says.
    mm_per_px
        Rough pixel size (row, col); without it the file's own claim, or else the picture's longest side is taken to be 36 mm.
    network
        Weights other than those of the package.
    tip
        Form of the files' tips; a 75 degree cone of 0.15 mm when not given.
    fine
        False leaves out the fits on the film: paths and ends are then those of the maps, to about 0.1 mm.
    perhaps
        Propose what is less likely as well, from a probability of `PERHAPS` instead of those of `SAID`: more is found, and
        more of what is said is wrong.

    Raises
    ------
    DetectError
        No weights, or weights that do not run here; a pixel size that is not positive.
    """
    if mm_per_px is not None:
        for pitch in mm_per_px:
            check_positive(DetectError, "mm_per_px", pitch)
    elif radiograph.spacings:
        mm_per_px = (radiograph.spacings[0].row_mm, radiograph.spacings[0].col_mm)
    network = shipped_network() if network is None else network
    maps = network.run(prepared(radiograph, mm_per_px))
    return look_at_maps(
        radiograph, maps, certainty_of(network.card), model=network.name, mm_per_px=mm_per_px, tip=tip, fine=fine,
        perhaps=perhaps, tells_periapical=bool(network.card.get("tells_periapical")),
    )  # fmt: skip


def look_at_maps(
    radiograph: Radiograph,
    maps: Maps,
    certainty: Certainty,
    *,
    model: str,
    mm_per_px: tuple[float, float] | None = None,
    tip: TipForm | None = None,
    fine: bool = True,
    perhaps: bool = False,
    tells_periapical: bool = False,
    least: Mapping[str, float] | None = None,
) -> Look:
    """`look` from its maps on; `least` are other probabilities by kind, from which an item is proposed."""
    if least is None:
        least = SAID if certainty.calibrated and not perhaps else dict.fromkeys(SAID, PERHAPS)
    found = assemble(maps)
    judged = (maps.mm_per_px / maps.given.scale[0], maps.mm_per_px / maps.given.scale[1])
    size = judged if mm_per_px is None else mm_per_px
    unlike = certainty.unlike(maps.given.figures)
    trusts = certainty.calibrated and not unlike
    files = _files(radiograph, maps, found, certainty, size, tip or TipForm(), fine, trusts, least)
    canals = _canals(radiograph, maps, found, certainty, size, files, fine, trusts, least)
    labels = [c.label if c is not None else None for c in canals]
    named = tuple(
        evolve(f, canal=None if (canal := found.files[k].canal) is None else labels[canal])
        for k, f in enumerate(files)
        if f is not None
    )
    roots, places = _roots(maps, found, certainty, canals, trusts, least)
    orifices = _points(maps, certainty, "orifice", found, trusts, least)
    references = _points(maps, certainty, "reference", found, trusts, least)
    kept = tuple(evolve(c, root=None if c.root is None else places.get(c.root)) for c in canals if c is not None)
    notes = []
    if tells_periapical and maps.periapical < PERIAPICAL:
        notes.append("not-periapical")
    notes += _quality(radiograph, kept, named, size)
    if not certainty.calibrated:
        notes.append("network-not-calibrated")
    elif unlike:
        notes.append("film-unlike-training")
    return Look(
        named, kept, roots, orifices, references, found.teeth, judged, maps.mm_per_px_rel_std, maps.periapical, model,
        tuple(_FLAGS[note] for note in notes), roots_point([c.path_px for c in kept], size),
    )  # fmt: skip


def roots_point(paths_px: Sequence[Float64], mm_per_px: tuple[float, float]) -> Side:
    """The side of the picture that lines point to, from their coronal to their apical ends.

    Parameters
    ----------
    paths_px : (N, 2) each
        Canals, (row, col), coronal end first.
    mm_per_px
        Pixel size (row, col).

    Returns
    -------
    str
        "up", "down", "left" or "right"; "" where there is no line, the lines do not agree (`TOGETHER`), or they point between
        two sides (`ASIDE_DEG`).
    """
    ways = [(path[-1] - path[0]) * np.array(mm_per_px) for path in paths_px]
    units = [way / length for way in ways if (length := float(np.hypot(*way))) > 0.0]
    if not units:
        return ""
    row, col = (float(v) for v in np.mean(units, axis=0))
    aside = min(abs(row), abs(col)) / max(abs(row), abs(col), 1e-9)
    if np.hypot(row, col) < TOGETHER or np.degrees(np.arctan(aside)) > ASIDE_DEG:
        return ""
    if abs(row) > abs(col):
        return "down" if row > 0.0 else "up"
    return "right" if col > 0.0 else "left"


def _files(
    radiograph: Radiograph, maps: Maps, found: Found, certainty: Certainty, size: tuple[float, float], form: TipForm,
    fine: bool, trusts: bool, least: Mapping[str, float],
) -> list[SeenFile | None]:  # fmt: skip
    """Files in the order of `found`, None for one that is too unlikely."""
    density = radiograph.density() if fine and found.files else None
    std = MAP_END_STD_MM / float(np.sqrt(size[0] * size[1]))
    order = _order([f.path[0] for f in found.files], found)
    made: list[SeenFile | None] = []
    for k, file in enumerate(found.files):
        p = certainty.probability("file", file.marks)
        if p < least["file"]:
            made.append(None)
            continue
        path, stds, stop = maps.given.to_film(file.path), (std, std), False
        if density is not None:
            seen = file.upper is not None, file.tip is not None
            better = fine_file(density, path, size, upper=seen[0], tip=seen[1], form=form)
            path, stds, stop = better.path_px, (better.upper_std_px, better.tip_std_px), better.stop
        file = evolve(file, upper_marks=(*file.upper_marks, float(stop)))
        upper = certainty.probability("upper_end", file.upper_marks)
        trusted = trusts and min(p, upper) >= TRUSTED
        if file.upper is not None and not stop:
            wide = file.upper_spread * float(np.sqrt(maps.given.scale[0] * maps.given.scale[1]))
            stds = max(stds[0], wide), stds[1]
        made.append(_seen_file(file, f"file {order[k] + 1}", path, stds, (p, upper), trusted))
    return made


def _seen_file(
    file: FoundFile, label: str, path: Float64, stds: tuple[float, float], chances: tuple[float, float], trusted: bool
) -> SeenFile:
    upper, tip = file.upper is not None, file.tip is not None
    return SeenFile(
        label,
        path,
        path[0] if upper else None,
        path[-1] if tip else None,
        stds[0] if upper else float("inf"),
        stds[1] if tip else float("inf"),
        file.leaves,
        None,
        *chances,
        trusted and tip and (upper or file.leaves),
        file.marks,
        file.upper_marks,
    )


def _canals(
    radiograph: Radiograph, maps: Maps, found: Found, certainty: Certainty, size: tuple[float, float],
    files: list[SeenFile | None], fine: bool, trusts: bool, least: Mapping[str, float],
) -> list[SeenCanal | None]:  # fmt: skip
    order = _order([c.path[0] for c in found.canals], found)
    paths = [f.path_px for f in files if f is not None]
    made: list[SeenCanal | None] = []
    chances = [certainty.probability("canal", canal.marks) for canal in found.canals]
    doubled = _doubled([canal.path for canal in found.canals], chances)
    for k, (canal, p) in enumerate(zip(found.canals, chances, strict=True)):
        if p < least["canal"] or k in doubled:
            made.append(None)
            continue
        path, doubt = maps.given.to_film(canal.path), None
        if fine:
            path, doubt = fine_canal(radiograph, path, size, paths)
        made.append(_seen_canal(canal, f"canal {order[k] + 1}", path, doubt, files, p, trusts and p >= TRUSTED))
    return made


def _doubled(paths: list[Float64], chances: list[float]) -> set[int]:
    """Paths that run along likelier ones nearly all the way: one line followed twice."""
    gone: set[int] = set()
    for k in np.argsort(chances, kind="stable")[::-1]:
        if int(k) in gone:
            continue
        for other, path in enumerate(paths):
            if other != k and other not in gone and chances[other] <= chances[k]:
                one = Way(path, np.zeros(len(path)))
                if one.near(paths[k], DOUBLED_PX).mean() >= DOUBLED_SHARE:
                    gone.add(other)
    return gone


def _seen_canal(
    canal: FoundCanal, label: str, path: Float64, doubt: float | None, files: list[SeenFile | None], probability: float,
    trusted: bool,
) -> SeenCanal:  # fmt: skip
    file = None if canal.file is None else files[canal.file]
    return SeenCanal(
        label, path, canal.orifice_seen, canal.end_seen, canal.root, canal.tooth + 1, None if file is None else file.label,
        doubt, probability, trusted, canal.marks,
    )  # fmt: skip


def _roots(
    maps: Maps,
    found: Found,
    certainty: Certainty,
    canals: list[SeenCanal | None],
    trusts: bool,
    least: Mapping[str, float],
) -> tuple[tuple[SeenRoot, ...], dict[int, int]]:
    """Root ends that are likely enough, and the place of each among them by its number in `found`."""
    made: list[SeenRoot] = []
    places: dict[int, int] = {}
    for k, root in enumerate(found.roots):
        p = certainty.probability("root_end", root.marks)
        if p < least["root_end"]:
            continue
        places[k] = len(made)
        held = tuple(c.label for c in canals if c is not None and c.root == k)
        at = maps.given.to_film(root.end[None])[0]
        made.append(SeenRoot(at, root.tooth + 1, held, p, trusts and p >= TRUSTED, root.marks))
    return tuple(made), places


def _points(
    maps: Maps, certainty: Certainty, kind: str, found: Found, trusts: bool, least: Mapping[str, float]
) -> tuple[SeenPoint, ...]:
    points = found.references if kind == "reference" else found.orifices
    made = []
    for k, point in enumerate(points):
        p = certainty.probability(kind, point.marks)
        if p < least[kind]:
            continue
        tooth = None
        if kind == "reference":
            tooth = found.reference_tooth[k] + 1 if found.reference_tooth[k] >= 0 else None
        else:
            near = [c.tooth + 1 for c in found.canals if float(np.hypot(*(c.path[0] - point.at))) < 8.0]
            tooth = near[0] if near else None
        at = maps.given.to_film(point.at[None])[0]
        made.append(SeenPoint(at, tooth, p, trusts and p >= TRUSTED, point.marks))
    return tuple(made)


def _order(points: list[Float64], found: Found) -> list[int]:
    """Place of each point along the film: square to the way from coronal to apical, left to right."""
    if not points:
        return []
    ways = [c.path[-1] - c.path[0] for c in found.canals] + [f.path[-1] - f.path[0] for f in found.files]
    down = np.sum(ways, axis=0)
    across = 1 if abs(down[0]) >= abs(down[1]) else 0
    order = np.argsort([p[across] for p in points], kind="stable")
    places = [0] * len(points)
    for place, k in enumerate(order):
        places[int(k)] = place
    return places


def _quality(
    radiograph: Radiograph, canals: tuple[SeenCanal, ...], files: tuple[SeenFile, ...], size: tuple[float, float]
) -> list[str]:
    """What is amiss with the film, by code."""
    pixel = np.array(size)
    last = (np.array([radiograph.rows, radiograph.cols]) - 1.0) * pixel

    def at_border(point_px: Float64, within_mm: float = BORDER_MM) -> bool:
        at = point_px * pixel
        return bool(np.minimum(at, last - at).min() < within_mm)

    notes = []
    if any(at_border(c.path_px[-1], CUT_MM if c.end_seen else BORDER_MM) for c in canals):
        notes.append("apex-not-in-picture")
    if any(f.tip_px is None and at_border(f.path_px[-1]) for f in files):
        notes.append("tip-not-in-picture")
    if any(f.leaves_picture for f in files):
        notes.append("upper-end-not-in-picture")
    if _cross(canals):
        notes.append("roots-overlap")
    return notes


def _cross(canals: tuple[SeenCanal, ...]) -> bool:
    """Whether canals of different roots cross away from their ends."""
    for a in range(len(canals)):
        for b in range(a + 1, len(canals)):
            if canals[a].root is not None and canals[a].root == canals[b].root:
                continue
            one, other = canals[a].path_px[::6], canals[b].path_px[::6]
            gaps = np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1))
            i, j = np.unravel_index(int(gaps.argmin()), gaps.shape)
            inner = min(i, len(one) - 1 - i) > len(one) // 6 and min(j, len(other) - 1 - j) > len(other) // 6
            if inner and float(gaps[i, j]) < CROSSING_PX:
                return True
    return False
