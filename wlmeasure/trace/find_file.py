"""Hand files found on a film by themselves: stop, shaft and tip, as a proposal for a person to accept.

1. The two-flank line measure (`ridge`) over the whole film on its 0.1 mm grid, and every bright line followed (`walk`).
2. Each line straightened and looked at: does it taper, where does it fade (the tip), is there a block across it (the stop),
   does it leave the picture? What no stop holds and does not leave the picture is no file in a tooth: a pin, a filled canal.
3. The best lines settled on their axis (`centreline`), their tip and stop fitted (`file_ends`).

No grey value has a fixed meaning here: every threshold is relative to the line's own contrast or to the film's own texture, so
that an 8-bit picture of unknown tone curve does as well as a calibrated detector. An end that is not in the picture is reported
as such and never made up: where the shaft runs out of the picture, or under a frame or whatever else is no film, a stop is
taken for one only if all of it lies inside with shaft above it. What the stop rested on is never looked for.
"""

from __future__ import annotations

from math import exp, sqrt

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from wlmeasure.errors import TraceError, check_positive
from wlmeasure.flags import Flag, catalogue
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.points import frozen_array
from wlmeasure.trace.centreline import settle_line
from wlmeasure.trace.file_ends import EndFit, StopBlock, TipForm, find_stop, fit_face, fit_tip
from wlmeasure.trace.ridge import WorkingGrid, level, line_strength, working_grid
from wlmeasure.trace.spline import arc_length, resample, smooth_line
from wlmeasure.trace.stop_slab import AIR_OVER_SHAFT, OPEN_MM, Slab, find_slab, fit_slab
from wlmeasure.trace.strip import Axis, line_normals, sample_image
from wlmeasure.trace.walk import bright_lines, joined

__all__ = ["FINDER", "FileProposal", "find_files"]

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

FINDER = "file-finder/1"

LONG_SIDE_MM = 38.0  # where no pixel size is known: intraoral films and detectors are 30 to 41 mm long (from memory)
# Our parameters, chosen on synthetic films.
LEAST_OVER_DARK = 1.2  # a line must stand out more than the film's dark lines do (their 99th percentile)
DRAWN_OUT_MM = 1.2
AIR_SHARE = 20  # one part in so many of a film is no brighter than air, where a stop stands in air
STRIP_HALF_MM = 2.7
STRIP_STEP_MM = 0.1
KNOT_MM = 1.5
EDGE_MM = 0.7  # a line that ends nearer to the picture's border, or to what is no film, than this leaves it
SHAFT_HALF_MM = 0.1  # the mean over this is the shaft ...
BESIDE_MM = (0.25, 0.4)  # ... and over this what is beside it; farther out bone and root change it more
WIDTH_HALF_MM = 0.45
WIDEST_MM = 0.35  # the thinner half of a line is at most this much wider than the tip, on the 0.1 mm grid
FADES_TO = (0.45, 0.65)  # the tip is where the contrast falls to this share of that of the 2 mm before, or else to this
LEAST_AT_TIP = 0.2  # of the line's usual contrast: a size 15 file has a third of it at its tip
# A block at the very beginning of a line in the picture is the handle: above a stop the shaft goes on. With what is drawn out.
# Where air must be seen above the tip-side face of a stop: beside the shaft, farther up than it is thick, and beside the stop.
CLEAR_OF_CROWN_MM = (((3.0, 5.0), (0.6, 2.3)), ((0.2, 1.5), (2.4, 3.2)))
LEAST_ABOVE_STOP_MM = 4.0
RETURNS_TO, STILL_THERE = 0.8, 0.35
# Where the shaft leaves the picture a stop shows only with this much shaft above it, of this share of the line's usual
# contrast; a block that the picture cuts may be the edge of the film, a crown's or a clamp's (our parameters).
SHAFT_ABOVE_MM, SHAFT_ABOVE = 0.5, 0.3
TIP_BACK_MM = 0.15  # the axis is settled up to here before the tip
LEAST_MM = 6.0  # from the stop, or from where the picture begins, to the tip
SAME_MM = 0.6  # two lines whose middles run closer than this are one

LEAST_POINTS = 12  # of a line on film; less is none

# A line half of which keeps to one row or column this well, and whose next pixels have this share of its height, is the
# detector's own: a file is wider than one pixel, and blurred.
READ_OUT_PX, READ_OUT_BESIDE = 0.4, 0.4
CLEAR_SLAB = 0.1  # share explained by a free slab's face at least; its uncertainty says the rest
CLEAR_FACE, CLEAR_FACE_MM = 0.7, 0.05  # share explained at least, standard uncertainty at most, of a clear stop
SEEN_FACE_MM = 0.1  # standard uncertainty at most; else no stop is seen

# Confidence: logistic regression (ridge 1) of "on a file, and every end that it states right" (tip to 0.25 mm, stop to
# 0.125 mm) on the marks of `_marks`, over 326 proposals on 174 whole-tooth phantoms of all levels (seeds 1000 to 1173,
# the last 14 without a file) and 125 plain synthetic films (seeds 1000 to 1099, a fifth without a file), pixel size off by
# up to a tenth. In order: constant, stop in the clear, stop on the crown, runs out of the picture, stop sharp, thin, tapers,
# tip explained, tip sharp, steady. Real films are harder.
WEIGHTS = (-7.04, 0.99, 0.32, 1.29, 2.02, 2.52, 0.72, 1.95, 2.00, 0.98)
SHARP_MM = 0.1  # standard uncertainty from which an end is not sharp at all
THIN_MM = 0.25  # a line this much wider than the tip, on the 0.1 mm grid, is half-way between files and other things
UNSEEN_TIP = 0.6
CLEAR_END = EndFit(0.0, 0.0, 1.0)  # as good as an end can be, before it is fitted
LEAST_CONFIDENCE = 0.1  # below it nothing is proposed

_FLAGS = catalogue(
    {
        "stop-not-in-picture": (
            "The shaft leaves the picture and no stop is seen on it, so the file gives no scale yet; if you see the edge or "
            "cusp that the stop rested on, and it is neither broken nor under a clamp, mark it as the reference point."
        ),
        "stop-not-seen": (
            "No stop is seen on the file; mark it if it is there, or the edge or cusp that it rested on if you see that."
        ),
        "stop-not-clear": "The stop is lost in part in black air or behind the crown; check its position.",
        "tip-not-in-picture": "The file's tip is not in the picture.",
        "tip-not-clear": "The file's tip does not look like the tip expected; check its position.",
        "tip-form-assumed": (
            "The file's tip was taken for a 75 degree cone of 0.15 mm; another form moves it by up to a tenth of a "
            "millimetre."
        ),
        "pixel-size-assumed": "The size of a pixel was not known and was assumed for the search.",
        "proposal-doubtful": "This may not be a file; check it before it is used.",
    }
)


def _frozen_or_none(points: object) -> Float64 | None:
    return None if points is None else frozen_array(points)


@frozen(eq=False)
class FileProposal:
    """A file as the finder sees it; nothing is measured with it before a person has accepted it.

    Attributes
    ----------
    path_px : (N, 2) float64
        (row, col) along the shaft, from the stop's face (or from where the file enters the picture) to the tip (or to where
        it leaves the picture).
    stop_px, tip_px : (2,) float64 or None
        Where the axis crosses the stop's face towards the tip, and the end of the tip. None when it is not seen.
    stop_std_px, tip_std_px
        Standard uncertainty along the axis, geometric mean pixels; infinite when the end is not seen. That of the tip holds for
        the tip form that was assumed.
    confidence
        Share of proposals like this one that lay on a file and were right in every end they state, on synthetic films of known
        truth.
    finder
        Name and version of what proposed it.
    leaves_picture
        Whether the shaft runs out of the picture at its coronal end, or under what is no film. If no stop is seen then, it is
        to be asked what the stop rested on.
    flags
        Remarks.
    """

    path_px: Float64 = field(converter=frozen_array)
    stop_px: Float64 | None = field(converter=_frozen_or_none)
    tip_px: Float64 | None = field(converter=_frozen_or_none)
    stop_std_px: float
    tip_std_px: float
    confidence: float
    finder: str = FINDER
    flags: tuple[Flag, ...] = ()
    leaves_picture: bool = False

    @property
    def stop_seen(self) -> bool:
        return self.stop_px is not None

    @property
    def tip_seen(self) -> bool:
        return self.tip_px is not None


@frozen(eq=False)
class _Line:
    """A bright line, coronal to apical, and what its straightened strip shows; mm along from its coronal end."""

    line_mm: Float64
    slab: Slab | None
    stop: StopBlock | None
    tip_mm: float
    enters: bool  # at the picture's border, or from under what is no film
    leaves: bool
    width_mm: float  # of its last third
    taper: float
    steady: float  # share of the line on which it stands out
    contrast: float

    @property
    def from_mm(self) -> float:
        if self.slab is not None:
            return self.slab.face_mm if self.slab.face_mm is not None else self.slab.top_mm + OPEN_MM
        return self.stop.face_mm if self.stop is not None else 0.0

    @property
    def length_mm(self) -> float:
        return self.tip_mm - self.from_mm


def find_files(
    radiograph: Radiograph,
    *,
    mm_per_px: tuple[float, float] | None = None,
    tip: TipForm | None = None,
    most: int = 4,
) -> tuple[FileProposal, ...]:
    """Propose the hand files on a film, the surest first.

    Parameters
    ----------
    radiograph
        The film; metal is taken to be bright or dark as it says.
    mm_per_px
        Rough pixel size (row, col); it sizes the filters and is never used as a scale. Without it the image's own claim is
        taken, or else a length of 38 mm for the longer side.
    tip
        Form of the files' tips; a 75 degree cone of 0.15 mm when not given, which is then remarked.
    most
        Most proposals.

    Returns
    -------
    tuple of FileProposal
        Empty when nothing on the film looks like a file.

    Raises
    ------
    TraceError
        A pixel size that is not positive or does not fit the image; `most` below 1.
    """
    if most < 1:
        raise TraceError(f"most must be at least 1: {most}")
    flags: list[Flag] = []
    if mm_per_px is None:
        mm_per_px, known = _pixel_size(radiograph)
        flags += [] if known else [_FLAGS["pixel-size-assumed"]]
    for pitch in mm_per_px:
        check_positive(TraceError, "mm_per_px", pitch)
    if tip is None:
        tip = TipForm()
        flags.append(_FLAGS["tip-form-assumed"])
    density = radiograph.density()
    corners = np.array([[0.0, 0.0], [radiograph.rows - 1.0, radiograph.cols - 1.0]])
    grid = working_grid(density, corners, mm_per_px)
    dark, bright = line_strength(grid)
    least = LEAST_OVER_DARK * level(dark, 0.99)
    if least <= 0.0:  # an even picture
        return ()
    dark_level = float(np.partition(grid.values.ravel(), k := grid.values.size // AIR_SHARE)[k])
    cells = bright_lines(bright, least, grid.cell_mm)
    seen = (_look(grid, radiograph.masked, one, tip, dark_level) for one in [*cells, *joined(cells, grid.cell_mm)])
    lines = _distinct(sorted((line for line in seen if line is not None), key=_rank, reverse=True))
    found = [_propose(density, grid, line, mm_per_px, tip, tuple(flags)) for line in lines if _hopeful(line, tip)]
    kept = sorted((proposal for proposal in found if proposal is not None), key=lambda p: p.confidence, reverse=True)
    return tuple(kept[:most])


def _pixel_size(radiograph: Radiograph) -> tuple[tuple[float, float], bool]:
    if radiograph.spacings:
        return (radiograph.spacings[0].row_mm, radiograph.spacings[0].col_mm), True
    ratio = radiograph.col_over_row
    row = LONG_SIDE_MM / max(radiograph.rows, radiograph.cols * ratio)
    return (row, row * ratio), False


# --- one line looked at ----------------------------------------------------------------------------------------------


def _look(
    grid: WorkingGrid, masked: NDArray[np.bool_] | None, cells: Float64, form: TipForm, air: float
) -> _Line | None:
    """Straighten a line on the working grid and see what it is."""
    coarse = _longer(cells * grid.cell_mm, np.array(grid.values.shape) * grid.cell_mm)
    ends = np.zeros(2, np.bool_)
    if masked is not None:
        coarse, ends = _on_film(coarse, grid, masked)
        if len(coarse) < LEAST_POINTS:
            return None
    length = float(arc_length(coarse)[-1])
    rows = max(8, round(length / STRIP_STEP_MM))
    line = smooth_line(coarse, max(2, round(length / KNOT_MM)), rows)
    half = round(STRIP_HALF_MM / STRIP_STEP_MM)
    across = np.arange(-half, half + 1) * STRIP_STEP_MM
    strip = _straighten(grid.values, line / grid.cell_mm, across / grid.cell_mm)
    shaft = strip[:, np.abs(across) <= SHAFT_HALF_MM + 1e-9].mean(axis=1)
    near = (np.abs(across) >= BESIDE_MM[0] - 1e-9) & (np.abs(across) <= BESIDE_MM[1] + 1e-9)
    beside = strip[:, near].mean(axis=1)
    excess = shaft - beside
    inner = np.abs(across) <= WIDTH_HALF_MM
    above = strip[:, inner] - strip[:, inner].min(axis=1, keepdims=True)
    width = above.sum(axis=1) * STRIP_STEP_MM / np.maximum(above.max(axis=1), 1e-6)
    usual = _middle(excess)
    seen = width[excess > 0.3 * usual]
    if usual <= 0.0 or len(seen) < 9:
        return None
    # Nothing of the kind is a file, stop or no stop; most lines of a clamp end here.
    if _middle(np.sort(seen)[: len(seen) // 2]) > WIDEST_MM + form.diameter_mm:
        return None
    size = np.array(grid.values.shape) * grid.cell_mm
    # Which end is the tip shows in the whole of the marks: a restoration, a bow or the air around the handle each mislead one.
    ways = [
        _seen_from(
            line[::way], strip[::way], excess[::way], width[::way], across, size - grid.cell_mm, air, ends[::way]
        )
        for way in (1, -1)
    ]
    return max(
        (way for way in ways if way is not None),
        key=lambda way: _confidence(way, CLEAR_END, CLEAR_END, form),
        default=None,
    )


def _seen_from(
    line: Float64,
    strip: Float64,
    excess: Float64,
    width: Float64,
    across: NDArray[np.floating],
    size: Float64,
    air: float,
    cut: NDArray[np.bool_],
) -> _Line | None:
    """A straightened line with its last end taken for the tip; None where that cannot be.

    `cut` says of either end whether it runs under what is no film.
    """
    usual = _middle(excess)
    length = float(arc_length(line)[-1])
    along = np.arange(len(line)) * length / (len(line) - 1)
    slab = find_slab(strip, along, across, excess, air)
    stop = find_stop(strip, along, across, usual)
    to_border = np.minimum(line[[0, -1]], size - line[[0, -1]]).min(axis=1)
    enters, leaves = bool(to_border[0] < EDGE_MM or cut[0]), bool(to_border[1] < EDGE_MM or cut[1])
    if enters and slab is not None and not _shaft_above(along, excess, slab.top_mm, usual):
        slab = None
    if enters and stop is not None and not _shaft_above(along, excess, stop.top_mm, usual):
        stop = None
    if stop is not None and not enters and stop.face_mm < LEAST_ABOVE_STOP_MM:
        stop = None
    if stop is not None and not _air_above(strip, along, across, usual, stop.face_mm, air):
        stop = None
    start = stop.face_mm if stop is not None else 0.0
    if slab is not None:
        start = slab.face_mm if slab.face_mm is not None else slab.top_mm + OPEN_MM
    # In air the shaft stands out several times as much as in the tooth, where its tip is.
    inside = _middle(excess[along > start]) if (along > start).sum() > 8 else usual
    fades = next(
        (mm for share in FADES_TO if (mm := _fades(along, excess, start + LEAST_MM, share, inside)) is not None), None
    )
    if fades is None and not leaves:
        return None
    leaves = fades is None
    tip = float(along[-1]) if fades is None else fades
    on = (along > start) & (along < tip - 0.2)
    if tip - start < LEAST_MM or on.sum() < 8:
        return None
    thin = np.sort(width[on][-(int(on.sum()) // 3) :])
    # Median slope between points a third of the file apart: a crossing or a restoration does not bend it.
    w, apart = width[on], int(on.sum()) // 3
    taper = _middle(w[:-apart] - w[apart:]) / (apart * STRIP_STEP_MM)
    steady = float(np.mean(excess[on] > 0.3 * usual))
    return _Line(line, slab, stop, tip, enters, leaves, float(thin[len(thin) // 3]), taper, steady, usual)


def _shaft_above(along: NDArray[np.floating], excess: Float64, top_mm: float, usual: float) -> bool:
    """Whether a block begins inside the picture and shaft is seen above it."""
    above = excess[(along < top_mm) & (along > top_mm - 2.0 * SHAFT_ABOVE_MM)]
    return top_mm - float(along[0]) >= SHAFT_ABOVE_MM and len(above) > 0 and _middle(above) >= SHAFT_ABOVE * usual


def _on_film(line: Float64, grid: WorkingGrid, masked: NDArray[np.bool_]) -> tuple[Float64, NDArray[np.bool_]]:
    """The longest stretch of a line (mm) that lies on film, and whether either of its ends runs under what is none."""
    most = np.array(masked.shape) - 1
    at = np.clip(np.rint(grid.to_px(line / grid.cell_mm)).astype(np.intp), 0, most)
    film = ~masked[at[:, 0], at[:, 1]]
    if film.all():
        return line, np.zeros(2, np.bool_)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], film, [False]]).astype(np.int8)))
    if not len(edges):
        return line[:0], np.ones(2, np.bool_)
    first, stop = max(zip(edges[::2], edges[1::2], strict=True), key=lambda piece: int(piece[1] - piece[0]))
    return line[first:stop], np.array([first > 0, stop < len(line)])


def _air_above(
    strip: Float64,
    along: NDArray[np.floating],
    across: NDArray[np.floating],
    contrast: float,
    face_mm: float,
    air: float,
) -> bool:
    """Whether there is air beside the shaft above a stop; within a crown many a place looks like one.

    One side is enough, since a cusp may stand beside the other. Where the film ends before, nothing speaks against it.
    """
    for (near, far), (inner, outer) in CLEAR_OF_CROWN_MM:
        above = (along > face_mm - far) & (along < face_mm - near)
        if above.sum() < 3:
            continue
        sides = [(across > inner) & (across < outer), (across < -inner) & (across > -outer)]
        levels = [_middle(np.median(strip[np.ix_(above, side)], axis=1)) for side in sides if side.any()]
        if levels and min(levels) > air + AIR_OVER_SHAFT * contrast:
            return False
    return True


def _longer(line: Float64, size: Float64) -> Float64:
    """The line with both ends drawn out straight, as far as the picture goes: where it ends is for its contrast to say."""
    steps = np.arange(1, round(DRAWN_OUT_MM / STRIP_STEP_MM) + 1)[:, None] * STRIP_STEP_MM
    pieces = []
    for end, inner in ((line[0], line[4]), (line[-1], line[-5])):
        piece = end + steps * (end - inner) / np.hypot(*(end - inner))
        pieces.append(piece[((piece >= 0.0) & (piece <= size - 2.0 * STRIP_STEP_MM)).all(axis=1)])
    return np.concatenate([pieces[0][::-1], line, pieces[1]])


def _fades(along: NDArray[np.floating], excess: Float64, after: float, share: float, usual: float) -> float | None:
    """Where the contrast of a line falls for good below a share of what it had before; None when it does not."""
    step = float(along[1] - along[0])
    back, keep, low, ahead = (round(mm / step) for mm in (2.0, 0.3, 0.5, 3.0))
    first = max(round(after / step), back + keep)
    if len(along) - low <= first:
        return None
    windows = np.lib.stride_tricks.sliding_window_view
    before = np.partition(windows(excess, back), back // 2, axis=1)[first - keep - back :, back // 2]
    fallen = windows(excess, low)[first:].max(axis=1)
    before = before[: len(fallen)]
    for k in np.flatnonzero((before >= LEAST_AT_TIP * usual) & (fallen <= share * before)):
        # A crossing bow or a restoration hides the shaft for a while; behind it the shaft is as bright as before. From the air
        # into the tooth it loses most of its contrast, and still stands out.
        later = excess[first + k + low : first + k + ahead]
        if len(later) < 2 * low:
            return float(along[first + k])
        # Edges beyond the tip are met here and there, the shaft goes on for a millimetre.
        steady = float(np.partition(windows(later, 2 * low), low // 2, axis=1)[:, low // 2].max())
        if steady < min(RETURNS_TO * before[k], STILL_THERE * usual):
            return float(along[first + k])
    return None


def _middle(values: Float64) -> float:
    """The median, or its upper neighbour: np.median imports numpy.ma for the first call and takes longer."""
    return float(np.partition(values, len(values) // 2)[len(values) // 2])


def _hopeful(line: _Line, form: TipForm) -> bool:
    """Whether the fits of its ends, which take most of the time, could still make a file of it."""
    return _confidence(line, CLEAR_END, CLEAR_END, form) >= LEAST_CONFIDENCE


def _rank(line: _Line) -> float:
    """How much a line looks like a file before its ends are fitted; only the order counts."""
    held = 2.0 if line.stop is not None or line.slab is not None else (1.0 if line.enters else 0.3)
    return held * line.steady * min(line.length_mm, 15.0) * (1.0 if line.taper > 0.003 else 0.4)


def _distinct(lines: list[_Line]) -> list[_Line]:
    kept: list[_Line] = []
    for line in lines:
        probe = resample(line.line_mm, 24)[4:-4]
        if not any(_overlap(probe, other.line_mm) for other in kept):
            kept.append(line)
    return kept


def _overlap(probe: Float64, other: Float64) -> bool:
    """Whether half of the points of one line lie on another."""
    gaps = np.hypot(*(probe[:, None] - other[None, ::4]).transpose(2, 0, 1)).min(axis=1)
    return bool(np.mean(gaps < SAME_MM) > 0.5)


# --- one line made a proposal ----------------------------------------------------------------------------------------


def _propose(
    density: Float32,
    grid: WorkingGrid,
    line: _Line,
    mm_per_px: tuple[float, float],
    form: TipForm,
    flags: tuple[Flag, ...],
) -> FileProposal | None:
    pixel = np.array(mm_per_px)
    if float(arc_length(line.line_mm)[-1]) < 2.5 * KNOT_MM:
        return None
    axis_px, _ = settle_line(density, grid.to_px(line.line_mm / grid.cell_mm), mm_per_px, rounds=1)
    if not line.leaves:
        # On the settled line the tip shows where a sharp bend hid it from the coarse one.
        rough = Axis.through(axis_px * pixel)
        tip_mm = _tip_on(density, rough, line, pixel)
        kept = rough.points[rough.along <= tip_mm - TIP_BACK_MM]
        if len(kept) < 8 or arc_length(kept)[-1] < 2.5 * KNOT_MM:
            return None
        axis_px = kept / pixel
    axis_px, _ = settle_line(density, axis_px, mm_per_px, rounds=1)
    if _one_pixel_wide(density, axis_px):
        return None
    axis = Axis.through(axis_px * pixel)
    # Settling hardly changes the length: places along the line hold for the settled one from its coronal end.

    def sample(s: NDArray[np.floating], u: NDArray[np.floating]) -> Float64:
        points, normals = axis.at(s)
        at = (points[:, None] + u[None, :, None] * normals[:, None]) / pixel
        return sample_image(density, at)

    notes = list(flags)
    tip: EndFit | None = None
    if line.leaves:
        notes = [flag for flag in notes if flag.code != "tip-form-assumed"] + [_FLAGS["tip-not-in-picture"]]
    else:
        tip = fit_tip(sample, tip_mm, form)
    face: EndFit | None = None
    if line.slab is not None:
        face = fit_slab(sample, line.slab, float(density.min()))
        if face is not None and (face.explained < CLEAR_SLAB or face.std_mm > SEEN_FACE_MM):
            face = None
        elif face is not None and face.std_mm > CLEAR_FACE_MM:
            notes.append(_FLAGS["stop-not-clear"])
    if face is None and line.stop is not None:
        face = fit_face(sample, evolve(line.stop, face_mm=line.stop.face_mm))
        if face is not None and (face.explained < CLEAR_FACE or face.std_mm > CLEAR_FACE_MM):
            face = None
    if face is None:
        notes.append(_FLAGS["stop-not-in-picture" if line.enters else "stop-not-seen"])
    begin = face.at_mm if face is not None else 0.0
    end = tip.at_mm if tip is not None else axis.length
    if end - begin < LEAST_MM:
        return None
    steps = np.linspace(begin, end, max(16, round((end - begin) / 0.05)))
    path = axis.at(steps)[0] / pixel
    unit = float(sqrt(pixel[0] * pixel[1]))
    if face is None:
        line = evolve(line, stop=None, slab=None)
    confidence = _confidence(line, tip, face, form)
    if confidence < LEAST_CONFIDENCE:
        return None
    if confidence < 0.5:
        notes.append(_FLAGS["proposal-doubtful"])
    if tip is not None and tip.explained < 0.5:
        notes.append(_FLAGS["tip-not-clear"])
    return FileProposal(
        path,
        path[0] if face is not None else None,
        path[-1] if tip is not None else None,
        face.std_mm / unit if face is not None else float("inf"),
        tip.std_mm / unit if tip is not None else float("inf"),
        confidence,
        FINDER,
        tuple(notes),
        line.enters,
    )


def _one_pixel_wide(density: Float32, axis_px: Float64) -> bool:
    """Whether a line is a bright row or column of the detector."""
    across = np.arange(-6.0, 7.0)
    for k in (0, 1):
        at = _middle(axis_px[:, k])
        keeps = np.abs(axis_px[:, k] - at) < READ_OUT_PX
        if float(keeps.mean()) <= 0.5:
            continue
        points = np.repeat(np.rint(axis_px[keeps])[:, None], len(across), axis=1)
        points[..., k] = round(at) + across
        profile = sample_image(density, points).mean(axis=0)
        peak = 3 + int(profile[3:-3].argmax())
        beside = 0.5 * (profile[peak - 3] + profile[peak + 3])
        if 0.5 * (profile[peak - 1] + profile[peak + 1]) - beside < READ_OUT_BESIDE * (profile[peak] - beside):
            return True
    return False


def _tip_on(density: Float32, axis: Axis, line: _Line, pixel: Float64) -> float:
    """Where the contrast fades on a settled line; the coarse place where it does not."""
    count = max(8, round(axis.length / STRIP_STEP_MM))
    s = np.linspace(0.0, axis.length, count + 1)
    points, normals = axis.at(s)
    across = np.arange(-round(BESIDE_MM[1] / 0.05), round(BESIDE_MM[1] / 0.05) + 1) * 0.05
    strip = sample_image(density, (points[:, None] + across[None, :, None] * normals[:, None]) / pixel)
    near = np.abs(across) >= BESIDE_MM[0] - 1e-9
    excess = strip[:, np.abs(across) <= 0.5 * SHAFT_HALF_MM + 1e-9].mean(axis=1) - strip[:, near].mean(axis=1)
    start = line.from_mm
    inside = _middle(excess[s > start])
    for share in FADES_TO:
        mm = _fades(s, excess, start + LEAST_MM, share, inside)
        if mm is not None:
            return mm
    return line.tip_mm


def _marks(line: _Line, tip: EndFit | None, face: EndFit | None, form: TipForm) -> tuple[float, ...]:
    """Marks of a file, each from about 0 to 1 but for those that speak against one; no `tip` or `face` where none is seen."""
    slab = line.slab is not None
    thin = (THIN_MM + form.diameter_mm - line.width_mm) / 0.1
    return (
        1.0,
        float(slab),
        float(not slab and line.stop is not None),
        float(not slab and line.stop is None and line.enters),
        0.0 if face is None else _sharp(face),
        min(max(thin, -2.0), 1.0),
        min(max(line.taper / 0.008, -2.0), 1.0),
        UNSEEN_TIP if tip is None else tip.explained,
        UNSEEN_TIP if tip is None else _sharp(tip),
        line.steady,
    )


def _sharp(end: EndFit) -> float:
    return 1.0 - min(end.std_mm / SHARP_MM, 1.0)


def _confidence(line: _Line, tip: EndFit | None, face: EndFit | None, form: TipForm) -> float:
    """Logistic in the marks of a file."""
    marks = _marks(line, tip, face, form)
    return 1.0 / (1.0 + exp(-sum(w * mark for w, mark in zip(WEIGHTS, marks, strict=True))))


def _straighten(image: Float32, line: Float64, across: NDArray[np.floating]) -> Float64:
    return sample_image(image, line[:, None] + across[None, :, None] * line_normals(line)[:, None])
