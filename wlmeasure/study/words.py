"""What a table of observers says, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from attrs import asdict

from wlmeasure.study.anchored import Anchored, Beside, Taken
from wlmeasure.study.clicks import ClickError
from wlmeasure.study.correlation import FORMS
from wlmeasure.study.path_agreement import PARTS, PLACES, PathAgreement
from wlmeasure.study.protocol import ANCHORED
from wlmeasure.study.summary import Own, Pair, Summary

__all__ = [
    "DECIMALS",
    "NO_AGREEMENT",
    "anchored_lines",
    "click_words",
    "interval",
    "number",
    "observers_json",
    "observers_text",
    "percent",
    "taken_words",
]

SCHEMA = "wlmeasure-observers/1"
DECIMALS = {"mm": 3, "deg": 2}
"""Decimals that are printed for a unit, three for others; JSON has all of them."""


NO_AGREEMENT = "No agreement between observers: too few readings were made by observers who were shown no proposal."
"""What is said where all that could be compared began from proposals."""


def number(value: float | None, unit: str = "", digits: int | None = None) -> str:
    """A number with the decimals of its unit; a dash for none."""
    if value is None:
        return "-"
    text = f"{value:.{DECIMALS.get(unit, 3) if digits is None else digits}f}"
    return text[1:] if float(text) == 0.0 and text.startswith("-") else text


def interval(ends: tuple[float, float] | None, unit: str = "", digits: int | None = None) -> str:
    """An interval as "low to high"."""
    return "-" if ends is None else f"{number(ends[0], unit, digits)} to {number(ends[1], unit, digits)}"


def percent(value: float | None, digits: int = 1) -> str:
    """A share in per cent."""
    return "-" if value is None else f"{number(100.0 * value, digits=digits)} %"


def observers_text(
    found: Sequence[Summary],
    paths: PathAgreement | None = None,
    apart: Anchored | None = None,
    clicks: Sequence[ClickError] = (),
) -> str:
    """Every figure in lines for a person; what began from proposals apart, at the end."""
    lines: list[str] = [] if found else [NO_AGREEMENT, ""]
    for one in found:
        lines += [*_summary_lines(one), ""]
    if paths is not None:
        lines += [*_path_lines(paths), ""]
    if clicks:
        lines.append("clicks on the ends of canals that were marked again (SD, pixels)")
        lines += [*(f"  {one.observer}: {click_words(one)}" for one in clicks), ""]
    if apart is not None:
        lines += ["from proposals, apart: no agreement between observers", f"  {ANCHORED}"]
        lines += [f"  {text}" for text in anchored_lines(apart)]
    return "\n".join(lines).rstrip("\n") + "\n"


def anchored_lines(apart: Anchored) -> list[str]:
    """What became of proposals, and how readings from them differ: a sentence an observer, then one a pair and definition."""
    return [*(f"{one.observer}: {taken_words(one)}" for one in apart.taken), *map(_beside_words, apart.beside)]


def taken_words(one: Taken) -> str:
    """What one observer made of proposals."""
    low, high = one.interval
    text = (
        f"{one.unmoved} of {one.canals} canals accepted unmoved, {percent(one.share)} "
        f"({percent(low)} to {percent(high)}), {one.moved} moved"
    )
    if one.moves_mm:
        middle = float(np.median(one.moves_mm))
        text += f" (median {number(middle, 'mm')} mm, at most {number(one.moves_mm[-1], 'mm')} mm)"
    unknown = one.moved - len(one.moves_mm)
    text += f" ({unknown} of them by an unknown distance: no scale)" if unknown else ""
    return f"{text}, {one.drawn_new} drawn new"


def _beside_words(one: Beside) -> str:
    name = one.definition or "values"
    unit = f" {one.unit}" if one.unit else ""
    if one.both:
        text = (
            f"{one.first} and {one.second}, {name}: both began from the same proposals; of {one.subjects} subjects "
            f"{one.same} were left unmoved by both, the same path by construction"
        )
    else:
        text = f"{one.first}, from proposals, and {one.second}, who drew, {name}: two ways of reading, {one.subjects} subjects"
    if not one.differences:
        return f"{text}; no difference is given"
    text += f"; first minus second{' on the others' if one.both else ''}: mean {number(one.mean, one.unit)}{unit}"
    spread = "" if one.std is None else f", SD {number(one.std, one.unit)}"
    return f"{text}{spread}, largest {number(one.largest, one.unit)}{unit}"


def _summary_lines(one: Summary) -> list[str]:
    title = one.definition or "values"
    unit = f", {one.unit}" if one.unit else ""
    of = f", {one.group}s" if one.group else ""
    lines = [
        f"{title}{of}{unit}: {one.subjects} subjects, {len(one.observers)} observer{'s' if len(one.observers) != 1 else ''}, "
        f"{one.readings} readings, mean {number(one.mean, one.unit)}"
    ]
    lines += [f"  ! {text}" for text in one.remarks]
    for pair in one.pairs:
        lines += _pair_lines(pair, one.unit)
    if one.icc:
        lines.append(
            f"  intraclass correlation ({one.complete} subjects x {len(one.observers)} observers, first readings)"
        )
        for form, icc in one.icc.items():
            low, high = icc.interval
            lines.append(f"    {form} {icc.value:.4f} ({low:.4f} to {high:.4f})  {FORMS[form]}")
    if one.between is not None and len(one.observers) > 1:
        lines.append(
            f"  technical error between observers {number(one.between.std, one.unit)} "
            f"({interval(one.between.std_interval, one.unit)}), {percent(one.between.relative, 3)} of the mean; "
            f"two observers differ by less than {number(one.between.repeatability, one.unit)} in 95 of 100"
        )
    if one.components is not None:
        parts = one.components
        rest = "" if parts.remainder is None else f", observer's view of a subject {number(parts.remainder, one.unit)}"
        lines.append(
            f"  parts of the spread (SD): subjects {number(parts.subject, one.unit)}, "
            f"observers {number(parts.observer, one.unit)}{rest}, "
            f"{'repeat' if parts.remainder is not None else 'rest'} {number(parts.repeat, one.unit)}"
        )
    for own in one.own:
        lines += _own_lines(own, one.unit, len(one.observers))
    return lines


def _pair_lines(pair: Pair, unit: str) -> list[str]:
    limits, two = pair.limits, pair.limits_two_sd
    lines = [
        f"  {pair.first} - {pair.second} ({limits.subjects} subjects, first readings)",
        f"    bias {number(limits.bias, unit)} ({interval(limits.bias_interval, unit)}), SD {number(limits.std, unit)}",
        f"    limits of agreement {number(limits.low, unit)} ({interval(limits.low_interval, unit)}) "
        f"and {number(limits.high, unit)} ({interval(limits.high_interval, unit)})",
        f"    at 2 SD {number(two.low, unit)} ({interval(two.low_interval, unit)}) "
        f"and {number(two.high, unit)} ({interval(two.high_interval, unit)})",
    ]
    if pair.repeated is not None:
        all_ = pair.repeated
        said = "constant true value" if all_.true_value == "constant" else "true value varies"
        lines.append(
            f"    all readings ({said}): bias {number(all_.bias, unit)} ({interval(all_.bias_interval, unit)}), "
            f"limits {number(all_.low, unit)} ({interval(all_.low_interval, unit)}) "
            f"and {number(all_.high, unit)} ({interval(all_.high_interval, unit)})"
        )
    lines.append(
        f"    Dahlberg error {number(pair.error.error, unit, 4 if unit == 'mm' else None)}, "
        f"{percent(pair.error.relative, 3)} of the mean"
    )
    for share in pair.shares:
        low, high = share.interval
        lines.append(
            f"    within {share.within:g}{unit and f' {unit}'}: {share.hits} of {share.count}, {100 * share.value:.2f} % "
            f"({100 * low:.2f} to {100 * high:.2f} %)"
        )
    return lines


def _own_lines(own: Own, unit: str, observers: int) -> list[str]:
    lines = []
    if own.bias is not None and observers > 2:
        lines.append(f"    from the mean of all {number(own.bias, unit)} ({interval(own.bias_interval, unit)})")
    if own.within is not None:
        within = own.within
        lines.append(
            f"    within-subject SD {number(within.std, unit)} ({interval(within.std_interval, unit)}), "
            f"{percent(within.relative, 3)} of the mean; repeatability {number(within.repeatability, unit)} "
            f"({interval(within.repeatability_interval, unit)}); {within.subjects} subjects"
        )
    if own.error is not None:
        lines.append(
            f"    Dahlberg error {number(own.error.error, unit)}, second minus first reading {number(own.error.shift, unit)} "
            f"({interval(own.error.shift_interval, unit)})"
        )
    if own.icc is not None:
        lines.append(f"    ICC(1,1) of repeats {own.icc.value:.4f} ({interval(own.icc.interval, digits=4)})")
    if own.drift is not None:
        lines.append(
            f"    drift from the first film to the last {number(own.drift.over_all, unit)} "
            f"({interval(own.drift.over_all_interval, unit)})"
        )
    return [f"  {own.observer} ({own.readings} readings)", *lines] if lines else []


def click_words(one: ClickError) -> str:
    """An observer's clicks in words."""
    used = "too few to reckon with" if one.std_px is None else f"reckon with {one.std_px:.2f}"
    return (
        f"{one.along_px:.2f} along ({interval(one.interval_px, digits=2)}), {one.across_px:.2f} across, {one.repeats} repeats "
        f"of {one.ends} ends: {used}"
    )


def _path_lines(paths: PathAgreement) -> list[str]:
    lines = [
        f"paths ({len(paths.pairs)} pairs of first paths)",
        f"  distance between two paths {paths.mean_mm.mean():.3f} mm on the average, "
        f"{np.mean([pair.ends_mm for pair in paths.pairs]):.3f} mm from apical end to apical end; "
        f"95 of 100 below {paths.high_mm.max():.3f} mm",
    ]
    lines += [
        f"  {observer}, first and second path: {mean:.3f} mm on the average, {end:.3f} mm from end to end ({pairs} canals)"
        for observer, pairs, mean, end in paths.own
    ]
    if paths.ellipse is not None:
        ellipse = paths.ellipse
        lines.append(
            f"  apical ends: SD {ellipse.along_std_mm:.3f} mm along and {ellipse.across_std_mm:.3f} mm across the canal; "
            f"95 of 100 in an ellipse of half axes {ellipse.half_axes_mm[0]:.3f} and {ellipse.half_axes_mm[1]:.3f} mm, "
            f"its long axis {number(ellipse.turn_deg, digits=0)} deg off the canal"
        )
    if paths.shares is not None:
        said = ", ".join(f"{name} {percent(share)}" for name, share in zip(PARTS, paths.shares, strict=True))
        lines.append(f"  what makes lengths differ: {said} of the squared differences")
    return lines


def observers_json(
    found: Sequence[Summary],
    paths: PathAgreement | None = None,
    left_out: Sequence[str] = (),
    apart: Anchored | None = None,
    clicks: Sequence[ClickError] = (),
) -> dict[str, Any]:
    """Everything, JSON-ready; members are named as the attributes of the classes that hold them.

    What began from proposals stands in a member of its own, `from_proposals`.
    """
    out: dict[str, Any] = {"schema": SCHEMA, "summaries": [asdict(one) for one in found], "left_out": list(left_out)}
    for one, made in zip(found, out["summaries"], strict=True):
        for own, said in zip(one.own, made["own"], strict=True):
            if own.drift is not None:
                said["drift"]["over_all"] = own.drift.over_all
                said["drift"]["over_all_interval"] = own.drift.over_all_interval
        for pair, said in zip(one.pairs, made["pairs"], strict=True):
            for share, told in zip(pair.shares, said["shares"], strict=True):
                told["value"] = share.value
    if clicks:
        out["clicks"] = [asdict(one) for one in clicks]
    if paths is not None:
        out["paths"] = {
            "pairs": len(paths.pairs),
            "places": [round(float(p), 4) for p in PLACES],
            "mean_mm": [float(v) for v in paths.mean_mm],
            "ends_mm": float(np.mean([pair.ends_mm for pair in paths.pairs])),
            "high_mm": [float(v) for v in paths.high_mm],
            "shares": None if paths.shares is None else dict(zip(PARTS, paths.shares, strict=True)),
            "ellipse": None if paths.ellipse is None else asdict(paths.ellipse),
            "own": [
                {"observer": name, "pairs": pairs, "mean_mm": mean, "end_mm": end}
                for name, pairs, mean, end in paths.own
            ],
        }
    if apart is not None:
        out["from_proposals"] = {
            "agreement": False,
            "why": ANCHORED,
            "taken": [asdict(one) | {"share": one.share, "interval": one.interval} for one in apart.taken],
            "beside": [
                asdict(one) | {"mean": one.mean, "std": one.std, "largest": one.largest} for one in apart.beside
            ],
        }
    return out
