"""What should hold after each step of a session, kept in plain lists and dictionaries by rules written down by hand.

Nothing here imports the code under test: lengths are floats, a canal is a dictionary, undo is a deep copy.
"""

from copy import deepcopy
from itertools import pairwise
from math import dist, floor

DIVISION_MM = 0.5  # of the ruler that a stop is set on
# From a reading at the foramen back to the constriction: readings are long by 0.05 mm (Lucena et al. 2014), a few more are
# early than late (0.02 mm), and the constriction is 0.59 mm short of the foramen (Kuttler 1955, both ages).
WITHDRAWN_MM = 0.05 - 0.02 + 0.59
SHAPED_SHORTER_MM = 0.35  # a canal by its shaping, our parameter
# The length of least cost lies up to 0.1 mm below the mean of the constriction and never beyond it; what readings of one canal
# say together lies between their mean and their median, to a few hundredths.
BELOW_MM, BESIDE_MM = 0.1, 0.04
LEAST_READINGS, MOST_SPAN_MM = 3, 0.5


def setting(length_mm):
    """A ruler's stop: rounded down, never up."""
    return floor(length_mm / DIVISION_MM + 1e-9) * DIVISION_MM


def apart(point, line):
    """How far a point lies from a polyline."""
    found = []
    for (a, b), (c, d) in pairwise(line):
        length = (c - a) ** 2 + (d - b) ** 2
        share = min(1.0, max(0.0, ((point[0] - a) * (c - a) + (point[1] - b) * (d - b)) / length))
        found.append(dist(point, (a + share * (c - a), b + share * (d - b))))
    return min(found)


class PlainFilm:
    """What was entered on one film: an object of known length, 100 rows long, and a file straight down a column."""

    def __init__(self):
        self.order = []  # "object" and "file", as they were placed
        self.object_mm = None
        self.file = None  # first and tip, (row, col); upper; mm, None where nobody knows; reference, the point or None

    def scales(self):
        """Millimetres a row by each of what is entered; a file gives none whose upper end is not there or whose length."""
        found = [] if self.object_mm is None else [self.object_mm / 100.0]
        file = self.file
        if file is not None and file["upper"] in ("stop", "reference"):
            begins = file["first"] if file["upper"] == "stop" else file["reference"]
            found.append(file["mm"] / (file["tip"][0] - begins[0]))
        return found


class PlainCanal:
    def __init__(self):
        self.traces = {}  # by film: its line, the marked reference point, and the tip of the file that lies in it
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
        """Whose it is and the least and the largest setting, from decision and readings alone; None without one.

        No film has a say here. One that is decided has one setting.
        """
        if self.point is None:
            return None
        held = self.decision()
        if held is not None:
            return ("decided", setting(held[1]), setting(held[1])) if held[2] == self.point else None
        values = sorted(self.now())
        if len(values) < LEAST_READINGS or values[-1] - values[0] > MOST_SPAN_MM + 1e-9:
            return None
        middle = len(values) // 2
        median = values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2
        said = [median, sum(values) / len(values)]
        past = [v for v, point, group in self.readings.values() if group != self.group and point == self.point]
        if past:  # of the same canal while it was longer
            said.append(sum(past) / len(past) - SHAPED_SHORTER_MM)
        low, high = (side(said) - WITHDRAWN_MM for side in (min, max))
        return "proposed", setting(low - BELOW_MM - BESIDE_MM), setting(high + BESIDE_MM)


class PlainCase:
    def __init__(self, tooth, film):
        self.tooth = tooth
        self.films = {film: PlainFilm()}
        self.canals = {}

    def settle(self):
        """A file lies in the canal that its tip is nearest to. One that counts from nowhere yet counts from where the stop
        of a file that comes to lie in it rested."""
        for film, plain in self.films.items():
            traced = [(name, c.traces[film]) for name, c in self.canals.items() if film in c.traces]
            tip = None if plain.file is None else plain.file["tip"]
            nearest = min(((apart(tip, trace["line"]), name) for name, trace in traced), default=None) if tip else None
            for name, trace in traced:
                new = tip if nearest is not None and name == nearest[1] else None
                if trace["tip"] != new:
                    trace["tip"] = new
                    if new is not None and trace["mark"] is None:
                        trace["mark"] = plain.file["reference"]

    def rest(self, film, point):
        """The file's stop rested there, and so does the canal that the file lies in count from there."""
        file = self.films[film].file
        file["upper"], file["reference"] = "reference", point
        for canal in self.canals.values():
            if film in canal.traces and canal.traces[film]["tip"] == file["tip"]:
                canal.traces[film]["mark"] = point

    def mark(self, film, name, point):
        """The canal's reference point moves, and takes with it what the stop of the file in it rested on."""
        trace, file = self.canals[name].traces[film], self.films[film].file
        trace["mark"] = point
        if file is not None and file["upper"] == "reference" and trace["tip"] == file["tip"]:
            self.rest(film, point)

    def copy(self):
        return deepcopy(self)
