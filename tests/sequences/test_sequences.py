"""Random sequences of steps, and that the walk sees what it is there to see."""

import pytest

from tests.sequences.walk import Walk, WalkError
from tests.share.every_output import check
from wlmeasure.record import edit
from wlmeasure.record.case import KnownFile
from wlmeasure.record.record import LengthRecord

WALKS, STEPS = 100, 30
READ_BACK = 10  # run.py reads back more


@pytest.fixture(autouse=True)
def drafts(monkeypatch, tmp_path):
    monkeypatch.setenv("WLMEASURE_DRAFTS", str(tmp_path / "drafts"))


@pytest.mark.parametrize("first", range(1, WALKS + 1, 10))
def test_one_decision_and_one_stop_whatever_was_done(first, tmp_path):
    for seed in range(first, first + 10):
        folder = tmp_path / str(seed)
        folder.mkdir()
        Walk(seed, folder).walk(STEPS)


@pytest.mark.parametrize("seed", range(201, 201 + READ_BACK))
def test_every_output_of_a_walk_is_read_back_and_says_the_same(seed, tmp_path):
    """Text, JSON, table, report and card as pages and PDF, structured report and archive."""
    walk = Walk(seed, tmp_path)
    walk.walk(STEPS)
    held = {name: canal.decision() for name, canal in walk.case.canals.items()}
    decided = {name: None if one is None else one[1] for name, one in held.items()}
    check(walk.session.result, tmp_path, decided=decided)


def _walks(tmp_path, monkeypatch, count=40):
    """The first walk that fails, of `count`."""
    for seed in range(count):
        folder = tmp_path / f"broken{seed}"
        folder.mkdir()
        try:
            Walk(seed, folder).walk(STEPS)
        except WalkError as error:
            return str(error)
    return ""


def test_a_decision_that_outlives_its_strike_out_is_seen(tmp_path, monkeypatch):
    def outlives(self, canal, *, before=None):
        there = [e for e in self.present if before is None or self.places()[e.id] < before]
        found = [e for e in there if e.canal == canal and e.kind == "decided working length"]
        return found[-1] if found else None

    monkeypatch.setattr(LengthRecord, "decision", outlives)
    assert "decided" in _walks(tmp_path, monkeypatch)


def test_readings_pooled_over_shaping_are_seen(tmp_path, monkeypatch):
    def pooled(self, canal, point):
        return tuple(e for e in self.standing(canal) if e.kind == "electronic reading"), ()

    monkeypatch.setattr(LengthRecord, "readings", pooled)
    assert "readings" in _walks(tmp_path, monkeypatch)


def test_a_canal_that_leaves_its_entries_to_the_next_is_seen(tmp_path, monkeypatch):
    monkeypatch.setattr(LengthRecord, "present", property(lambda self: self.entries))
    assert _walks(tmp_path, monkeypatch, count=80)


def test_a_canal_that_its_file_s_point_leaves_behind_is_seen(tmp_path, monkeypatch):
    monkeypatch.setattr(edit, "_counted_from", lambda trace, _reference_px: trace)
    assert "reference point and file tip" in _walks(tmp_path, monkeypatch)


def test_a_scale_by_a_file_that_shows_no_upper_end_is_seen(tmp_path, monkeypatch):
    monkeypatch.setattr(KnownFile, "gives_scale", property(lambda self: True))
    assert "mm a row, by hand" in _walks(tmp_path, monkeypatch)
