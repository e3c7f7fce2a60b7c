"""Synthetic periapical films in one plane with exact truth: teeth, files, stops, restorations, clamps, tone curves.

Everything is drawn analytically in mm (x to the right, y down) about centre lines of straight pieces and arcs, turned into
attenuation, then into transmission, blurred there (as a focal spot and a detector do), given quantum noise, and stored through
a tone curve. Attenuation per mm and sizes are round numbers from memory: contrast is plausible, geometry exact.

The scene is flat: no magnification, no foreshortening, no scatter. It shares no code with the package.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

PITCH_MM = 0.025
SIZE = (1500, 1000)
PHOTONS = 3000.0  # per pixel in air
BLUR_PX = 1.6  # on the transmission
DETECTOR_BLUR_PX = 0.5  # after the noise
TEXTURE = 0.035  # SD of the bone's attenuation
CROWN_MM = 8.0  # from the reference point to the canal's orifice
ABOVE_MM = 6.0  # the shaft is drawn this far above the reference point
TIP_SHORT_MM = 0.5  # the file ends this far from the end of the canal
TIP_MM, TAPER, TAPERED_MM, TIP_DEG = 0.15, 0.02, 16.0, 75.0
STOP_THICK_MM, STOP_HALF_MM = 1.6, 1.6

SHAPES = ("straight", "bend30", "bend60", "double")
"""Centre lines: straight; an arc of 8 mm radius and 30 degrees; of 5 mm and 60 degrees; two opposite arcs."""


def _pieces(shape: str, flip: float) -> list[tuple[float, float]]:
    """Pieces (length in mm, curvature in 1/mm), from the reference point to the end of the canal, about 21 mm."""
    a30, a35, a50, a60 = np.deg2rad([30, 35, 50, 60])
    lines = {
        "straight": [(21.0, 0.0)],
        "bend30": [(21.0 - 8.0 * a30, 0.0), (8.0 * a30, flip / 8.0)],
        "bend60": [(20.0 - 5.0 * a60, 0.0), (5.0 * a60, flip / 5.0), (1.0, 0.0)],
        "double": [(11.5, 0.0), (7.0 * a35, flip / 7.0), (6.0 * a50, -flip / 6.0)],
    }
    return [(float(length), float(bend)) for length, bend in lines[shape]]


class Line:
    """Straight pieces and arcs by arc length; s = 0 is the reference point, the first piece starts at -`above`."""

    def __init__(self, start: Float64, heading: float, pieces: list[tuple[float, float]], above: float) -> None:
        self.pieces: list[tuple[float, float, float, float, Float64]] = []  # s, length, curvature, heading, point
        s, point = -above, np.asarray(start, np.float64)
        for k, (length, bend) in enumerate(pieces):
            length = length + above if k == 0 else length
            self.pieces.append((s, length, bend, heading, point))
            point = self._along(point, heading, bend, np.array([length]))[0]
            s, heading = s + length, heading + bend * length
        self.start, self.end = -above, s

    @staticmethod
    def _along(point: Float64, heading: float, bend: float, t: Float64) -> Float64:
        if bend == 0.0:
            return point + t[:, None] * np.array([np.cos(heading), np.sin(heading)])
        turn = heading + bend * t
        return point + np.column_stack([np.sin(turn) - np.sin(heading), np.cos(heading) - np.cos(turn)]) / bend

    def points(self, s: Float64) -> Float64:
        """(N, 2) points (x, y) in mm."""
        s = np.atleast_1d(np.asarray(s, np.float64))
        out = np.empty((s.size, 2))
        for k, (s0, _, bend, heading, point) in enumerate(self.pieces):
            here = s >= s0 if k else np.ones(s.size, bool)
            out[here] = self._along(point, heading, bend, s[here] - s0)
        return out

    def cut(self, end: float) -> Line:
        """The line up to arc length `end`."""
        kept = [p for p in self.pieces if p[0] < end]
        pieces = [(min(length, end - s0), bend) for s0, length, bend, _, _ in kept]
        pieces[0] = (pieces[0][0] + self.start, pieces[0][1])
        return Line(kept[0][4], kept[0][3], pieces, -self.start)

    def nearest(self, x: Float32, y: Float32) -> tuple[Float32, Float32]:
        """Distance of every pixel from the line and the arc length of its nearest point (ends clamped)."""
        best, where = np.full(x.shape, np.inf, np.float32), np.zeros(x.shape, np.float32)
        for s0, length, bend, heading, point in self.pieces:
            dx, dy = x - np.float32(point[0]), y - np.float32(point[1])
            c, s = np.float32(np.cos(heading)), np.float32(np.sin(heading))
            along, across = dx * c + dy * s, dy * c - dx * s
            if bend == 0.0:
                t = np.clip(along, 0.0, np.float32(length))
                gap = np.hypot(along - t, across)
            else:
                r, side = np.float32(1.0 / abs(bend)), np.float32(np.sign(bend))
                half = np.float32(0.5 * length * abs(bend))
                angle = np.arctan2(along, r - side * across) - half
                angle = np.clip((angle + np.pi) % np.float32(2 * np.pi) - np.float32(np.pi), -half, half) + half
                t = angle * r
                gap = np.hypot(along - r * np.sin(angle), side * across - r * (1 - np.cos(angle)))
            closer = gap < best
            best, where = np.where(closer, gap, best), np.where(closer, t + np.float32(s0), where)
        return best, where.astype(np.float32)


@dataclass(frozen=True)
class TrueFile:
    """Where a file is, in pixels (row, col): points from its stop to its tip, cut to the picture; ends that are in it."""

    path_px: Float64
    stop_px: Float64 | None
    tip_px: Float64 | None


@dataclass(frozen=True)
class SyntheticFilm:
    """A picture, its pixel size in mm (row, col), and what is in it."""

    values: NDArray[np.uint8] | NDArray[np.uint16] | Float32
    mm_per_px: tuple[float, float]
    files: tuple[TrueFile, ...]
    bright_is_dense: bool = True


def _texture(rng: np.random.Generator, size: tuple[int, int]) -> Float32:
    """Bone: noise of power 1 / f^3 between 8 and 200 pixels, SD 1."""
    f = np.hypot(np.fft.fftfreq(size[0])[:, None], np.fft.rfftfreq(size[1])[None, :])
    inside = (f > 1 / 200) & (f < 1 / 8)
    amplitude = np.where(inside, np.maximum(f, 1 / 200) ** -1.5, 0.0)
    noise = np.fft.irfft2((rng.standard_normal(f.shape) + 1j * rng.standard_normal(f.shape)) * amplitude, s=size)
    return np.asarray(noise / noise.std(), np.float32)


def _tooth(p: Float32, x: Float32, y: Float32, line: Line, texture: Float32, canal_end_mm: float = 0.2) -> None:
    """Add a tooth in its bone to the attenuation `p`; its canal is `canal_end_mm` wide at the end."""
    root = Line(line.pieces[0][4], line.pieces[0][3], _longer(line, 0.6), -line.start)
    d, s = root.nearest(x, y)
    end = line.end
    w = np.interp(s, [0, 3, CROWN_MM, end - 2, end + 0.6], [2.4, 3.6, 2.7, 1.5, 0.95]).astype(np.float32)
    inside = d < w
    top = np.clip(s / PITCH_MM + 0.5, 0, 1)  # the flat crown begins where the stop ends, without a seam
    p += top * np.where(inside, 0.14 * 2.3 * w * np.sqrt(np.clip(1 - (d / w) ** 2, 0, 1)), 0)
    enamel = inside & (s < CROWN_MM - 1)
    p += top * np.where(enamel, 0.44 * np.sqrt(np.clip(1 - (w - d) ** 2, 0, 1)), 0)
    gap, lamina = (d > w) & (d < w + 0.2) & (s > 0), (d >= w + 0.2) & (d < w + 0.5) & (s > 0)
    bone = 1 / (1 + np.exp(-(s - (CROWN_MM + 2)) / 0.4))
    p += bone * (np.where(gap, -0.10, 0) + np.where(lamina, 0.06, 0))
    d, s = line.nearest(x, y)
    w = np.interp(s, [2.9, 3, CROWN_MM, end], [0, 0.6, 0.3, 0.5 * canal_end_mm]).astype(np.float32)
    p -= 0.22 * np.sqrt(np.clip(w**2 - d**2, 0, None)) * (s > 2.95)
    np.maximum(p, 0, out=p)


def _longer(line: Line, extra: float) -> list[tuple[float, float]]:
    pieces = [(length, bend) for _, length, bend, _, _ in line.pieces]
    pieces[0] = (pieces[0][0] + line.start, pieces[0][1])
    return [*pieces, (extra, 0.0)]


def _file(p: Float32, x: Float32, y: Float32, line: Line, tip: float, stop: bool, tip_mm: float) -> None:
    """Add a steel file with its stop (a silicone block, its apical face at s = 0)."""
    d, s = line.cut(tip).nearest(x, y)
    radius = 0.5 * (tip_mm + TAPER * np.clip(tip - s, 0, TAPERED_MM))
    radius = np.minimum(radius, np.maximum(tip - s, 0) * np.tan(np.deg2rad(TIP_DEG / 2)) + 1e-6)
    p += 4.0 * np.sqrt(np.clip(radius**2 - d**2, 0, None)).astype(np.float32)
    if stop:
        heading = line.pieces[0][3]
        origin = line.points(np.zeros(1))[0]
        along = (x - origin[0]) * np.cos(heading) + (y - origin[1]) * np.sin(heading)
        across = (y - origin[1]) * np.cos(heading) - (x - origin[0]) * np.sin(heading)

        def soft(z: Float32) -> Float32:
            return np.clip(z / PITCH_MM + 0.5, 0, 1)

        p += 0.9 * soft(along + STOP_THICK_MM) * soft(-along) * soft(STOP_HALF_MM - np.abs(across))


def _clamp(p: Float32, x: Float32, y: Float32, line: Line, rng: np.random.Generator) -> None:
    """Add a rubber dam clamp: two jaws beside the neck of the tooth and a wire bow that may cross the shaft above the stop."""
    for side in (-1, 1):
        neck = line.points(np.array([rng.uniform(6.5, 8.5)]))[0] + [side * rng.uniform(3.2, 3.8), 0.0]
        p += 3.0 * ((np.abs(x - neck[0]) < 1.2) & (np.abs(y - neck[1]) < rng.uniform(0.5, 1.0)))
    top = line.points(np.array([rng.uniform(-3.2, -2.2)]))[0]
    reach = rng.uniform(4.5, 6.0)
    bow = np.abs(np.hypot((x - top[0]) / reach, (y - top[1] - 4.0) / 4.0) - 1.0)
    p += 3.0 * ((bow < 0.08) & (y < top[1] + 5.0))


def make_film(
    shape: str,
    seed: int,
    *,
    files: int = 1,
    teeth: int = 1,
    stop: bool = True,
    restoration: bool = False,
    clamp: bool = False,
    filling: bool = False,
    tip_mm: float = TIP_MM,
    photons: float = PHOTONS,
    texture: float = TEXTURE,
) -> SyntheticFilm:
    """One film as attenuation (float32, larger is denser), to be stored through a tone curve below.

    The first `files` of the `teeth` hold a file. With `filling`, a tooth without one has a filled canal: a tapering bright
    line that ends at the orifice.
    """
    rng = np.random.default_rng(seed)
    x = np.broadcast_to((np.arange(SIZE[1]) * PITCH_MM).astype(np.float32)[None, :], SIZE)
    y = np.broadcast_to((np.arange(SIZE[0]) * PITCH_MM).astype(np.float32)[:, None], SIZE)
    lines = []
    flip = float(rng.choice([-1, 1]))  # neighbouring roots bend the same way
    for k in range(teeth):
        heading = np.pi / 2 + np.deg2rad(rng.uniform(-8, 8))
        middle = SIZE[1] * PITCH_MM * (k + 1) / (teeth + 1) + rng.uniform(-2, 2) / teeth
        reference = np.array([middle, 6.0 + rng.uniform(-1, 1)])
        start = reference - ABOVE_MM * np.array([np.cos(heading), np.sin(heading)])
        lines.append(Line(start, heading, _pieces(shape, flip), ABOVE_MM))
    bone = 1 / (1 + np.exp(-(lines[0].nearest(x, y)[1] - (CROWN_MM + 2)) / 0.4))
    grain = _texture(rng, SIZE)
    p = np.float32(0.35) + (bone * (0.30 + texture * grain)).astype(np.float32)
    truth = []
    for k, line in enumerate(lines):
        _tooth(p, x, y, line, grain)
        if restoration:
            centre = line.points(np.array([2.0]))[0]
            side = 1.4 * rng.choice([-1, 1])
            p += 1.6 * (((x - centre[0] - side) / 1.1) ** 2 + ((y - centre[1]) / 0.9) ** 2 < 1)
        tip = line.end - TIP_SHORT_MM
        if k < files:
            _file(p, x, y, line, tip, stop, tip_mm)
            path = line.points(np.linspace(0.0, tip, 600))[:, ::-1] / PITCH_MM
            truth.append(TrueFile(path, path[0] if stop else None, path[-1]))
        elif filling:
            d, s = line.nearest(x, y)
            radius = np.interp(s, [CROWN_MM, tip], [0.45, 0.15]) * ((s > CROWN_MM) & (s < tip))
            p += 1.4 * np.sqrt(np.clip(radius**2 - d**2, 0, None)).astype(np.float32)
    if clamp:
        _clamp(p, x, y, lines[0], rng)
    transmission = cv2.GaussianBlur(np.exp(-p).astype(np.float32), (0, 0), BLUR_PX, borderType=cv2.BORDER_REPLICATE)
    counts = rng.poisson(photons * transmission).astype(np.float32)
    image = cv2.GaussianBlur(
        -np.log((counts + 1) / np.float32(photons)), (0, 0), DETECTOR_BLUR_PX, borderType=cv2.BORDER_REPLICATE
    )
    return SyntheticFilm(image, (PITCH_MM, PITCH_MM), tuple(truth))


def make_canal(
    pieces: list[tuple[float, float]], seed: int, *, canal_end_mm: float, photons: float, texture: float
) -> tuple[NDArray[np.uint16], Float64]:
    """One tooth without a file: stored values (16 bits, larger is denser) and its canal, (N, 2) pixels, orifice to end.

    `pieces` are (length in mm, curvature in 1/mm) from the orifice on; above it the line is straight.
    """
    rng = np.random.default_rng(seed)
    x = np.broadcast_to((np.arange(SIZE[1]) * PITCH_MM).astype(np.float32)[None, :], SIZE)
    y = np.broadcast_to((np.arange(SIZE[0]) * PITCH_MM).astype(np.float32)[:, None], SIZE)
    heading = np.pi / 2 + np.deg2rad(rng.uniform(-8, 8))
    reference = np.array([SIZE[1] * PITCH_MM / 2 + rng.uniform(-2, 2), 6.0 + rng.uniform(-1, 1)])
    start = reference - ABOVE_MM * np.array([np.cos(heading), np.sin(heading)])
    line = Line(start, heading, [(CROWN_MM, 0.0), *pieces], ABOVE_MM)
    grain = _texture(rng, SIZE)
    bone = 1 / (1 + np.exp(-(line.nearest(x, y)[1] - (CROWN_MM + 2)) / 0.4))
    p = np.float32(0.35) + (bone * (0.30 + texture * grain)).astype(np.float32)
    _tooth(p, x, y, line, grain, canal_end_mm)
    transmission = cv2.GaussianBlur(np.exp(-p).astype(np.float32), (0, 0), BLUR_PX, borderType=cv2.BORDER_REPLICATE)
    counts = rng.poisson(photons * transmission).astype(np.float32)
    image = cv2.GaussianBlur(
        -np.log((counts + 1) / np.float32(photons)), (0, 0), DETECTOR_BLUR_PX, borderType=cv2.BORDER_REPLICATE
    )
    canal = line.points(np.linspace(CROWN_MM, line.end, 1200))[:, ::-1] / PITCH_MM
    return np.clip(image * 18000, 0, 65535).astype(np.uint16), canal


@dataclass(frozen=True)
class SyntheticRow:
    """A film of several teeth without a tone curve, its pixel size, and the canals: pixels (N, 2), orifice to end.

    `root` says which canals lie in one root; `holds` is "nothing" or "file" of each; `file_px` is the file's path, stop to tip.
    """

    values: Float32
    mm_per_px: tuple[float, float]
    canals: tuple[Float64, ...]
    root: tuple[int, ...]
    holds: tuple[str, ...]
    file_px: Float64 | None


def _root(x: Float32, y: Float32, line: Line, half_mm: float) -> tuple[Float32, Float32]:
    """Dentine and enamel of a root and its crown, and what the bone about it has more or less (ligament and lamina)."""
    root = Line(line.pieces[0][4], line.pieces[0][3], _longer(line, 0.6), -line.start)
    d, s = root.nearest(x, y)
    end = line.end
    w = np.interp(s, [0, 3, CROWN_MM, end - 2, end + 0.6], [2.4, 3.2, half_mm, 0.6 * half_mm, 0.3 * half_mm])
    w = w.astype(np.float32)
    inside, top = d < w, np.clip(s / PITCH_MM + 0.5, 0, 1)
    tooth = np.where(inside, 0.14 * 2.3 * w * np.sqrt(np.clip(1 - (d / w) ** 2, 0, 1)), 0)
    tooth += np.where(inside & (s < CROWN_MM - 1), 0.44 * np.sqrt(np.clip(1 - (w - d) ** 2, 0, 1)), 0)
    gap, lamina = (d > w) & (d < w + 0.2) & (s > 0), (d >= w + 0.2) & (d < w + 0.5) & (s > 0)
    bone = 1 / (1 + np.exp(-(s - (CROWN_MM + 2)) / 0.4))
    return (top * tooth).astype(np.float32), (bone * (np.where(gap, -0.10, 0) + np.where(lamina, 0.06, 0))).astype(
        np.float32
    )


def make_row(
    seed: int, pieces: Callable[[np.random.Generator], list[tuple[float, float]]], *, file: bool
) -> SyntheticRow:
    """Three teeth in their bone, each with one root of one or two canals or with two roots.

    `pieces` draws a canal's shape from its orifice on, (length in mm, curvature in 1/mm); `file` puts one into a canal. Width
    of the canals' ends, texture and photons are drawn between those of the benches' clear and faint films.
    """
    rng = np.random.default_rng([seed, 7])
    x = np.broadcast_to((np.arange(SIZE[1]) * PITCH_MM).astype(np.float32)[None, :], SIZE)
    y = np.broadcast_to((np.arange(SIZE[0]) * PITCH_MM).astype(np.float32)[:, None], SIZE)
    photons, texture = rng.uniform(3000.0, 6000.0), rng.uniform(0.015, 0.035)
    level = 1 / (1 + np.exp(-(y - rng.uniform(14.0, 17.0)) / 0.5))
    p = np.float32(0.35) + (level * (0.30 + texture * _texture(rng, SIZE))).astype(np.float32)
    lines: list[Line] = []
    roots: list[int] = []
    for k in range(3):
        kind = rng.choice(["one", "two canals", "two roots"])
        middle, top = SIZE[1] * PITCH_MM * (k + 0.5) / 3 + rng.uniform(-0.5, 0.5), 6.0 + rng.uniform(-1, 1)
        heading = np.pi / 2 + np.deg2rad(rng.uniform(-6, 6))
        shape, count = pieces(rng), 1 if kind == "one" else 2
        apart = 0.0 if kind == "one" else rng.uniform(0.25, 0.75) if kind == "two canals" else rng.uniform(2.0, 2.8)
        lean = 0.0 if kind != "two roots" else np.deg2rad(rng.uniform(3.0, 8.0))
        own = []
        for side in (0.0,) if count == 1 else (-0.5, 0.5):
            turn = heading - 2.0 * side * lean
            if kind == "two canals":  # not quite alike: they come nearer or part, and bend by more or less
                turn += np.deg2rad(rng.uniform(-1.0, 1.0))
            along, across = np.array([np.cos(heading), np.sin(heading)]), np.array([-np.sin(heading), np.cos(heading)])
            start = np.array([middle, top]) - ABOVE_MM * along - side * apart * across
            if kind == "two roots":
                shape = pieces(rng)
            bent = rng.uniform(0.85, 1.15) if kind == "two canals" else 1.0
            own.append(Line(start, turn, [(CROWN_MM, 0.0), *((long, bent * bend) for long, bend in shape)], ABOVE_MM))
        half = rng.uniform(1.3, 1.8) if kind == "two roots" else rng.uniform(1.6, 2.4)
        bodies = [_root(x, y, line, half) for line in (own if kind == "two roots" else own[:1])]
        p += np.max([tooth for tooth, _ in bodies], axis=0)
        inside = np.max([tooth for tooth, _ in bodies], axis=0) > 0
        p += np.where(inside, 0, sum(about for _, about in bodies))
        end_mm, orifice_mm = rng.uniform(0.2, 0.3), rng.uniform(0.4, 0.6)
        for n, line in enumerate(own):
            d, s = line.nearest(x, y)
            w = np.interp(s, [2.9, 3, CROWN_MM, line.end], [0, 0.5, 0.5 * orifice_mm, 0.5 * end_mm]).astype(np.float32)
            p -= 0.22 * np.sqrt(np.clip(w**2 - d**2, 0, None)) * (s > 2.95)
            lines.append(line)
            roots.append(2 * k + (n if kind == "two roots" else 0))
    np.maximum(p, 0, out=p)
    holds = ["nothing"] * len(lines)
    path = None
    if file:
        one = int(rng.integers(len(lines)))
        tip = lines[one].end - rng.uniform(0.0, 1.5)
        _file(p, x, y, lines[one], tip, True, float(rng.choice([0.08, 0.10, 0.15, 0.20])))
        holds[one], path = "file", lines[one].points(np.linspace(0.0, tip, 600))[:, ::-1] / PITCH_MM
    transmission = cv2.GaussianBlur(np.exp(-p).astype(np.float32), (0, 0), BLUR_PX, borderType=cv2.BORDER_REPLICATE)
    counts = rng.poisson(photons * transmission).astype(np.float32)
    image = cv2.GaussianBlur(
        -np.log((counts + 1) / np.float32(photons)), (0, 0), DETECTOR_BLUR_PX, borderType=cv2.BORDER_REPLICATE
    )
    canals = tuple(line.points(np.linspace(CROWN_MM, line.end, 1200))[:, ::-1] / PITCH_MM for line in lines)
    return SyntheticRow(np.asarray(image, np.float32), (PITCH_MM, PITCH_MM), canals, tuple(roots), tuple(holds), path)


# --- how the picture is stored ---------------------------------------------------------------------------------------


def log16(film: SyntheticFilm) -> SyntheticFilm:
    """Attenuation x 18000, 16 bits."""
    return replace(film, values=np.clip(film.values * 18000, 0, 65535).astype(np.uint16))


def linear12(film: SyntheticFilm) -> SyntheticFilm:
    """One minus the transmission, 12 bits: a detector that was not taken to the logarithm."""
    return replace(film, values=np.clip((1 - np.exp(-film.values)) * 4095, 0, 4095).astype(np.uint16))


def gamma8(film: SyntheticFilm, gamma: float) -> SyntheticFilm:
    """Attenuation between its 0.1 and 99.9 percentiles to a power, 8 bits."""
    low, high = np.percentile(film.values[::4, ::4], (0.1, 99.9))
    share = np.clip((film.values - low) / (high - low), 0, 1)
    return replace(film, values=np.rint(255 * share**gamma).astype(np.uint8))


def sigmoid8(film: SyntheticFilm, centre: float = 1.1, width: float = 0.45) -> SyntheticFilm:
    """A film's S-curve in attenuation about `centre`, 8 bits."""
    return replace(film, values=np.rint(255 / (1 + np.exp(-(film.values - centre) / width))).astype(np.uint8))


def jpeg(film: SyntheticFilm, quality: int) -> SyntheticFilm:
    """Through a JPEG file of this quality; 8 bits go in."""
    _, data = cv2.imencode(".jpg", film.values, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return replace(film, values=cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))


def metal_dark(film: SyntheticFilm) -> SyntheticFilm:
    """Grey values turned round."""
    top = np.iinfo(film.values.dtype).max
    return replace(film, values=(top - film.values).astype(film.values.dtype), bright_is_dense=False)


# --- how it lies -----------------------------------------------------------------------------------------------------


def _moved(
    film: SyntheticFilm, values: NDArray[np.generic], to: Callable[[Float64], Float64], mm_per_px: tuple[float, float]
) -> SyntheticFilm:
    size = np.array(values.shape)

    def inside(points: Float64) -> NDArray[np.bool_]:
        return ((points > -0.5) & (points < size - 0.5)).all(axis=-1)

    files = []
    for file in film.files:
        path = to(file.path_px)
        ends = [None if p is None or not inside(to(p)) else to(p) for p in (file.stop_px, file.tip_px)]
        if inside(path).any():
            files.append(TrueFile(path[inside(path)], *ends))
    return replace(film, values=np.ascontiguousarray(values), files=tuple(files), mm_per_px=mm_per_px)


def quarter_turns(film: SyntheticFilm, turns: int) -> SyntheticFilm:
    """Turned counter-clockwise by 90 degrees, `turns` times."""
    for _ in range(turns % 4):
        cols = film.values.shape[1]
        film = _moved(
            film,
            np.rot90(film.values),
            lambda p, cols=cols: np.stack([cols - 1 - p[..., 1], p[..., 0]], axis=-1),
            film.mm_per_px[::-1],
        )
    return film


def mirrored(film: SyntheticFilm) -> SyntheticFilm:
    """Left and right exchanged."""
    cols = film.values.shape[1]
    return _moved(
        film,
        film.values[:, ::-1],
        lambda p: np.stack([p[..., 0], cols - 1 - p[..., 1]], axis=-1),
        film.mm_per_px,
    )


def cut(film: SyntheticFilm, top: int, bottom: int) -> SyntheticFilm:
    """Rows `top` to `bottom` only."""
    return _moved(film, film.values[top:bottom], lambda p: p - [top, 0], film.mm_per_px)


def wider_columns(film: SyntheticFilm, factor: float) -> SyntheticFilm:
    """Columns `factor` times as wide, each the mean of what it covers."""
    rows, cols = film.values.shape
    new = round(cols / factor)
    values = cv2.resize(film.values, (new, rows), interpolation=cv2.INTER_AREA)
    ratio = new / cols
    return _moved(
        film,
        values,
        lambda p: np.stack([p[..., 0], (p[..., 1] + 0.5) * ratio - 0.5], axis=-1),
        (film.mm_per_px[0], film.mm_per_px[1] / ratio),
    )


# --- a mixed lot -----------------------------------------------------------------------------------------------------


def varied(seed: int, *, file: bool = True, photons: float = PHOTONS, texture: float = TEXTURE) -> SyntheticFilm:
    """One film of a mixed lot: shape, restoration, clamp, teeth, tone curve, compression, lie, pixel shape by the seed."""
    rng = np.random.default_rng([seed, 1])
    teeth = int(rng.choice([1, 2]))
    film = make_film(
        SHAPES[seed % 4],
        seed,
        teeth=teeth,
        files=int(rng.integers(1, teeth + 1)) if file else 0,
        restoration=bool(rng.random() < 0.5),
        clamp=bool(rng.random() < 0.3),
        filling=bool(rng.random() < 0.3) or (not file and bool(rng.random() < 0.3)),
        photons=photons,
        texture=texture,
    )
    tone = int(rng.integers(5))
    if tone == 0:
        film = log16(film)
    elif tone == 1:
        film = linear12(film)
    elif tone == 2:
        film = sigmoid8(film, rng.uniform(0.9, 1.5), rng.uniform(0.35, 0.7))
    else:
        film = gamma8(film, float(np.exp(rng.uniform(np.log(0.5), np.log(2.0)))))
        if tone == 4:
            film = jpeg(film, int(rng.integers(70, 96)))
    if rng.random() < 0.3:
        film = wider_columns(film, rng.uniform(1.1, 1.6))
    if rng.random() < 0.3:
        film = metal_dark(film)
    if rng.random() < 0.5:
        film = mirrored(film)
    return quarter_turns(film, int(rng.integers(4)))
