"""What should hold after each step of a session, kept in plain lists and dictionaries by rules written down by hand.

Nothing here imports the code under test: lengths are floats, a canal is a dictionary, undo is a deep copy.
"""

from copy import deepcopy
from math import floor

DIVISION_MM = 0.5  # of the ruler that a stop is set on
WITHDRAWN_MM = 0.5  # from the foramen back to the constriction; common practice
LEAST_READINGS, MOST_SPAN_MM = 3, 0.5


def setting(length_mm):
    """A ruler's stop: rounded down, never up."""
    return floor(length_mm / DIVISION_MM + 1e-9) * DIVISION_MM


class PlainCanal:
    def __init__(self):
        self.point = None  # the coronal reference point in words
        self.readings = {}  # by entry id: value, point, the number of its group
        self.group = 0  # shaping, flaring and a new reference point begin another one
        self.decisions = []  # (entry id, value, point), the last one holds unless it was struck out
        self.struck_out = False
        self.entered = set()  # every value that was ever typed for this canal

    def decision(self):
        return None if not self.decisions or self.struck_out else self.decisions[-1]

    def now(self):
        """The readings that speak for the canal as it is."""
        return [v for v, point, group in self.readings.values() if group == self.group and point == self.point]

    def stop(self):
        """Setting and whose it is, from decision and readings alone; None without one. No film has a say here."""
        if self.point is None:
            return None
        held = self.decision()
        if held is not None:
            return ("decided", setting(held[1])) if held[2] == self.point else None
        values = sorted(self.now())
        if len(values) < LEAST_READINGS or values[-1] - values[0] > MOST_SPAN_MM + 1e-9:
            return None
        middle = len(values) // 2
        median = values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2
        return "proposed", setting(median - WITHDRAWN_MM)


class PlainCase:
    def __init__(self, tooth, film):
        self.tooth = tooth
        self.films = {film: None}  # the known length of each film's scale
        self.canals = {}

    def copy(self):
        return deepcopy(self)
