"""A figure as frozen shapes, and the same figure as SVG.

What is drawn is said once; the page on a screen and the page on paper are written from the same shapes
(:mod:`~wlmeasure.share.html`, :mod:`~wlmeasure.share.pdf`).
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from html import escape

from attrs import frozen

from wlmeasure.share.direction import isolated

__all__ = ["Area", "Drawing", "Ellipse", "Label", "Line", "Picture", "svg"]

Points = tuple[tuple[float, float], ...]


@frozen
class Picture:
    """A JPEG laid over `width` x `height` user units from (`x`, `y`)."""

    jpeg: bytes
    x: float
    y: float
    width: float
    height: float


@frozen
class Line:
    """A line through (x, y) points in user units; width and dashes are in output pixels, as on every scale of the figure."""

    points: Points
    colour: str
    width: float = 1.0
    dash: tuple[float, ...] = ()
    opacity: float = 1.0


@frozen
class Area:
    """A filled polygon without an outline; `title` is shown where a screen can."""

    points: Points
    colour: str
    opacity: float = 1.0
    title: str = ""


@frozen
class Ellipse:
    """An ellipse about (`x`, `y`), half axes in user units; `fill` or `stroke` empty leaves it out."""

    x: float
    y: float
    rx: float
    ry: float
    stroke: str = ""
    width: float = 1.0
    fill: str = ""


@frozen
class Label:
    """Text at (`x`, `y`), its base line there; `size` in output pixels; `anchor` start, middle or end; `turn_deg` clockwise.

    `halo` is the colour of a rim that keeps it readable on a film.
    """

    x: float
    y: float
    text: str
    size: float = 11.5
    anchor: str = "start"
    colour: str = "#414b55"
    halo: str = ""
    turn_deg: float = 0.0
    bold: bool = False


Shape = Picture | Line | Area | Ellipse | Label


@frozen
class Drawing:
    """Shapes in the user units of `box` (x, y, width, height; y down), shown `width` x `height` pixels large (96 an inch).

    `is_film` sets it on black with round corners. Units may be of unequal size in x and y: a film with unequal spacing.
    """

    box: tuple[float, float, float, float]
    width: float
    height: float
    shapes: tuple[Shape, ...]
    label: str
    is_film: bool = False

    @property
    def pictures(self) -> tuple[Picture, ...]:
        return tuple(shape for shape in self.shapes if isinstance(shape, Picture))


def svg(drawing: Drawing, picture: Callable[[Picture], str] | None = None) -> str:
    """The drawing as one SVG element.

    Parameters
    ----------
    drawing
        What to write.
    picture
        What stands for a picture (a ``<use>`` of one defined elsewhere); without it the SVG is a document of its own,
        with its pictures inside.
    """
    x, y, width, height = drawing.box
    scale = drawing.width / width, drawing.height / height
    alone = picture is None
    body = "".join(_shape(shape, scale, picture or image_element) for shape in drawing.shapes)
    opening = ' xmlns="http://www.w3.org/2000/svg" font-family="sans-serif"' if alone else ""
    return (
        f'<svg{opening} class="{"film" if drawing.is_film else "plot"}" viewBox="{x:g} {y:g} {width:g} {height:g}" '
        f'width="{drawing.width:.0f}" height="{drawing.height:.0f}" preserveAspectRatio="none" role="img" '
        f'aria-label="{escape(isolated(drawing.label))}">{body}</svg>'
    )


def image_element(picture: Picture, key: str = "") -> str:
    """The picture as an SVG ``<image>``."""
    data = base64.b64encode(picture.jpeg).decode("ascii")
    name = f'id="{key}" ' if key else ""
    return (
        f'<image {name}x="{picture.x:g}" y="{picture.y:g}" width="{picture.width:g}" height="{picture.height:g}" '
        f'preserveAspectRatio="none" href="data:image/jpeg;base64,{data}"/>'
    )


def _shape(shape: Shape, scale: tuple[float, float], picture: Callable[[Picture], str]) -> str:
    match shape:
        case Picture():
            return picture(shape)
        case Line():
            dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in shape.dash)}"' if shape.dash else ""
            faint = f' stroke-opacity="{shape.opacity:g}"' if shape.opacity < 1.0 else ""
            return (
                f'<polyline points="{_points(shape.points)}" fill="none" stroke-linejoin="round" stroke-linecap="round" '
                f'vector-effect="non-scaling-stroke" stroke="{shape.colour}" stroke-width="{shape.width:g}"{dash}{faint}/>'
            )
        case Area():
            title = f"<title>{escape(isolated(shape.title))}</title>" if shape.title else ""
            faint = f' fill-opacity="{shape.opacity:g}"' if shape.opacity < 1.0 else ""
            return f'<polygon points="{_points(shape.points)}" fill="{shape.colour}"{faint}>{title}</polygon>'
        case Ellipse():
            rim = f' stroke="{shape.stroke}" stroke-width="{shape.width:g}" vector-effect="non-scaling-stroke"'
            return (
                f'<ellipse cx="{shape.x:.2f}" cy="{shape.y:.2f}" rx="{shape.rx:.2f}" ry="{shape.ry:.2f}" '
                f'fill="{shape.fill or "none"}"{rim if shape.stroke else ""}/>'
            )
        case Label():
            return _label(shape, scale)


def _label(label: Label, scale: tuple[float, float]) -> str:
    # The text keeps its shape and size whatever the user units are.
    turn = f" rotate({label.turn_deg:g})" if label.turn_deg else ""
    rim = f' stroke="{label.halo}" stroke-width="{label.size / 6:.2f}" paint-order="stroke"' if label.halo else ""
    anchor = "" if label.anchor == "start" else f' text-anchor="{label.anchor}"'
    weight = ' font-weight="bold"' if label.bold else ""
    return (
        f'<text transform="translate({label.x:.2f} {label.y:.2f}) scale({1 / scale[0]:.5g} {1 / scale[1]:.5g}){turn}" '
        f'font-size="{label.size:g}" fill="{label.colour}"{anchor}{weight}{rim}>{escape(isolated(label.text))}</text>'
    )


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
