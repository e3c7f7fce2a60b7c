"""The cautions that stand on every record and report."""

from __future__ import annotations

__all__ = ["CAUTIONS", "PACEMAKER"]

CAUTIONS = (
    "This is an aid to measurement. The licensed clinician decides the length and all treatment.",
    "A film is a projection: bends towards or away from the beam and the exit of the foramen are hidden, and the "
    "radiographic apex is not the foramen.",
    "A length holds only from its coronal reference point: when that point or the stop changes, and after coronal flaring, "
    "measure again.",
    "The scale holds at the depth of the object it was taken from.",
    "Any exposure is the clinician's decision under local rules; an electronic reading can be considered first.",
)

PACEMAKER = (
    "With an implanted pacemaker or defibrillator follow the device labelling and consult the cardiologist; readings taken "
    "during pacing are unreliable."
)
