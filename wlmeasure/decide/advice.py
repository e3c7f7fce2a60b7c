"""What the trade advises during shaping, gauging, cone fit and filling: coded remarks, one plain sentence for each code.

A catalogue of its own beside :mod:`~wlmeasure.decide.flags`, under the same rules of wording. It is advice and is worded as
advice; the clinician decides. Common practice without a published source, where a rule's parameter names none.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from wlmeasure.errors import DecideError
from wlmeasure.flags import Flag, catalogue

__all__ = ["ADVICE", "advice"]

_TEXTS: Final = {
    "working-length-open": "The working length that this is compared with no longer holds, so the advice holds no better.",
    "glide-path-open": "The glide path was last not reproducible; the usual order is to make it so before shaping files.",
    "not-patent": "Patency was last not found; a reading without it is less accurate.",
    "block-open": "A block that was not passed is in the record; no instrument reached a length beyond it.",
    "ledge-open": "A ledge that was not bypassed is in the record; a file may stop on it and read short.",
    "fragment-open": "A separated fragment that was not bypassed is in the record; no instrument reached a length beyond it.",
    "perforation-noted": "A perforation is in the record; a device reads it as it reads the foramen.",
    "joins-other": "The canal joins another one that owns the apex; the shared end is measured and gauged in that one.",
    "file-at-length": "The file reached working length; irrigate, recapitulate and irrigate again before the next step.",
    "file-past-length": "The file went past the working length; check stop, reference point and working length.",
    "room-enough": "The previous file has made enough room; the usual advice is to go on with this file.",
    "room-too-little": (
        "The file stopped far short; the usual advice is to go back to the previous file and make more room, or this one is"
        " over-stressed."
    ),
    "shortfall-no-rule": "The file stopped at a distance for which the practice names no rule; it is the clinician's call.",
    "shortfall-near-edge": "The shortfall is no surer than the bounds of the rule are wide, so the next row may apply.",
    "never-press": "A file that makes no progress after a few insertions is withdrawn, never pressed.",
    "gauge-snug": "The hand file sat snug at working length; the usual advice is to go on to disinfection and filling.",
    "gauge-loose": (
        "The hand file was loose at working length; the usual advice is to shape with the next larger file and gauge again."
    ),
    "gauge-past": (
        "The hand file went past working length; the usual advice is to shape with the next larger file and gauge again."
    ),
    "gauge-not-valid": (
        "A gauge that stops short of length is no answer about the foramen; the usual advice is to recapitulate and gauge"
        " again."
    ),
    "gauge-contradicts": "What was felt and the length that was read contradict each other; check stop and reference point.",
    "gauge-thinner": (
        "The hand file is thinner than the last shaping file, so it says little; gauge with the size of that file."
    ),
    "gauge-thicker": (
        "The hand file that sat snug is thicker than the last shaping file; the usual advice is to shape to its size."
    ),
    "gauge-next-untried": "The next larger hand file was not tried, so the apical size is not confirmed.",
    "gauge-next-not-short": "The next larger hand file did not stop clearly short, so the apical size is not confirmed.",
    "gauge-on": "No hand file tried sat snug at length; gauge with the next larger one.",
    "gauge-between": "One hand file is loose and the next size stops short, so the apical size lies between the two.",
    "no-larger-instrument": "The list of instruments holds no larger one.",
    "foramen-large": "Hand files of large sizes pass, so the foramen is large; readings with a loose file are unreliable.",
    "gauge-open-apex": "A hand file thicker than a millimetre passes, so the apex counts as open.",
    "apical-size-large": "The apical size is larger than a constriction usually is; resorption or old treatment may be why.",
    "apical-size-small": (
        "The apical size is smaller than a constriction usually is; the file may have bound short of it or in a curve."
    ),
    "cone-beyond": "The cone goes beyond working length; gauge again, choose a larger cone or trim it.",
    "cone-short": "The cone stops short of working length; recapitulate or choose a smaller cone.",
    "cone-other-size": "The cone is of another size than the one that was gauged.",
    "cone-no-resistance": "The cone is at length but does not resist withdrawal, so it does not fit yet.",
    "length-changed": "The working length changed a little, as it often does when the canal straightens.",
    "length-changed-much": "The working length changed; measuring again is advised before the canal is shaped to size.",
    "length-grew": "The working length grew, which shaping does not explain; check reference point and stop.",
    "filling-long": "The filling ends beyond the radiographic apex.",
    "filling-short": "The filling ends farther short of the radiographic apex than is called adequate.",
    "filling-near": "The filling ends nearer to the radiographic apex than the lower limit in use.",
    "strain-compares": "The strain compares files with each other in one bend; it predicts no fracture.",
}

ADVICE: Final = MappingProxyType(catalogue(_TEXTS))
"""Every remark on shaping and filling that this room can make, by its code."""


def advice(code: str) -> Flag:
    """The remark of that code; :class:`DecideError` when the catalogue has none."""
    try:
        return ADVICE[code]
    except KeyError:
        raise DecideError(f"advice code must stand in the catalogue: {code!r}; add its sentence there first") from None
