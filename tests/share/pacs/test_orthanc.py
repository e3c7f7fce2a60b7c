"""Against a real archive: nothing differs on the way there and back, a send that is cut is gone on with."""

from wlmeasure.share.pacs.case_objects import FORMS, case_objects
from wlmeasure.share.pacs.found import Query
from wlmeasure.share.pacs.instance import instance_of, read_instance
from wlmeasure.share.pacs.send import send

AT = "2026-11-25T10:30:00+01:00"


def test_round_trip(archive, journal, on_dicom, tmp_path):
    result = on_dicom()
    film = read_instance(tmp_path / "film.dcm")
    objects = case_objects(result, ("sr", "presentation", "calibrated"), made_at=AT[:19], program="wlmeasure 0.1.0")
    for v in send(archive, [film, *objects], journal, at=AT):
        print(v)
    for f in archive.find(Query(patient="P-0017")):
        print(f)
    assert 0
