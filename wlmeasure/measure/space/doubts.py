"""What speaks against films of one tooth as they were entered: one of them mirrored, a tube that was hardly moved.

Two films that are fitted well can still be wrong: what one of them would show in depth can take up nearly anything. So the fit
is made again under the other reading, and the two are compared by how probable they make the marks (Bayes factor by Laplace's
approximation). A canal's usual bends are part of that, since a wrong reading asks for canals that bend far in depth, or that
happen to have no depth at all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import degrees, log

from attrs import evolve

from wlmeasure.errors import MeasureError
from wlmeasure.flags import Flag, catalogue
from wlmeasure.measure.space.fit import solve
from wlmeasure.measure.space.geometry import HORIZONTAL
from wlmeasure.measure.space.scene import Scene, start
from wlmeasure.measure.space.unseen import Reading
from wlmeasure.measure.space.views import View

__all__ = ["DOUBTS", "doubts_of"]

DOUBT_LOG = log(100.0)
"""Our parameter: logarithm of the Bayes factor from which another reading is spoken of, as if one pair in a hundred were so."""

_FLAGS = catalogue(
    {
        "film-mirrored": (
            "The films fit much better with one of them mirrored: check that none lies the wrong way round, and that the "
            "canals carry the same names on both; until then no working length rests on them together."
        ),
        "shift-not-seen": (
            "The films look as if the tube had hardly been moved between them, and not by the degrees entered: check which "
            "films these are and their angulations; until then no working length rests on them together."
        ),
        "mesial-on-both-sides": (
            "Mesial is entered on different sides of the tooth on two films, so one of them lies mirrored or an entry is "
            "wrong: check both; until then no working length rests on them together."
        ),
    }
)
DOUBTS = frozenset(_FLAGS)

Rescene = Callable[[tuple[View, ...], Sequence[float]], Scene]


def doubts_of(best: Reading, scene_with: Rescene) -> list[Flag]:
    """Doubts about films from their fit `best`; `scene_with` gives the scene of other views and horizontal angles, degrees."""
    views, entered = best.scene.views, [degrees(angle) for angle in best.scene.nominal[:, HORIZONTAL]]
    flags = []
    if _mesial_on_both_sides(views):
        flags.append(_FLAGS["mesial-on-both-sides"])
    elif _mirrored_log(best, views, entered, scene_with) > DOUBT_LOG:
        flags.append(_FLAGS["film-mirrored"])
    if _no_shift_log(best, views, entered, scene_with) > DOUBT_LOG:
        flags.append(_FLAGS["shift-not-seen"])
    return flags


def _mesial_on_both_sides(views: Sequence[View]) -> bool:
    sides = set()
    for view in views:
        try:
            sides.add(view.mesial_right)
        except MeasureError:  # entered along the tooth; a fit that needs it has refused
            continue
    return {1.0, -1.0} <= sides


def _mirrored_log(best: Reading, views: tuple[View, ...], entered: Sequence[float], scene_with: Rescene) -> float:
    """How much more probable the marks are with one film mirrored, the most over the films."""
    # Of two films either mirrored gives the same tooth, or its mirror image.
    which = (1,) if len(views) == 2 else range(len(views))
    logs = []
    for k in which:
        scene = scene_with((*views[:k], views[k].mirrored(), *views[k + 1 :]), entered)
        logs.append(solve(scene, start(scene)).log_evidence)
    return max(logs) - best.solution.log_evidence


def _no_shift_log(best: Reading, views: tuple[View, ...], entered: Sequence[float], scene_with: Rescene) -> float:
    """How much more probable the marks are with no shift between the first film and another, the most over the others."""
    logs = [-float("inf")]
    for k in range(1, len(views)):
        if entered[k] == entered[0]:
            continue
        scene = scene_with(views, [entered[0] if n == k else angle for n, angle in enumerate(entered)])
        films = best.solution.tooth.films.copy()
        films[k, HORIZONTAL] = films[0, HORIZONTAL]
        logs.append(solve(scene, evolve(best.solution.tooth, films=films)).log_evidence)
    return max(logs) - best.solution.log_evidence
