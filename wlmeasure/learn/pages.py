"""The page a student works from, and the page that gives the answers back with what was wrong in them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wlmeasure.errors import ImageError, LearnError
from wlmeasure.image.reading import read
from wlmeasure.learn.exercise import ASKED, ASKED_SECOND, Exercise, Item, SecondFilm
from wlmeasure.learn.mark import KINDS, Calibration, Marked, Marks
from wlmeasure.learn.parallax import shortening_words, side_words
from wlmeasure.learn.progress import Step, first_markings, marked_before
from wlmeasure.learn.space import lifted_mm, true_mm
from wlmeasure.share.cautions import CAUTIONS
from wlmeasure.share.drawing import Drawing, Ellipse, Line, Picture, Shape
from wlmeasure.share.figures import displayed_picture
from wlmeasure.share.page import Block, Bullets, Card, Cards, Columns, Figure, Heading, Key, Page, Remarks, Table, Text
from wlmeasure.share.plot import GRID, INK, STRONG, Axes, mark, ticks
from wlmeasure.share.sides import SpaceLine, sides_drawing

__all__ = ["MARKED_BEFORE", "error_words", "given_words", "marks_page", "second_words", "sheet_page"]

TRUTH_COLOUR, OWN_COLOUR, OTHER_COLOUR = (
    "#009e73",
    "#e69f00",
    "#56b4e9",
)  # Okabe & Ito 2008: told apart by colour-blind eyes
LONGEST_PX = 900  # of a film's picture: a page of 20 films stays below 5 MB
FILM_HEIGHT, PAIR_HEIGHT = 420.0, 330.0
PLACES = {"left": "to the left", "right": "to the right", "up": "above", "down": "below"}
SIDE_QUESTION = "The file lies, of the other canal:  [ ] buccal   [ ] lingual   [ ] cannot tell"


def given_words(item: Item) -> str:
    """What is told about the scale, in one sentence or two."""
    scale = item.scale
    words = f"Detector {1000 * scale.mm_per_px_row:g} µm a pixel down"
    words += f" and {1000 * scale.mm_per_px_col:g} µm across. "
    if scale.known_file_mm is not None:
        words += f"The file in the film is {scale.known_file_mm:.1f} mm long from the stop's lower face to its tip."
    else:
        words += f"No file; the tooth is magnified {scale.magnification:.3f} times."
    if item.reading is not None:
        words += f" Electronic reading {item.reading.length_mm:.1f} mm at the {item.reading.mark} mark."
    return words


def second_words(item: Item) -> str:
    """What is told of a second film; empty where there is none."""
    film = item.second_film
    if film is None:
        return ""
    went = (
        f"about {film.shift_deg:g}° to {film.tube}" if film.tube else f"about {film.shift_deg:g}°, the side is not told"
    )
    words = f"Second film: tube shifted {went}; mesial lies {PLACES[film.mesial_to]} on both films. "
    if film.scale.magnification is not None:
        words += f"There the tooth is magnified {film.scale.magnification:.3f} times."
    else:
        words += "The same file is in it."
    return words


def sheet_page(exercise: Exercise, folder: Path) -> Page:
    """The films with what is asked and told, for paper; holds no truth.

    Raises
    ------
    LearnError
        A film that is missing or not the one that the exercise was made with.
    """
    blocks: list[Block] = [
        Text(ASKED),
        Text(
            "Write the lengths into answers.csv: length_mm, and low_mm and high_mm of your interval. Where you draw the line "
            "you measure along, put it into path as 'row col; row col; ...' from the reference point to the apical end: then "
            "the marking can say what kind of error yours was.",
            small=True,
        ),
    ]
    if exercise.shifted:
        blocks.insert(1, Text(ASKED_SECOND))
        blocks.insert(
            3, Text("The difference goes into difference_mm, buccal, lingual or cannot tell into side.", small=True)
        )
    for number, item in enumerate(exercise.items, 1):
        facts = (
            Heading(3, f"{number}. {item.film}"),
            Text(f"Canal: {item.where}."),
            Text(f"From: {item.reference_point}."),
            Text(given_words(item)),
            Text("Length ________ mm     from ________ to ________ mm"),
        )
        second = item.second_film
        if second is None:
            film = _film_drawing(item, _picture(item, folder), [], f"Film {item.film}")
            blocks.append(Columns((Figure(film, ""),), facts, left_share=0.5))
            continue
        asked = (
            Text(second_words(item)),
            Text("On the second film ________ mm longer (negative: shorter)"),
            *((Text(SIDE_QUESTION),) if second.asks_side else ()),
        )
        pair = [
            Figure(_film_drawing(one, _picture(one, folder), [], f"Film {one.film}", PAIR_HEIGHT), words)
            for one, words in ((item, "First film"), (second, f"Second film, {second.film}"))
        ]
        blocks.append(Columns((Columns((pair[0],), (pair[1],), left_share=0.5),), (*facts, *asked), left_share=0.62))
    films = "1 film" if len(exercise.items) == 1 else f"{len(exercise.items)} films"
    if exercise.shifted:
        films = "1 tooth" if len(exercise.items) == 1 else f"{len(exercise.items)} teeth"
    return Page("How long is this canal?", f"Exercise of {films}, {exercise.made_at[:10]}", tuple(blocks))


def _picture(item: Item | SecondFilm, folder: Path) -> Picture:
    try:
        graph = read(folder / item.film)
    except ImageError as error:
        raise LearnError(f"film must lie in the exercise's folder: {error}") from None
    if graph.sha256 != item.sha256:
        raise LearnError(f"{item.film} must be the film that the exercise was made with: it has changed")
    return displayed_picture(graph.displayed(), LONGEST_PX)


def _film_drawing(
    item: Item | SecondFilm, picture: Picture, shapes: list[Shape], label: str, tall: float = FILM_HEIGHT
) -> Drawing:
    ratio = item.scale.mm_per_px_col / item.scale.mm_per_px_row
    height = tall if item.rows >= item.cols * ratio else 0.6 * tall
    width = height * item.cols * ratio / item.rows
    box = (-0.5, -0.5, float(item.cols), float(item.rows))
    return Drawing(box, width, height, (picture, *shapes), label, is_film=True)


def error_words(marked: Marked) -> str:
    """One answer in a sentence or two: how far off, and what that is consistent with."""
    size = f"{marked.error_mm:+.2f} mm"
    if not marked.kinds:
        return f"{size}: no more than clicks and rounding do."
    if marked.certain:
        named = [part for part in marked.parts if part.kind in marked.kinds]
        listed = "; ".join(f"{KINDS[part.kind]} ({part.mm:+.2f} mm)" for part in named)
        return f"{size}: {listed}."
    listed = "; ".join(KINDS[kind] for kind in marked.kinds)
    return f"{size}. Without your path only possibilities: {listed}."


MARKED_BEFORE = (
    "This exercise was marked before, and its truth was seen then: this marking is practice and no progress."
)


def marks_page(marks: Marks, folder: Path, *, steps: Sequence[Step] = (), made_at: str = "", program: str = "") -> Page:
    """The marking: summary, plot of the errors, calibration, each film with both paths, and progress over time."""
    n = len(marks.marked)
    cards = [
        Card(INK, "mean error", f"{marks.mean_mm:+.2f} mm", lines=(f"mean size {marks.mean_size_mm:.2f} mm",)),
        Card(INK, "within 0.5 mm", f"{marks.within_half} of {n}", lines=(f"within 1.0 mm: {marks.within_one} of {n}",)),
    ]
    blocks: list[Block] = []
    if marks.calibration is not None:
        held = marks.calibration
        cards.append(Card(INK, "your intervals hold the truth", f"{held.held} of {held.stated}", lines=(held.verdict,)))
    if marks.sides is not None:
        right, given, asked = marks.sides
        left = f"{asked - given} not answered" if asked > given else "all answered"
        cards.append(Card(INK, "buccal or lingual", f"{right} of {given} right", lines=(left,)))
    blocks.append(Cards(tuple(cards)))
    if marks.unanswered:
        blocks.append(Remarks((f"not answered: {', '.join(item.film for item in marks.unanswered)}",)))
    blocks.append(
        Figure(_errors_drawing(marks.marked), "Answer less truth, with the intervals you gave. Grey: 0.5 mm.")
    )
    if marks.calibration is not None:
        blocks.append(Text(_calibration_words(marks.calibration)))
    counted = first_markings(steps)
    if len(steps) > 1:
        blocks.append(Heading(2, "Your progress"))
        if len(counted) > 1:
            blocks.append(
                Figure(_progress_drawing(counted), "Mean size of the error, the first marking of each exercise")
            )
        if marked_before(steps):
            blocks.append(Text(MARKED_BEFORE))
    blocks += [Heading(2, "Every answer"), _table(marks.marked)]
    blocks += [Heading(2, "Film by film", new_sheet=True)]
    for marked in marks.marked:
        blocks += _film_blocks(marked, folder)
    blocks += [Heading(2, "Cautions"), Bullets(CAUTIONS)]
    return Page("Marked exercise", f"{n} answers", tuple(blocks), footer=f"{made_at}; {program}")


def _calibration_words(held: Calibration) -> str:
    low, high = held.share_interval
    words = (
        f"{held.held} of {held.stated} intervals hold the truth (95 % interval of that share {100 * low:.0f} to "
        f"{100 * high:.0f} %; 95 % was asked for): {held.verdict}. Mean half-width {held.mean_half_width_mm:.2f} mm, mean "
        f"interval score {held.mean_score_mm:.2f} mm (small is good)."
    )
    if held.factor is not None and held.verdict != "in keeping":
        words += f" {held.factor:.1f} times the width would have held 19 of 20."
    return words


def _table(marked: Sequence[Marked]) -> Table:
    rows = []
    for one in marked:
        interval = one.answer.interval_mm
        stated = "" if interval is None else f"{interval[0]:.1f} to {interval[1]:.1f}"
        kinds = (", ".join(one.kinds) if one.certain else " or ".join(one.kinds)) or "–"
        rows.append(
            (one.item.film, f"{one.answer.length_mm:.2f}", f"{one.truth.length_mm:.2f}", f"{one.error_mm:+.2f}", stated,
             {True: "yes", False: "no", None: ""}[one.held], kinds)
        )  # fmt: skip
    head = ("film", "answer, mm", "truth, mm", "error, mm", "interval, mm", "held", "consistent with")
    return Table(tuple(rows), head, numbers=(1, 2, 3))


def _film_blocks(marked: Marked, folder: Path) -> list[Block]:
    item, truth, own = marked.item, marked.truth, marked.answer.path_px
    facts: list[Block] = [
        Heading(3, item.film),
        Text(f"Answer {marked.answer.length_mm:.2f} mm, truth {truth.length_mm:.2f} mm. {error_words(marked)}"),
        Text(f"{item.where}. {given_words(item)}", small=True),
    ]
    if marked.parts:
        facts.append(
            Table(
                tuple((part.kind, f"{round(part.mm, 2) + 0.0:+.2f}") for part in marked.parts),
                ("part", "mm"),
                numbers=(1,),
            )
        )
    if marked.second is not None:
        facts.append(Text(shortening_words(marked.second)))
        if side := side_words(item, truth, marked.second):
            facts.append(Text(side))
        facts.append(Text(second_words(item), small=True))
    shapes: list[Shape] = []
    lines: list[SpaceLine] = []
    width = 2.2
    known = truth.second
    if known is not None and known.other_first_px is not None:
        shapes.append(_other_shape(known.other_first_px))
    if truth.path_px is not None:
        shapes += _path_shapes(truth.path_px, TRUTH_COLOUR, width, item)
    if (in_space := true_mm(truth)) is not None:
        lines.append(SpaceLine(in_space, TRUTH_COLOUR))
    if own is not None:
        shapes += _path_shapes(own, OWN_COLOUR, width, item)
        if truth.space is not None:
            lines.append(SpaceLine(lifted_mm(item, truth, own), OWN_COLOUR))
    keys = [Key(TRUTH_COLOUR, "truth")]
    if own is not None:
        keys.append(Key(OWN_COLOUR, "yours"))
    if known is not None and known.other_px is not None:
        keys.append(Key(OTHER_COLOUR, "other canal"))
    second = item.second_film
    tall = FILM_HEIGHT if second is None else PAIR_HEIGHT
    film = Figure(
        _film_drawing(item, _picture(item, folder), shapes, f"{item.film} with both paths", tall), "", tuple(keys)
    )
    if lines:
        caption = "The canal in space from three sides"
        caption += "." if own is None else "; your path has the depth of the nearest true point."
        facts.append(Figure(sides_drawing(lines, f"{item.film} in space"), caption))
    if second is None or known is None:
        return [Columns((film,), tuple(facts), left_share=0.42)]
    on_second = [] if known.other_px is None else [_other_shape(known.other_px)]
    on_second += [] if known.path_px is None else _path_shapes(known.path_px, TRUTH_COLOUR, width, second)
    drawing = _film_drawing(second, _picture(second, folder), on_second, f"{second.film} with the true path", tall)
    caption = f"Second film, {second.film}"
    return [Columns((Columns((film,), (Figure(drawing, caption),), left_share=0.5),), tuple(facts), left_share=0.62)]


def _path_shapes(
    path: Sequence[tuple[float, float]], colour: str, width: float, item: Item | SecondFilm
) -> list[Shape]:
    xy = tuple((col, row) for row, col in path)
    radius = item.rows / 140.0
    ratio = item.scale.mm_per_px_col / item.scale.mm_per_px_row
    rims = [Ellipse(*end, radius / ratio, radius, stroke=colour, width=width) for end in (xy[0], xy[-1])]
    return [Line(xy, "#000", width + 1.6, opacity=0.55), Line(xy, colour, width), *rims]


def _other_shape(path: Sequence[tuple[float, float]]) -> Shape:
    return Line(tuple((col, row) for row, col in path), OTHER_COLOUR, 1.6, (5.0, 3.0))


def _errors_drawing(marked: Sequence[Marked], width: float = 760.0, height: float = 260.0) -> Drawing:
    reach = [one.error_mm for one in marked]
    for one in marked:
        if one.answer.interval_mm is not None:
            reach += [v - one.truth.length_mm for v in one.answer.interval_mm]
    most = max(1.1, *(abs(v) for v in reach))
    axes = Axes(56.0, width - 12.0, 12.0, height - 40.0, 0.4, len(marked) + 0.6, -most, most)
    values = ticks(-most, most, 7)
    shapes = axes.rows(values, [f"{v:+g}" if v else "0" for v in values], strong=0.0)
    for limit in (-0.5, 0.5):
        shapes.append(Line(((axes.left, axes.y(limit)), (axes.right, axes.y(limit))), STRONG, 1.0, (4.0, 3.0)))
    for k, one in enumerate(marked, 1):
        if one.answer.interval_mm is not None:
            ends = [axes.y(v - one.truth.length_mm) for v in one.answer.interval_mm]
            shapes.append(Line(((axes.x(k), ends[0]), (axes.x(k), ends[1])), OWN_COLOUR, 3.0, opacity=0.6))
        shapes += mark("disc" if one.held in (True, None) else "cross", axes.x(k), axes.y(one.error_mm), INK, 4.0)
    every = max(1, len(marked) // 20)
    numbers = list(range(1, len(marked) + 1, every))
    shapes += axes.columns([float(k) for k in numbers], [str(k) for k in numbers])
    shapes += axes.titles("film", "error, mm", width, height)
    return Drawing((0.0, 0.0, width, height), width, height, tuple(shapes), "Error of each answer")


def _progress_drawing(steps: Sequence[Step], width: float = 760.0, height: float = 220.0) -> Drawing:
    top = max(1.0, *(step.mean_size_mm for step in steps)) * 1.1
    axes = Axes(56.0, width - 12.0, 12.0, height - 40.0, 0.6, len(steps) + 0.4, 0.0, top)
    values = ticks(0.0, top, 6)
    shapes = axes.rows(values, [f"{v:g}" for v in values])
    shapes.append(Line(((axes.left, axes.y(0.5)), (axes.right, axes.y(0.5))), STRONG, 1.0, (4.0, 3.0)))
    points = [(axes.x(k), axes.y(step.mean_size_mm)) for k, step in enumerate(steps, 1)]
    shapes.append(Line(tuple(points), GRID, 2.0))
    for x, y in points:
        shapes += mark("disc", x, y, INK, 4.0)
    every = max(1, len(steps) // 8)
    shown = range(0, len(steps), every)
    shapes += axes.columns([float(k + 1) for k in shown], [steps[k].at[:10] for k in shown])
    shapes += axes.titles("marked on", "mean size of error, mm", width, height)
    return Drawing((0.0, 0.0, width, height), width, height, tuple(shapes), "Progress over time")
