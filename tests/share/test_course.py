"""The course of the treatment on the report: what the record says is there, at the height and in the order it says."""

import re

import attrs
import numpy as np
import pytest

from wlmeasure.record.case import Entry
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts
from wlmeasure.record.record import LengthRecord
from wlmeasure.share.course import course, strain_drawing, timeline_drawing
from wlmeasure.share.drawing import Area, Label, Line
from wlmeasure.share.figures import canal_colours
from wlmeasure.share.page import Columns, Figure, Group, Heading, Row, Table
from wlmeasure.share.report import report
from wlmeasure.trade.instruments import Instrument

COLOUR = "#e69f00"
LIST = ("20/.04", "25/.04", "30/.04", "35/.04")


def entry(number, kind, at=None, canal="MB", **more):
    point = "cusp" if "length_mm" in more else None
    return Entry(
        id=f"e{number}",
        kind=kind,
        at=at or f"2026-11-25T11:{number:02d}",
        by="NB",
        canal=canal,
        reference_point=point,
        **more,
    )


TREATMENT = (
    entry(1, "electronic reading", length_mm=21.2, length_std_mm=0.25, finding="foramen"),
    entry(2, "decided working length", length_mm=21.0, rests_on=("e1",)),
    entry(3, "glide path", size=10, length_mm=21.0, finding="reproducible"),
    entry(4, "shaping file", size=20, taper=0.04, length_mm=21.0, passes=2),
    entry(5, "shaping file", size=25, taper=0.04, length_mm=19.0, passes=1),
    entry(6, "shaping file", size=25, taper=0.04, length_mm=21.0, passes=3),
    entry(7, "apical gauging", size=25, length_mm=21.0, finding="snug"),
    entry(8, "decided working length", at="2026-12-02T09:00", length_mm=20.5),
    entry(9, "cone fit", at="2026-12-02T09:10", size=25, taper=0.04, length_mm=20.5, finding="resistance"),
    entry(10, "filling check", at="2026-12-02T09:40", distance_mm=1.2),
)


def treated(result, entries=TREATMENT, **changes):
    return attrs.evolve(result, case=attrs.evolve(result.case, entries=entries, **changes))


def blocks_of(result):
    return course(result, case_facts(result), canal_colours(result))


def flat(blocks):
    for block in blocks:
        if isinstance(block, Columns):
            yield from flat((*block.left, *block.right))
        elif isinstance(block, Row):
            yield from flat([part for cell in block.cells for part in cell])
        elif isinstance(block, Group):
            yield from flat(block.blocks)
        else:
            yield block


def test_a_record_of_measurements_alone_has_no_course(bench):
    result = bench()
    assert blocks_of(result) == []
    assert blocks_of(treated(result, TREATMENT[:2])) == []


def test_every_instrument_is_listed_with_what_it_reached_and_how_far_short(bench):
    """21.0 held until 20.5 was decided: 19.0 was 2.0 short of it, and 21.0 lies 0.5 beyond what holds now (hand arithmetic)."""
    result = treated(bench())
    tables = [block for block in flat(blocks_of(result)) if isinstance(block, Table)]
    rows = tables[0].rows
    assert [row[0] for row in rows] == [
        "glide path 10", "file 20/.04", "file 25/.04", "file 25/.04", "gauge 25", "cone 25/.04",
    ]  # fmt: skip
    assert [row[1] for row in rows] == ["21.0 mm", "21.0 mm", "19.0 mm", "21.0 mm", "21.0 mm", "20.5 mm"]
    assert [row[2] for row in rows] == [
        "at length", "at length", "2.0 mm", "at length", "at length", "at length",
    ]  # fmt: skip
    assert rows[2][3] == "1 pass"
    assert rows[1][3] == "2 passes, now 0.5 beyond"
    assert rows[5][3] == "resists withdrawal"
    found = dict(tables[1].rows)
    assert found["Filling"] == "adequate, 1.2 mm short of the radiographic apex"
    assert found["Master cone"].startswith("fits, at working length")


def test_every_entry_stands_on_the_page_superseded_ones_too(bench):
    entries = (*TREATMENT, entry(11, "filling check", at="2026-12-02T10:00", distance_mm=0.9, supersedes="e10"))
    result = treated(bench(), entries)
    blocks = blocks_of(result)
    (last,) = [b for b in blocks[-1:] if isinstance(b, Table)]
    assert [row[0] for row in last.rows] == [e.id for e in entries]
    assert "Superseded by e11." in last.rows[9][1]
    assert not any(isinstance(block, Heading) and block.new_sheet for block in blocks)  # it goes on where the films end


def test_the_timeline_puts_each_length_at_its_height_and_in_order():
    """The marks' heights must be one straight line of the lengths: y = a + b mm, read back from the axis labels."""
    drawing = timeline_drawing(LengthRecord(TREATMENT), "MB", COLOUR)
    labels = [s for s in drawing.shapes if isinstance(s, Label) and s.anchor == "end"]
    slope, start = np.polyfit([float(s.text) for s in labels], [s.y - 4 for s in labels], 1)
    centres = [
        (np.mean([x for x, _ in s.points]), (min(y for _, y in s.points) + max(y for _, y in s.points)) / 2)
        for s in drawing.shapes
        if isinstance(s, Area) and s.colour == COLOUR
    ]  # the diamonds of the decisions
    assert len(centres) == 2
    assert centres[0][0] < centres[1][0]
    heights = [(y - start) / slope for _, y in centres]
    assert heights == pytest.approx([21.0, 20.5], abs=0.01)
    (held,) = [s for s in drawing.shapes if isinstance(s, Line) and s.colour == COLOUR]
    assert [(y - start) / slope for _, y in held.points] == pytest.approx([21.0, 21.0, 20.5, 20.5], abs=0.01)
    bars = [s for s in drawing.shapes if isinstance(s, Line) and s.width == 1.2 and s.points[0][0] == s.points[1][0]]
    (bar,) = bars  # the one entry with an uncertainty: 1.96 * 0.25 either way
    top, bottom = sorted((y - start) / slope for _, y in bar.points)[::-1]
    assert (top, bottom) == pytest.approx((21.2 + 0.49, 21.2 - 0.49), abs=0.01)
    assert [s.text for s in drawing.shapes if isinstance(s, Label) and s.text.startswith("2026")] == [
        "2026-11-25",
        "2026-12-02",
    ]


def test_the_timeline_holds_one_canal_and_needs_two_lengths():
    other = entry(11, "decided working length", at="2026-12-03T09:00", canal="ML", length_mm=18.0)
    alone = timeline_drawing(LengthRecord((*TREATMENT, other)), "ML", COLOUR)
    assert alone is None
    assert (
        timeline_drawing(LengthRecord(TREATMENT), "MB", COLOUR).shapes
        == timeline_drawing(LengthRecord((*TREATMENT, other)), "MB", COLOUR).shapes
    )


def test_strain_follows_diameter_and_curvature(measured):
    """Along the canal e = d/2 times the profile's curvature, in percent; the thicker file lies above everywhere."""
    (canal,) = measured["curved_out_of_plane"].canals
    files = (Instrument(20, 0.04), Instrument(35, 0.04))
    working = canal.basis.length.length_mm
    drawing = strain_drawing(canal, files, working, COLOUR)
    ticks = [s for s in drawing.shapes if isinstance(s, Label) and s.anchor == "end"]
    slope, start = np.polyfit([float(s.text) for s in ticks], [s.y - 4 for s in ticks], 1)
    thin, thick = [s for s in drawing.shapes if isinstance(s, Line) and s.width == 1.4]
    profile = canal.basis.curvature.profile
    from_tip = working - canal.basis.length.coronal_mm - profile.at_mm
    inside = (from_tip >= 0) & (from_tip <= 16.0)
    for line, size in ((thin, 0.20), (thick, 0.35)):
        expected = 50.0 * (size + 0.04 * from_tip[inside]) * np.abs(profile.per_mm[inside])
        assert [(y - start) / slope for _, y in line.points] == pytest.approx(list(expected), abs=0.02)
    assert thin.dash != thick.dash


def test_the_table_of_strains_names_each_instrument(measured):
    result = measured["s_curved"]
    (canal,) = result.canals
    entries = tuple(attrs.evolve(e, canal=canal.canal.name) for e in TREATMENT)
    tables = [
        block for block in flat(blocks_of(treated(result, entries, instrument_list=LIST))) if isinstance(block, Table)
    ]
    (strain,) = (table for table in tables if table.head[:1] == ("file",))
    assert [row[0] for row in strain.rows] == ["20/.04", "25/.04", "30/.04", "35/.04"]
    for _, thick, value, span in strain.rows:
        assert re.fullmatch(r"\d\.\d\d mm", thick)
        assert re.fullmatch(r"\d+\.\d %", value)
        assert re.fullmatch(r"\d+\.\d to \d+\.\d %", span)


def test_the_shipped_list_is_not_printed_unasked(measured):
    """Only instruments that the practice entered stand on the report."""
    result = measured["curved_out_of_plane"]
    entries = tuple(attrs.evolve(e, canal="single") for e in TREATMENT)
    assert result.case.instrument_list == ()
    assert not [
        b for b in flat(blocks_of(treated(result, entries))) if isinstance(b, Table) and b.head[:1] == ("file",)
    ]
    shown = blocks_of(treated(result, entries, instrument_list=("25/.04",)))
    (strain,) = (b for b in flat(shown) if isinstance(b, Table) and b.head[:1] == ("file",))
    assert [row[0] for row in strain.rows] == ["25/.04"]


def test_no_strain_without_a_length_or_a_list(measured):
    (canal,) = measured["curved_out_of_plane"].canals
    assert strain_drawing(canal, (Instrument(20, 0.04),), None, COLOUR) is None
    assert strain_drawing(canal, (), 20.0, COLOUR) is None


def test_figures_of_the_course_are_on_the_report(measured):
    result = measured["curved_out_of_plane"]
    (canal,) = result.canals
    entries = tuple(attrs.evolve(e, canal=canal.canal.name) for e in TREATMENT)
    blocks = blocks_of(treated(result, entries, instrument_list=LIST))
    labels = [block.drawing.label for block in flat(blocks) if isinstance(block, Figure)]
    assert labels == [f"Lengths of canal {canal.canal.name} over the treatment", "Strain of each file along the canal"]


def test_several_canals_share_one_page_of_strain_and_one_table_a_film(molar):
    """Three canals: figures abreast with one table below, the films without a canal side by side, each entry's line short."""
    molar = attrs.evolve(molar, case=attrs.evolve(molar.case, instrument_list=LIST))
    page = report(molar, made_at="2026-03-30 10:40", program="wlmeasure")
    opened = [part for block in page.blocks for part in (block.blocks if isinstance(block, Group) else (block,))]
    rows = [block for block in opened if isinstance(block, Row)]
    assert [len(row.cells) for row in rows] == [3, 2, 3, 4, 3]  # the first: where each canal may end
    tables = [block for block in flat(page.blocks) if isinstance(block, Table)]
    (strain,) = (table for table in tables if table.head[:1] == ("strain (95 %)",))
    assert strain.head[1:] == ("MB", "ML", "D")
    (abreast,) = (table for table in tables if table.head == ("length ± 95 %", "MB", "D"))
    cells = {label: (one, other) for label, one, other in abreast.rows}
    assert cells["Counts from"] == ("mesiobuccal cusp tip", "distobuccal cusp tip")
    assert cells["File tip"][1] == "–"
    measured = molar.canals[0].basis.length
    shown = f"{measured.length_mm:.1f} mm ± {measured.half_width_mm:.1f}"
    assert cells["To the radiographic apex"][0].startswith(shown)
    entries = next(table for table in tables if table.rows[0][0] == "e1")
    assert [row[0] for row in entries.rows] == [entry.id for entry in molar.case.entries]
    assert [row[1][:10] for row in entries.rows if row[1].startswith("2026")] == ["2026-03-16", "2026-03-30"]
    assert sum("cusp tip" in row[1] for row in entries.rows) == 1  # the estimate, which holds for no canal


def test_labels_of_strain_curves_stay_apart_and_inside(molar):
    for canal, working in zip(molar.canals, (20.0, 19.5, 20.5), strict=True):
        drawing = strain_drawing(canal, molar.case.instruments, working, COLOUR, width=270, height=125)
        heights = sorted(s.y for s in drawing.shapes if isinstance(s, Label) and "/" in s.text)
        assert len(heights) == 4
        assert np.diff(heights).min() >= 10.9
        assert heights[0] >= 10.0
        assert heights[-1] <= 125.0


def test_a_canal_with_nothing_to_show_has_no_heading_of_its_own(bench):
    """One length alone makes no figure, and no table."""
    result = bench()
    result = evaluate(
        attrs.evolve(
            result.case,
            entries=(entry(1, "preoperative estimate", length_mm=21.0), entry(2, "patency", finding="patent")),
        ),
    )
    blocks = blocks_of(result)
    assert [block.text for block in blocks if isinstance(block, Heading)] == [
        "The course of the treatment",
        "Every entry",
    ]


def test_an_early_record_has_its_course_drawn(bench):
    """An estimate and a reading, and no decision: two lengths, and no step line of what held."""
    entries = (entry(0, "preoperative estimate", length_mm=21.0), TREATMENT[0])
    drawing = timeline_drawing(LengthRecord(entries), "MB", COLOUR)
    assert not [shape for shape in drawing.shapes if isinstance(shape, Line) and shape.colour == COLOUR]
    assert [
        block
        for block in flat(blocks_of(evaluate(attrs.evolve(bench().case, entries=entries))))
        if isinstance(block, Figure)
    ]


@pytest.mark.parametrize("struck", ["e1", "e2"])
def test_a_decision_struck_out_holds_no_longer_on_the_timeline(struck):
    """Struck out it leaves no mark; what it had replaced held until then, and nothing holds to the end."""
    first = entry(1, "decided working length", length_mm=21.0)
    second = entry(2, "decided working length", length_mm=20.5, supersedes="e1" if struck == "e2" else None)
    note = entry(3, "note", supersedes=struck)
    read = [entry(n, "electronic reading", length_mm=20.0, finding="foramen") for n in (4, 5)]
    record = LengthRecord((first, second, note, *read))
    drawing = timeline_drawing(record, "MB", COLOUR)
    marks = [s for s in drawing.shapes if isinstance(s, Area) and s.colour == COLOUR]
    (line,) = [s for s in drawing.shapes if isinstance(s, Line) and s.colour == COLOUR]
    assert len(marks) == 1
    mark = np.mean([x for x, _ in marks[0].points])
    assert (line.points[-1][0] > mark + 1.0) == (record.decision("MB") is not None) == (struck == "e1")
