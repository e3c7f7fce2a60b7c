"""Writer for case files: napari's Save saves the case of the viewer in front, not the layers that show it."""

from __future__ import annotations

from typing import Any

import napari

from wlmeasure.errors import CaseError
from wlmeasure_napari._sessions import seat_of

__all__ = ["write_case"]


def write_case(path: str, _data: list[Any]) -> list[str]:
    """Save the case of the current viewer under `path`; the layers given are a view of it and are not read.

    Raises
    ------
    CaseError
        There is no viewer, it has no case yet, or a question has to be answered before it is saved there.
    """
    viewer = napari.current_viewer()
    if viewer is None:
        raise CaseError("viewer must be open: there is no case to save")
    session = seat_of(viewer).session
    session.save_as(path)
    if session.question is not None:
        raise CaseError(f"case is not saved yet: {session.question.text} Answer in the dock")
    return [str(session.document.file)]
