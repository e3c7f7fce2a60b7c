"""The case file ``*.wl.json``: what a person saves, mails and reopens.

It holds the inputs, each once: films by hash, known lengths, clicks and accepted paths in `films` and `canals`; readings,
decisions and all that was done in `entries`, the log. Nothing that follows from them is stored. Writing is strict, reading is
tolerant: members this version does not know are kept, and files of version 1 are read (`version1`). The JSON Schema
``case.schema.json`` beside this module is made from the classes here.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import struct
from pathlib import Path, PureWindowsPath
from typing import Any, Literal, get_args

from attrs import evolve, field, frozen

from wlmeasure.decide.methods import Apex, ApexVisibility, ApicalEnd, Resorption
from wlmeasure.errors import CaseError, NotWrittenError, TradeError
from wlmeasure.image.file_content import first_bytes
from wlmeasure.image.view import View
from wlmeasure.measure.budget import NORMAL_95
from wlmeasure.record import version1
from wlmeasure.record.members import (
    Choice,
    Each,
    Nested,
    Number,
    Pair,
    Pairs,
    Tagged,
    Text,
    Truth,
    Whole,
    check_distinct,
    extra_members,
    member,
    read_object,
    schema_of,
    write_object,
)
from wlmeasure.trade.instruments import EXAMPLE_SEQUENCE, TAPER_LIMIT, AnyInstrument, read_instrument_list
from wlmeasure.trade.tooth import Tooth
from wlmeasure.whole_file import write_whole

__all__ = [
    "SCHEMA",
    "Accepted",
    "Angulation",
    "Canal",
    "Carried",
    "Case",
    "Clicks",
    "Entry",
    "FileTaper",
    "Film",
    "FilmView",
    "Joint",
    "KnownFile",
    "KnownObject",
    "PlainFile",
    "Proposed",
    "ProposedItem",
    "Scale",
    "Spacing",
    "StopSeated",
    "Trace",
    "UpperEnd",
    "as_proposed",
    "case_content",
    "case_digest",
    "case_from_json",
    "case_schema",
    "case_to_json",
    "load_case",
    "path_fingerprint",
    "save_case",
]

SCHEMA = "wlmeasure-case/2"
SUFFIX = ".wl.json"
LARGEST_FILE = 16 * 2**20  # bytes; a case of ten films with traced paths has about 1 MB
LENGTH_MM = Number(least=1.0, most=60.0)
UpperEnd = Literal["stop", "reference", "out of the picture"]
StopSeated = Literal["yes", "not known"]
PROPOSED_KINDS = ("file", "upper end", "tip", "canal", "root end", "orifice", "reference point")
LOOKED = r"[^ ]+/[0-9a-f]{12}"  # the tracer of a path as a look proposed it: the network and its weights
PATH_ENDS = ("seen", "out of the picture", "not seen")
STD_MM = Number(least=0.0, most=10.0)
TIME = Text(
    pattern=r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?(Z|[+-][0-9]{2}:[0-9]{2})?"
)


@frozen
class Angulation:
    """How the tube stood, in degrees, and which way mesial lies on the film.

    Parameters
    ----------
    sensor
        Where the film or sensor was when the tube was shifted: "stayed" as it lay for the straight film, or turned "with the
        tube", square to the beam, as a holder does. None is "not known", and both are counted.
    """

    horizontal_deg: float | None = member(Number(least=-90.0, most=90.0), None)
    vertical_deg: float | None = member(Number(least=-90.0, most=90.0), None)
    tube_shift: str | None = member(Choice(("none", "mesial", "distal")), None)
    mesial_to: str | None = member(Choice(("left", "right", "up", "down")), None)
    sensor: str | None = member(Choice(("stayed", "with the tube")), None)
    extra: dict[str, Any] = extra_members()


@frozen
class Accepted:
    """What a network proposed and a person accepted, as it was or moved: the item's label on that film, by whom, when."""

    item: str = member(Text(longest=40))
    by: str = member(Text(longest=80))
    at: str = member(TIME)
    extra: dict[str, Any] = extra_members()


@frozen
class Refused:
    """Who refused what a network proposed, and when."""

    by: str = member(Text(longest=80))
    at: str = member(TIME)
    extra: dict[str, Any] = extra_members()


ACCEPTED = Each(Nested(Accepted), most=10)


@frozen
class Clicks:
    """How far the clicks of the person who made this case lie from what they mean, and how that is known.

    Parameters
    ----------
    std_px
        Standard uncertainty of one click along a line, pixels. Of repeats it holds what few of them leave open.
    by
        Who clicks.
    source
        ``from`` in the file: "stated", or from that person's own "repeats".
    repeats
        How often an end that had been marked was marked again.

    Raises
    ------
    CaseError
        A number of repeats with a stated error, or none with one from repeats.
    """

    std_px: float = member(Number(above=0.0, most=50.0))
    by: str | None = member(Text(longest=80), None)
    source: str = member(Choice(("stated", "repeats")), json="from")
    repeats: int | None = member(Whole(1, 1_000_000), None)
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        if (self.source == "repeats") != (self.repeats is not None):
            raise CaseError(
                f"repeats must be given where from is repeats, and nowhere else: {self.repeats!r} with {self.source!r}; say "
                "how often ends were marked again, or that the error is stated"
            )

    @property
    def words(self) -> str:
        """It in words, as "clicks 2.1 px, from 24 repeats of AB"."""
        of = "" if self.by is None else f" of {self.by}"
        if self.repeats is None:
            return f"clicks {self.std_px:.2g} px, stated{of}"
        return f"clicks {self.std_px:.2g} px, from {self.repeats} repeat{'s' if self.repeats > 1 else ''}{of}"


@frozen
class KnownFile:
    """A file of known length in the film: points from its coronal end to the tip, and the path accepted through clicks.

    Parameters
    ----------
    upper_end
        How the upper end of the known length is known. "stop": the stop's face is the first point. "reference": the stop does
        not show, and the known length begins where the perpendicular from `reference_px` meets the shaft. "out of the picture":
        neither shows, so the file gives no scale, only its own length to the tip. None is "stop".
    reference_px
        The reference edge or cusp that the stop rested on, marked on the film; for "reference" alone.
    stop_seated
        Whether the stop was seen to rest on the reference at exposure, where it does not show; None is "not known".
    """

    points_px: tuple[tuple[float, float], ...] = member(Pairs(least=2))
    trace_kind: str = member(Choice(("clicks", "path")))
    known_length_mm: float = member(LENGTH_MM)
    known_length_std_mm: float | None = member(STD_MM, None)
    upper_end: UpperEnd | None = member(Choice(get_args(UpperEnd)), None)
    reference_px: tuple[float, float] | None = member(Pair(), None)
    stop_seated: StopSeated | None = member(Choice(get_args(StopSeated)), None)
    path_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    tracer: str | None = member(Text(longest=80), None)
    accepted: tuple[Accepted, ...] = member(ACCEPTED, ())
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        if (self.upper_end == "reference") != (self.reference_px is not None):
            raise CaseError(
                f"reference_px must be given where upper_end is reference, and nowhere else: {self.reference_px!r} with "
                f"{self.upper_end!r}; mark the edge or cusp that the stop rested on, or say how the upper end is known"
            )

    @property
    def gives_scale(self) -> bool:
        """Whether its known length lies between two places that are seen on the film."""
        return self.upper_end != "out of the picture"


@frozen
class PlainFile:
    """A file that lies in a canal and whose length nobody gave: no scale comes from it, and its canal follows it."""

    points_px: tuple[tuple[float, float], ...] = member(Pairs(least=2))
    trace_kind: str = member(Choice(("clicks", "path")))
    path_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    tracer: str | None = member(Text(longest=80), None)
    accepted: tuple[Accepted, ...] = member(ACCEPTED, ())
    extra: dict[str, Any] = extra_members()


@frozen
class KnownObject:
    """An object of known size in the film: its two ends."""

    points_px: tuple[tuple[float, float], ...] = member(Pairs(least=2, most=2))
    known_length_mm: float = member(LENGTH_MM)
    known_length_std_mm: float | None = member(STD_MM, None)
    extra: dict[str, Any] = extra_members()

    @property
    def gives_scale(self) -> bool:
        """Whether its known length lies between two places that are seen on the film: always."""
        return True


@frozen
class Spacing:
    """A spacing that the image file claims, taken knowingly."""

    claim: str = member(Choice(("PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing")))
    magnification: float | None = member(Number(least=0.5, most=2.0), None)
    extra: dict[str, Any] = extra_members()


@frozen
class FileTaper:
    """A file of known size whose stop is not in the picture: points along its shaft to the tip. It gives an estimate only."""

    points_px: tuple[tuple[float, float], ...] = member(Pairs(least=2))
    trace_kind: str = member(Choice(("clicks", "path")))
    file_size: int = member(Whole(6, 140))
    taper: float | None = member(Number(least=0.01, most=0.25), None)
    path_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    tracer: str | None = member(Text(longest=80), None)
    accepted: tuple[Accepted, ...] = member(ACCEPTED, ())
    extra: dict[str, Any] = extra_members()


def as_proposed(one: KnownFile | PlainFile | FileTaper | Trace) -> bool:
    """Whether its path is one that a network proposed and a person accepted: not drawn, and not traced anew since."""
    named = one.path_px is not None and one.tracer is not None
    return bool(one.accepted) and named and re.fullmatch(LOOKED, one.tracer or "") is not None


Scale = KnownFile | PlainFile | KnownObject | Spacing | FileTaper
FILES = KnownFile | PlainFile | FileTaper
"""Scales that are files; `FilmResult.file_traces` has one path for each, in their order."""
SCALES = Tagged(
    {
        "known_file": KnownFile,
        "file": PlainFile,
        "known_object": KnownObject,
        "spacing": Spacing,
        "file_taper": FileTaper,
    }
)


@frozen
class FilmView:
    """How the film is shown: quarter turns clockwise, then mirrored left to right; its points stay those of the stored film."""

    quarter_turns: int = member(Whole(0, 3), 0)
    mirrored: bool = member(Truth(), False)
    extra: dict[str, Any] = extra_members()

    @property
    def view(self) -> View:
        """The same as the picture functions take it."""
        return View(self.quarter_turns, self.mirrored)


@frozen
class ProposedItem:
    """One thing that a network proposes on a film. It counts for nothing: what a person takes becomes a scale or a trace.

    Parameters
    ----------
    kind, label
        What it is, and its neutral name on this film ("canal 1"): one film cannot tell mesiobuccal from mesiolingual.
    points_px
        Its place, or its path from its coronal to its apical end.
    std_px
        Standard uncertainty of a file's tip or upper end along the file, pixels.
    begins, ends
        How the first and the last point of a path are known.
    probability
        That it is right, by the network's table of films of known truth; `trusted` says whether to rely on that here.
    of
        Label of what it belongs to: of a file its canal, of a file's end the file, of a canal its root end.
    tooth_number
        Which tooth along the film, from 1; no designation.
    model, model_sha256
        The network, and the SHA-256 of its weights.
    refused
        Who refused it; where it was accepted, the scale or trace that was made of it says so (`accepted`).
    """

    kind: str = member(Choice(PROPOSED_KINDS))
    label: str = member(Text(longest=40))
    points_px: tuple[tuple[float, float], ...] = member(Pairs(least=1))
    std_px: float | None = member(Number(least=0.0, most=1000.0), None)
    begins: str | None = member(Choice(PATH_ENDS), None)
    ends: str | None = member(Choice(PATH_ENDS), None)
    probability: float = member(Number(least=0.0, most=1.0))
    trusted: bool = member(Truth())
    of: str | None = member(Text(longest=40), None)
    tooth_number: int | None = member(Whole(1, 100), None)
    model: str = member(Text(longest=80))
    model_sha256: str = member(Text(pattern=r"[0-9a-f]{64}"))
    refused: Refused | None = member(Nested(Refused), None)
    extra: dict[str, Any] = extra_members()


@frozen
class Film:
    """One radiograph of the case, found by its path beside the case file and known by its hash.

    `frame` counts from 1, as DICOM does; None where the file has one frame. `proposed` is what a network saw on it.
    """

    id: str = member(Text(longest=40))
    path: str = member(Text(longest=1000))
    sha256: str = member(Text(pattern=r"[0-9a-f]{64}"))
    rows: int = member(Whole(1, 100_000))
    cols: int = member(Whole(1, 100_000))
    frame: int | None = member(Whole(1, 100_000), None)
    col_over_row: float | None = member(Number(least=0.1, most=10.0), None)
    metal: str | None = member(Choice(("bright", "dark")), None)
    view: FilmView | None = member(Nested(FilmView), None)
    purpose: str | None = member(Choice(("preoperative", "trial file", "cone fit", "filling", "other")), None)
    angulation: Angulation | None = member(Nested(Angulation), None)
    scale: tuple[Scale, ...] = member(Each(SCALES), ())
    proposed: tuple[ProposedItem, ...] = member(Each(Nested(ProposedItem), most=1000), ())
    extra: dict[str, Any] = extra_members()

    @property
    def shown_as(self) -> View:
        """How it is laid before the eye."""
        return View() if self.view is None else self.view.view

    @property
    def place(self) -> str:
        """Its path, and the frame where it is one of several, in words."""
        return self.path if self.frame is None else f"{self.path}, frame {self.frame}"

    @property
    def name(self) -> str:
        """The same without the folder, of whichever system wrote the path."""
        return PureWindowsPath(self.place).name


@frozen
class Joint:
    """Where a canal joins another one."""

    canal: str = member(Text(longest=40))
    mm_from_apex: float = member(Number(least=0.0, most=40.0))
    extra: dict[str, Any] = extra_members()


@frozen
class Carried:
    """Where marks of a trace came from that were carried over from an earlier film and accepted, not placed by hand.

    `marks` names them; `std_px` is their standard deviation, the largest of them, in pixels of this film.
    """

    film: str = member(Text(longest=40))
    marks: tuple[str, ...] = member(Each(Choice(("apical end", "reference point", "path")), least=1, most=3))
    std_px: float = member(Number(least=0.0, most=1000.0))
    extra: dict[str, Any] = extra_members()


def path_fingerprint(path_px: tuple[tuple[float, float], ...]) -> str:
    """SHA-256 of a path's points (N, 2), row and column as 64 bit floats, which a case file keeps exactly."""
    flat = [value for point in path_px for value in point]
    return hashlib.sha256(struct.pack(f"<{len(flat)}d", *flat)).hexdigest()


@frozen
class Trace:
    """One canal on one film, orifice to apical end: the clicks and the accepted path, both.

    `doubted_path_sha256` is the fingerprint (:func:`path_fingerprint`) of the path that `path_doubt` was found for.
    """

    film: str = member(Text(longest=40))
    reference_px: tuple[float, float] | None = member(Pair(), None)
    clicks_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    path_px: tuple[tuple[float, float], ...] | None = member(Pairs(least=2), None)
    tracer: str | None = member(Text(longest=80), None)
    path_std_px: float | None = member(Number(least=0.0, most=100.0), None)
    path_doubt: float | None = member(Number(least=0.0, most=1.0), None)
    doubted_path_sha256: str | None = member(Text(pattern=r"[0-9a-f]{64}"), None)
    apical_end: ApicalEnd = member(Choice(get_args(ApicalEnd)))
    apex_visibility: ApexVisibility | None = member(Choice(get_args(ApexVisibility)), None)
    unseen_from_mm: float | None = member(Number(least=0.0, most=60.0), None)
    file_tip_px: tuple[float, float] | None = member(Pair(), None)
    carried: Carried | None = member(Nested(Carried), None)
    accepted: tuple[Accepted, ...] = member(ACCEPTED, ())
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        if self.clicks_px is None and self.path_px is None:
            raise CaseError("clicks_px or path_px must be given: a trace needs its points")

    @property
    def kept_doubt(self) -> float | None:
        """The doubt that was kept with the path; None without one, or where the path is not the one that it was found for.

        A file that names no path, as older ones, is believed: nothing tells whether its path was changed.
        """
        of = self.doubted_path_sha256
        if of is not None and (self.path_px is None or of != path_fingerprint(self.path_px)):
            return None
        return self.path_doubt

    def clicked(self, clicks_px: tuple[tuple[float, float], ...] | None) -> Trace:
        """The trace through other clicks, to be traced anew: nothing that was kept with its path stays."""
        return evolve(
            self, clicks_px=clicks_px, path_px=None, tracer=None, path_std_px=None, path_doubt=None,
            doubted_path_sha256=None,
        )  # fmt: skip

    @property
    def crown_px(self) -> tuple[float, float] | None:
        """The reference point where a crown piece leads from it to the canal; None where the canal itself begins at it."""
        first = (self.clicks_px or self.path_px or (None,))[0]
        return None if self.reference_px == first else self.reference_px


@frozen
class Canal:
    """The geometry of one root canal of the tooth; what was read, decided and done in it stands in the log.

    `reference_point` is the coronal reference point in words, None until it is named: no length counts before.
    """

    name: str = member(Text(longest=40))
    reference_point: str | None = member(Text(), None)
    joins: Joint | None = member(Nested(Joint), None)
    traces: tuple[Trace, ...] = member(Each(Nested(Trace), most=50))
    resorption: Resorption | None = member(Choice(get_args(Resorption)), None)
    apex: Apex | None = member(Choice(get_args(Apex)), None)
    extra: dict[str, Any] = extra_members()


@frozen
class Proposed:
    """What was proposed when a decision was made, kept for audit; lengths in mm, None where nothing was proposed."""

    status: str = member(Text(longest=40))
    length_mm: float | None = member(LENGTH_MM, None)
    length_std_mm: float | None = member(STD_MM, None)
    extra: dict[str, Any] = extra_members()


@frozen
class Entry:
    """One entry of the length record: never edited, only superseded.

    Lengths and levels count in mm from the coronal reference point; distances and extents are mm of their own. Which of
    them an entry of a kind needs, and what they mean in it, stands in :data:`wlmeasure.record.kinds.KIND_TABLE`.

    Parameters
    ----------
    at
        When; None where it was not recorded, as of a reading in a file of version 1.
    canal
        None where the entry holds for the whole tooth.
    size, special, taper
        Of the instrument or cone: 1/100 mm at the tip; whether that size is none of ISO 3630-1 and meant; mm per mm.
    length_below_mm, length_above_mm
        How far the 95 % interval of a length reaches below and above it, where it may be too long and not too short; its
        standard uncertainty is then the rms distance, and no half-width is to be made of it.
    finding
        What was found, in the words of the kind.
    conditions
        What makes a reading doubtful, in words of :data:`~wlmeasure.decide.electronic.CONDITIONS` or free text.
    passes
        How often the file went in.
    distance_mm, distance_std_mm
        From the radiographic apex or apex, positive short of it, negative beyond; its standard uncertainty.
    level_mm, extent_mm
        Where a thing in the canal begins, and how long it is.
    other_canal
        The canal that this one joins.
    film_sha256, other_films_sha256
        The film that it was taken from, and where it rests on several, the others.
    rests_on
        Ids of the earlier entries that this one was made from.
    before
        Id of the earlier entry that it belongs before in the treatment, where it was written down late.
    proposed
        What was proposed when the length was decided.
    confirmed
        Codes of the questions that were asked of it and answered with yes.
    """

    id: str = member(Text(longest=40))
    kind: str = member(Text(longest=40, pattern=r"[a-z]+( [a-z]+)*"))
    at: str | None = member(TIME, None)
    by: str = member(Text(longest=80))
    canal: str | None = member(Text(longest=40), None)
    reference_point: str | None = member(Text(), None)
    length_mm: float | None = member(LENGTH_MM, None)
    length_std_mm: float | None = member(STD_MM, None)
    length_below_mm: float | None = member(STD_MM, None)
    length_above_mm: float | None = member(STD_MM, None)
    size: int | None = member(Whole(1, 300), None)
    special: bool | None = member(Truth(), None)
    taper: float | None = member(Number(least=0.0, most=TAPER_LIMIT), None)
    finding: str | None = member(Text(longest=40), None)
    conditions: tuple[str, ...] = member(Each(Text(longest=100), most=20), ())
    passes: int | None = member(Whole(1, 999), None)
    distance_mm: float | None = member(Number(least=-40.0, most=40.0), None)
    distance_std_mm: float | None = member(STD_MM, None)
    level_mm: float | None = member(LENGTH_MM, None)
    extent_mm: float | None = member(Number(above=0.0, most=40.0), None)
    other_canal: str | None = member(Text(longest=40), None)
    status: str | None = member(Text(longest=40), None)
    film_sha256: str | None = member(Text(pattern=r"[0-9a-f]{64}"), None)
    other_films_sha256: tuple[str, ...] = member(Each(Text(pattern=r"[0-9a-f]{64}"), most=49), ())
    inputs_sha256: str | None = member(Text(pattern=r"[0-9a-f]{64}"), None)
    program: str | None = member(Text(longest=80), None)
    rests_on: tuple[str, ...] = member(Each(Text(longest=40), most=100), ())
    confirmed: tuple[str, ...] = member(Each(Text(longest=60), most=20), ())
    supersedes: str | None = member(Text(longest=40), None)
    before: str | None = member(Text(longest=40), None)
    proposed: Proposed | None = member(Nested(Proposed), None)
    note: str | None = member(Text(longest=1000), None)
    extra: dict[str, Any] = extra_members()

    @property
    def length_interval_mm(self) -> tuple[float, float] | None:
        """95 % interval of its length, mm; None without one."""
        length, std = self.length_mm, self.length_std_mm
        if length is None:
            return None
        if self.length_below_mm is not None and self.length_above_mm is not None:
            return length - self.length_below_mm, length + self.length_above_mm
        return None if std is None else (length - NORMAL_95 * std, length + NORMAL_95 * std)


@frozen
class Case:
    """One tooth: its films, its canals and its length record.

    `clicks` is how far this person's clicks may be off; without it by 1 px. `instrument_list` is the user's own, one line each
    as :func:`~wlmeasure.trade.instruments.read_instrument_list` reads it, in the order of use; it replaces the shipped example.

    Raises
    ------
    CaseError
        A tooth that ISO 3950 does not know, two films or canals of one name, a trace of a film that is not there, a line of
        the instrument list that names none.
    """

    tooth: str = member(Text(longest=2))
    case_id: str | None = member(Text(longest=80), None)
    clicks: Clicks | None = member(Nested(Clicks), None)
    films: tuple[Film, ...] = member(Each(Nested(Film), least=1, most=50))
    canals: tuple[Canal, ...] = member(Each(Nested(Canal), most=10), ())
    instrument_list: tuple[str, ...] = member(Each(Text(longest=300), most=100), ())
    entries: tuple[Entry, ...] = member(Each(Nested(Entry)), ())
    extra: dict[str, Any] = extra_members()
    folder: Path = field(default=Path(), kw_only=True, converter=Path, eq=False, repr=False)

    def __attrs_post_init__(self) -> None:
        try:
            Tooth.from_iso3950(self.tooth)
        except TradeError as error:
            raise CaseError(f"tooth: {error}") from None
        try:
            _ = self.instruments
        except TradeError as error:
            raise CaseError(f"instrument_list: {error}") from None
        check_distinct(CaseError, "films", "id", [film.id for film in self.films])
        check_distinct(CaseError, "canals", "name", [canal.name for canal in self.canals])
        check_distinct(CaseError, "entries", "id", [entry.id for entry in self.entries])
        ids = {film.id for film in self.films}
        names = {canal.name for canal in self.canals}
        for k, canal in enumerate(self.canals):
            for m, trace in enumerate(canal.traces):
                if trace.film not in ids:
                    raise CaseError(
                        f"canals[{k}].traces[{m}].film must be the id of a film ({', '.join(sorted(ids))}): {trace.film!r}"
                    )
                if trace.carried is not None and trace.carried.film not in ids - {trace.film}:
                    raise CaseError(
                        f"canals[{k}].traces[{m}].carried.film must be the id of another film: {trace.carried.film!r}"
                    )
            check_distinct(CaseError, f"canals[{k}].traces", "film", [trace.film for trace in canal.traces])
            if canal.joins is not None and canal.joins.canal not in names - {canal.name}:
                raise CaseError(f"canals[{k}].joins.canal must be another canal of the case: {canal.joins.canal!r}")

    @property
    def instruments(self) -> tuple[AnyInstrument, ...]:
        """The user's instruments in the order of use; the shipped example where the case names none."""
        return read_instrument_list("\n".join(self.instrument_list)) if self.instrument_list else EXAMPLE_SEQUENCE

    def film(self, film_id: str) -> Film:
        """The film of that id."""
        return next(film for film in self.films if film.id == film_id)

    def film_path(self, film: Film) -> Path:
        """Where the film lies: its path, seen from the case file's folder.

        It may lead out of the folder, since films lie where a practice keeps them, but not to another machine: opening such
        a path hands over who you are (Windows logs in there by itself).

        Raises
        ------
        CaseError
            A path to a server, a device or an address of the web.
        """
        return self.folder / _local(film.path, f"film {film.id}: path")


_ELSEWHERE = re.compile(r"[\\/]{2}|[A-Za-z][A-Za-z0-9+.-]+:[\\/]{2}")
_DEVICES = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d|conin\$|conout\$)\s*(\..*)?")


def _local(path: str, where: str) -> str:
    """`path`, or a CaseError where it is no file of this machine whatever the system makes of it."""
    device = os.name == "nt" and any(_DEVICES.fullmatch(part) for part in re.split(r"[\\/]", path))
    if _ELSEWHERE.match(path) or device:
        raise CaseError(f"{where} must be a file of this computer: {path[:80]!r}; copy the film beside the case")
    return path


def _refuse_constant(name: str) -> float:
    raise CaseError(f"numbers must be finite: the file holds {name}")


def _pairs_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, value in pairs:
        if name in out:
            raise CaseError(f"member {name[:40]!r} must stand once: it stands twice in one object")
        out[name] = value
    return out


def load_case(path: str | os.PathLike[str]) -> Case:
    """Read a case file.

    Raises
    ------
    CaseError
        Not a file, not JSON, of a newer schema, or with a member that is missing or wrong; names the member.
    """
    path = Path(path)
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise CaseError("must be a case file: it is a device, which has no end")
        content = first_bytes(path, LARGEST_FILE + 1)  # what the system makes up as it is read has no length to ask for
        if len(content) > LARGEST_FILE:
            raise CaseError(f"must be at most {LARGEST_FILE} bytes: more; is it a case file?")
        text = content.decode("utf-8-sig")
        data = json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_pairs_once)
    except OSError as error:
        raise CaseError(f"{path.name} cannot be read: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise CaseError(f"{path.name} must be UTF-8 text: it is not; is it a case file?") from None
    except json.JSONDecodeError as error:
        raise CaseError(f"{path.name} must be JSON: {error.msg} at line {error.lineno}, column {error.colno}") from None
    except RecursionError:
        raise CaseError(f"{path.name} must be a case file: its brackets are nested too deeply") from None
    except CaseError as error:
        raise CaseError(f"{path.name}: {error}") from None
    except ValueError:  # Python refuses to read a whole number of thousands of digits
        raise CaseError(f"{path.name} must be a case file: it holds a number of thousands of digits") from None
    return case_from_json(data, folder=path.parent, name=path.name)


def case_from_json(data: Any, *, folder: Path = Path(), name: str = "case") -> Case:
    """A case from parsed JSON, of this version or upgraded from version 1; `folder` is where its film paths start.

    Raises
    ------
    CaseError
        As :func:`load_case`.
    """
    if not isinstance(data, dict):
        raise CaseError(f"{name} must be a JSON object with a member schema: it is not a case file")
    schema = data.get("schema")
    if schema == version1.SCHEMA:
        try:
            data = version1.upgraded(data)
        except CaseError as error:
            raise CaseError(f"{name}: {error}") from None
    elif schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("wlmeasure-case/")
        hint = "it comes from a newer version; update wlmeasure" if newer else "is it a case file?"
        raise CaseError(f"{name}: schema must be {SCHEMA!r}: {str(schema)[:60]!r}; {hint}")
    body = {key: value for key, value in data.items() if key != "schema"}
    try:
        case: Case = read_object(Case, body, "")
    except CaseError as error:
        raise CaseError(f"{name}: {error}") from None
    object.__setattr__(case, "folder", Path(folder))
    return case


def case_to_json(case: Case) -> dict[str, Any]:
    """The members of the case file, in their order."""
    return {"schema": SCHEMA} | write_object(case)


def case_content(case: Case) -> bytes:
    """The bytes of the case file.

    Raises
    ------
    CaseError
        A member that this version does not know and that JSON cannot hold.
    """
    try:
        text = json.dumps(case_to_json(case), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        # A point on one line. A line feed never stands inside a JSON text, so no text is touched.
        text = re.sub(r"\[\n\s+([-+.\deE]+),\n\s+([-+.\deE]+)\n\s+\]", r"[\1, \2]", text)
        return text.encode("utf-8")
    except (TypeError, ValueError, RecursionError) as error:  # only a member kept in `extra` can do this
        raise CaseError(str(error)) from None


def save_case(case: Case, path: str | os.PathLike[str], *, private: bool = True, replace: bool = True) -> str:
    """Write a case file whole or not at all; a new one for its owner alone, unless it is not `private`. Without
    `replace` a file that is there is an error, also where it came at the last moment.

    Returns
    -------
    str
        SHA-256 of what was written, which the file need no longer be a moment later.

    Raises
    ------
    CaseError
        The file cannot be written; what stood there before still stands.
    """
    path = Path(path)
    try:
        content = case_content(case)
    except CaseError as error:
        raise CaseError(f"{path.name} cannot be written: {error}; the old file is unchanged") from None
    try:
        write_whole(path, content, private=private, replace=replace)
    except NotWrittenError as error:
        raise CaseError(str(error)) from None
    return hashlib.sha256(content).hexdigest()


def case_digest(case: Case) -> str:
    """SHA-256 of all that a length on film rests on.

    That is the case without log, instruments, proposals and who accepted them, and how films are shown.
    """
    data = case_to_json(case)
    data.pop("entries", None)
    data.pop("instrument_list", None)
    for film in data["films"]:
        film.pop("view", None)
        film.pop("proposed", None)
        for scale in film.get("scale", ()):
            scale.pop("accepted", None)
    for canal in data.get("canals", ()):
        for trace in canal.get("traces", ()):
            trace.pop("accepted", None)
    return hashlib.sha256(json.dumps(data, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def case_schema() -> dict[str, Any]:
    """JSON Schema of the case file, made from the classes above."""
    body = schema_of(Case)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:wlmeasure:case:2",
        "title": "wlmeasure case file, version 2",
        "type": "object",
        "properties": {"schema": {"const": SCHEMA}} | body["properties"],
        "required": ["schema", *body["required"]],
    }
