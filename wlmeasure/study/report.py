"""The report on observers: every figure, plot and remark as the blocks of one page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby

from wlmeasure.image.radiograph import Radiograph
from wlmeasure.share.page import Block, Card, Cards, Figure, Heading, Key, Page, Remarks, Row, Table, Text
from wlmeasure.study.anchored import Anchored
from wlmeasure.study.clicks import click_errors
from wlmeasure.study.collect import DrawnPath
from wlmeasure.study.correlation import FORMS
from wlmeasure.study.path_agreement import PARTS, PathAgreement
from wlmeasure.study.plots import (
    COLOURS,
    differences_plot,
    distances_plot,
    ends_plot,
    film_plot,
    observer_keys,
    observers_plot,
    order_plot,
)
from wlmeasure.study.protocol import ANCHORED
from wlmeasure.study.readings import Readings
from wlmeasure.study.summary import Pair, Summary
from wlmeasure.study.words import NO_AGREEMENT, anchored_lines, click_words, interval, number, percent
from wlmeasure.study.worst import Worst

__all__ = ["observers_page"]

MOST_PLOTS = 6  # pairs whose differences are drawn; beyond that the widest limits (our parameter)

SOURCES = (
    "Bias and limits of agreement: Bland & Altman, Lancet 1986;327:307-310 and Stat Methods Med Res 1999;8:135-160; several "
    "readings of a subject: J Biopharm Stat 2007;17:571-582, intervals by Zou, Stat Methods Med Res 2013;22:630-642.",
    "Within-subject SD and repeatability: Bland & Altman, BMJ 1996;313:744; interval by chi-squared. Two readings: Dahlberg "
    "1940; the technical error of measurement is the same square root for several readings.",
    "Intraclass correlation: Shrout & Fleiss, Psychol Bull 1979;86:420-428; intervals of McGraw & Wong, Psychol Methods "
    "1996;1:30-46. It depends on how different the subjects are and says nothing in millimetres: read it beside the SD.",
    "Share within a distance: Wilson, J Am Stat Assoc 1927;22:209. All intervals are 95 %.",
    "Missing cells: a pair of observers rests on all subjects that both read; the correlations and the parts of the spread on "
    "the subjects that every observer read.",
)


def observers_page(
    readings: Readings,
    found: Sequence[Summary],
    *,
    title: str = "Agreement of observers",
    paths: PathAgreement | None = None,
    drawn: Sequence[DrawnPath] = (),
    worst: Sequence[Worst] = (),
    film: Callable[[str], Radiograph] | None = None,
    left_out: Sequence[str] = (),
    apart: Anchored | None = None,
    made_at: str = "",
    program: str = "",
) -> Page:
    """The page.

    Parameters
    ----------
    readings, found
        The table and its summaries.
    title
        Of the page.
    paths, drawn
        How the paths agree, and the paths themselves.
    worst, film
        The worst disagreements of the main definition, and how to read the film of a path (by its blinded name).
    left_out
        Results that did not count, and why.
    apart
        What is said of readings that began from proposals.
    made_at, program
        When and by what the page was made.
    """
    drawn_by_hand = readings.unaided
    observers = drawn_by_hand.observers
    blocks: list[Block] = [_cards(found[0])] if found else [Text(NO_AGREEMENT)]
    if left_out:
        blocks += [Heading(2, "Left out"), Remarks(tuple(left_out))]
    for _, of in groupby(found, key=lambda one: one.definition):
        whole, *groups = of
        blocks += _definition(drawn_by_hand.of(definition=whole.definition), whole, groups)
    if paths is not None:
        blocks += _paths(paths, observers)
    clicks = click_errors(drawn)
    if clicks:
        rows = tuple((one.observer, click_words(one)) for one in clicks)
        blocks += [Heading(2, "Clicks on ends that were marked again"), Table(rows, ("observer", "SD, pixels"))]
    if apart is not None:
        blocks += [
            Heading(2, "From proposals: no agreement between observers"),
            Text(ANCHORED),
            *(Text(f"{text}.") for text in anchored_lines(apart)),
        ]
    if worst:
        blocks += _worst(worst, [path for path in drawn if not path.proposal], film, observers)
    blocks.append(Heading(2, "How it was computed"))
    blocks += [Text(text, small=True) for text in SOURCES]
    made = ", ".join(text for text in (program, made_at) if text)
    subtitle = f"{len(readings.subjects)} subjects, {len(readings.observers)} observers, {len(readings.rows)} readings"
    return Page(title, f"{subtitle}. {made}" if made else subtitle, tuple(blocks))


def _cards(one: Summary) -> Cards:
    name = _name(one)
    cards = []
    if "ICC(2,1)" in one.icc:
        icc = one.icc["ICC(2,1)"]
        cards.append(
            Card(
                COLOURS[0],
                f"absolute agreement, ICC(2,1), {name}",
                f"{icc.value:.3f}",
                lines=(f"95 % interval {interval(icc.interval, digits=3)}",),
            )
        )
    if one.between is not None and len(one.observers) > 1:
        cards.append(
            Card(
                COLOURS[1],
                f"SD between observers on one subject, {name}",
                f"{number(one.between.std, one.unit)} {one.unit}".strip(),
                lines=(f"95 % interval {interval(one.between.std_interval, one.unit)}",),
            )
        )
    widest = max(one.pairs, key=lambda pair: pair.limits.high - pair.limits.low, default=None)
    if widest is not None:
        limits = widest.limits
        cards.append(
            Card(
                COLOURS[2],
                f"limits of agreement, {widest.first} \u2212 {widest.second}"
                + (", the widest" if len(one.pairs) > 1 else ""),
                interval((limits.low, limits.high), one.unit),
                one.unit,
                (f"bias {number(limits.bias, one.unit)} ({interval(limits.bias_interval, one.unit)})",),
            )
        )
    withins = [own for own in one.own if own.within is not None]
    if withins and not one.pairs:
        own = withins[0]
        assert own.within is not None
        cards.append(
            Card(
                COLOURS[1],
                f"within-subject SD, {own.observer}",
                f"{number(own.within.std, one.unit)} {one.unit}".strip(),
                lines=(f"repeatability {number(own.within.repeatability, one.unit)}",),
            )
        )
    return Cards(tuple(cards))


def _name(one: Summary) -> str:
    return one.definition.replace("_mm", "").replace("_deg", "").replace("_", " ") or "values"


def _definition(readings: Readings, one: Summary, groups: Sequence[Summary]) -> list[Block]:
    unit = f", {one.unit}" if one.unit else ""
    blocks: list[Block] = [
        Heading(2, f"{_name(one).capitalize()}{unit}"),
        Text(
            f"{one.subjects} subjects, {one.readings} readings, mean {number(one.mean, one.unit)}. "
            + ("Between observers their first readings count." if len(one.observers) > 1 else "")
        ),
    ]
    if one.remarks:
        blocks.append(Remarks(one.remarks))
    if one.pairs:
        blocks += [Heading(3, "Two observers"), _pairs_table(one), *_pairs_more(one)]
        widest = sorted(one.pairs, key=lambda pair: pair.limits.low - pair.limits.high)[:MOST_PLOTS]
        shown = [pair for pair in one.pairs if pair in widest]
        blocks.append(Row(tuple((_difference_figure(pair, one.unit),) for pair in shown)))
    blocks += _own(readings, one)
    if one.icc:
        rows = tuple(
            (form, FORMS[form], f"{icc.value:.4f}", interval(icc.interval, digits=3)) for form, icc in one.icc.items()
        )
        blocks += [
            Heading(3, f"Intraclass correlation ({one.complete} subjects, {len(one.observers)} observers)"),
            Table(rows, ("form", "meaning", "value", "95 % interval"), (2, 3)),
        ]
    if one.components is not None:
        parts = one.components
        cells = [("between subjects", parts.subject), ("between observers", parts.observer)]
        if parts.remainder is not None:
            cells.append(("an observer's own view of a subject", parts.remainder))
        cells.append(("from repeat to repeat" if parts.remainder is not None else "all that is left", parts.repeat))
        rows2 = tuple((name, number(value, one.unit)) for name, value in cells)
        blocks += [Heading(3, "What the spread is made of"), Table(rows2, ("part", f"SD{unit}"), (1,))]
    if groups:
        blocks += [Heading(3, "By group of teeth"), _groups_table(groups)]
    return blocks


def _difference_figure(pair: Pair, unit: str) -> Figure:
    return Figure(
        differences_plot(pair, unit),
        f"{pair.first} and {pair.second}: difference against mean. Bands: 95 % intervals of the bias and of either limit.",
    )


def _pairs_table(one: Summary) -> Table:
    rows = []
    for pair in one.pairs:
        limits = pair.limits
        rows.append(
            (
                f"{pair.first} \u2212 {pair.second}",
                f"{limits.subjects}",
                f"{number(limits.bias, one.unit)} ({interval(limits.bias_interval, one.unit)})",
                number(limits.std, one.unit),
                f"{number(limits.low, one.unit)} ({interval(limits.low_interval, one.unit)})",
                f"{number(limits.high, one.unit)} ({interval(limits.high_interval, one.unit)})",
            )
        )
    return Table(tuple(rows), ("pair", "n", "bias", "SD", "lower limit", "upper limit"), (), named=True)


def _pairs_more(one: Summary) -> list[Block]:
    head = ["pair", "limits at 2 SD", "Dahlberg error"]
    if one.pairs[0].shares:
        head += [f"within {share.within:g} {one.unit}".strip() for share in one.pairs[0].shares]
    repeated = any(pair.repeated is not None for pair in one.pairs)
    rows = []
    for pair in one.pairs:
        two = pair.limits_two_sd
        cells = [
            f"{pair.first} \u2212 {pair.second}",
            interval((two.low, two.high), one.unit),
            f"{number(pair.error.error, one.unit)} ({percent(pair.error.relative, 2)})",
        ]
        cells += [
            f"{share.hits} of {share.count}, {percent(share.value)} "
            f"({100 * share.interval[0]:.1f} to {100 * share.interval[1]:.1f})"
            for share in pair.shares
        ]
        rows.append(tuple(cells))
    blocks: list[Block] = [Table(tuple(rows), tuple(head), (), named=True)]
    if repeated:
        more = tuple(
            (
                f"{pair.first} \u2212 {pair.second}",
                f"{number(r.bias, one.unit)} ({interval(r.bias_interval, one.unit)})",
                f"{number(r.low, one.unit)} ({interval(r.low_interval, one.unit)})",
                f"{number(r.high, one.unit)} ({interval(r.high_interval, one.unit)})",
            )
            for pair in one.pairs
            if (r := pair.repeated) is not None
        )
        varies = any(pair.repeated is not None and pair.repeated.true_value == "varies" for pair in one.pairs)
        said = "the true value varies between repeats" if varies else "a subject's true value is constant"
        blocks += [
            Text(f"From all readings, for one reading by each ({said}):"),
            Table(more, ("pair", "bias", "lower limit", "upper limit"), (), named=True),
        ]
    return blocks


def _own(readings: Readings, one: Summary) -> list[Block]:
    # Four columns at most: a telephone shows no more.
    blocks: list[Block] = [Heading(3, "Each observer")]
    several = len(one.observers) > 1
    rows = tuple(
        (own.observer, f"{own.readings}", f"{number(own.bias, one.unit)} ({interval(own.bias_interval, one.unit)})")
        if several
        else (own.observer, f"{own.readings}")
        for own in one.own
    )
    head = ("observer", "readings", "from the mean of all") if several else ("observer", "readings")
    blocks.append(Table(rows, head, (1,), named=True))
    repeated = any(own.within is not None for own in one.own)
    if repeated:
        spreads = tuple(
            (
                own.observer,
                f"{number(own.within.std, one.unit)} ({interval(own.within.std_interval, one.unit)})",
                number(own.within.repeatability, one.unit),
                "-" if own.icc is None else f"{own.icc.value:.3f} ({interval(own.icc.interval, digits=3)})",
            )
            for own in one.own
            if own.within is not None
        )
        blocks.append(
            Table(spreads, ("observer", "within-subject SD", "repeatability", "ICC(1,1) of repeats"), (), named=True)
        )
    if repeated:
        drifts = any(own.drift is not None for own in one.own)
        shifts = []
        for own in one.own:
            if own.error is not None:
                shift = f"{number(own.error.shift, one.unit)} ({interval(own.error.shift_interval, one.unit)})"
                error = f"{number(own.error.error, one.unit)} ({percent(own.error.relative, 2)})"
                cells = [own.observer, error, shift]
                if drifts and own.drift is not None:
                    over_all = own.drift.over_all
                    cells.append(f"{number(over_all, one.unit)} ({interval(own.drift.over_all_interval, one.unit)})")
                elif drifts:
                    cells.append("-")
                shifts.append(tuple(cells))
        if shifts:
            names = ["observer", "Dahlberg error", "second minus first reading"]
            names += ["drift, first film to last"] if drifts else []
            blocks.append(Table(tuple(shifts), tuple(names), (), named=True))
    figures: list[tuple[Block, ...]] = []
    if len(one.observers) > 1 and one.complete > 1:
        figures.append(
            (
                Figure(
                    observers_plot(readings, one),
                    "First readings from the mean of all observers; bar: 95 % interval of each observer's bias.",
                    observer_keys(one.observers),
                ),
            )
        )
    order = order_plot(readings, one)
    if order is not None:
        figures.append(
            (
                Figure(
                    order,
                    "Repeated readings from the observer's own mean, in the order in which they were made; line: drift.",
                    observer_keys(one.observers),
                ),
            )
        )
    if figures:
        blocks.append(Row(tuple(figures)))
    return blocks


def _groups_table(groups: Sequence[Summary]) -> Table:
    rows = []
    for one in groups:
        icc = one.icc.get("ICC(2,1)")
        bias = [pair.limits.bias for pair in one.pairs]
        rows.append(
            (
                one.group,
                f"{one.subjects}",
                "-" if icc is None else f"{icc.value:.3f} ({interval(icc.interval, digits=2)})",
                "-"
                if one.between is None
                else f"{number(one.between.std, one.unit)} ({interval(one.between.std_interval, one.unit)})",
                "-" if not bias else number(max(bias, key=abs), one.unit),
            )
        )
    return Table(
        tuple(rows), ("group", "n", "ICC(2,1)", "SD between observers", "largest bias of a pair"), (1,), named=True
    )


def _paths(paths: PathAgreement, observers: Sequence[str]) -> list[Block]:
    blocks: list[Block] = [
        Heading(2, "Paths"),
        Text(f"{len(paths.pairs)} pairs of observers' first paths; a distance is taken both ways round."),
    ]
    if paths.shares is not None:
        words = {
            "scale": "the observers' scales",
            "start": "where the path starts",
            "end": "where it ends apically",
            "course": "the course between",
        }
        rows = tuple((words[name], percent(share)) for name, share in zip(PARTS, paths.shares, strict=True))
        blocks += [
            Heading(3, "What makes the lengths differ"),
            Table(rows, ("part", "of the squared differences"), (1,)),
            Text("A part that works against the others is negative; the four add up to 100 %.", small=True),
        ]
    if paths.own:
        own = tuple((name, f"{pairs}", f"{mean:.3f}", f"{end:.3f}") for name, pairs, mean, end in paths.own)
        head = ("observer", "canals", "mean distance, mm", "from end to end, mm")
        blocks += [Heading(3, "An observer's first and second path"), Table(own, head, (1, 2, 3), named=True)]
    ends = "Apical ends about the mean end of their canal, which runs upwards."
    if paths.ellipse is not None:
        e = paths.ellipse
        ends += (
            f" The ellipse holds 95 of 100: half axes {e.half_axes_mm[0]:.2f} and {e.half_axes_mm[1]:.2f} mm; SD "
            f"{e.along_std_mm:.2f} mm along and {e.across_std_mm:.2f} mm across the canal."
        )
    blocks.append(
        Row(
            (
                (
                    Figure(
                        distances_plot(paths),
                        "Distance between two observers' paths along the canal.",
                        (Key(COLOURS[0], "mean"), Key(COLOURS[1], "95 of 100 are nearer", dash=True)),
                    ),
                ),
                (Figure(ends_plot(paths, observers), ends, observer_keys(observers)),),
            )
        )
    )
    return blocks


def _worst(
    worst: Sequence[Worst],
    drawn: Sequence[DrawnPath],
    film: Callable[[str], Radiograph] | None,
    observers: Sequence[str],
) -> list[Block]:
    blocks: list[Block] = [Heading(2, "The worst disagreements", new_sheet=True)]
    unit = worst[0].unit
    rows = tuple(
        (
            one.subject,
            number(one.spread, unit),
            ", ".join(f"{name} {number(value, unit)}" for name, value in one.values),
        )
        for one in worst
    )
    blocks.append(Table(rows, ("subject", f"apart{unit and f', {unit}'}", "first readings"), (1,), named=True))
    if film is None:
        return blocks
    cells: list[tuple[Block, ...]] = []
    for one in worst:
        first: dict[str, DrawnPath] = {}
        for path in sorted((p for p in drawn if p.subject == one.subject), key=lambda p: p.repeat):
            first.setdefault(path.observer, path)
        if first:
            paths = list(first.values())
            caption = f"{one.subject}: {number(one.spread, unit)} {unit} apart."
            keys = tuple(key for key in observer_keys(observers) if key.words in first)
            picture = film(paths[0].film)
            close = film_plot(picture, paths, observers, height_px=220, ends_only=True)
            cells.append(
                (Figure(film_plot(picture, paths, observers), caption, keys), Figure(close, "The apical ends."))
            )
    if cells:
        blocks.append(Row(tuple(cells)))
    return blocks
