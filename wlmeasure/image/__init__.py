"""The only room that opens image files: one `read` for PNG, TIFF, JPEG, BMP and single-frame DICOM."""

from wlmeasure.image.radiograph import DisplayRange, Radiograph, SpacingClaim
from wlmeasure.image.reading import read
from wlmeasure.image.spacing import resolve_spacing

__all__ = ["DisplayRange", "Radiograph", "SpacingClaim", "read", "resolve_spacing"]
