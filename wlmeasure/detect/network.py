"""The network as a user runs it: weights from the package, checked by their hash, run by OpenCV, one net a thread."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from wlmeasure.detect.channels import WORKING_PITCH_MM, Channel
from wlmeasure.detect.prepare import Given
from wlmeasure.errors import DetectError

__all__ = ["SCHEMA", "WEIGHTS", "Maps", "Network", "load_network", "shipped_network"]

Float32 = NDArray[np.float32]

SCHEMA = "wlmeasure-look/1"
WEIGHTS = Path(__file__).parent / "weights"
NAME = "look"
BY_HAND = "everything can still be marked by hand"


@frozen(eq=False)
class Maps:
    """What the network says of a film.

    Attributes
    ----------
    given
        The film as it was given, whose pixels the maps have.
    shares : (11, rows, cols) float32
        From 0 to 1, in the order of `Channel`.
    periapical
        From 0 to 1: whether this is a periapical film.
    mm_per_px, mm_per_px_rel_std
        Pixel size of the maps as the network judges it from what is seen, and the relative standard uncertainty that it states.
    """

    given: Given
    shares: Float32
    periapical: float = 1.0
    mm_per_px: float = WORKING_PITCH_MM
    mm_per_px_rel_std: float = float("inf")

    def of(self, channel: Channel) -> Float32:
        """One map, (rows, cols)."""
        return np.asarray(self.shares[channel], np.float32)


@frozen(eq=False)
class Network:
    """Weights and the card that came with them; `card` as it stands in the file beside the weights."""

    data: bytes = field(repr=False)
    sha256: str
    card: Mapping[str, Any] = field(repr=False)
    _nets: threading.local = field(factory=threading.local, repr=False, init=False)

    @property
    def name(self) -> str:
        """Name and first signs of the hash: what is written beside a proposal."""
        return f"{NAME}/{self.sha256[:12]}"

    def run(self, given: Given) -> Maps:
        """The maps of a film; about a tenth of a second on one core.

        Raises
        ------
        DetectError
            OpenCV cannot run the weights, or gives another number of maps.
        """
        net = self._net()
        net.setInput(given.greys[None, None])
        try:
            maps, whole = net.forward(["maps", "whole"])
        except cv2.error as error:
            raise DetectError(
                f"the network does not run with OpenCV {cv2.__version__}: {_first(error)}; {BY_HAND}"
            ) from None
        if maps.shape[1:] != (len(Channel), *given.greys.shape):
            raise DetectError(
                f"the network must give {len(Channel)} maps of the film's size: got {maps.shape[1:]}; {BY_HAND}"
            )
        rows, cols = given.inside
        shares = _share(maps[0])
        # Nothing is where there is no film.
        shares[:, rows:], shares[:, :, cols:] = 0.0, 0.0
        kind, log_pitch, log_var = (float(v) for v in whole.reshape(-1)[:3])
        return Maps(
            given,
            shares,
            float(_share(np.array([kind], np.float32))[0]),
            WORKING_PITCH_MM * float(np.exp(log_pitch)),
            float(np.exp(0.5 * min(max(log_var, -8.0), 2.0))),
        )

    def _net(self) -> Any:
        net = getattr(self._nets, "net", None)
        if net is None:
            if not hasattr(cv2, "dnn"):
                raise DetectError(
                    f"this OpenCV has no module that runs networks (dnn): install opencv-python; {BY_HAND}"
                )
            try:
                net = cv2.dnn.readNetFromONNX(np.frombuffer(self.data, np.uint8))
            except cv2.error as error:
                told = f"the weights cannot be read by OpenCV {cv2.__version__}: {_first(error)}; {BY_HAND}"
                raise DetectError(told) from None
            self._nets.net = net
        return net


def _first(error: cv2.error) -> str:
    return str(error).strip().splitlines()[-1][:120]


def _share(logit: NDArray[np.floating]) -> Float32:
    """1 / (1 + exp(-logit)), in place where it can be."""
    share = np.negative(logit, dtype=np.float32)
    np.clip(share, -60.0, 60.0, out=share)
    np.exp(share, out=share)
    share += 1.0
    return np.asarray(np.reciprocal(share, out=share), np.float32)


def load_network(weights: Path) -> Network:
    """Weights from an ONNX file, with the card of the same name (`.json`) beside it.

    Raises
    ------
    DetectError
        A file that is not there, a card of another kind, weights of another hash than the card says.
    """
    beside = weights.with_suffix(".json")
    try:
        data, card = weights.read_bytes(), json.loads(beside.read_text(encoding="utf-8"))
    except OSError as error:
        raise DetectError(
            f"weights must be {weights.name} and {beside.name} in {weights.parent}: {error.strerror}; {BY_HAND}"
        ) from None
    except ValueError:
        raise DetectError(f"the card {beside.name} must be JSON: install the package again; {BY_HAND}") from None
    if not isinstance(card, dict) or card.get("schema") != SCHEMA:
        raise DetectError(f"the card {beside.name} must have the schema {SCHEMA}: install the package again; {BY_HAND}")
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != card.get("sha256"):
        raise DetectError(
            f"the weights {weights.name} must have the hash that their card says: {sha256[:12]} is not "
            f"{str(card.get('sha256'))[:12]}; install the package again; {BY_HAND}"
        )
    return Network(data, sha256, card)


@cache
def shipped_network() -> Network:
    """The weights that came with the package, read once; raises as `load_network`."""
    return load_network(WEIGHTS / f"{NAME}.onnx")
