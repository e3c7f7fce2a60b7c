"""Which of a DICOM file's spacings to believe, and what to warn about.

DICOM PS3.3 10.7.1.1 to 10.7.1.3 states what the attributes mean and their value order (row spacing first, i.e.
vertical, then column spacing); it states no ranking. The ranking here is ours and follows from those meanings. A file
of known length in the image, calibrated by the user, outranks all of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite

from wlmeasure.image.radiograph import SpacingClaim, printable

__all__ = ["resolve_aspect", "resolve_spacing"]

EQUAL_REL = 5e-4
"""Two spacings that differ by less are the same number rounded differently (our parameter)."""
MAGNIFICATION_BOUNDS = (0.90, 1.35)
"""Plausible Imager Pixel Spacing over Pixel Spacing of an intra-oral film (our parameter)."""
MAGNIFICATION_AGREE_REL = 0.02
"""Largest difference of that ratio from the file's own magnification factor (our parameter)."""
EXTENT_BOUNDS_MM = (15.0, 80.0)
"""Plausible side of an intra-oral image; catches rescaled exports and 96 dpi spacings (our parameter)."""

SPACING_BOUNDS = (1e-6, 1e3)
"""Numbers outside, of a spacing or an aspect ratio, are nonsense, not a scale (our parameter)."""

CALIBRATION_TYPES = ("FIDUCIAL", "GEOMETRY")
UNCORRECTED = (
    "not calibrated: neither magnification (makes lengths long) nor angulation (can make them short) is corrected; "
    "calibrate on a file of known length"
)
_Pair = tuple[float, float]


def resolve_spacing(
    attributes: Mapping[str, object],
    *,
    equal_rel: float = EQUAL_REL,
    magnification_bounds: tuple[float, float] = MAGNIFICATION_BOUNDS,
    extent_bounds_mm: tuple[float, float] = EXTENT_BOUNDS_MM,
) -> tuple[tuple[SpacingClaim, ...], tuple[str, ...]]:
    """Rank the spacing claims of one image.

    Parameters
    ----------
    attributes
        DICOM keywords with plain values: PixelSpacing, ImagerPixelSpacing, NominalScannedPixelSpacing as two numbers
        (row, column) in mm, PixelSpacingCalibrationType, PixelSpacingCalibrationDescription,
        EstimatedRadiographicMagnificationFactor, Rows, Columns. All may be absent.
    equal_rel, magnification_bounds, extent_bounds_mm
        Thresholds of the warnings; see the module constants.

    Returns
    -------
    claims
        One per usable attribute, best first; none when there is no usable spacing.
    warnings
        About attributes that were dropped (field, rule, value). Never raises for what a header says.
    """
    dropped: list[str] = []
    own = _spacing(attributes, "PixelSpacing", dropped)
    imager = _spacing(attributes, "ImagerPixelSpacing", dropped)
    scanned = _spacing(attributes, "NominalScannedPixelSpacing", dropped)
    offered = _magnification(attributes, dropped)

    ranked: list[tuple[int, str, _Pair, str, str, float | None, list[str], str]] = []
    if own:
        rank, plane, trust, notes = _pixel_spacing(attributes, own, imager, scanned, offered, equal_rel)
        notes += _ratio_notes(own, imager, equal_rel, magnification_bounds)
        description = printable(attributes.get("PixelSpacingCalibrationDescription") or "", 64)
        own_offer = offered if plane == "detector" else None
        ranked.append((rank, "PixelSpacing", own, plane, trust, own_offer, notes, description))
    if imager:
        notes = [UNCORRECTED]
        if offered is not None:
            notes.append(f"EstimatedRadiographicMagnificationFactor {offered:g} is offered, not applied")
        ranked.append((4, "ImagerPixelSpacing", imager, "detector", "detector", offered, notes, ""))
    if scanned:
        notes = ["spacing of the film or print that was scanned, not of the tooth", UNCORRECTED]
        ranked.append((7, "NominalScannedPixelSpacing", scanned, "film", "detector", None, notes, ""))

    claims = []
    for _, claim, (row_mm, col_mm), plane, trust, magnification, notes, description in sorted(
        ranked, key=lambda r: r[0]
    ):
        notes += _extent_notes(attributes, row_mm, col_mm, extent_bounds_mm)
        if abs(col_mm / row_mm - 1.0) > equal_rel:
            notes.append(f"pixels are not square: row {row_mm:g} mm, column {col_mm:g} mm")
        claims.append(SpacingClaim(row_mm, col_mm, claim, plane, trust, magnification, tuple(notes), description))
    return tuple(claims), tuple(dropped)


def resolve_aspect(
    attributes: Mapping[str, object], claims: tuple[SpacingClaim, ...], *, equal_rel: float = EQUAL_REL
) -> tuple[float, tuple[str, ...]]:
    """Column over row spacing, from the best claim, else Pixel Aspect Ratio (vertical, horizontal), else 1.0."""
    warnings: list[str] = []
    if claims:
        best = claims[0].col_mm / claims[0].row_mm
        for other in claims[1:]:
            ratio = other.col_mm / other.row_mm
            if abs(ratio / best - 1.0) > equal_rel:
                warnings.append(
                    f"{other.claim} must have the pixel shape of {claims[0].claim}: "
                    f"column over row {ratio:.4g}, not {best:.4g}"
                )
        return best, tuple(warnings)
    pair = _spacing(attributes, "PixelAspectRatio", warnings)
    if pair is None:
        return 1.0, tuple(warnings)
    return pair[1] / pair[0], (*warnings, "only a pixel aspect ratio and no spacing: pixels only, no millimetres")


def _pixel_spacing(
    attributes: Mapping[str, object],
    own: _Pair,
    imager: _Pair | None,
    scanned: _Pair | None,
    offered: float | None,
    equal_rel: float,
) -> tuple[int, str, str, list[str]]:
    """Rank, plane, trust and warnings of Pixel Spacing (0028,0030)."""
    notes: list[str] = []
    raw = attributes.get("PixelSpacingCalibrationType")
    kind = "" if raw is None else str(raw).strip()
    described = str(attributes.get("PixelSpacingCalibrationDescription") or "").strip()
    if kind and kind not in CALIBRATION_TYPES:
        notes.append(
            f"PixelSpacingCalibrationType must be FIDUCIAL or GEOMETRY: {printable(kind, 32)!r}; taken as absent"
        )
        kind = ""
    elif kind and not described:
        notes.append(f"PixelSpacingCalibrationDescription must be given with type {kind}: absent")

    if kind == "FIDUCIAL":
        notes.append("valid close to the central ray and at the same depth as the fiducial")
        if imager and _same(own, imager, equal_rel):
            notes.append("equal to ImagerPixelSpacing: implies magnification 1.000")
        return 1, "patient", "calibrated", notes
    if kind == "GEOMETRY":
        notes.append("corrected for assumed or known geometry at an unspecified depth")
        if imager and offered is not None:
            for axis, ratio in zip(("row", "column"), _ratios(imager, own), strict=True):
                if abs(ratio / offered - 1.0) > MAGNIFICATION_AGREE_REL:
                    notes.append(
                        f"ImagerPixelSpacing over PixelSpacing ({axis} {ratio:.3f}) must agree with "
                        f"EstimatedRadiographicMagnificationFactor: {offered:.3f}"
                    )
        return 2, "patient", "estimate", notes
    if imager and _same(own, imager, equal_rel):
        return 5, "detector", "detector", [*notes, "equal to ImagerPixelSpacing", UNCORRECTED]
    if scanned and _same(own, scanned, equal_rel):
        return 8, "film", "detector", [*notes, "equal to NominalScannedPixelSpacing", UNCORRECTED]
    for name, other in (("ImagerPixelSpacing", imager), ("NominalScannedPixelSpacing", scanned)):
        if other:
            row, col = _ratios(other, own)
            notes.append(
                f"differs from {name} by {row:.3f} (row), {col:.3f} (column): it was corrected or calibrated, "
                "but no one says how"
            )
            return 3, "patient", "estimate", notes
    notes.append("it cannot be determined whether or not correction or calibration have been performed")
    return 6, "unknown", "unknown", notes


def _ratio_notes(own: _Pair, imager: _Pair | None, equal_rel: float, bounds: tuple[float, float]) -> list[str]:
    if imager is None:
        return []
    row, col = _ratios(imager, own)
    notes = [
        f"ImagerPixelSpacing over PixelSpacing must lie in {bounds[0]:.2f} to {bounds[1]:.2f}: {axis} {ratio:.3f}; "
        "the image may have been resampled"
        for axis, ratio in (("row", row), ("column", col))
        if not bounds[0] <= ratio <= bounds[1]
    ]
    if abs(row / col - 1.0) > 2 * equal_rel:
        notes.append(f"rows and columns must be magnified alike: {row:.4f} and {col:.4f}")
    return notes


def _extent_notes(
    attributes: Mapping[str, object], row_mm: float, col_mm: float, bounds: tuple[float, float]
) -> list[str]:
    notes = []
    for keyword, side, spacing in (("Rows", "height", row_mm), ("Columns", "width", col_mm)):
        count = _number(attributes.get(keyword))
        if count is not None and count > 0 and not bounds[0] <= count * spacing <= bounds[1]:
            notes.append(
                f"{side} of the image must lie in {bounds[0]:g} to {bounds[1]:g} mm: {count * spacing:.1f} mm; "
                "a rescaled export or a screen resolution?"
            )
    return notes


def _spacing(attributes: Mapping[str, object], keyword: str, dropped: list[str]) -> _Pair | None:
    """Two numbers, finite and > 0, or None; a value that breaks the rule (PS3.3 10.7.1.3) is named in `dropped`."""
    raw = attributes.get(keyword)
    if raw is None or raw == "" or (isinstance(raw, (list, tuple)) and not raw):
        return None
    if isinstance(raw, bytes):
        raw = raw.decode("latin-1")
    parts = raw.strip("\0 ").split("\\") if isinstance(raw, str) else raw
    numbers = [_number(part) for part in parts] if isinstance(parts, (list, tuple)) else [_number(parts)]
    if len(numbers) == 2:
        row, col = numbers
        if row is not None and col is not None and all(SPACING_BOUNDS[0] <= v <= SPACING_BOUNDS[1] for v in (row, col)):
            return row, col
    shown = "\\".join(str(part) for part in parts) if isinstance(parts, (list, tuple)) else str(parts)
    dropped.append(
        f"{keyword} must be two finite numbers > 0 (row, column): {printable(shown, 40)}; not used as a scale"
    )
    return None


def _magnification(attributes: Mapping[str, object], dropped: list[str]) -> float | None:
    raw = attributes.get("EstimatedRadiographicMagnificationFactor")
    if raw is None or raw == "":
        return None
    factor = _number(raw)
    # SID / SOD: the tooth cannot lie behind the detector.
    if factor is None or factor < 1.0:
        shown = printable(raw, 40)
        dropped.append(f"EstimatedRadiographicMagnificationFactor must be a number >= 1: {shown}; not offered")
        return None
    return factor


def _number(raw: object) -> float | None:
    try:
        value = float(str(raw))  # by way of text: a header may hold anything
    except ValueError:
        return None
    return value if isfinite(value) else None


def _same(one: _Pair, other: _Pair, equal_rel: float) -> bool:
    return all(abs(a / b - 1.0) <= equal_rel for a, b in zip(one, other, strict=True))


def _ratios(detector: _Pair, own: _Pair) -> _Pair:
    return detector[0] / own[0], detector[1] / own[1]
