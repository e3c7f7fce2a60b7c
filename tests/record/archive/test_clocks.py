"""Clocks that are wrong: an entry from the future is asked about before it is stored, and orders and locks nothing."""

import json

import pytest
from attrs import evolve

from wlmeasure.cli import main
from wlmeasure.errors import QuestionError
from wlmeasure.record.archive.place import VARIABLE
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import save_case

NOW = "2026-11-25T10:30:00"
FAR = "2062-11-25T10:30:00"


@pytest.mark.parametrize(
    ("at", "asked"),
    [(FAR, True), ("2026-11-25T10:39:00", False), ("2026-11-25T10:41:00", True), ("1970-01-01T00:01:00", False)],
)
def test_a_file_with_an_entry_from_the_future_is_asked_about(archive, bare, note, at, asked):
    case = evolve(bare, entries=(note("e1", at=at),))
    if not asked:
        archive.add(case, by="AB", at=NOW)
        return
    with pytest.raises(QuestionError, match="entry e1: at must not lie in the future") as caught:
        archive.add(case, by="AB", at=NOW)
    assert archive.cases() == ()
    archive.add(case, by="AB", at=NOW, confirmed=caught.value.codes)
    assert archive.load("P-2").case.entries == case.entries


def test_one_that_was_confirmed_when_it_was_entered_is_not_asked_again(archive, bare, note):
    archive.add(evolve(bare, entries=(note("e1", at=FAR, confirmed=("in-the-future",)),)), by="AB", at=NOW)


def test_one_entry_more_is_asked_about_too(archive, bare, note):
    head = archive.add(bare, by="AB", at=NOW).head
    with pytest.raises(QuestionError):
        archive.append("P-2", note("e1", at=FAR), by="AB", at=NOW, on=head)
    assert archive.head("P-2") == head


def test_rows_stand_in_the_order_of_the_chain_whatever_clocks_say(archive, bare, note):
    """One computer far ahead, one far behind: nothing is locked, the last decision written down is the one that holds."""
    decision = {"kind": "decided working length", "reference_point": "cusp"}
    head = archive.add(bare, by="AB", at=NOW).head
    said = [("e1", FAR, FAR), ("e2", "1970-01-01T00:00:00", "1970-01-01T00:05:00"), ("e3", NOW, NOW)]
    for k, (name, at, clock) in enumerate(said):
        entry = note(name, at=at, length_mm=20.0 + k, supersedes=None if k == 0 else f"e{k}", **decision)
        head = archive.append("P-2", entry, by="AB", at=clock, on=head).head
    steps = archive.history("P-2")[1:]
    assert [(s.entry.at, s.stored_at) for s in steps] == [(at, clock) for _, at, clock in said]
    from wlmeasure.record.record import record_of

    record, fault = record_of(archive.load("P-2").case)
    assert fault is None
    assert record.decision("MB").length_mm == 22.0
    assert verify(archive).findings == ()


def test_from_the_command_line(address, bare, note, monkeypatch, tmp_path, capsys):
    monkeypatch.setenv(VARIABLE, address)
    monkeypatch.setattr("wlmeasure.cli_record._now", lambda: f"{NOW}+01:00")
    save_case(evolve(bare, entries=(note("e1", at=FAR),)), tmp_path / "a.wl.json")
    for words in (["add", tmp_path / "a.wl.json"], ["import", tmp_path / "a.wl.json"]):
        assert main(["record", *map(str, words), "--by", "AB"]) == 1
    said = capsys.readouterr()
    assert "confirm 'in-the-future'" in said.err + said.out
    assert main(["record", "import", str(tmp_path / "a.wl.json"), "--by", "AB", "--confirm", "in-the-future"]) == 0
    # Superseded as any other, and both clocks are shown.
    more = ["--kind", "note", "--canal", "MB", "--set", "note=the right one", "--set", "supersedes=e1", "--by", "AB"]
    assert main(["record", "add", "P-2", *more]) == 0
    capsys.readouterr()
    assert main(["record", "history", "P-2"]) == 0
    shown = capsys.readouterr().out.splitlines()
    assert FAR in shown[3]
    assert f"{NOW}+01:00" in shown[3]
    assert main(["record", "show", "P-2", "--json"]) == 0
    assert [e["at"] for e in json.loads(capsys.readouterr().out)["case"]["entries"]] == [FAR, NOW]
