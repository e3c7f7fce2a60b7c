"""The tooth that a header names, in current and older codes."""

import pydicom
import pytest
from dicom_film import code, film

from wlmeasure.image.coded_teeth import MOST_CODES, coded_teeth


@pytest.mark.parametrize(
    ("items", "teeth"),
    [
        ([code("866005003")], ("46",)),  # CID 4018
        ([code("61868007")], ("85",)),  # CID 4019
        ([code("28480000")], ("46",)),  # an older edition of SNOMED CT
        ([code("T-54500", "SRT")], ("46",)),
        ([code("T-54750", "SNM3")], ("85",)),
        ([code("866005003"), code("28480000"), code("863899008")], ("46", "47")),
        ([code("T-54500", "SCT")], ()),
        ([code("661005", meaning="Jaw region")], ()),
        ([], ()),
    ],
)
def test_teeth_of_a_header(load, items, teeth):
    radiograph = load(film(PrimaryAnatomicStructureSequence=items))
    assert radiograph.teeth == teeth


def test_the_region_may_name_a_tooth_as_well(load):
    assert load(film(AnatomicRegionSequence=[code("T-54210", "SRT")])).teeth == ("18",)


def test_a_supernumerary_tooth_has_no_designation_and_is_said(load):
    word = "Supernumerary permanent mandibular right first molar tooth"
    radiograph = load(film(PrimaryAnatomicStructureSequence=[code("2491000124107", meaning=word)]))
    assert radiograph.teeth == ()
    assert f"{word}: it has no designation in ISO 3950; type the tooth" in radiograph.notes


def test_broken_and_endless_sequences_cost_nothing():
    header = pydicom.Dataset()
    header.PrimaryAnatomicStructureSequence = [pydicom.Dataset(), *[code("x")] * MOST_CODES, code("866005003")]
    assert coded_teeth([header]) == ((), ())

    class Broken(pydicom.Dataset):
        def get(self, key, default=None):
            raise ValueError(key)  # as pydicom does where it converts on access

    assert coded_teeth([Broken()]) == ((), ())
