"""The peer of `wlmeasure measure`: the least that numpy and OpenCV need to trace file and canal and print a length.

Hessian ridge at half resolution, OpenCV's shortest path, a Gaussian along the path, polyline length. No uncertainty, no
curvature, no readings, no checks: what a person would write in an evening for one film.
"""

import json
import sys
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np


def trace(image, clicks, sign):
    low = np.maximum(clicks.min(axis=0).astype(int) - 80, 0)
    high = np.minimum(clicks.max(axis=0).astype(int) + 80, image.shape)
    region = image[low[0] : high[0], low[1] : high[1]].astype(np.float32)
    half = cv2.GaussianBlur(cv2.resize(region, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), (0, 0), 2.5)
    rr, cc = cv2.Sobel(half, -1, 0, 2), cv2.Sobel(half, -1, 2, 0)
    rc = cv2.Sobel(half, -1, 1, 1)
    strength = np.maximum(sign * 0.5 * (rr + cc) + np.hypot(0.5 * (rr - cc), rc), 0.0)
    shown = cv2.normalize(strength, None, 0, 255, cv2.NORM_MINMAX).astype(np.uint8)
    tool = cv2.segmentation.IntelligentScissorsMB()
    tool.setWeights(0.0, 0.0, 1.0)
    tool.applyImageFeatures(
        np.zeros_like(shown), np.zeros((*shown.shape, 2), np.float32), strength / strength.max(), shown
    )
    points = [tuple(int(v) for v in p[::-1]) for p in (clicks - low) / 2]
    pieces = []
    for start, end in pairwise(points):
        tool.buildMap(start)
        pieces.append(tool.getContour(end).reshape(-1, 2))
    path = np.concatenate(pieces)[:, ::-1] * 2.0 + low
    weights = np.exp(-0.5 * (np.arange(-24, 25) / 8.0) ** 2)
    padded = np.pad(path, ((24, 24), (0, 0)), mode="reflect", reflect_type="odd")
    return np.column_stack([np.convolve(padded[:, k], weights / weights.sum(), "valid") for k in (0, 1)])


def length(path):
    return np.hypot(*np.diff(path, axis=0).T).sum()


def main():
    case_path = Path(sys.argv[1])
    case = json.loads(case_path.read_text())
    film = case["films"][0]
    image = cv2.imread(str(case_path.parent / film["path"]), cv2.IMREAD_UNCHANGED)
    known = film["scale"][0]
    file = trace(image, np.array(known["points_px"]), -1.0)
    canal = trace(image, np.array(case["canals"][0]["traces"][0]["clicks_px"]), -1.0)
    print(json.dumps({"length_mm": known["known_length_mm"] * length(canal) / length(file), "path_px": canal.tolist()}))


main()
