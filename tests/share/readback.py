"""What an output says of each canal, read back from the output alone: ``{canal: (decided_mm, stop_mm)}``, None for none.

Nothing here asks the core what a case means: texts are parsed, PDFs read by a PDF library, reports by a DICOM library too.
Lengths come as the output gives them: to 0.1 mm, rounded down, on what people read; whole in JSON and DICOM
(:func:`rounded` makes them alike).
"""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Mapping
from itertools import zip_longest
from math import floor
from pathlib import Path
from typing import Any

import pydicom
import pypdfium2

Facts = dict[str, tuple[float | None, float | None]]

MM = r"(\d+(?:[.,]\d+)?) mm"


def rounded(facts: Facts) -> Facts:
    """Lengths to 0.1 mm, rounded down; a stop as it is."""
    return {
        name: (None if decided is None else floor(decided * 10.0 + 1e-6) / 10.0, stop)
        for name, (decided, stop) in facts.items()
    }


def decided_only(facts: Facts, whose: Mapping[str, str | None]) -> Facts:
    """The facts without stops of lengths that nobody decided: a record without its films proposes nothing."""
    return {n: (decided, stop if whose[n] == "decided" else None) for n, (decided, stop) in facts.items()}


def with_a_stop(facts: Facts) -> Facts:
    """The facts of a card: it says no length that no stop is set by."""
    return {name: (decided, stop) if stop is not None else (None, None) for name, (decided, stop) in facts.items()}


def _mm(text: str | None) -> float | None:
    return None if not text else float(text.replace(",", "."))


def _found(pattern: str, text: str) -> float | None:
    match = re.search(pattern, text)
    return None if match is None else _mm(match[1])


def _put(facts: Facts, name: str, said: tuple[float | None, float | None]) -> None:
    """A canal that is told twice in one output must be told the same."""
    assert facts.setdefault(name, said) == said, f"{name}: {facts[name]} and {said} in one output"


# --- what `measure` and `record show` print -----------------------------------------------------------------------------------


def from_text(text: str) -> Facts:
    """Of the length record in plain text."""
    facts: Facts = {}
    for block in re.split(r"\n\n", text):
        head = re.match(r"Canal (.+?)(?: on film \S+)?: ", block)
        if head is None or "WORKING LENGTH" not in block:
            continue
        (line,) = re.findall(r"WORKING LENGTH +(.+)", block)
        (stop,) = re.findall(r"stop setting +(.+)", block)
        _put(facts, head[1], (_found(rf"^{MM}, decided by ", line), _found(rf"^{MM} on a ruler", stop)))
    return facts


def from_record_show(text: str) -> Facts:
    """Of the archive's answer to ``record show``."""
    facts: Facts = {}
    for name, line in re.findall(r"(?m)^  (\S.*?): ((?:nothing decided|decided working length).*)$", text):
        _put(facts, name, (_found(rf"^decided working length {MM}", line), _found(rf"; stop at {MM}", line)))
    return facts


# --- JSON and table -----------------------------------------------------------------------------------------------------------


def from_json(data: Mapping[str, Any]) -> Facts:
    """Of ``measure --json``."""
    facts: Facts = {}
    for canal in data["canals"]:
        working = canal["working_length"]
        if working is not None:
            decision, stop = working["decision"], working["stop"]
            assert (decision and decision["length_mm"]) == working["decided_mm"]
            _put(facts, canal["name"], (working["decided_mm"], stop and stop["setting_mm"]))
    return facts


def from_csv(text: str) -> Facts:
    """Of the table of lengths; rows of films that the working length does not rest on say nothing."""
    facts: Facts = {}
    for row in csv.DictReader(io.StringIO(text)):
        if row["status"]:
            _put(facts, row["canal"], (_mm(row["decided_mm"]), _mm(row["stop_mm"])))
    return facts


# --- pages --------------------------------------------------------------------------------------------------------------------


def pdf_words(content: bytes) -> str:
    """The text of a PDF in one line, sheet after sheet."""
    return " ".join(" ".join(sheet.get_textpage().get_text_range() for sheet in pypdfium2.PdfDocument(content)).split())


def html_words(content: str) -> str:
    """The text that a page of HTML shows, in one line."""
    body = re.sub(r"(?s)<(style|title)>.*?</\1>", " ", content)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def from_report(words: str) -> Facts:
    """Of a report's text: the headline figures, and every later row of a single canal's decision must say the same."""
    facts: Facts = {}
    cards = list(
        re.finditer(r"Canal (.{1,40}?), (decided working length|proposed working length, not decided) ", words)
    )
    for card, after in zip_longest(cards, cards[1:]):
        said = words[card.end() : None if after is None else after.start()]
        figure = re.match(rf"(?:{MM}|none)", said)
        assert figure is not None, said[:60]
        stop = re.search(rf"stop at {MM} on a ruler|no stop: ", said)
        assert stop is not None, said[:200]
        _put(facts, card[1], (_mm(figure[1]) if card[2].startswith("decided") else None, _mm(stop[1])))
    return facts


def from_report_html(content: bytes) -> Facts:
    """Of the report as HTML."""
    return from_report(html_words(content.decode()))


def from_report_pdf(content: bytes) -> Facts:
    """Of the report as PDF."""
    return from_report(pdf_words(content))


def _from_card(text: str) -> Facts:
    facts: Facts = {}
    plate = (
        rf"(set the stop to|! no longer holds|! see the remark|proposed, not decided)\s+(\d+[.,]\d)\s*mm\s+length {MM}"
    )
    for name, whose, stop, length in re.findall(rf"(?m)^\s*(\S.{{0,39}}?)\s+{plate}", text):
        _put(facts, name, (None if whose.startswith("proposed") else _mm(length), _mm(stop)))
    for name in re.findall(r"No stop for (.{1,40}?): ", " ".join(text.split())):
        _put(facts, name, (None, None))
    return facts


def from_card_pdf(content: bytes) -> Facts:
    """Of the stops card as PDF."""
    return _from_card("\n".join(sheet.get_textpage().get_text_range() for sheet in pypdfium2.PdfDocument(content)))


def from_card_html(content: bytes) -> Facts:
    """Of the stops card as HTML."""
    body = re.sub(r"(?s)<(style|title)>.*?</\1>", " ", content.decode())
    return _from_card(html.unescape(re.sub(r"<[^>]+>", " ", re.sub(r"<svg|</figure>", "\n<", body))))


def from_card_refusal(message: str) -> Facts:
    """Of the one line that stands for a card that cannot be made."""
    told = message.split("none has one: ")[1]
    return (
        {}
        if told == "the case has no canal"
        else {one.split(": ")[0]: (None, None) for one in told.split("; ") if ": " in one}
    )


# --- DICOM --------------------------------------------------------------------------------------------------------------------


def from_sr(path: Path) -> Facts:
    """Of a structured report by the program's own reader."""
    from wlmeasure.share.dicom.report_reading import read_report

    facts: Facts = {}
    for group in read_report(path).groups:
        if group.name.endswith(" record"):
            values = {number.name.value: number.value for number in group.numbers}
            assert len(values) == len(group.numbers)
            _put(facts, _canal_of(group.name), (values.get("WL-FINAL"), values.get("WL-STOP")))
    return facts


def from_sr_items(path: Path) -> Facts:
    """Of a structured report by a DICOM library alone, content item by content item."""
    facts: Facts = {}
    for group in _items(pydicom.dcmread(path), "125007"):
        (name,) = (item.TextValue for item in _items(group, "112039"))
        if name.endswith(" record"):
            decided, stop = (
                next((float(item.MeasuredValueSequence[0].NumericValue) for item in _items(group, code)), None)
                for code in ("WL-FINAL", "WL-STOP")
            )
            _put(facts, _canal_of(name), (decided, stop))
    return facts


def _items(item: pydicom.Dataset, code: str) -> list[pydicom.Dataset]:
    found = []
    for child in item.get("ContentSequence") or ():
        concept = child.get("ConceptNameCodeSequence")
        if concept and concept[0].get("CodeValue") == code:
            found.append(child)
        else:
            found += _items(child, code)
    return found


def _canal_of(group: str) -> str:
    return group.split(" ", 1)[1].removesuffix(" record")
