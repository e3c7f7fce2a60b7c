"""What is stored comes back; who changes a case that has moved on is told, and nothing is stored."""

import json
from itertools import pairwise

import pytest
from attrs import evolve

from wlmeasure.errors import ArchiveConflictError, ArchiveError, CaseError
from wlmeasure.record.archive.answers import Search
from wlmeasure.record.archive.archive import open_archive, recorded
from wlmeasure.record.archive.verify import verify
from wlmeasure.record.case import Entry, case_from_json, case_to_json, load_case
from wlmeasure.record.record import LengthRecord

AT = "2026-11-25T10:30:00"
WHO = {"by": "AB", "at": AT}
LATER = ("in-the-future",)


def test_a_case_comes_back_with_every_member(archive, case):
    added = archive.add(case, **WHO)
    assert (added.new_revision, added.revision, added.new_entries) == (True, 1, ("e1", "e2"))
    stored = archive.load("bench-1")
    assert stored.case == case
    assert case_to_json(stored.case) == case_to_json(case)
    assert (stored.head, stored.revision, stored.head.rows) == (added.head, 1, 3)
    assert not verify(archive).findings


def test_every_sample_case_comes_back(archive, samples, molar):
    cases = [*map(load_case, samples), molar.case]  # the last one with entries of the whole tooth
    for k, one in enumerate(cases):
        case = evolve(one, case_id=f"s{k}")
        archive.add(case, **WHO)
        assert archive.load(f"s{k}").case == case
    assert len(archive.cases()) == len(cases)
    assert not verify(archive).findings


def test_members_that_this_version_does_not_know_and_odd_texts_are_kept(archive, full):
    full["later"] = {"ä": [1, 2.5, None, True, "\u2028", "\\ ' \" % :x \0 $1 ?"], "big": 10**30, "small": 5e-324}
    full["entries"][0]["later"] = ["Ω", 1e300, -0.0]
    full["case_id"] = "x'; DROP TABLE wl_journal; --%s:id"
    case = case_from_json(full)
    archive.add(case, **WHO)
    assert case_to_json(archive.load(case.case_id).case) == case_to_json(case)
    assert not verify(archive).findings


def test_each_change_is_a_revision_and_the_earlier_ones_stay(archive, case, note):
    first = archive.add(case, **WHO)
    second = archive.append("bench-1", note("e3", note="between"), on=first.head, **WHO)
    changed = evolve(archive.load("bench-1").case, tooth="47")
    third = archive.add(changed, on=second.head, by="CD", at="2026-11-26T08:00:00")
    assert (third.revision, third.new_revision, third.new_entries) == (2, True, ())
    assert archive.load("bench-1").case == changed
    assert archive.load("bench-1").changed_at == "2026-11-26T08:00:00"
    before = archive.load("bench-1", revision=1)
    assert (before.case.tooth, [e.id for e in before.case.entries]) == ("46", ["e1", "e2", "e3"])
    steps = archive.history("bench-1")
    assert [(s.number, s.what, s.stored_by) for s in steps] == [
        *[(1, "revision", "AB"), (2, "entry", "AB"), (3, "entry", "AB"), (4, "entry", "AB"), (5, "revision", "CD")]
    ]
    assert [None if s.entry is None else s.entry.id for s in steps] == [None, "e1", "e2", "e3", None]
    assert steps[-1].receipt == third.receipt == archive.receipt() == verify(archive).receipt
    with pytest.raises(ArchiveError, match="revision must be 1 to 2 for case bench-1: 3"):
        archive.load("bench-1", revision=3)
    with pytest.raises(ArchiveError, match="revision must be 1 to 2"):
        archive.load("bench-1", revision=0)


def test_storing_the_same_again_stores_nothing(archive, case, note):
    first = archive.add(case, **WHO)
    again = archive.add(case, **WHO)
    assert (again.new_revision, again.new_entries, again.head, again.receipt) == (False, (), first.head, first.receipt)
    longer = evolve(case, entries=(*case.entries, note("e3")))
    added = archive.add(longer, **WHO)
    assert (added.new_revision, added.new_entries) == (False, ("e3",))
    assert archive.load("bench-1").case == longer


def test_a_second_writer_is_told_and_nothing_is_overwritten(archive, case, note):
    opened = archive.add(case, **WHO).head
    archive.add(evolve(case, tooth="47"), on=opened, **WHO)
    before = archive.receipt()
    with pytest.raises(
        ArchiveConflictError, match="bench-1 has changed since you opened it: it was at row 3, it is at row 4"
    ):
        archive.add(evolve(case, tooth="36"), on=opened, **WHO)
    with pytest.raises(ArchiveConflictError, match="nothing was stored; read it again"):
        archive.append("bench-1", note("e3"), on=opened, **WHO)
    assert archive.receipt() == before
    assert archive.load("bench-1").case.tooth == "47"
    assert archive.append("bench-1", note("e3"), on=archive.head("bench-1"), **WHO).head.rows == 5


def test_a_change_must_say_what_it_was_made_from(archive, case, note):
    archive.add(case, **WHO)
    with pytest.raises(ArchiveConflictError, match="in the archive already, at row 3, and its content differs"):
        archive.add(evolve(case, tooth="47"), **WHO)
    with pytest.raises(ArchiveConflictError, match="has entries e2, this has not"):
        archive.add(evolve(case, entries=case.entries[:1]), **WHO)
    # With the state said, entries that the file lacks still stay in the archive.
    added = archive.add(evolve(case, tooth="47", entries=()), on=archive.head("bench-1", 3), **WHO)
    assert (added.new_revision, added.new_entries) == (True, ())
    assert archive.load("bench-1").case.entries == case.entries
    with pytest.raises(ArchiveConflictError, match="it was at row 3, it is at row 4"):
        archive.head("bench-1", 3)
    assert not verify(archive).findings


def test_an_entry_is_never_edited(archive, case):
    head = archive.add(case, **WHO).head
    edited = evolve(case, entries=(evolve(case.entries[0], length_mm=21.0), *case.entries[1:]))
    for on in (None, head):
        with pytest.raises(ArchiveConflictError, match="entry e1 stands otherwise in the archive"):
            archive.add(edited, on=on, **WHO)
    assert archive.load("bench-1").case == case


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"name": "e1"}, "id must be used once: 'e1'"),
        ({"name": "e2"}, "id must be used once: 'e2'"),
        ({"name": "e3", "at": "2026-13-25T10:30:59"}, r"entries\[\d\].at must be a date and time"),
        ({"name": "e3", "before": "e9"}, "before must name an earlier entry: 'e9'"),
        ({"name": "e3", "supersedes": "e9"}, "supersedes must name an earlier entry: 'e9'"),
        ({"name": "e3", "supersedes": "e3"}, "supersedes must name an earlier entry: 'e3'"),
    ],
)
def test_the_rules_of_the_record_hold_for_one_entry_and_for_a_whole_case(archive, case, note, entry, message):
    head = archive.add(case, **WHO).head
    entry = note(**entry)
    before = archive.receipt()
    with pytest.raises(CaseError, match=message):
        archive.append("bench-1", entry, on=head, **WHO)
    with pytest.raises(CaseError, match=message.replace("'e1'", "").replace("'e2'", "")):
        LengthRecord((*case.entries, entry))  # the rule itself
    if entry.id == "e3":
        with pytest.raises(CaseError, match=message):
            archive.add(evolve(case, entries=(*case.entries, entry)), **WHO)
    assert archive.receipt() == before


def test_superseding_one_far_back_one_superseded_already_and_the_last(archive, case, note):
    head = archive.add(case, **WHO).head
    for name, old in (("e3", "e1"), ("e4", "e3"), ("e5", "e1"), ("e6", None)):
        head = archive.append("bench-1", note(name, supersedes=old), on=head, **WHO).head
    assert [entry.id for entry in LengthRecord(archive.load("bench-1").case.entries).standing()] == [
        "e2",
        "e4",
        "e5",
        "e6",
    ]
    assert not verify(archive).findings


def test_what_has_no_id_or_is_not_there(archive, case, note):
    with pytest.raises(ArchiveError, match=r"case_id must be given: .* never by a name"):
        archive.add(evolve(case, case_id=None), **WHO)
    for blank in (" ", "P ", " P"):
        with pytest.raises(ArchiveError, match="must not begin or end with a blank"):
            archive.add(evolve(case, case_id=blank), **WHO)
    head = archive.add(case, **WHO).head
    for call in (
        lambda: archive.load("P-9"),
        lambda: archive.history("P-9"),
        lambda: archive.head("P-9"),
        lambda: archive.append("P-9", note("e1"), on=head, **WHO),
    ):
        with pytest.raises(ArchiveError, match=r"P-9.*(record list|not in this archive)"):
            call()
    with pytest.raises(ArchiveConflictError, match="P-9 is not in this archive"):
        archive.add(evolve(case, case_id="P-9"), on=evolve(head, case_id="P-9"), **WHO)
    with pytest.raises(CaseError, match="at must have the form"):
        archive.add(evolve(case, case_id="P-9"), by="AB", at="yesterday")
    with pytest.raises(CaseError, match="by must have 1 to 80"):
        archive.append("bench-1", note("e3"), on=head, by="", at=AT)
    assert [line.case_id for line in archive.cases()] == ["bench-1"]


def test_search(archive, case, bare, note):
    """By tooth, status, kind, day, flag and film; of an entry that stands, and all of one entry."""
    archive.add(case, **WHO)  # e1 is superseded: its status and kind stand no longer
    head = archive.add(evolve(bare, tooth="36"), **WHO).head
    more = [
        note("a", kind="film length", status="caution", at="2026-11-26T08:00:00", confirmed=LATER),
        note("b", kind="electronic length", status="concordant", at="2026-11-27T23:59:59+01:00", confirmed=LATER),
        note(
            "c",
            extra={"flags": [{"code": "film-curved", "text": "x"}, "reading-unstable", 7]},
            at="2026-11-28T00:00:00",
            confirmed=LATER,
        ),
    ]
    for entry in more:
        head = archive.append("P-2", entry, on=head, **WHO).head

    def found(**wanted):
        return [line.case_id for line in archive.cases(Search(**wanted))]

    assert found() == ["P-2", "bench-1"]  # byte order, on any server
    assert found(most=1) == ["P-2"]
    assert (found(tooth="46"), found(tooth="36"), found(tooth="11")) == (["bench-1"], ["P-2"], [])
    assert (found(status="caution"), found(status="radiographic apex")) == (["P-2"], [])
    assert (found(kind="note"), found(kind="film length")) == (["P-2", "bench-1"], ["P-2"])
    assert (found(kind="film length", status="concordant"), found(kind="film length", status="caution")) == (
        [],
        ["P-2"],
    )
    assert (found(flag="film-curved"), found(flag="reading-unstable"), found(flag="x")) == (["P-2"], ["P-2"], [])
    assert (found(until="2026-11-25"), found(since="2026-11-28"), found(since="2026-11-29")) == (
        ["bench-1"],
        ["P-2"],
        [],
    )
    assert found(kind="electronic length", since="2026-11-27", until="2026-11-27") == ["P-2"]
    assert found(kind="electronic length", since="2026-11-28") == []
    assert found(film=case.films[0].sha256) == ["P-2", "bench-1"]
    assert found(film=case.films[0].sha256, tooth="36", status="caution") == ["P-2"]
    for wrong in ({"since": "25.11.2026"}, {"until": "2026-11"}, {"since": "20261125"}, {"most": 0}):
        with pytest.raises(ArchiveError, match="must be"):
            Search(**wrong)


def test_the_films_searched_for_are_those_of_the_last_revision(archive, case, full):
    head = archive.add(case, **WHO).head
    full["films"][0]["sha256"] = "a" * 64
    archive.add(case_from_json(full), on=head, **WHO)
    assert archive.cases(Search(film="a" * 64)) != ()
    assert archive.cases(Search(film=case.films[0].sha256)) == ()
    assert not verify(archive).findings


def test_an_archive_that_is_opened_again_is_the_same(archive, address, case):
    added = archive.add(case, **WHO)
    with open_archive(address) as again:
        assert again.load("bench-1").case == case
        assert again.receipt() == added.receipt


def test_what_is_read_is_checked_against_its_hash(archive, case, sql):
    archive.add(case, **WHO)
    sql("UPDATE wl_journal SET content = replace(content, '22.0', '20.0') WHERE seq = 2")
    with pytest.raises(ArchiveError, match=r"case bench-1: row 2 \(entry\) is not what was stored"):
        archive.load("bench-1")
    with pytest.raises(ArchiveError, match=r"case bench-1: row 2 \(entry\) is not what was stored"):
        archive.history("bench-1")
    sql("UPDATE wl_journal SET content = replace(content, '20.0', '22.0') WHERE seq = 2")
    archive.load("bench-1")
    lacking = (
        "DELETE FROM wl_journal WHERE seq = 3",
        "UPDATE wl_cases SET entries = 1",
        "DELETE FROM wl_journal WHERE seq = 1",
        "DELETE FROM wl_journal WHERE seq = 2",
    )
    for statement in lacking:
        sql(statement)
        with pytest.raises(ArchiveError, match="lacks rows that were stored"):
            archive.load("bench-1")


def test_an_entry_made_anew_until_nobody_was_quicker(archive, case, note):
    archive.add(case, **WHO)
    others = iter(("x1", "x2"))

    def make(stored):
        name = LengthRecord(stored.case.entries).next_id()
        other = next(others, None)
        if other is not None:  # somebody else is quicker, twice
            archive.append("bench-1", note(other), on=stored.head, **WHO)
        return note(name)

    assert recorded(archive, "bench-1", make, **WHO).new_entries == ("e5",)
    others = iter(str(k) for k in range(100))
    with pytest.raises(ArchiveConflictError):
        recorded(archive, "bench-1", make, tries=3, **WHO)
    assert next(others) == "3"
    with pytest.raises(ArchiveError, match="tries must be >= 1"):
        recorded(archive, "bench-1", make, tries=0, **WHO)


def test_the_journal_is_what_its_description_says(archive, case, bare):
    """The hash from outside: SHA-256 over the JSON of the list in `chain`, built here by hand."""
    import hashlib

    from sqlalchemy import text

    archive.add(case, **WHO)
    archive.add(bare, **WHO)
    with archive.engine.connect() as connection:
        archive_id = connection.execute(text("SELECT archive_id FROM wl_archive")).scalar()
        rows = connection.execute(text("SELECT * FROM wl_journal ORDER BY seq")).all()
    assert [(row.seq, row.case_id, row.case_seq) for row in rows] == [
        *[(1, "bench-1", 1), (2, "bench-1", 2), (3, "bench-1", 3), (4, "P-2", 1)]
    ]
    for row in rows:
        members = ["wlmeasure-journal/1", archive_id, row.seq, row.case_id, row.case_seq, row.what]
        members += [row.stored_at, row.stored_by, row.content, row.before, row.case_before]
        sealed = json.dumps(members, separators=(",", ":"), ensure_ascii=False)
        assert row.sha256 == hashlib.sha256(sealed.encode()).hexdigest()
    assert all(later.before == earlier.sha256 for earlier, later in pairwise(rows))
    assert rows[0].before == rows[3].case_before == "0" * 64


def test_an_entry_of_the_whole_tooth_is_stored_and_comes_back(archive, case):
    """A note without a canal: what a person types first."""
    entry = Entry(id="e90", kind="note", at=AT, by="AB", note="rubber dam on")
    with_note = evolve(case, entries=(*case.entries, entry))
    archive.add(with_note, **WHO)
    assert archive.load("bench-1").case == with_note
    assert not verify(archive).findings
