"""What was traced on one film as a Grayscale Softcopy Presentation State: paths, labels and our pixel size, over the film.

The film is not touched. The pixel size goes into Presentation Pixel Spacing (0070,0101), which "may be different from Pixel
Spacing", "since some form of calibration may have been performed, for example by reference to an object of known size"
(PS3.3 C.10.4): a viewer that measures on this presentation measures on our scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

import highdicom as hd
import numpy as np
from highdicom.color import CIELabColor
from pydicom.dataset import Dataset
from pydicom.valuerep import DSfloat

from wlmeasure.errors import ShareError
from wlmeasure.image.radiograph import DISPLAY_PERCENTILES, printable
from wlmeasure.image.view import View, view_words
from wlmeasure.record.case import case_digest
from wlmeasure.record.evaluate import CanalResult, CaseResult, TraceResult
from wlmeasure.share.dicom.checks import check_graphics
from wlmeasure.share.dicom.codes import canal_code
from wlmeasure.share.dicom.objects import MAKER, UTF8, header_text, quiet, stamp, uid_of
from wlmeasure.share.dicom.points import to_dicom
from wlmeasure.share.dicom.source import FilmImage
from wlmeasure.share.figures import CANAL_COLOURS, FILE_COLOUR, Shown, canal_colours
from wlmeasure.share.result import measured_words

__all__ = ["presentation_state"]

_PR = hd.pr
_PIXEL = _PR.AnnotationUnitsValues.PIXEL
WORDS_FROM_CORNER = 0.04
"""How far from the upper left corner of the shown film its words begin, of its rows and columns (our parameter)."""


def presentation_state(result: CaseResult, image: FilmImage, *, made_at: str, program: str) -> Dataset:
    """The presentation state of one film of a measured case.

    The same arguments give the same object, identifiers included. A film without a scale is shown without a pixel size.

    Parameters
    ----------
    result
        What :func:`~wlmeasure.record.evaluate.evaluate` returned.
    image
        The film as a DICOM image.
    made_at, program
        When (``2026-11-25T10:30:00``) and with what name and version.

    Raises
    ------
    ShareError
        A film on which nothing is drawn.
    """
    film = image.film
    drawn = [(c, t) for c in result.canals for t in c.traces if t.film is film]
    layers, annotations = _drawn(result, image, drawn)
    if not layers:
        raise ShareError(f"film {film.film.id} must have a file or a canal to show: it has none; trace one first")
    shown = image.reference
    # highdicom asks every image of a multi-frame class for these, which older classes need not have; it copies nothing here.
    shown.SharedFunctionalGroupsSequence = [Dataset()]
    view = film.film.shown_as
    facts = (image.key, case_digest(result.case), *filter(None, [view_words(view)]), made_at, program)
    with quiet():
        state = _PR.GrayscaleSoftcopyPresentationState(
            referenced_images=[shown],
            series_instance_uid=uid_of("presentation series", *facts),
            series_number=1,
            sop_instance_uid=uid_of("presentation", *facts),
            instance_number=1,
            manufacturer=MAKER,
            manufacturer_model_name=MAKER,
            software_versions=program,
            device_serial_number=None,
            content_label="CANAL LENGTHS",
            content_description="Traced canals and files with the scale found on the film",
            graphic_annotations=annotations,
            graphic_layers=layers,
            voi_lut_transformations=[_window(image)],
            presentation_lut_transformation=hd.PresentationLUTTransformation(
                "IDENTITY" if _rising(image) else "INVERSE"
            ),
            specific_character_set=UTF8,
        )
    if (slope := _rescale(image)) is not None:
        state.RescaleSlope, state.RescaleIntercept, state.RescaleType = *slope, "US"
    if image.frame is not None:
        _of_one_frame(state, image.frame)
    # Two things that highdicom leaves to its caller: a paired body part needs its side, and there is no volume here.
    state.Laterality = "R" if result.tooth.is_right else "L"
    area = state.DisplayedAreaSelectionSequence[0]
    if "PixelOriginInterpretation" in area:
        del area.PixelOriginInterpretation
    if view != View():
        _turn(state, area, Shown(film))
    if film.calibration is not None:
        del area.PresentationPixelAspectRatio
        area.PresentationPixelSpacing = [DSfloat(size, auto_format=True) for size in film.calibration.mm_per_px]
    else:
        area.PresentationPixelAspectRatio = [1000, round(1000 * film.col_over_row)]  # vertical, horizontal
    stamp(state, made_at, "PresentationCreation")
    check_graphics(state, film.radiograph.values.shape)
    return state


def _turn(state: Dataset, area: Dataset, shown: Shown) -> None:
    """Let the film be shown as it is here: turned clockwise, and flipped after that (PS3.3 C.10.6).

    The corners of the displayed area are pixels of the film, named by where they lie after that (C.10.4); what is drawn, and
    the pixel size, stay those of the film as it is stored.
    """
    state.ImageRotation = 90 * shown.view.quarter_turns
    state.ImageHorizontalFlip = "Y" if shown.view.mirrored else "N"
    rows, cols = shown.shape
    corners = np.rint(shown.on_film([(0.0, 0.0), (rows - 1.0, cols - 1.0)])).astype(int) + 1
    area.DisplayedAreaTopLeftHandCorner, area.DisplayedAreaBottomRightHandCorner = corners[:, ::-1].tolist()


def _drawn(
    result: CaseResult, image: FilmImage, drawn: Sequence[tuple[CanalResult, TraceResult]]
) -> tuple[list[hd.pr.GraphicLayer], list[hd.pr.GraphicAnnotation]]:
    """One layer for what the scale rests on, one for each canal, each with its label; on a turned film one that says so."""
    colours = canal_colours(result)
    layers: list[hd.pr.GraphicLayer] = []
    annotations: list[hd.pr.GraphicAnnotation] = []

    def add(name: str, words: str, colour: str, lines: Sequence[object], labels: Sequence[tuple[str, object]]) -> None:
        layer = _PR.GraphicLayer(name, len(layers) + 1, words, CIELabColor.from_string(colour))
        annotations.append(
            _PR.GraphicAnnotation(
                referenced_images=[image.reference],
                graphic_layer=layer,
                graphic_objects=[_PR.GraphicObject("POLYLINE", to_dicom(line), _PIXEL) for line in lines],
                text_objects=[
                    _PR.TextObject(label, _PIXEL, anchor_point=tuple(to_dicom([at])[0])) for label, at in labels
                ],
            )
        )
        layers.append(layer)

    scale = image.film.calibration
    if scale is not None and scale.lines:
        known = ", ".join(f"{line.known_length_mm:g} mm" for line in scale.lines)
        lines = [line.path_px for line in scale.lines]
        labels = [(f"{line.known_length_mm:g} mm", line.path_px[0]) for line in scale.lines]  # each at its own file
        add("SCALE", f"Known lengths: {known}"[:64], FILE_COLOUR, lines, labels)
    for k, (canal, trace) in enumerate(drawn, 1):
        path = trace.path.path_px
        lines = [path]
        if trace.trace.crown_px is not None:
            lines.insert(0, np.vstack([trace.trace.crown_px if trace.start_px is None else trace.start_px, path[0]]))
        name = printable(canal.canal.name, 40)
        words = ""
        if trace.length is not None:
            words = f" {'preliminary ' if trace.preliminary else ''}{measured_words(trace.length)}"
        # The layer is described by a code's words: what a person typed stands in the label alone, which can be removed.
        add(
            f"CANAL {k}",
            canal_code(canal.canal.name).meaning,
            colours[canal.canal.name],
            lines,
            [(f"{name}{words}", path[-1])],
        )
    shown = Shown(image.film)
    if layers and shown.words:
        rows, cols = shown.shape
        (corner,) = shown.on_film([(WORDS_FROM_CORNER * rows, WORDS_FROM_CORNER * cols)])
        add("VIEW", f"How the film is shown: {shown.words}", CANAL_COLOURS[0], [], [(shown.words, corner)])
    return layers, annotations


def _of_one_frame(state: Dataset, frame: int) -> None:
    """Let the state, its area and what is drawn apply to that frame alone (PS3.3 C.11.11, C.10.4, C.10.5)."""
    drawn = (*state.GraphicAnnotationSequence, *state.DisplayedAreaSelectionSequence)
    for place in (*state.ReferencedSeriesSequence, *drawn):
        for item in place.get("ReferencedImageSequence") or ():
            item.ReferencedFrameNumber = frame


def _rescale(image: FilmImage) -> tuple[float, float] | None:
    """Rescale slope and intercept of the film, where they change anything."""
    try:
        slope = float(header_text(image.dataset, "RescaleSlope") or 1.0)
        intercept = float(header_text(image.dataset, "RescaleIntercept") or 0.0)
    except ValueError:
        return None
    if not (isfinite(slope) and isfinite(intercept)) or slope == 0.0 or (slope, intercept) == (1.0, 0.0):
        return None
    return slope, intercept


def _rising(image: FilmImage) -> bool:
    """Whether the largest value that leaves the modality step is to be shown white, so that metal is bright.

    A presentation state overrides the image's Photometric Interpretation (PS3.4 N.2.1.4), so polarity is said here.
    """
    slope = (_rescale(image) or (1.0, 0.0))[0]
    return image.film.radiograph.bright_is_dense == (slope > 0.0)


def _window(image: FilmImage) -> hd.pr.SoftcopyVOILUTTransformation:
    """The window that this program shows the film with, after the modality step (PS3.3 C.11.2.1.2)."""
    graph = image.film.radiograph
    if graph.display is not None:
        ends = [graph.display.low, graph.display.high]
    else:
        ends = [float(v) for v in np.percentile(graph.values, DISPLAY_PERCENTILES)]
    slope, intercept = _rescale(image) or (1.0, 0.0)
    low, high = sorted(end * slope + intercept for end in ends)
    # An even picture has no range; LINEAR counts the ends in, and its centre is half a value on.
    return _PR.SoftcopyVOILUTTransformation(
        window_center=float(f"{(low + high + 1.0) / 2.0:.8g}"), window_width=float(f"{max(2.0, high - low + 1.0):.8g}")
    )
