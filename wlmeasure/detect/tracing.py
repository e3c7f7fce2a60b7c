"""The maps of a film as the tracer of canals is given them, computed once a film and kept."""

from __future__ import annotations

import threading
from collections import OrderedDict
from math import exp, log

from wlmeasure.detect.certainty import certainty_of
from wlmeasure.detect.channels import Channel
from wlmeasure.detect.network import Maps, Network, shipped_network
from wlmeasure.detect.prepare import prepared
from wlmeasure.errors import DetectError
from wlmeasure.image.radiograph import Radiograph
from wlmeasure.trace.evidence import FilmMaps

__all__ = ["KEPT_FILMS", "maps_at_hand", "tracer_maps", "tracing_maps"]

KEPT_FILMS = 6
"""Films whose maps are kept in memory, about 3 MB each."""
SIZE_STEP = 0.15
"""Pixel sizes are taken in steps of so much (of their logarithm): a scale that is measured a little anew changes no path, and
the same film and scale give the same maps whoever asks. The network was trained on pixels of 0.055 to 0.11 mm."""

_kept: OrderedDict[object, FilmMaps | None] = OrderedDict()
_lock = threading.Lock()


def tracer_maps(maps: Maps, model: str) -> FilmMaps:
    """What of the network's maps a tracer uses."""
    of = maps.of
    return FilmMaps(
        of(Channel.CANAL), of(Channel.OUTLINE), of(Channel.ROOT), of(Channel.FILE), maps.given.scale, model
    )  # fmt: skip


def _key(radiograph: Radiograph, mm_per_px: tuple[float, float]) -> tuple[str, int | None, bool, int, int]:
    steps = [round(log(size) / SIZE_STEP) for size in mm_per_px]
    return radiograph.sha256, radiograph.frame, radiograph.bright_is_dense, steps[0], steps[1]


def tracing_maps(radiograph: Radiograph, mm_per_px: tuple[float, float]) -> FilmMaps | None:
    """The maps of a film by the package's network; the first call for a film takes about half a second.

    Parameters
    ----------
    radiograph
        The film.
    mm_per_px
        Rough pixel size (row, col).

    Returns
    -------
    FilmMaps, or None where the film is unlike those that the network has learnt from, where there are no weights, and where
    this OpenCV cannot run them: a canal is then traced by what is seen on the film alone.
    """
    key = _key(radiograph, mm_per_px)
    with _lock:
        if key not in _kept:
            size = exp(key[3] * SIZE_STEP), exp(key[4] * SIZE_STEP)
            try:
                _kept[key] = _computed(shipped_network(), radiograph, size)
            except DetectError:
                _kept[key] = None
            while len(_kept) > KEPT_FILMS:
                _kept.popitem(last=False)
        _kept.move_to_end(key)
        return _kept[key]


def maps_at_hand(radiograph: Radiograph, mm_per_px: tuple[float, float]) -> FilmMaps | None:
    """The same where they are computed already, else None: for who cannot wait."""
    return _kept.get(_key(radiograph, mm_per_px))


def _computed(network: Network, radiograph: Radiograph, size: tuple[float, float]) -> FilmMaps | None:
    given = prepared(radiograph, size)
    if certainty_of(network.card).unlike(given.figures):
        return None
    return tracer_maps(network.run(given), network.name)
