"""What an image says of itself, as text and as JSON."""

from __future__ import annotations

from typing import Any

from wlmeasure.errors import one_line
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trade.tooth import Tooth

__all__ = ["picture_json", "picture_text"]


def picture_json(radiograph: Radiograph) -> dict[str, Any]:
    """Everything but the pixels; spacings in mm per pixel, best claim first."""
    return {
        "path": radiograph.path,
        "format": radiograph.format,
        "sha256": radiograph.sha256,
        "rows": radiograph.rows,
        "cols": radiograph.cols,
        "stored_rows": radiograph.stored_rows,
        "stored_cols": radiograph.stored_cols,
        "bits": radiograph.bits,
        "frame": radiograph.frame,
        "frames": radiograph.frames,
        "teeth": list(radiograph.teeth),
        "orientation": radiograph.orientation,
        "bright_is_dense": radiograph.bright_is_dense,
        "col_over_row": radiograph.col_over_row,
        "spacings": [
            {
                "claim": claim.claim,
                "row_mm": claim.row_mm,
                "col_mm": claim.col_mm,
                "plane": claim.plane,
                "trust": claim.trust,
                "magnification": claim.magnification,
                "description": claim.description,
                "warnings": list(claim.warnings),
            }
            for claim in radiograph.spacings
        ],
        "densities": list(radiograph.densities),
        "notes": list(radiograph.notes),
        "warnings": list(radiograph.warnings),
    }


def picture_text(radiograph: Radiograph) -> str:
    """The same in lines for a person."""
    polarity = "bright is dense (metal bright)" if radiograph.bright_is_dense else "dark is dense (metal dark)"
    lines = [
        one_line(radiograph.path),
        f"  format       {radiograph.format}, {radiograph.bits} bit",
        f"  size         {radiograph.rows} rows x {radiograph.cols} columns"
        + (f", turned by EXIF orientation {radiograph.orientation}" if radiograph.orientation != 1 else "")
        + (f", frame {radiograph.frame} of {radiograph.frames}" if radiograph.frame is not None else ""),
        f"  polarity     {polarity}",
        f"  SHA-256      {radiograph.sha256}",
    ]
    if radiograph.teeth:
        choose = "" if len(radiograph.teeth) == 1 else "; choose the one that is measured"
        named = ", ".join(f"{tooth} ({Tooth.from_iso3950(tooth).name})" for tooth in radiograph.teeth)
        lines.append(f"  tooth        {named}{choose}")
    for claim in radiograph.spacings:
        lines.append(
            f"  spacing      {claim.claim}: {claim.row_mm:g} mm from row to row, {claim.col_mm:g} mm from column to column; "
            f"{claim.plane} plane, trust: {claim.trust}"
        )
        if claim.description:
            lines.append(f"               {claim.description}")
        if claim.magnification is not None:
            lines.append(f"               magnification {claim.magnification:g} stated, not applied")
        lines += [f"               ! {text}" for text in claim.warnings]
    if not radiograph.spacings:
        lines.append("  spacing      none: calibrate on a file or an object of known length")
    lines += [f"  shown only   {text}" for text in radiograph.densities]
    lines += [f"  note         {text}" for text in radiograph.notes]
    lines += [f"  ! {text}" for text in radiograph.warnings]
    return "\n".join(lines) + "\n"
