"""An archive that does not heed what it is asked: another patient's film is neither listed as theirs nor kept."""

import json

import pytest

from wlmeasure.cli import main
from wlmeasure.errors import PacsRefusedError
from wlmeasure.share.pacs.fetch import get
from wlmeasure.share.pacs.found import Found, Query


def answer(**values):
    from pydicom.datadict import dictionary_VR, tag_for_keyword

    return {
        f"{tag_for_keyword(word):08X}": {"vr": dictionary_VR(tag_for_keyword(word)), "Value": [value]}
        for word, value in values.items()
    }


def listed(one, **more):
    """A search's answers about one instance: for its study, then for the instance, then for its header."""
    study = answer(StudyInstanceUID=one.study, **more)
    item = answer(
        StudyInstanceUID=one.study, SeriesInstanceUID=one.series, SOPInstanceUID=one.uid, SOPClassUID=one.sop_class
    )
    bodies = [json.dumps([part]).encode() for part in (study, item, item)]
    return [lambda r, body=body: r.reply(200, body) for body in bodies]


@pytest.mark.parametrize(
    ("query", "told"),
    [
        (Query(patient="P1"), {"PatientID": "P2"}),
        (Query(accession="A1"), {"AccessionNumber": "A2"}),
        (Query(study="1.2.3.4"), {}),
        (Query(since="20261101", until="20261130"), {"StudyDate": "20260101"}),
    ],
)
def test_a_filter_that_is_ignored_is_noticed(fake, opened, small, query, told):
    fake.script = listed(small(), **told)
    with pytest.raises(PacsRefusedError, match="heeds no filter") as refusal:
        opened(fake.url).find(query)
    assert "P2" not in str(refusal.value)


def test_it_is_noticed_at_the_instance_too(fake, opened, small):
    one = small()
    fake.script = listed(one)
    item = answer(PatientID="P2", SeriesInstanceUID=one.series, SOPInstanceUID=one.uid, SOPClassUID=one.sop_class)
    fake.script[1] = lambda r: r.reply(200, json.dumps([item]).encode())
    with pytest.raises(PacsRefusedError, match="heeds no filter"):
        opened(fake.url).find(Query(patient="P1"))


@pytest.mark.parametrize(("inside", "kept"), [("P1", True), ("P2", False), ("", False)])
def test_get_keeps_only_the_patient_that_was_asked_for(
    fake, opened, small, tmp_path, monkeypatch, capsys, inside, kept
):
    """The list says nothing of the patient, the film inside does."""
    one = small(PatientID=inside)
    fake.held[one.uid] = one.data
    fake.script = listed(one)
    monkeypatch.setattr("wlmeasure.share.pacs.client.open_image_archive", lambda _: opened(fake.url))
    status = main(["pacs", "get", "--server", fake.url, "--patient", "P1", "--out", str(tmp_path / "out")])
    files = list((tmp_path / "out").iterdir())
    said = capsys.readouterr()
    assert (status, len(files)) == ((0, 1) if kept else (1, 0)), said
    if not kept:
        assert "must be of patient P1" in said.out
        assert "P2" not in said.out + said.err


def test_an_instance_of_another_study_or_series_is_not_kept(fake, opened, small, tmp_path):
    one = small()
    fake.script = [lambda r: fake.give(r, one.data)] * 2
    for line in (Found(one.uid, one.series, "1.2.9", "film"), Found(one.uid, "1.2.9", one.study, "film")):
        (got,) = get(opened(fake.url), [line], tmp_path)
        assert "it sends" in got.error
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("uid", ["..", "1..2", ".", "1.2.", ""])
def test_points_are_no_identifier(fake, opened, uid):
    """``studies/../instances`` would be another address of the same server; left out, a film there would not be found."""
    fake.script = [lambda r: r.reply(200, json.dumps([answer(StudyInstanceUID=uid)]).encode())]
    with pytest.raises(PacsRefusedError, match="must give every study its identifiers"):
        opened(fake.url).find(Query(patient="P"))
    assert len(fake.log) == 1


GOOD = answer(SeriesInstanceUID="1.2", SOPInstanceUID="1.2.3")


@pytest.mark.parametrize(
    "item", [{}, GOOD | answer(SeriesInstanceUID=".."), GOOD | answer(SOPInstanceUID="../../x"), GOOD | {"00080018": 5}]
)
def test_an_instance_without_its_identifiers_is_not_left_out_in_silence(fake, opened, small, item):
    fake.script = listed(small())
    fake.script[1] = lambda r: r.reply(200, json.dumps([item]).encode())
    with pytest.raises(PacsRefusedError, match="must give every instance its identifiers"):
        opened(fake.url).find(Query(patient="P"))
    assert len(fake.log) == 2


def test_get_says_that_nothing_was_found(fake, opened, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("wlmeasure.share.pacs.client.open_image_archive", lambda _: opened(fake.url))
    assert main(["pacs", "get", "--server", fake.url, "--patient", "P1", "--out", str(tmp_path / "out")]) == 0
    assert capsys.readouterr().out == "nothing found\n"


@pytest.mark.parametrize("body", [b"{}", b" {}", b"null", b'{"error": "no"}'])
def test_an_object_is_no_empty_list(fake, opened, body):
    fake.script = [lambda r: r.reply(200, body)]
    with pytest.raises(PacsRefusedError, match="must answer a search with a list"):
        opened(fake.url).find(Query(patient="P"))
