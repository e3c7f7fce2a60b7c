"""The session of each viewer: closing the dock and opening it again goes on with the same one."""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

from attrs import frozen

from wlmeasure_napari._hands import Hands
from wlmeasure_napari._layers import Layers
from wlmeasure_napari._session import Session
from wlmeasure_napari._space_layers import SpaceLayers

__all__ = ["Seat", "seat_of"]


@frozen(eq=False)
class Seat:
    """Everything one viewer has of ours, without Qt."""

    session: Session
    layers: Layers
    hands: Hands
    space: SpaceLayers


_seats: WeakKeyDictionary[Any, Seat] = WeakKeyDictionary()


def seat_of(viewer: Any) -> Seat:
    """The seat of a viewer; the plugin's guarded view of a viewer and the viewer itself share one."""
    viewer = getattr(viewer, "__wrapped__", viewer)
    seat = _seats.get(viewer)
    if seat is None:
        session = Session()
        layers = Layers(viewer, session)
        seat = _seats[viewer] = Seat(
            session, layers, Hands(viewer, session, layers), SpaceLayers(viewer, session, layers)
        )
    return seat
