"""Sample data for the viewer's File menu."""

from __future__ import annotations

from wlmeasure.share.samples import sample_case
from wlmeasure_napari._reader import LayerData, case_reader

__all__ = ["curved"]


def curved() -> list[LayerData]:
    """The sample case of a curved canal with a file in it."""
    path = str(sample_case("curved_out_of_plane"))
    reader = case_reader(path)
    return reader(path) if reader is not None else []
