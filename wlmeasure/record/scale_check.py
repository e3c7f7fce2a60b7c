"""What is to be said of all scales of one film together: which of them agree, which file has which length, by name.

A film knows no canals, so this comes after the film was evaluated and before its canals are measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import dist

import numpy as np
from attrs import evolve

from wlmeasure.flags import Flag, merge
from wlmeasure.image.view import to_view
from wlmeasure.measure.cross_check import NamedScale, ScalePair, compare_scales
from wlmeasure.record.case import FILES, Canal, Film, KnownFile, KnownObject, Scale, Spacing
from wlmeasure.record.films import SAME_TIP_PX, FilmResult

__all__ = ["scale_name", "with_scale_check", "without_length"]

CODES = ("scales-differ", "known-lengths-swapped", "file-tip-missing")
TIP_MISSING = Flag(
    "file-tip-missing",
    "The upper end of a file is out of the picture and its tip lies in no traced canal, so its length is used for no canal.",
)


def with_scale_check(film: FilmResult, canals: Iterable[Canal]) -> FilmResult:
    """The film with its scales compared (`FilmResult.checks`) and the remarks that follow, in place of earlier ones."""
    canals = tuple(canals)
    scales = film.film.scale
    named = []
    for k, calibration in film.scales:
        scale = scales[k]
        length = scale.known_length_mm if isinstance(scale, KnownFile) else None
        named.append(NamedScale(scale_name(film.film, k, canals), calibration, length))
    pairs = compare_scales(named)
    flags = [flag for pair in pairs for flag in _pair_flags(pair)]
    tips = [t.file_tip_px for c in canals for t in c.traces if t.film == film.film.id]
    unscaled = [scale for scale, _ in film.unscaled if isinstance(scale, KnownFile)]
    if tips and any(not _among(scale, tips) for scale in unscaled):
        flags.append(TIP_MISSING)
    kept = [flag for flag in film.flags if flag.code not in CODES]
    return evolve(film, names=tuple(one.name for one in named), checks=pairs, flags=merge(kept, flags))


def _pair_flags(pair: ScalePair) -> list[Flag]:
    if pair.verdict != "differ":
        return []
    if pair.swapped_mm is not None:
        one, other = pair.swapped_mm
        return [
            Flag(
                "known-lengths-swapped",
                f"{one:g} mm and {other:g} mm agree with each other only if swapped: check which file is which; {one:g} mm is "
                f"entered for {without_length(pair.first)}, {other:g} mm for {without_length(pair.second)}.",
            )
        ]
    return [
        Flag(
            "scales-differ",
            f"The scales of {pair.first} and {pair.second} differ by {100.0 * abs(pair.ratio - 1.0):.0f} %, more than the "
            f"{100.0 * pair.tolerance:.0f} % that can be explained; check the known lengths and their points.",
        )
    ]


def without_length(name: str) -> str:
    """The name of a scale less the known length behind it; a canal's own name may hold brackets."""
    return name.rsplit(" (", 1)[0]


def _among(scale: KnownFile, tips: Sequence[tuple[float, float] | None]) -> bool:
    return any(tip is not None and dist(tip, scale.points_px[-1]) <= SAME_TIP_PX for tip in tips)


def scale_name(film: Film, at: int, canals: Sequence[Canal]) -> str:
    """What a person calls a scale of a film: by the canal of its file, else by its place on the film as it is shown."""
    scale = film.scale[at]
    if isinstance(scale, Spacing):
        return f"the image's spacing ({scale.claim})"
    length = f" ({scale.known_length_mm:g} mm)" if isinstance(scale, KnownFile | KnownObject) else ""
    kind = "object" if isinstance(scale, KnownObject) else "file"
    if isinstance(scale, FILES):
        tip = scale.points_px[-1]
        for canal in canals:
            for trace in canal.traces:
                if trace.film == film.id and trace.file_tip_px and dist(trace.file_tip_px, tip) <= SAME_TIP_PX:
                    return f"the file in canal {canal.name}{length or ' (taper)'}"
    return f"the {_placed(film, at, kind)}{length or (' (taper)' if kind == 'file' else '')}"


def _placed(film: Film, at: int, kind: str) -> str:
    """A file or object by where it lies among the others of its kind, as the film is shown: "left file"."""

    def kind_of(scale: Scale) -> str:
        return "object" if isinstance(scale, KnownObject) else "file" if isinstance(scale, FILES) else ""

    alike = [k for k, scale in enumerate(film.scale) if kind_of(scale) == kind]
    if len(alike) < 2:
        return kind
    middles = []
    for k in alike:
        scale = film.scale[k]
        assert not isinstance(scale, Spacing)
        middles.append(to_view(scale.points_px, (film.rows, film.cols), film.shown_as).mean(axis=0))
    spread = np.ptp(middles, axis=0)
    axis = 1 if spread[1] >= spread[0] else 0
    order = [alike[k] for k in np.argsort([middle[axis] for middle in middles], kind="stable")]
    first, last = (("left", "right"), ("upper", "lower"))[1 - axis]
    rank = order.index(at)
    if rank in (0, len(order) - 1):
        return f"{first if rank == 0 else last} {kind}"
    if len(order) == 3:
        return f"middle {kind}"
    nth = {1: "2nd", 2: "3rd"}.get(rank, f"{rank + 1}th")
    return f"{nth} {kind} from the {first if axis else 'top'}"
