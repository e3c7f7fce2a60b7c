"""Synthetic periapical radiographs from 3-D scenes, with exact truth: centre lines, lengths, curvature, magnification.

The room knows no definition of a curvature angle: it gives kappa(s), and others derive angles from it.
"""

from __future__ import annotations

from importlib import import_module

TYPE_CHECKING = False  # type checkers take it for true
if TYPE_CHECKING:
    from wlmeasure.phantom.dataset import make_dataset, write_phantom
    from wlmeasure.phantom.make import Phantom, make_phantom
    from wlmeasure.phantom.views import make_views

_HOMES = {
    "Phantom": "make",
    "make_dataset": "dataset",
    "make_phantom": "make",
    "make_views": "views",
    "write_phantom": "dataset",
}

__all__ = ["Phantom", "make_dataset", "make_phantom", "make_views", "write_phantom"]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'wlmeasure.phantom' has no attribute {name!r}")
    return getattr(import_module(f"wlmeasure.phantom.{_HOMES[name]}"), name)
