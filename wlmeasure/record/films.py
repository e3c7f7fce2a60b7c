"""One film of a case: its picture, the files on it traced, its scale, and what is to be said of them."""

from __future__ import annotations

from math import dist, hypot, sqrt
from operator import itemgetter

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.calibration import (
    CLAIM_REL_STD,
    CLICK_STD_PX,
    RULER_STD_MM,
    Calibration,
    KnownLine,
    calibrate_lines,
    calibrate_spacing,
    calibrate_taper,
    implied_magnification,
    magnification_flags,
)
from wlmeasure.errors import CalibrationError, CaseError, FrameError, StaleCaseError, WlmeasureError
from wlmeasure.flags import Flag, catalogue, merge
from wlmeasure.image.radiograph import Radiograph, SpacingClaim
from wlmeasure.image.reading import read
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.measure.cross_check import ScalePair
from wlmeasure.record.case import (
    FILES,
    Case,
    Clicks,
    FileTaper,
    Film,
    KnownFile,
    KnownObject,
    PlainFile,
    Spacing,
    as_proposed,
)
from wlmeasure.trace.centreline import (
    GIVEN_PATH,
    HIDDEN_BELOW,
    HIDDEN_MM,
    CanalTrace,
    check_points,
    given_path,
    stored_trace,
    trace_line,
)
from wlmeasure.trace.reference_foot import ReferenceFoot, reference_foot
from wlmeasure.trace.shaft_width import shaft_widths
from wlmeasure.trace.spline import arc_length
from wlmeasure.trade.instruments import HAND_FILE_TAPER

__all__ = [
    "IN_DOUBT",
    "NO_SCALE",
    "SAME_TIP_PX",
    "FilmResult",
    "clicks_on",
    "evaluate_film",
    "known_line",
    "known_std",
    "read_films",
    "std_px_of",
]

Float64 = NDArray[np.float64]

MM_PER_PX_RANGE = (0.003, 0.5)  # a pixel outside is no radiograph's: detectors have 0.015 to 0.06 mm
SPARSE_POINTS = 6  # a file's path of fewer points may be the chord of a curve
# A file stands out 47 times the region's level on the reference radiographs, a line beside it 0.8 times; on an inverted
# picture the edges of the file, which are bright, do so 6 times.
FILE_SEEN = 8.0
SURE = 0.9  # a look calls sure what it gives so much
# Where a file's thickness is measured: clear of the tip's own form, on the part that tapers (ISO 3630-1); our choice.
WIDTHS_FROM_TIP_MM = (4.0, 8.0)
ROUGH_MM = 0.025  # of a pixel where the image claims none; only to begin with
TAPER_ROUNDS = 2  # the estimate sizes the filters for the next one
RATIO_TOLERANCE = 0.01  # our parameter
SAME_TIP_PX = 2.0  # our parameter: two points this close are one tip, written twice

# A stop is 2 to 4 mm across (from memory), so what it touched lies within 2 mm of the shaft, and the tip of a cusp that slopes
# under it a little farther; beyond 3 mm (our parameter) the point marked is none that it touched.
BESIDE_MM = 3.0
RIM = 0.02
"""How near to its end, of the film's longer side, a file that runs on out of the film is asked about its stop: 0.7 mm on a
usual one (our parameter)."""
AHEAD_MM = 1.0  # our parameter: so far a shaft is drawn straight on to the foot of the reference point

IN_DOUBT = ("stop-at-edge", "file-longer-than-known")
"""Codes of what speaks so much against a film's scale that no working length is proposed by it."""
NO_SCALE = Flag("no-scale", "This film has no scale, so it gives angles and no millimetres.")
_FLAGS = catalogue(
    {
        "file-not-seen": "No bright metal line is seen along the file's points; check them, and whether metal is bright.",
        "file-hidden": (
            "A stretch of the file cannot be seen, as behind a filling or a clamp, and its line is drawn straight there; look "
            "at it, and click a point of the file on either side where it is not."
        ),
        "reference-far-beside": (
            "The marked reference point lies more than 3 mm beside the file's shaft, farther than a stop reaches; mark the "
            "edge or cusp that the stop rested on, if it is seen and neither broken nor under a clamp."
        ),
        "stop-at-edge": (
            "The file's upper end lies at the edge of the film: is it the stop, or does the file leave the picture? Say so as "
            "its upper end, stop, reference or out of the picture; until then no working length is proposed from this film."
        ),
        "file-longer-than-known": (
            "By this film's scale the part of a file that is seen is longer than the whole file: its known length or the scale "
            "is wrong, so no working length is proposed from this film; check both."
        ),
        "file-path-sparse": "The file's path has few points; if the file is curved, its length on the film is too short.",
        "claim-disagrees": "The image file claims another scale than the one in use; check the known length.",
        "ratio-overridden": "The case gives the pixels another shape than the image file does.",
        "taper-not-used": "The scale from a file's taper is not used where there is a better one.",
        "estimated-scale": (
            "The scale is an estimate that may be off by a fifth: a length by it is preliminary and gives no working length; "
            "calibrate on a file of known length, or on an object of known size."
        ),
        "preliminary-scale": (
            "The scale is the detector's spacing and an assumed magnification: a length by it is preliminary and gives no "
            "working length; calibrate on a file of known length."
        ),
    }
)


@frozen(eq=False)
class FilmResult:
    """One film: its picture, its scale, and what was remarked.

    `feet` says for each of `file_traces` where its known length begins, where that is the foot of a reference point; else None.
    `scales` is each of the case's scales by itself, with its index in `film.scale`, for those that give one; `names` is what a
    person calls them, and `checks` compares them two by two (:mod:`wlmeasure.record.scale_check`). `clicks` is how far the
    clicks on it may be off, as the case says.
    """

    film: Film
    radiograph: Radiograph
    calibration: Calibration | None
    file_traces: tuple[CanalTrace, ...]
    magnification: float | None
    flags: tuple[Flag, ...]
    feet: tuple[ReferenceFoot | None, ...] = ()
    scales: tuple[tuple[int, Calibration], ...] = ()
    names: tuple[str, ...] = ()
    checks: tuple[ScalePair, ...] = ()
    clicks: Clicks | None = None

    @property
    def click_std_px(self) -> float:
        """Standard uncertainty of one click along a line, pixels; every length on the film takes it from here."""
        return std_px_of(self.clicks)

    @property
    def col_over_row(self) -> float:
        """Column spacing over row spacing: that of the scale in use, else of the case, else of the image."""
        if self.calibration is not None:
            return self.calibration.mm_per_px_col / self.calibration.mm_per_px_row
        return _ratio(self.film, self.radiograph)

    @property
    def estimated(self) -> bool:
        """Whether the scale is only an estimate by a file's taper."""
        return self.calibration is not None and self.calibration.method == "taper of the file"

    @property
    def files(self) -> tuple[tuple[FILES, CanalTrace, ReferenceFoot | None], ...]:
        """Its files: as stored, as traced, and the foot of their reference point."""
        files = (scale for scale in self.film.scale if isinstance(scale, FILES))
        return tuple(zip(files, self.file_traces, self.feet, strict=True))

    @property
    def unscaled(self) -> tuple[tuple[FILES, CanalTrace], ...]:
        """The files that no known length lies on, with their traces: its upper end is out of the picture, or it has none."""
        return tuple(
            (scale, trace) for scale, trace, _ in self.files if not (isinstance(scale, KnownFile) and scale.gives_scale)
        )

    @property
    def unscaled_files(self) -> tuple[CanalTrace, ...]:
        """The traces of :attr:`unscaled`."""
        return tuple(trace for _, trace in self.unscaled)

    @property
    def in_doubt(self) -> bool:
        """Whether something is open about its scale that has to be settled before a length rests on it."""
        return any(flag.code in IN_DOUBT for flag in self.flags)

    @property
    def rough(self) -> bool:
        """Whether lengths by the scale are preliminary: one by a file's taper, or a spacing that is not the patient's."""
        calibration = self.calibration
        return calibration is not None and (
            self.estimated or (calibration.claim is not None and calibration.claim.plane != "patient")
        )

    def file_of(self, tip_px: tuple[float, float] | None) -> KnownFile | None:
        """The file of known length without a scale of its own whose tip that is; None where there is none."""
        if tip_px is None:
            return None
        files = [scale for scale in self.film.scale if isinstance(scale, KnownFile)]
        near = min(files, key=lambda file: dist(file.points_px[-1], tip_px), default=None)
        if near is None or near.gives_scale or dist(near.points_px[-1], tip_px) > SAME_TIP_PX:
            return None
        return near


def read_films(case: Case) -> dict[str, Radiograph]:
    """Read every film of a case from where its path leads, seen from the case file.

    A case may come by mail, and its paths may lead anywhere. So nothing of a file is decoded, shown or said before its hash
    is the one that the case gives: whoever wrote the case must have had the file.

    Raises
    ------
    StaleCaseError
        The image is not the one the case was made on.
    CaseError
        The image has several frames and the case names none of them.
    ImageError
        The image cannot be read.
    """
    films = {}
    for film in case.films:
        try:
            films[film.id] = read(case.film_path(film), frame=film.frame, sha256=film.sha256)
        except FrameError as error:
            raise CaseError(
                f"film {film.id} must name the frame of {film.path}, 1 to {error.frames}: {film.frame or 'none'}; write it in "
                "the case as its member frame"
            ) from None
        except StaleCaseError:
            raise StaleCaseError(
                f"film {film.id} ({film.path}) must be the image the case was made on: its SHA-256 is another than the "
                f"case's, {film.sha256[:12]}...; restore the image or start a new case"
            ) from None
    return films


def std_px_of(clicks: Clicks | None) -> float:
    """Standard uncertainty of one click along a line, pixels: as is said, else the usual one."""
    return CLICK_STD_PX if clicks is None else clicks.std_px


def clicks_on(case: Case, film: Film) -> Clicks | None:
    """How far the clicks on a film of a case may be off; None for the usual.

    A line that a network proposed and a person accepted is no mark of that person's hand: where there is one, a surer hand
    than the usual one counts for nothing.
    """
    if case.clicks is None or case.clicks.std_px >= CLICK_STD_PX:
        return case.clicks
    traces = (trace for canal in case.canals for trace in canal.traces if trace.film == film.id)
    lines = (*(scale for scale in film.scale if isinstance(scale, FILES)), *traces)
    return None if any(as_proposed(line) for line in lines) else case.clicks


def evaluate_film(film: Film, radiograph: Radiograph, where: str, clicks: Clicks | None = None) -> FilmResult:
    """Trace the known lengths of one film, whose clicks are as sure as `clicks` says, and calibrate it.

    Raises
    ------
    WlmeasureError
        A member of the film that does not fit the image; `where` names it.
    """
    if (film.rows, film.cols) != radiograph.values.shape:
        raise CaseError(
            f"{where}.rows and cols must be those of the image: {film.rows} x {film.cols}, but {film.path} has "
            f"{radiograph.rows} x {radiograph.cols}"
        )
    if film.metal is not None:
        radiograph = radiograph.as_said(film.metal == "bright")
    ratio = _ratio(film, radiograph)
    click_std_px = std_px_of(clicks)
    size = _rough(film, radiograph, ratio)
    lines: list[KnownLine] = []
    traces: list[CanalTrace] = []
    spacings: list[Calibration] = []
    tapers: list[Calibration] = []
    feet: dict[int, ReferenceFoot | None] = {}
    alone: dict[int, Calibration] = {}
    of_line: list[int] = []
    flags: list[Flag] = []
    for k, scale in enumerate(film.scale):
        name = f"{where}.scale[{k}]"
        if scale in film.scale[:k]:
            raise CaseError(f"{name} must not repeat another: the same evidence twice makes no scale surer; delete one")
        try:
            if isinstance(scale, Spacing):
                alone[k] = calibrate_spacing(_claim(radiograph, scale.claim), magnification=scale.magnification)
                spacings.append(alone[k])
                continue
            if isinstance(scale, FileTaper):
                trace, estimate = _taper(scale, radiograph, size, click_std_px)
                traces.append(trace)
                tapers.append(estimate)
                long = float(arc_length(trace.path_px * estimate.mm_per_px)[-1])
                flags += _seen_flags(film, scale, trace, long)
                alone[k] = estimate
                continue
            if isinstance(scale, PlainFile) or (isinstance(scale, KnownFile) and not scale.gives_scale):
                trace = _traced(scale, radiograph, size, click_std_px)
                traces.append(trace)
                flags += _seen_flags(film, scale, trace, float(arc_length(trace.path_px * size)[-1]))
                continue
            points = check_points(scale.points_px, radiograph.values.shape, name="points_px")
            if isinstance(scale, KnownObject):
                lines.append(known_line(scale, points, ratio)[0])
                of_line.append(k)
                continue
            if scale.reference_px is not None:
                check_points([scale.reference_px], radiograph.values.shape, name="reference_px", least=1)
            trace = _trace_file(scale, points, radiograph, ratio, click_std_px)
            line, foot = known_line(scale, trace.path_px, ratio)
            lines.append(line)
            of_line.append(k)
            feet[len(traces)] = foot
            traces.append(trace)
            if scale.upper_end is None and _runs_out(radiograph, trace.path_px, ratio):
                flags.append(_FLAGS["stop-at-edge"])
            if foot is not None and foot.beside_px * line.known_length_mm / line.length_px(ratio) > BESIDE_MM:
                flags.append(_FLAGS["reference-far-beside"])
            flags += _seen_flags(film, scale, trace, scale.known_length_mm)
        except WlmeasureError as error:
            raise type(error)(f"{name}: {error}") from None
    for k, line in zip(of_line, lines, strict=True):
        alone[k] = calibrate_lines([line], col_over_row=ratio, click_std_px=click_std_px)
    if len(spacings) > 1:
        raise CaseError(f"{where}.scale must hold one spacing at most: {len(spacings)}; keep the one that is meant")
    if len(tapers) > 1:
        raise CaseError(f"{where}.scale must hold one file's taper at most: {len(tapers)}; keep the one that is meant")
    calibration = next((made for made in [*spacings, *tapers]), None)
    if lines:
        calibration = calibrate_lines(lines, col_over_row=ratio, click_std_px=click_std_px)
    if tapers and calibration is not tapers[0]:
        flags.append(_FLAGS["taper-not-used"])
    if calibration is not None:
        low, high = MM_PER_PX_RANGE
        if not (low <= calibration.mm_per_px_row <= high and low <= calibration.mm_per_px_col <= high):
            raise CalibrationError(
                f"{where}.scale must give {low:g} to {high:g} mm per pixel: {calibration.mm_per_px_row:.4g} x "
                f"{calibration.mm_per_px_col:.4g}; check the known length and its points"
            )
    if film.col_over_row is not None and abs(film.col_over_row / radiograph.col_over_row - 1.0) > RATIO_TOLERANCE:
        flags.append(_FLAGS["ratio-overridden"])
    magnification = None
    if calibration is not None and lines:
        detector = next((c for c in radiograph.spacings if c.plane == "detector"), None)
        if detector is not None:
            magnification = implied_magnification(calibration, detector)
            flags += magnification_flags(magnification)
        for claim in radiograph.spacings:
            limit = NORMAL_95 * hypot(calibration.rel_std, CLAIM_REL_STD[claim.trust])
            if claim.plane == "patient" and abs(implied_magnification(calibration, claim) - 1.0) > limit:
                flags.append(_FLAGS["claim-disagrees"])
    if calibration is None:
        flags.append(NO_SCALE)
    begins = tuple(feet.get(k) for k in range(len(traces)))
    result = FilmResult(
        film,
        radiograph,
        calibration,
        tuple(traces),
        magnification,
        (),
        begins,
        tuple(sorted(alone.items(), key=itemgetter(0))),
        clicks=clicks,
    )
    if any(_too_long(scale, trace, calibration, click_std_px) for scale, trace in result.unscaled):
        flags.append(_FLAGS["file-longer-than-known"])
    if result.rough:
        flags.append(_FLAGS["estimated-scale" if result.estimated else "preliminary-scale"])
    return evolve(result, flags=merge(() if calibration is None else calibration.flags, flags))


def known_std(scale: KnownFile | KnownObject) -> tuple[float, bool]:
    """Standard uncertainty of a known length, mm, and whether it is a ruler's, since none was given."""
    given = scale.known_length_std_mm
    return (RULER_STD_MM, True) if given is None else (given, False)


def known_line(
    scale: KnownFile | KnownObject, path_px: object, col_over_row: float
) -> tuple[KnownLine, ReferenceFoot | None]:
    """A known length laid on its path; that of a file from its stop, or from the foot of the reference point (then given too).

    Raises
    ------
    TraceError
        A reference point that lies beside the tip.
    CalibrationError
        One whose foot lies too far above the first point of the path; a length or path that none has.
    """
    std, on_ruler = known_std(scale)
    if isinstance(scale, KnownObject):
        return KnownLine(path_px, scale.known_length_mm, std, "object", on_ruler), None
    if scale.upper_end != "reference":
        return KnownLine(path_px, scale.known_length_mm, std, "file", on_ruler), None
    foot = reference_foot(path_px, scale.reference_px, col_over_row=col_over_row)
    seated = scale.stop_seated == "yes"
    line = KnownLine(foot.path_px, scale.known_length_mm, std, "file", on_ruler, "reference", seated)
    ahead_mm = foot.ahead_px * scale.known_length_mm / line.length_px(col_over_row)
    if ahead_mm > AHEAD_MM:
        raise CalibrationError(
            f"reference_px must not lie more than {AHEAD_MM:g} mm above the first point of the file: {ahead_mm:.1f} mm; click "
            "the shaft up to the reference point, or if the shaft leaves the picture before it, say that the upper end is out "
            "of the picture"
        )
    return line, foot


def _claim(radiograph: Radiograph, name: str) -> SpacingClaim:
    found = next((claim for claim in radiograph.spacings if claim.claim == name), None)
    if found is None:
        has = ", ".join(claim.claim for claim in radiograph.spacings) or "none"
        raise CalibrationError(
            f"claim must be a spacing that the image has ({has}): {name!r}; calibrate on a known length"
        )
    return found


def _trace_file(
    scale: KnownFile, points: Float64, radiograph: Radiograph, ratio: float, click_std_px: float
) -> CanalTrace:
    """The file's path: as given, or traced through its clicks, since the chord of a curved file is not its length."""
    if scale.trace_kind == "path":
        return given_path(points, radiograph.values.shape, name="points_px")
    if np.array_equal(points[0], points[-1]):
        raise CaseError("points_px must not begin and end at one point: upper end and tip are the same")
    ends = known_line(scale, points, ratio)[0].path_px[[0, -1]]
    chord = hypot(*((ends[1] - ends[0]) * (1.0, ratio)))
    rough = scale.known_length_mm / chord
    return _traced(scale, radiograph, (rough, rough * ratio), click_std_px)


def _traced(scale: FILES, radiograph: Radiograph, size: tuple[float, float], click_std_px: float) -> CanalTrace:
    """A file's path: as given, as accepted before, or traced through its clicks; `size` of a pixel, mm, may be rough."""
    points = check_points(scale.points_px, radiograph.values.shape, name="points_px")
    if scale.trace_kind == "path":
        return given_path(points, radiograph.values.shape, name="points_px")
    if scale.path_px is not None:
        return stored_trace(radiograph, scale.path_px, points, "file", size, tracer=scale.tracer or GIVEN_PATH)
    return trace_line(radiograph, points, "file", size, name="points_px", click_std_px=click_std_px)


def _rough(film: Film, radiograph: Radiograph, ratio: float) -> tuple[float, float]:
    """A rough pixel size, mm, to size the filters with: by a known length between its clicks, else by what the image claims."""
    row_mm = radiograph.spacings[0].row_mm if radiograph.spacings else ROUGH_MM
    for scale in film.scale:
        if isinstance(scale, KnownFile | KnownObject) and scale.gives_scale:
            (top, left), (bottom, right) = scale.points_px[0], scale.points_px[-1]
            chord = hypot(bottom - top, (right - left) * ratio)
            row_mm = min(max(scale.known_length_mm / max(chord, 1.0), MM_PER_PX_RANGE[0]), MM_PER_PX_RANGE[1])
            break
    return row_mm, row_mm * ratio


def _taper(
    scale: FileTaper, radiograph: Radiograph, size: tuple[float, float], click_std_px: float
) -> tuple[CanalTrace, Calibration]:
    """The file's path to its tip, and the scale that its thickness gives."""
    trace = _traced(scale, radiograph, size, click_std_px)
    taper = HAND_FILE_TAPER if scale.taper is None else scale.taper
    for _ in range(TAPER_ROUNDS):
        widths = shaft_widths(radiograph, trace.path_px, WIDTHS_FROM_TIP_MM, size)
        made = calibrate_taper(
            [(w.from_tip_px, w.width_px, w.width_std_px) for w in widths],
            scale.file_size,
            taper=taper,
            col_over_row=size[1] / size[0],
        )
        size = made.mm_per_px
    return trace, made


def _seen_flags(film: Film, scale: FILES, trace: CanalTrace, length_mm: float) -> list[Flag]:
    """Whether metal is seen along a file of that length, and whether its path has points enough.

    What a network was sure of and a person accepted as it lay was seen by both, and what is said here is by bright metal alone,
    which weak files are not; what it was less sure of has no such second witness.
    """
    if as_proposed(scale):
        taken = {one.item for one in scale.accepted}
        if any(item.label in taken and item.probability >= SURE for item in film.proposed):
            return []
    if trace.seen is not None and trace.seen < FILE_SEEN:
        return [_FLAGS["file-not-seen"]]
    if _hidden_share(trace) * length_mm >= HIDDEN_MM:
        return [_FLAGS["file-hidden"]]
    return [_FLAGS["file-path-sparse"]] if trace.seen is None and len(trace.path_px) < SPARSE_POINTS else []


def _runs_out(radiograph: Radiograph, path_px: Float64, ratio: float) -> bool:
    """Whether the shaft, drawn straight on above its first point, leaves the film or meets what is none within :data:`RIM`."""
    rows, cols = radiograph.values.shape
    pixel = np.array([1.0, ratio])
    along = arc_length(path_px * pixel)
    back = path_px[0] - [np.interp(0.1 * along[-1], along, axis) for axis in path_px.T]
    steps = np.arange(0.0, RIM * max(rows, cols * ratio), 0.5)[:, None]
    ahead = np.floor(path_px[0] + steps * back / np.hypot(*(back * pixel)) + 0.5).astype(int)
    inside = ((ahead >= 0) & (ahead < (rows, cols))).all(axis=1)
    if not inside.all():
        return True
    return radiograph.masked is not None and bool(radiograph.masked[ahead[:, 0], ahead[:, 1]].any())


def _too_long(scale: FILES, trace: CanalTrace, calibration: Calibration | None, click_std_px: float) -> bool:
    """Whether more of a file is seen than it is long, by more than its length, the scale and the clicks are uncertain by.

    A film shortens what is tilted and never lengthens it, so that less of it is no sign of anything.
    """
    if calibration is None or not isinstance(scale, KnownFile):
        return False
    seen_mm = float(arc_length(calibration.to_mm(trace.path_px))[-1])
    clicks = sqrt(2.0) * click_std_px * max(calibration.mm_per_px)
    spread = hypot(calibration.rel_std * seen_mm, known_std(scale)[0], clicks)
    return seen_mm - scale.known_length_mm > NORMAL_95 * spread


def _hidden_share(trace: CanalTrace) -> float:
    """Share of a traced file along which nothing like metal stands out."""
    return 0.0 if trace.seen_along is None else float(np.mean(trace.seen_along < HIDDEN_BELOW))


def _ratio(film: Film, radiograph: Radiograph) -> float:
    return radiograph.col_over_row if film.col_over_row is None else film.col_over_row
