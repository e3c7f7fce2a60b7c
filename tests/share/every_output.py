"""Every output of one measured case, read back (`readback`) and held against the facts."""

import json
from types import SimpleNamespace

import pydicom
import pytest

from tests.share import readback
from wlmeasure.errors import CaseError, ShareError
from wlmeasure.record.facts import case_facts
from wlmeasure.share.archived import case_text
from wlmeasure.share.card import card_file
from wlmeasure.share.dicom.source import film_images
from wlmeasure.share.dicom.structured_report import structured_report
from wlmeasure.share.report import report_file
from wlmeasure.share.result import record_text, result_json
from wlmeasure.share.tables import lengths_csv

MADE = {"made_at": "2026-11-25 10:30", "program": "wlmeasure 0.1.0"}


def outputs(result, folder, *, pages=("report.html", "report.pdf", "card.html", "card.pdf"), dicom=True):
    """What each output of a case says, by the output's name."""
    names = [canal.canal.name for canal in result.canals]
    said = {
        "text": readback.from_text(record_text(result)),
        "json": readback.from_json(json.loads(json.dumps(result_json(result), allow_nan=False))),
        "csv": readback.from_csv(lengths_csv(result)),
    }
    readers = {"report.html": readback.from_report_html, "report.pdf": readback.from_report_pdf}
    for page, read in readers.items():
        if page in pages:
            said[page] = read(report_file(result, page, **MADE).content)
    for page, read in (("card.html", readback.from_card_html), ("card.pdf", readback.from_card_pdf)):
        if page not in pages:
            continue
        try:
            said[page] = read(card_file(result, page, **MADE).content)
        except CaseError as error:
            said[page] = readback.from_card_refusal(str(error))
    if dicom:
        said |= _reports(result, names, folder / "report.dcm")
    stored = SimpleNamespace(case=result.case, head=SimpleNamespace(rows=1), revision=1, changed_at="2026-11-25T10:30")
    said["record show"] = readback.from_record_show(case_text(stored))
    return said


def _reports(result, names, path):
    """The structured report, by our reader and by a DICOM library; what is known of nothing has no group, or no report."""
    nothing = dict.fromkeys(names, (None, None))
    if not any(film.calibration is not None for film in result.films) and not any(
        canal.traces or canal.readings or canal.decision for canal in result.canals
    ):
        with pytest.raises(ShareError, match="case must hold a scale, a trace or a reading"):
            structured_report(result, film_images(result), made_at="2026-11-25T10:30:00", program="wlmeasure 0.1.0")
        return {"sr": nothing, "sr items": nothing}
    report = structured_report(result, film_images(result), made_at="2026-11-25T10:30:00", program="wlmeasure 0.1.0")
    pydicom.dcmwrite(path, report, enforce_file_format=True)
    return {"sr": nothing | readback.from_sr(path), "sr items": nothing | readback.from_sr_items(path)}


def check(result, folder, *, decided=None, **more):
    """All outputs say what the facts say; and the decisions are those that the maker of the case meant."""
    facts = case_facts(result)
    whole = {
        one.name: (one.decision and one.decision.length_mm, one.stop and one.stop.setting_mm) for one in facts.canals
    }
    whose = {one.name: one.stop and one.stop.whose for one in facts.canals}
    if decided is not None:
        assert {name: length for name, (length, _) in whole.items()} == decided
    expected = readback.rounded(whole)
    for output, said in outputs(result, folder, **more).items():
        wanted = expected
        if output.startswith("card"):
            wanted = readback.with_a_stop(wanted)
        elif output == "record show":
            wanted = readback.decided_only(wanted, whose)
        assert readback.rounded(said) == wanted, output
