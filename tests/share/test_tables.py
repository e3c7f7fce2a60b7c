"""The table: a header that explains itself, cells that no spreadsheet runs, numbers that read back."""

import csv
import io

import pytest

from wlmeasure.share.result import result_json
from wlmeasure.share.tables import COLUMNS, lengths_csv


def rows(result):
    return list(csv.DictReader(io.StringIO(lengths_csv(result))))


def test_the_header_is_the_declared_columns(measured):
    for result in measured.values():
        header, *body = csv.reader(io.StringIO(lengths_csv(result)))
        assert header == list(COLUMNS)
        assert all(len(row) == len(header) for row in body)
    assert all(COLUMNS.values())


def test_the_numbers_are_those_of_the_result(measured):
    """To a micrometre; an absent figure is an empty cell."""
    for result in measured.values():
        for row, canal in zip(rows(result), result_json(result)["canals"], strict=True):
            working = canal["working_length"] or dict.fromkeys(("length_mm", "std_mm", "ceiling_mm", "decided_mm"))
            pairs = {
                "length_mm": canal["length_mm"],
                "length_std_mm": canal["length_std_mm"],
                "length_low_mm": canal["length_interval_mm"][0],
                "length_high_mm": canal["length_interval_mm"][1],
                "film_length_mm": canal["radiographic"]["length_mm"],
                "electronic_length_mm": (canal["electronic"] or {}).get("length_mm"),
                "working_length_mm": working["length_mm"],
                "working_length_std_mm": working["std_mm"],
                "ceiling_mm": working["ceiling_mm"],
                "decided_mm": working["decided_mm"],
                "radius_mm": canal["curvature"]["pruett_radius_mm"],
            }
            for name, value in pairs.items():
                assert (float(row[name]) if row[name] else None) == (
                    None if value is None else pytest.approx(value, abs=6e-4)
                )
            assert row["tooth"] == result.case.tooth
            assert (row["canal"], row["film"]) == (canal["name"], canal["film"])
            assert row["form"] == canal["curvature"]["form"]
            assert row["flags"].split() == [flag["code"] for flag in canal["flags"]]
            assert row["status"] == ("" if canal["working_length"] is None else canal["working_length"]["status"])


def test_a_canal_with_readings_alone_has_a_row(bench):
    readings = [{"length_mm": 21.5, "mark": "foramen"}] * 3
    (row,) = rows(bench(canal_changes={"traces": [], "electronic_readings": readings}))
    assert (row["canal"], row["film"], row["length_mm"]) == ("MB", "", "")
    assert float(row["working_length_mm"]) == pytest.approx(20.8, abs=0.1)
    assert 0.0 < float(row["stop_beyond_share"]) < 0.05
    assert float(row["margin_mm"]) > 0.0


@pytest.mark.parametrize("formula", ["=cmd|' /C calc'!A0", "+1+1", "-1+2", "@SUM(A1)", "\uff1d3+3"])
def test_texts_that_a_spreadsheet_would_run_are_defused(bench, formula):
    (row,) = rows(bench(canal_changes={"name": formula, "reference_point": formula}, case_id=formula))
    assert row["canal"] == row["reference_point"] == row["case_id"] == "'" + formula


def test_quotes_commas_and_markup_read_back(hostile):
    (row,) = rows(hostile)
    assert row["canal"] == "<script>alert(\"1\")</script> & 'q'"
    assert row["film"] == "<i>f&1"
