"""What became of what a network proposed, read from the case alone; expected moves by hand."""

from __future__ import annotations

import csv

import pytest
from attrs import evolve

from wlmeasure.cli import main
from wlmeasure.record import edit
from wlmeasure.record.answers import (
    accepted_canal,
    accepted_file,
    answered,
    answers,
    clicks_of,
    unanswered,
    with_proposed,
    with_refusal,
)
from wlmeasure.record.case import (
    Accepted,
    Canal,
    Case,
    Film,
    KnownObject,
    ProposedItem,
    case_digest,
    case_from_json,
    case_to_json,
    save_case,
)

SHA = "ab" * 32
AT = "2026-12-01T10:00:00"
SAID = {"at": AT, "by": "KO"}


def item(kind, label, *points, **more):
    return ProposedItem(
        kind=kind, label=label, points_px=points, probability=0.97, trusted=True, model="look", model_sha256=SHA, **more
    )


FILE = item("file", "file 1", (20.0, 100.0), (120.0, 100.0), (220.0, 100.0), of="canal 1", begins="seen", ends="seen")
UPPER = item("upper end", "upper end 1", (20.0, 100.0), of="file 1")
TIP = item("tip", "tip 1", (220.0, 100.0), of="file 1")
CANAL = item("canal", "canal 1", *((50.0 + 10.0 * k, 100.0) for k in range(21)), of="root end 1", tooth_number=1)
OTHER = item("canal", "canal 2", *((50.0 + 10.0 * k, 160.0) for k in range(21)), tooth_number=2)
END = item("root end", "root end 1", (250.0, 100.0), tooth_number=1)
CUSP = item("reference point", "reference point 1", (10.0, 90.0), tooth_number=1)
ITEMS = (FILE, UPPER, TIP, CANAL, OTHER, END, CUSP)


@pytest.fixture
def case():
    """Columns lie 1.25 times as far apart as rows; 10 mm stand on 200 rows, so a row is 0.05 mm, a column 0.0625 mm."""
    known = KnownObject(points_px=((10.0, 20.0), (210.0, 20.0)), known_length_mm=10.0)
    film = Film(id="f1", path="film.png", sha256=SHA, rows=300, cols=200, col_over_row=1.25, scale=(known,))
    return with_proposed(Case(tooth="46", films=(film,), canals=(Canal(name="MB", traces=()),)), "f1", ITEMS)


def became(case):
    return {a.item.label: (a.outcome, a.by, a.canal, a.moved_px, a.moved_mm) for a in answers(case)}


def test_nothing_is_answered_before_somebody_says_so(case):
    assert {a.outcome for a in answers(case)} == {"not answered"}
    assert answered(case, "f1") == frozenset()
    shown = [one.label for one in unanswered(case.films[0].proposed, frozenset())]
    assert shown == [
        "file 1",
        "canal 1",
        "canal 2",
        "reference point 1",
    ]  # ends of a file and a root go with their line


def test_unmoved_is_no_move_and_a_refusal_says_who(case):
    case = edit.with_scale(case, "f1", accepted_file(FILE, None, **SAID))
    case = edit.with_trace(case, "MB", accepted_canal(CANAL, None, "f1", "radiographic apex", **SAID))
    case = with_refusal(case, "f1", "canal 2", at=AT, by="EM")
    assert became(case) == {
        **dict.fromkeys(("file 1", "upper end 1", "tip 1"), ("accepted", "KO", None, 0.0, 0.0)),
        **dict.fromkeys(("canal 1", "root end 1"), ("accepted", "KO", "MB", 0.0, 0.0)),
        "canal 2": ("refused", "EM", None, None, None),
        "reference point 1": ("not answered", None, None, None, None),
    }
    assert [one.label for one in unanswered(ITEMS, answered(case, "f1"))] == ["reference point 1"]
    assert case_from_json(case_to_json(case)) == case
    others = evolve(case, films=(evolve(case.films[0], proposed=()),))
    trace = evolve(case.canals[0].traces[0], accepted=())
    assert case_digest(case) == case_digest(edit.with_trace(others, "MB", trace))  # no length rests on who accepted it


def test_a_move_is_what_stands_against_what_was_proposed(case):
    """Tip 4 columns aside: 5 of a row's pixels, 0.25 mm. Root's end 3 rows on: 0.15 mm. Mark 2 rows and 1 column off."""
    case = edit.with_scale(case, "f1", accepted_file(FILE, ((20.0, 100.0), (220.0, 104.0)), **SAID))
    clicks = (*clicks_of(CANAL)[:-1], (253.0, 100.0))
    trace = accepted_canal(CANAL, clicks, "f1", "radiographic apex", **SAID)
    marked = evolve(trace, reference_px=(12.0, 91.0), accepted=(*trace.accepted, Accepted(item=CUSP.label, **SAID)))
    made = became(edit.with_trace(case, "MB", marked))
    assert made["upper end 1"] == ("accepted", "KO", None, 0.0, 0.0)
    assert made["tip 1"][3:] == pytest.approx((5.0, 0.25))
    assert made["file 1"][3:] == pytest.approx((5.0, 0.25), rel=1e-3)
    assert made["canal 1"][3:] == pytest.approx((3.0, 0.15))
    assert made["root end 1"][3:] == pytest.approx((3.0, 0.15))
    assert made["reference point 1"][3:] == pytest.approx(((4.0 + 1.25**2) ** 0.5, (0.1**2 + 0.0625**2) ** 0.5))
    # A canal that gets another name keeps its answer, and one whose trace goes is not answered.
    other = edit.renamed_canal(edit.with_trace(case, "MB", trace), "MB", "ML", None, at=AT, by="KO")
    assert became(other)["canal 1"][:3] == ("accepted", "KO", "ML")
    assert became(edit.without_trace(other, "ML", "f1"))["canal 1"][0] == "not answered"


def test_the_table_and_the_counts(case, tmp_path, capsys):
    moved = accepted_file(FILE, ((20.0, 100.0), (220.0, 104.0)), **SAID)
    save_case(edit.with_scale(case, "f1", moved), tmp_path / "one.wl.json")
    (tmp_path / "more").mkdir()
    bare = evolve(case, films=(evolve(case.films[0], scale=()),))
    save_case(edit.with_scale(bare, "f1", moved), tmp_path / "more" / "two.wl.json")
    (tmp_path / "broken.wl.json").write_text("{")
    assert main(["corrections", str(tmp_path), "--out", str(tmp_path / "t.csv")]) == 1
    told = capsys.readouterr()
    assert "broken.wl.json" in told.err
    counts, parts = told.out.split(
        "Ends that came with an accepted file or canal, and were not answered by themselves:"
    )
    kinds = [line.split("look/")[0].strip() for line in counts.splitlines()[1:] if line]
    assert kinds == ["canal", "file", "reference point"]  # no root end, tip or upper end: nobody was asked about one
    (tips,) = [line.split() for line in parts.splitlines() if line.startswith("tip")]
    assert tips == ["tip", "look/abababababab", "KO", "0", "2", "0", "0", "0.25", "1", "without", "a", "scale"]
    rows = list(csv.DictReader((tmp_path / "t.csv").read_text("utf-8").splitlines()))
    assert len(rows) == 2 * len(ITEMS)
    assert {row["item"]: row["came_with"] for row in rows if row["came_with"]} == {
        "upper end 1": "file 1",
        "tip 1": "file 1",
        "root end 1": "canal 1",
    }
    tips = [row for row in rows if row["item"] == "tip 1"]
    said = [(row["case"], row["outcome"], row["moved"], row["moved_mm"], row["moved_px"]) for row in tips]
    assert sorted(said) == [
        ("more/two.wl.json", "accepted", "yes", "", "5.00"),
        ("one.wl.json", "accepted", "yes", "0.25", "5.00"),
    ]
    assert main(["corrections", str(tmp_path / "one.wl.json")]) == 0
    assert main(["corrections", str(tmp_path / "more" / "none.wl.json")]) == 1
