"""Reader for case files: each film as an image layer, its files and canals as paths drawn on it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath
from typing import Any

from wlmeasure.errors import FrameError
from wlmeasure.image.reading import read
from wlmeasure.image.view import view_affine
from wlmeasure.record.case import SUFFIX, load_case
from wlmeasure.record.evaluate import CaseResult, FilmResult, evaluate
from wlmeasure.share.figures import FILE_COLOUR, canal_colours

LayerData = tuple[Any, dict[str, Any], str]

# Widths are in pixels of the film, which a window shows reduced: shares of its rows stay visible there. The file is the
# wider one, so that it shows on both sides of a canal that lies on it.
FILE_SHARE, CANAL_SHARE = 1 / 150, 1 / 400


def case_reader(path: str | list[str]) -> Callable[[str | list[str]], list[LayerData]] | None:
    """The reader for one case file, or None when `path` is none (napari's reader contract)."""
    if isinstance(path, list):
        return case_reader(path[0]) if len(path) == 1 else None
    return _read if path.endswith(SUFFIX) else None


def film_reader(path: str | list[str]) -> Callable[[str | list[str]], list[LayerData]] | None:
    """The reader for one DICOM radiograph, or None when `path` is none."""
    if isinstance(path, list):
        return film_reader(path[0]) if len(path) == 1 else None
    return _read_film if path.lower().endswith(".dcm") else None


def _read_film(path: str | list[str]) -> list[LayerData]:
    path = path if isinstance(path, str) else path[0]
    try:
        radiograph = read(path)
    except FrameError as error:
        raise FrameError(
            f"{PurePath(path).name} has {error.frames} frames: press Open film in the dock, which asks for one",
            error.frames,
        ) from None
    name = PurePath(radiograph.path).name
    return [
        (radiograph.density(), {"name": name, "scale": (1.0, radiograph.col_over_row), "colormap": "gray"}, "image")
    ]


def _read(path: str | list[str]) -> list[LayerData]:
    result = evaluate(load_case(path if isinstance(path, str) else path[0]))
    return [layer for film in result.films for layer in _layers(result, film)]


def _layers(result: CaseResult, film: FilmResult) -> list[LayerData]:
    """Pixel coordinates throughout; unequal spacing shows as the layers' scale, so that the tooth keeps its form.

    A film that the case says is turned or mirrored is shown so by the layers' affine; no data change.
    """
    scale = (1.0, film.col_over_row)
    shape = (film.radiograph.rows, film.radiograph.cols)
    laid = {"scale": scale, "affine": view_affine(shape, scale, film.film.shown_as)}
    name = film.film.id
    # Only the screen's contrast depends on this; measuring uses the stored values.
    image: dict[str, Any] = {"name": f"film {name}", **laid, "colormap": "gray"}
    layers: list[LayerData] = [(film.radiograph.density(), image, "image")]
    if film.file_traces:
        paths = [trace.path_px for trace in film.file_traces]
        style = _path_style(f"file on {name}", laid, FILE_COLOUR, FILE_SHARE * film.radiograph.rows)
        layers.append((paths, style, "shapes"))
    canals = {c.canal.name: t.path.path_px for c in result.canals for t in c.traces if t.film is film}
    if canals:
        every = canal_colours(result)
        colours = [every[name] for name in canals]
        style = _path_style(f"canals on {name}", laid, colours, CANAL_SHARE * film.radiograph.rows)
        style["features"] = {"canal": list(canals)}
        layers.append((list(canals.values()), style, "shapes"))
    return layers


def _path_style(name: str, laid: dict[str, Any], colour: str | list[str], width: float) -> dict[str, Any]:
    return {
        "name": name,
        "shape_type": "path",
        "edge_color": colour,
        "edge_width": width,
        "opacity": 1.0,
        **laid,
    }
