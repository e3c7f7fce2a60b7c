"""Maps drawn from the truth: what a network without faults would say."""

from __future__ import annotations

import numpy as np

from wlmeasure.detect.channels import AREAS, LINES, POINTS, SPREAD_PX, WORKING_PITCH_MM, Channel
from wlmeasure.detect.network import Maps
from wlmeasure.detect.prepare import Given, prepared
from wlmeasure.detect.training.labels import Labels, draw
from wlmeasure.image.radiograph import Radiograph


def ideal_maps(labels: Labels, given: Given) -> Maps:
    shape = given.inside
    raster = draw(labels.scaled((1.0 / given.scale[0], 1.0 / given.scale[1]), shape))
    shares = np.zeros((len(Channel), *given.greys.shape), np.float32)
    at = np.s_[: shape[0], : shape[1]]
    away = raster.distance / 16.0
    for k, channel in enumerate(LINES):
        shares[channel][at] = np.exp(-0.5 * (away[k] / SPREAD_PX["line"]) ** 2)
    for k, channel in enumerate(POINTS, start=len(LINES)):
        shares[channel][at] = np.exp(-0.5 * (away[k] / SPREAD_PX["point"]) ** 2)
    for k, channel in enumerate(AREAS):
        shares[channel][at] = (raster.bits >> k) & 1
    return Maps(given, shares)


def given_of(image: np.ndarray, mm_per_px: tuple[float, float]) -> Given:
    return prepared(Radiograph.from_array(image), mm_per_px)


def pitch(mm_per_px: float) -> float:
    return mm_per_px / WORKING_PITCH_MM
