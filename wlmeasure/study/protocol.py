"""What a study fixes: what is measured, to which end, with how many clicks; and whether a result keeps to it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, get_args

from attrs import evolve, frozen

from wlmeasure.decide.methods import ApicalEnd
from wlmeasure.errors import CaseError, StudyError
from wlmeasure.image.file_content import regular_bytes
from wlmeasure.measure.curvature import CurvatureEstimate
from wlmeasure.measure.length import LengthEstimate
from wlmeasure.measure.line_arc import LineArc
from wlmeasure.record.case import FILES, Case, Film, Scale
from wlmeasure.record.members import Choice, Each, Nested, Text, Truth, Whole, extra_members, member, read_object
from wlmeasure.words import typed_whole

__all__ = [
    "DEFINITIONS",
    "NAME",
    "FromProposals",
    "Protocol",
    "Violation",
    "figure_value",
    "load_json",
    "load_protocol",
    "read_clicks",
    "violations",
]

DEFINITIONS = {
    "length_mm": "reference point to apical end, mm",
    "canal_mm": "orifice to apical end, mm",
    "coronal_mm": "reference point to orifice, mm",
    "schneider_deg": "Schneider's angle, degrees",
    "weine_deg": "Weine's angle, degrees",
    "long_axis_deg": "long axis angle, degrees",
    "pruett_deg": "angle of the fitted arc, degrees",
    "pruett_radius_mm": "radius of the fitted arc, mm; no value where it is not determined",
    "min_radius_mm": "smallest radius along the path, mm; no value where it is not determined",
    "total_turning_deg": "total turning along the path, degrees",
}
"""What can be measured on a traced canal: names of the table's definitions, and their meaning."""
NAME = r"[A-Za-z0-9][A-Za-z0-9_-]{0,30}"
"""Pattern of an observer's name."""


@frozen
class FromProposals:
    """Who begins from what a network proposed instead of an empty film, and by which network.

    Attributes
    ----------
    observers
        Their names.
    model, model_sha256
        The network, and the SHA-256 of its weights.
    command
        What made it so, without the films' names.
    """

    observers: tuple[str, ...] = member(Each(Text(pattern=NAME), least=1, most=1000))
    model: str = member(Text(longest=80))
    model_sha256: str = member(Text(pattern=r"[0-9a-f]{64}"))
    command: str = member(Text(longest=40_000))
    extra: dict[str, Any] = extra_members()

    @classmethod
    def of(cls, observers: Sequence[str], model: str, model_sha256: str) -> FromProposals:
        """With the command that says so."""
        command = f"wlmeasure study init --from-proposals {','.join(observers)}"
        return cls(observers=tuple(observers), model=model, model_sha256=model_sha256, command=command)

    @property
    def words(self) -> str:
        """Who began from what, and what that means, for a text."""
        named = ", ".join(self.observers)
        network = f"{self.model}, SHA-256 {self.model_sha256}"
        return f"{named} began from what a network ({network}) proposed on each film. {ANCHORED}"


ANCHORED = (
    "Readings that begin from one proposal are near one another because of it (anchoring: Tversky & Kahneman, Science "
    "1974;185:1124, from memory), so they stand in no figure of agreement between observers."
)
"""Why readings from proposals are reported apart."""


@frozen
class Protocol:
    """The rules of a study.

    Attributes
    ----------
    definitions
        Names of :data:`DEFINITIONS`; the first is the main one.
    apical_end
        What every trace ends at.
    least_clicks, most_clicks
        Points placed along a canal, both ends included.
    scale
        "given": the film's scale comes with the study and is not touched; "observer": each observer sets it; "none": angles.
    reference
        Whether the coronal reference point is marked.
    metal
        "given": whether metal is bright or dark is as the study's case says, else as the film's file does; "observer": each
        observer may say otherwise.
    from_proposals
        Who begins from what a network proposed; None where everybody draws.
    """

    definitions: tuple[str, ...] = member(Each(Choice(tuple(DEFINITIONS)), least=1, most=len(DEFINITIONS)))
    apical_end: ApicalEnd = member(Choice(get_args(ApicalEnd)))
    least_clicks: int = member(Whole(2, 100), 2)
    most_clicks: int | None = member(Whole(2, 100), None)
    scale: str = member(Choice(("given", "observer", "none")))
    reference: bool = member(Truth(), False)
    metal: str = member(Choice(("given", "observer")), "given")
    from_proposals: FromProposals | None = member(Nested(FromProposals), None)
    instructions: str | None = member(Text(longest=1000), None)
    extra: dict[str, Any] = extra_members()

    def __attrs_post_init__(self) -> None:
        if self.most_clicks is not None and self.most_clicks < self.least_clicks:
            raise StudyError(f"clicks must be from few to many: {self.least_clicks} to {self.most_clicks}")
        if len(set(self.definitions)) < len(self.definitions):
            raise StudyError(f"definitions must each be named once: {', '.join(self.definitions)}")
        if self.scale == "none" and any(name.endswith("_mm") for name in self.definitions):
            raise StudyError("definitions must be angles where the films have no scale: a length needs one")

    def begins_from_proposals(self, observer: str) -> bool:
        """Whether that observer is shown what a network proposed."""
        return self.from_proposals is not None and observer in self.from_proposals.observers

    @property
    def words(self) -> str:
        """The rules in one line for the observer."""
        clicks = f"{self.least_clicks} or more points"
        if self.most_clicks is not None:
            clicks = (
                f"{self.least_clicks} points"
                if self.most_clicks == self.least_clicks
                else f"{self.least_clicks} to {self.most_clicks} points"
            )
        parts = [f"Trace every canal to the {self.apical_end}, with {clicks}"]
        if self.reference:
            parts.append("mark its coronal reference point")
        if self.scale == "observer":
            parts.insert(0, "Set the scale")
        text = ", ".join(parts) + "."
        return text if self.instructions is None else f"{text} {self.instructions}"


@frozen
class Violation:
    """One way in which a result does not keep to the protocol."""

    code: str
    text: str


def load_json(path: Path) -> Any:
    """What a JSON file of a study holds.

    Raises
    ------
    StudyError
        Not JSON.
    OSError
        It cannot be read.
    """
    try:
        return json.loads(regular_bytes(path).decode("utf-8-sig"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise StudyError(f"{path.name} must be JSON: {error}") from None


def load_protocol(path: str | Path) -> Protocol:
    """The rules from a JSON file with the members of :class:`Protocol`.

    Raises
    ------
    StudyError
        Not such a file; names the member.
    """
    path = Path(path)
    data = load_json(path)
    try:
        protocol: Protocol = read_object(Protocol, data, "")
    except (CaseError, StudyError) as error:
        raise StudyError(f"{path.name}: {str(error).replace('a case file needs it', 'a protocol needs it')}") from None
    return protocol


def read_clicks(text: str) -> tuple[int, int | None]:
    """Least and most clicks from "3", "3-8" or "3-".

    Raises
    ------
    StudyError
        The text is none of these.
    """
    low, dash, high = text.partition("-")
    try:
        return typed_whole(low), (typed_whole(high) if high else None) if dash else typed_whole(low)
    except ValueError:
        raise StudyError(f"clicks must be a number or a range such as 3-8 or 3-: {text[:20]!r}") from None


def figure_value(
    name: str, length: LengthEstimate | None, curvature: CurvatureEstimate | None, angles: LineArc
) -> float | None:
    """The value of a definition on a measured path, None where it is not determined; on a film without a scale its angles.

    Raises
    ------
    StudyError
        No such definition.
    """
    if name not in DEFINITIONS:
        raise StudyError(f"definition must be one of {', '.join(DEFINITIONS)}: {name!r}")
    value: float | None
    if name in ("length_mm", "canal_mm", "coronal_mm"):
        value = None if length is None else getattr(length, name)
        return None if value is None else float(value)
    if curvature is None:
        from wlmeasure.measure import curvature as measures  # angles of a film without a scale

        angle = {
            "schneider_deg": measures.schneider_deg,
            "weine_deg": measures.weine_deg,
            "long_axis_deg": measures.long_axis_deg,
            "pruett_deg": measures.pruett_deg,
        }.get(name)
        return None if angle is None else float(angle(angles))
    value = getattr(curvature, name)
    return None if value is None else float(value)


def violations(case: Case, template: Case, protocol: Protocol) -> tuple[Violation, ...]:
    """Where an observer's case does not keep to the protocol.

    Parameters
    ----------
    case
        The observer's result.
    template
        The case that the observer was given: its films, tooth, canals, scale and what was proposed.
    protocol
        The rules.
    """
    out = []
    if case.tooth != template.tooth:
        out.append(Violation("tooth-changed", f"the tooth is {case.tooth}, the study says {template.tooth}"))
    if [film.sha256 for film in case.films] != [film.sha256 for film in template.films]:
        out.append(Violation("film-changed", "the film is not the one that was assigned"))
        return tuple(out)
    out += _proposals(case.films[0], template.films[0])
    out += _scale(case.films[0].scale, template.films[0].scale, protocol)
    metal, given = case.films[0].metal, template.films[0].metal
    if protocol.metal == "given" and metal != given:
        said = "as the film's file says" if given is None else given
        now = "as the file says" if metal is None else metal
        out.append(Violation("metal-changed", f"metal on the film is {said} by the study, not {now}"))
    wanted = [canal.name for canal in template.canals]
    found = {canal.name: canal for canal in case.canals}
    for name in wanted:
        if name not in found or not found[name].traces:
            out.append(Violation("canal-missing", f"canal {name} is not traced"))
    for name, canal in found.items():
        if name not in wanted:
            out.append(Violation("canal-added", f"canal {name} is not one of the study"))
            continue
        for trace in canal.traces:
            if trace.apical_end != protocol.apical_end:
                out.append(
                    Violation(
                        "apical-end", f"canal {name} ends at the {trace.apical_end}, not at the {protocol.apical_end}"
                    )
                )
            clicks = len(trace.clicks_px or ())
            if clicks < protocol.least_clicks:
                out.append(
                    Violation("few-clicks", f"canal {name} has {clicks} points; {protocol.least_clicks} are needed")
                )
            if protocol.most_clicks is not None and clicks > protocol.most_clicks:
                out.append(
                    Violation("many-clicks", f"canal {name} has {clicks} points; {protocol.most_clicks} at most")
                )
            if protocol.reference and trace.reference_px is None:
                out.append(Violation("no-reference", f"canal {name} has no coronal reference point"))
    return tuple(out)


def _proposals(film: Film, given: Film) -> list[Violation]:
    if tuple(evolve(item, refused=None) for item in film.proposed) == given.proposed:
        return []
    if given.proposed:
        return [
            Violation("proposals-changed", "what was proposed is not what the study gave: how far it was moved is lost")
        ]
    return [Violation("proposals-shown", "a network's proposals were shown, and the study gave this observer none")]


def _scale(scale: tuple[Scale, ...], given: tuple[Scale, ...], protocol: Protocol) -> list[Violation]:
    if protocol.scale == "observer":
        return [] if scale else [Violation("no-scale", "the scale is not set")]
    if [_untraced(one) for one in scale] != [_untraced(one) for one in given]:
        said = "given with the study" if protocol.scale == "given" else "none"
        return [Violation("scale-changed", f"the scale must be the one {said}: it was changed")]
    return []


def _untraced(scale: Scale) -> Scale:
    """Without the path that the program traced through the points."""
    if isinstance(scale, FILES) and scale.trace_kind == "clicks":
        return evolve(scale, path_px=None, tracer=None)
    return scale
