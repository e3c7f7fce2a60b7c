"""What the network says of every pixel: the maps, in the order in which it gives them.

A line or a point is a bell of 1 on it, as wide as `SPREAD_PX` says on the network's own pixels; an area is 1 inside.
"""

from __future__ import annotations

from enum import IntEnum

__all__ = ["AREAS", "LINES", "POINTS", "SIDE_MULTIPLE", "SPREAD_PX", "WORKING_PITCH_MM", "Channel"]


class Channel(IntEnum):
    """One map.

    `FILE` runs along the shaft of each hand file, from the upper end of its known length (or the picture's border) to the tip;
    `UPPER_END` is where the known length ends, where that is in the picture. `CANAL` runs from orifice to foramen. `REFERENCE`
    marks cusp tips and incisal edges. `ROOT` is dentine (of roots, and under the enamel, so that a tooth hangs together and
    two teeth do not), `OUTLINE` the border of roots; `FILLING` is what fills canals, `METAL` every other thing that is denser
    than a tooth.
    """

    FILE = 0
    TIP = 1
    UPPER_END = 2
    CANAL = 3
    ROOT_END = 4
    ORIFICE = 5
    REFERENCE = 6
    ROOT = 7
    OUTLINE = 8
    FILLING = 9
    METAL = 10


LINES = (Channel.FILE, Channel.CANAL, Channel.OUTLINE)
POINTS = (Channel.TIP, Channel.UPPER_END, Channel.ROOT_END, Channel.ORIFICE, Channel.REFERENCE)
AREAS = (Channel.ROOT, Channel.FILLING, Channel.METAL)

WORKING_PITCH_MM = 0.08
"""Pixel size, mm, at which the network looks at a film; trained from 0.055 to 0.11. Our parameter."""
SIDE_MULTIPLE = 32
"""Both sides of what the network is given are multiples of this: it halves them five times."""
SPREAD_PX = {"line": 1.5, "point": 2.2}
"""Standard deviation of a line's and of a point's bell, pixels of the network; our parameters."""
