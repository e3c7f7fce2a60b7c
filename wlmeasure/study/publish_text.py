"""The texts of a published study, made from its data: methods, results, GRRAS items, README, CITATION.cff.

What the data do not say is not said: an item of the reporting guideline without an answer is called not answered.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import pairwise

from attrs import frozen

from wlmeasure.study.anchored import Anchored
from wlmeasure.study.manifest import Study
from wlmeasure.study.protocol import ANCHORED, DEFINITIONS, Protocol
from wlmeasure.study.publication import Publication
from wlmeasure.study.readings import COLUMNS as READING_COLUMNS
from wlmeasure.study.readings import Readings
from wlmeasure.study.report import SOURCES
from wlmeasure.study.summary import Pair, Summary
from wlmeasure.study.words import NO_AGREEMENT, anchored_lines, interval, number

__all__ = ["GRRAS", "Counts", "citation", "fixed_texts", "grras_rows", "methods", "readme", "results"]

ANSWERED, PARTLY, NOT = "answered", "partly", "not answered"
GRRAS = {
    1: ("title and abstract", "Title or abstract says that reliability or agreement was studied."),
    2: ("introduction", "The measuring device is named and described."),
    3: ("introduction", "Population of the subjects."),
    4: ("introduction", "Population of the observers."),
    5: ("introduction", "What is known already, and why the study was made."),
    6: ("methods", "How the sample size was chosen; planned numbers of observers, subjects and repeats."),
    7: ("methods", "How subjects and observers were sampled."),
    8: ("methods", "The measuring process: time between repeats, clinical information at hand, blinding."),
    9: ("methods", "Whether readings were independent."),
    10: ("methods", "Statistical analysis."),
    11: ("results", "Actual numbers of observers, subjects and repeats."),
    12: ("results", "Characteristics of observers and subjects."),
    13: ("results", "Estimates of reliability and agreement with their uncertainty."),
    14: ("discussion", "What the results mean in practice."),
    15: ("auxiliary material", "Detailed results."),
}
"""Items of the Guidelines for Reporting Reliability and Agreement Studies in our words (Kottner et al., J Clin Epidemiol
2011;64:96-106, table 1)."""

_README = """# {title}

{description}

Authors: {authors}
Licence: {licence}
Version {version}, made with {program}.

| file | holds |
|---|---|
{files}

Every column has its unit, definition and source in `codebook.csv`; `datapackage.json` has the same for programs (Data Package
2.0). `SHA256SUMS` is checked with `sha256sum -c SHA256SUMS`.

## To compute every figure again
A canal's path stands in `paths/vertices.csv` (row and column, pixels), its reference point in `paths/canals.csv`, the scale
in `paths/calibrations.csv`. Rows and columns times their millimetres per pixel, then the straight piece from the reference
point and the sum of the steps along the path: that is the length of a canal that was traced. A length with `basis` "known
length plus gap" is the file's known length and the stretch from its tip to the end (`known_length_mm`, and `gap_mm` in
`other`). Where a reader's case said how far clicks are off, `click_std_px` in `other` has it. The length of a path
of a few clicks is that of a smooth line through them, and angles and radii are those of a fitted line: `wlmeasure study
rebuild FOLDER --out readings.csv` computes all of them from the paths alone, and `wlmeasure observers readings.csv` the
agreement. Paths have three decimals of a pixel, so a last digit may differ. `wlmeasure batch
paths --out TABLE.csv` has more figures of each path, by its own assumptions.

A text that a spreadsheet might run begins with an apostrophe, which is no part of it.

## Left out
{left_out}
"""


@frozen
class Counts:
    """Readings of whole films: assigned, stored, counted, and why others were not (code and number)."""

    assigned: int
    stored: int
    counted: int
    reasons: tuple[tuple[str, int], ...]


def fixed_texts() -> list[str]:
    """Every text here that does not come from a study."""
    said = [ANCHORED, NO_AGREEMENT, *READING_COLUMNS.values(), *SOURCES, *DEFINITIONS.values()]
    return [_README, *said, *(f"{one} {text}" for one, text in GRRAS.values())]


def methods(study: Study, protocol: Protocol, codes: Sequence[str], groups: Mapping[str, int], program: str) -> str:
    """One paragraph on how the readings were made and are compared; `protocol` names observers by their codes."""
    teeth = ", ".join(_count(count, name) for name, count in sorted(groups.items()))
    films, canals = len(study.films), sum(len(film.canals) for film in study.films)
    hidden = {what for observer in study.observers for what in observer.hidden}
    from_all = all(set(observer.hidden) == hidden for observer in study.observers)
    blind = {"names": "the films' own names", "measures": "lengths and angles while a canal was traced"}
    said = " and ".join(blind[one] for one in sorted(hidden, reverse=True))
    parts = [
        f"{_count(films, 'film')} (teeth: {teeth}) with {_count(canals, 'canal')} {_was(films)} read "
        f"{'once' if study.repeats == 1 else f'{study.repeats} times'} by {_count(len(codes), 'observer')}",
        "each in a random order of their own"
        + ("" if study.repeats == 1 else f", a film again after {_least_apart(study)} others at least"),
    ]
    text = ", ".join(parts) + ". "
    if hidden:
        text += f"Films had blinded names; {said} {'were' if from_all else 'were, for some observers,'} hidden. "
    scale = {
        "given": "The scale of each film was given with it",
        "observer": "Each observer set the scale of each film",
        "none": "The films had no scale",
    }[protocol.scale]
    if protocol.from_proposals is not None:
        text += f"{protocol.from_proposals.words} "
    text += f"The rules: {protocol.words.rstrip('.')}. {scale}. "
    text += "Measured were " + "; ".join(f"{name}: {DEFINITIONS[name]}" for name in protocol.definitions) + ". "
    text += f"Paths were measured with {program}" + (
        f"; the study was made with {study.program}. " if study.program not in (None, program) else ". "
    )
    return text + "Statistics: " + " ".join(SOURCES) + "\n"


def _count(number_: int, word: str) -> str:
    return f"{number_} {word}{'' if number_ == 1 else 's'}"


def _was(count: int) -> str:
    return "was" if count == 1 else "were"


def _least_apart(study: Study) -> int:
    """How many other films lie at least between two readings of the same film by one observer, by the orders themselves."""
    gaps = []
    for observer in study.observers:
        places: dict[str, list[int]] = {}
        for k, task in enumerate(observer.tasks):
            places.setdefault(task.film, []).append(k)
        gaps += [b - a - 1 for one in places.values() for a, b in pairwise(one)]
    return min(gaps, default=0)


def results(found: Sequence[Summary], readings: Readings, counts: Counts, apart: Anchored | None = None) -> str:
    """One paragraph a definition, after one on what was read; last what is said of readings from proposals."""
    text = f"{counts.stored} of {counts.assigned} readings of films were made, and {counts.counted} count"
    if counts.reasons:
        text += f" ({', '.join(f'{reason}: {number_}' for reason, number_ in counts.reasons)})"
    if readings.undetermined:
        text += f"; {len(readings.undetermined)} values were read and not determined"
    paragraphs = [text + "."]
    for name in readings.definitions:
        if all(one.definition != name for one in found):
            shown = "" if apart is None else ", from no proposal"
            few = f"too few subjects have a value by two observers, or two by one{shown}"
            paragraphs.append(f"{name}: {few}: nothing can be said of agreement.")
    for one in found:
        head = f"{one.definition}{f', {one.group}s' if one.group else ''}"
        lines = [
            f"{head}: {_count(one.subjects, 'subject')}, {_count(one.readings, 'reading')} by "
            f"{_count(len(one.observers), 'observer')}, mean {number(one.mean, one.unit)} {one.unit}."
        ]
        lines += [_pair(pair, one.unit) for pair in one.pairs]
        if "ICC(2,1)" in one.icc:
            icc = one.icc["ICC(2,1)"]
            lines.append(
                f"Absolute agreement of single readings, ICC(2,1), was {icc.value:.3f} ({interval(icc.interval, digits=3)}; "
                f"{_count(one.complete, 'subject')})."
            )
        for own in one.own:
            if own.within is not None:
                lines.append(
                    f"Repeats of {own.observer} had a within-subject SD of {number(own.within.std, one.unit)} {one.unit} "
                    f"({interval(own.within.std_interval, one.unit)}; {_count(own.within.subjects, 'subject')})."
                )
        paragraphs.append(" ".join([*lines, *one.remarks]))
    if apart is not None:
        said = ". ".join(anchored_lines(apart))
        paragraphs.append(f"From proposals, apart, and no agreement between observers: {said}. {ANCHORED}")
    return "\n\n".join(paragraphs) + "\n\nIntervals in brackets are 95 %.\n"


def _pair(pair: Pair, unit: str) -> str:
    limits = pair.limits
    return (
        f"{pair.first} minus {pair.second}: bias {number(limits.bias, unit)} {unit} ({interval(limits.bias_interval, unit)}), "
        f"limits of agreement {number(limits.low, unit)} ({interval(limits.low_interval, unit)}) to "
        f"{number(limits.high, unit)} {unit} ({interval(limits.high_interval, unit)}), "
        f"{_count(limits.subjects, 'subject')}."
    )


def grras_rows(said: Publication, agreed: bool, apart: bool = False) -> list[tuple[int, str, str, str, str, str]]:
    """Item, section, what it asks, whether it is answered, in which files, and the answer that was given in words.

    `agreed` says whether anything could be computed of agreement, `apart` whether some observers began from proposals.
    """
    title = (said.title or "").casefold()
    dependent = "; readings from one proposal are not independent (methods.md), and stand apart" if apart else ""
    named = any(word in title for word in ("reliability", "agreement"))
    where: dict[int, tuple[str, str]] = {
        1: (ANSWERED if named else NOT, "title" if named else ""),
        2: (ANSWERED, "methods.md, versions.json"),
        6: (PARTLY, "methods.md has the planned numbers; how they were chosen is not in the data"),
        8: (PARTLY, "methods.md, protocol.json, randomisation.json; times between repeats are not published"),
        9: (PARTLY, f"randomisation.json: each observer had an order and files of their own{dependent}"),
        10: (ANSWERED, "methods.md"),
        11: (ANSWERED, "results.md, assignments.csv"),
        12: (PARTLY, "films.csv has the teeth; nothing is known of the observers"),
        13: (ANSWERED, "results.md, agreement.json") if agreed else (NOT, ""),
        15: (ANSWERED, "readings_long.csv, paths/"),
    }
    answers = {one.item: one.answer for one in said.grras}
    rows = []
    for item, (section, asks) in GRRAS.items():
        state, files = where.get(item, (NOT, ""))
        answer = answers.get(item, "")
        rows.append((item, section, asks, ANSWERED if answer else state, files, answer))
    return rows


def readme(
    said: Publication,
    program: str,
    files: Sequence[tuple[str, str]],
    left_out: Sequence[str],
) -> str:
    """The page that a person reads first."""
    authors = [
        ", ".join(filter(None, [one.name, one.affiliation, one.orcid and f"ORCID {one.orcid}"])) for one in said.authors
    ]
    return _README.format(
        title=said.title,
        description=said.description or "Readings of root canals on periapical films by several observers.",
        authors="; ".join(authors),
        licence=said.licence,
        version=said.version,
        program=program,
        files="\n".join(f"| `{path}` | {title} |" for path, title in files),
        left_out="\n".join(f"- {text}" for text in left_out),
    )


def citation(said: Publication, released: str) -> str:
    """``CITATION.cff`` (Citation File Format 1.2.0). A JSON text is a quoted text of YAML too."""
    lines = [
        "cff-version: 1.2.0",
        "message: If you use these data, please cite them as below.",
        "type: dataset",
        f"title: {_quoted(said.title or '')}",
        f"version: {_quoted(said.version)}",
        f"date-released: {_quoted(released)}",
        f"license: {said.licence}",
    ]
    if said.doi is not None:
        lines.append(f"doi: {_quoted(said.doi)}")
    if said.description is not None:
        lines.append(f"abstract: {_quoted(said.description)}")
    if said.keywords:
        lines += ["keywords:", *(f"  - {_quoted(word)}" for word in said.keywords)]
    lines.append("authors:")
    for one in said.authors:
        if one.given is None:
            lines.append(f"  - name: {_quoted(one.family)}")
        else:
            lines += [f"  - family-names: {_quoted(one.family)}", f"    given-names: {_quoted(one.given)}"]
            if one.affiliation is not None:
                lines.append(f"    affiliation: {_quoted(one.affiliation)}")
        if one.orcid is not None:
            lines.append(f'    orcid: "https://orcid.org/{one.orcid}"')
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
