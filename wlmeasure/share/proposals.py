"""What a network proposes on a film, for the eye and for a table: never a length, and never drawn as if it were decided.

Lines are dashed and ends hollow, names are neutral, and a probability stands in words beside each name. The words of likelihood
are those of the IPCC's guidance note for lead authors (Mastrandrea et al. 2010).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from wlmeasure.flags import Flag
from wlmeasure.record.case import ProposedItem
from wlmeasure.record.proposals import Doubted
from wlmeasure.share.drawing import Area, Drawing, Ellipse, Label, Line, Shape
from wlmeasure.share.figures import CANAL_COLOURS, FILE_COLOUR, displayed_picture

__all__ = ["FILM_COLUMNS", "ITEM_COLUMNS", "chance_words", "item_rows", "proposal_drawing"]

Cell = str | float | int | None

LIKELIHOOD = (
    (0.99, "virtually certain"),
    (0.9, "very likely"),
    (0.66, "likely"),
    (0.33, "about as likely as not"),
    (0.1, "unlikely"),
    (0.0, "very unlikely"),
)
NOT_CALIBRATED = "likelihood not known"
POINT_COLOUR = "#ffffff"
SURE_DASH, DOUBTED_DASH = (8.0, 5.0), (2.0, 6.0)
HEIGHT_PX = 1000
LINE_PX, SIZE_PX, SIGN_PX = 20.0, 14.0, 7.6  # of a line of text, its size, and a sign's width, about
HEADING = "Proposed by a network. Nothing here counts before a person takes it."
KEY = "Dashed: at least very likely. Dotted: look twice. Rings: root ends, orifices, tips. Diamonds: reference points."

ITEM_COLUMNS = {
    "film": "Name of the film's file, from the folder that was named.",
    "kind": "What is proposed: file, upper end, tip, canal, root end, orifice or reference point.",
    "number": "Its number among those of its kind, along the film; it names no canal of the tooth.",
    "of": "What it belongs to: of a file its canal, of a file's end the file, of a canal its root end.",
    "tooth_number": "Which tooth along the film, from 1; no designation.",
    "probability": "That it is right, 0 to 1, by the network's table of films of known truth.",
    "likelihood": "The same in words; not known where the network has no such table.",
    "trusted": "Whether that is to be relied on here: yes or no.",
    "doubts": "Why it is not trusted.",
    "row_px": "Row of the point, or of the coronal end of the line, pixels; the centre of the first pixel is 0.",
    "col_px": "Column of the same, pixels.",
    "end_row_px": "Row of the apical end of the line, pixels; empty for a point.",
    "end_col_px": "Column of the same, pixels.",
    "std_px": "Standard uncertainty of a file's end along the file, pixels.",
    "begins": "How the coronal end of a line is known: seen, not seen, out of the picture.",
    "ends": "How its apical end is known.",
    "points": "How many points the line has; they stand in the case file.",
}
"""Name and meaning of every column of the table of items."""

FILM_COLUMNS = {
    "film": "Name of the film's file, from the folder that was named.",
    "sha256": "SHA-256 of the whole file.",
    "rows": "Rows of the film, pixels.",
    "cols": "Columns of the film, pixels.",
    "tooth": "Tooth of the case file, in the designation of ISO 3950; empty where no case was written.",
    "tooth_from": "Who says so: typed, or the film's header.",
    "roots_point": "Where the roots point in the picture as it is stored: up, down, left or right; empty where the canals "
    "proposed do not agree. Not which jaw it is: nothing in a picture says whether it lies upright.",
    "case": "The case file, from this table's folder; empty where none was written.",
    "picture": "The picture with what is proposed, likewise.",
    "files": "How many files are proposed.",
    "canals": "How many canals.",
    "root_ends": "How many root ends.",
    "orifices": "How many orifices.",
    "reference_points": "How many cusps or edges.",
    "trusted": "How many of all items are trusted.",
    "periapical": "Probability that it is a periapical film; empty where the network does not say.",
    "quality": "What is amiss with the film, in words.",
    "flags": "The same as codes.",
    "note": "Why there is no case file, or why one that was there is kept; and where the roots point the other way than those "
    "of the tooth on a film that lies upright.",
    "model": "The network.",
    "model_sha256": "SHA-256 of its weights.",
    "error": "Why the film could not be looked at; all else is empty then.",
}
"""Name and meaning of every column of the table of films."""


def chance_words(probability: float, *, calibrated: bool = True) -> str:
    """A probability in words; a network without a table of films of known truth has none."""
    if not calibrated:
        return NOT_CALIBRATED
    return next(words for least, words in LIKELIHOOD if probability >= least)


def item_rows(film: str, items: Sequence[Doubted], *, calibrated: bool) -> Iterator[tuple[Cell, ...]]:
    """A row an item, in the order of :data:`ITEM_COLUMNS`; pixels to a hundredth, probabilities to a thousandth."""
    for item, doubts in items:
        (row, col), last = item.points_px[0], item.points_px[-1]
        line = len(item.points_px) > 1
        yield (
            film,
            item.kind,
            int(item.label.rpartition(" ")[2]),
            item.of,
            item.tooth_number,
            f"{item.probability:.3f}",
            chance_words(item.probability, calibrated=calibrated),
            "yes" if item.trusted else "no",
            ", ".join(doubts),
            f"{row:.2f}",
            f"{col:.2f}",
            f"{last[0]:.2f}" if line else None,
            f"{last[1]:.2f}" if line else None,
            None if item.std_px is None else f"{item.std_px:.2f}",
            item.begins,
            item.ends,
            len(item.points_px) if line else None,
        )


def proposal_drawing(
    picture: NDArray[np.uint8],
    items: Sequence[ProposedItem],
    flags: Sequence[Flag] = (),
    *,
    col_over_row: float = 1.0,
    calibrated: bool = True,
    remark: str | None = None,
    height_px: int = HEIGHT_PX,
) -> Drawing:
    """The film with what is proposed on it, and below it what is amiss and what the signs mean.

    Parameters
    ----------
    picture : (R, C) uint8
        The film as it is displayed.
    items
        What is proposed, in pixels (row, col) of the film.
    flags
        What is amiss with it.
    col_over_row
        Column spacing over row spacing.
    calibrated
        Whether probabilities mean anything.
    remark
        What else is to be looked at, in a sentence without its full stop.
    height_px
        Height of the film in the drawing, pixels of it.
    """
    rows, cols = picture.shape
    width = height_px * cols * col_over_row / rows
    said = [flag.text for flag in flags] + ([] if remark is None else [f"{remark[:1].upper()}{remark[1:]}."])
    words = [line for text in (HEADING, *said, KEY) for line in _wrapped(text, width - 20.0)]
    unit = rows / height_px  # film rows a pixel of the drawing
    tall = rows + (len(words) * LINE_PX + 12.0) * unit
    scale = _Scale(unit, unit / col_over_row)
    shapes: list[Shape] = [displayed_picture(picture)]
    colours = {
        item.label: CANAL_COLOURS[k % len(CANAL_COLOURS)]
        for k, item in enumerate(item for item in items if item.kind == "canal")
    }
    # Lines below, points above them, names on top of all.
    for item in sorted(items, key=lambda item: (len(item.points_px) == 1, item.kind != "file")):
        shapes += _marks(item, colours.get(item.label, FILE_COLOUR), scale)
    names = _Names(width, float(height_px), scale)
    for item in items:
        if len(item.points_px) > 1:
            told = f"{item.label}, {chance_words(item.probability)}" if calibrated else item.label
            end = item.points_px[-1] if item.kind == "canal" else item.points_px[0]
            shapes.append(names.placed(told, end, colours.get(item.label, FILE_COLOUR)))
    edge = -0.5, rows - 0.5, cols - 0.5, tall - 0.5
    corners = ((edge[0], edge[1]), (edge[2], edge[1]), (edge[2], edge[3]), (edge[0], edge[3]))
    shapes.append(Area(corners, "#000000"))
    for k, line in enumerate(words):
        y = rows - 0.5 + (k + 1) * LINE_PX * unit
        colour = "#ffffff" if k == 0 else "#c9d1d9"
        shapes.append(Label(-0.5 + 10.0 * scale.col, y, line, SIZE_PX, colour=colour))
    count = {kind: sum(item.kind == kind for item in items) for kind in ("file", "canal")}
    label = f"Film with {count['file']} files and {count['canal']} canals proposed on it"
    return Drawing((-0.5, -0.5, cols, tall), width, height_px * tall / rows, tuple(shapes), label, is_film=True)


@frozen
class _Scale:
    """Film rows and columns a pixel of the drawing."""

    row: float
    col: float


def _marks(item: ProposedItem, colour: str, scale: _Scale) -> list[Shape]:
    dash = SURE_DASH if item.trusted else DOUBTED_DASH
    points = np.array(item.points_px)
    if len(points) > 1:
        keep = max(1, len(points) // 400)
        xy = tuple((float(c), float(r)) for r, c in np.vstack([points[:-1:keep], points[-1:]]))
        wide = 3.0 if item.kind == "file" else 2.0
        return [Line(xy, "#000000", wide + 1.6, dash, opacity=0.55), Line(xy, colour, wide, dash)]
    row, col = (float(v) for v in points[0])
    size = {"root end": 9.0, "orifice": 5.0, "tip": 7.0}.get(item.kind)
    if size is not None:
        own = FILE_COLOUR if item.kind == "tip" else POINT_COLOUR
        rx, ry = size * scale.col, size * scale.row
        return [
            Ellipse(col, row, rx, ry, stroke="#000000", width=3.2),
            Ellipse(col, row, rx, ry, stroke=own, width=1.6),
        ]
    if item.kind == "upper end":
        bar = ((col - 12.0 * scale.col, row), (col + 12.0 * scale.col, row))
        return [Line(bar, "#000000", 3.6, opacity=0.55), Line(bar, FILE_COLOUR, 2.0, (3.0, 3.0))]
    x, y = 7.0 * scale.col, 7.0 * scale.row
    diamond = ((col, row - y), (col + x, row), (col, row + y), (col - x, row), (col, row - y))
    return [Line(diamond, "#000000", 3.2, opacity=0.55), Line(diamond, POINT_COLOUR, 1.6)]


class _Names:
    """Names laid beside what they name, one not over the other; places are pixels of the drawing."""

    def __init__(self, width: float, height: float, scale: _Scale) -> None:
        self.size, self.scale = (width, height), scale
        self.taken: list[tuple[float, float, float, float]] = []

    def placed(self, text: str, at_px: tuple[float, float], colour: str) -> Label:
        """The name at the first free place beside a point (row, col) of the film."""
        x, y = (at_px[1] + 0.5) / self.scale.col, (at_px[0] + 0.5) / self.scale.row
        wide = SIGN_PX * len(text)
        tries = [
            (x + aside, y + down)
            for down in (5.0, 27.0, -17.0, 49.0, -39.0, 71.0, 93.0)
            for aside in (14.0, -14.0 - wide)
        ]
        boxes = [self._box(left, base, wide) for left, base in tries]
        box = next((one for one in boxes if not any(_meet(one, other) for other in self.taken)), boxes[0])
        self.taken.append(box)
        left, base = box[0], box[3] - 4.0
        return Label(
            left * self.scale.col - 0.5, base * self.scale.row - 0.5, text, SIZE_PX, colour=colour, halo="#000000", bold=True
        )  # fmt: skip

    def _box(self, left: float, base: float, wide: float) -> tuple[float, float, float, float]:
        left = min(max(left, 2.0), max(self.size[0] - wide - 2.0, 2.0))
        base = min(max(base, SIZE_PX + 2.0), self.size[1] - 6.0)
        return left, base - SIZE_PX, left + wide, base + 4.0


def _meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _wrapped(text: str, width: float) -> Iterator[str]:
    """Lines of a sentence, none wider than `width` pixels."""
    line = ""
    for word in text.split():
        if line and SIGN_PX * (len(line) + 1 + len(word)) > width:
            yield line
            line = word
        else:
            line = f"{line} {word}".strip()
    if line:
        yield line
