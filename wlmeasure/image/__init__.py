"""The only room that opens image files: one `read` for PNG, TIFF, JPEG, BMP and a frame of DICOM; `list_films` for folders."""

from wlmeasure.image.listing import FilmList, ListedFilm, list_films
from wlmeasure.image.radiograph import DisplayRange, DisplayTable, Radiograph, SpacingClaim
from wlmeasure.image.reading import read
from wlmeasure.image.spacing import resolve_spacing

__all__ = [
    "DisplayRange",
    "DisplayTable",
    "FilmList",
    "ListedFilm",
    "Radiograph",
    "SpacingClaim",
    "list_films",
    "read",
    "resolve_spacing",
]
