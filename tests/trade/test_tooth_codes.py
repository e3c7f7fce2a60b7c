"""Codes of teeth against the standard's context groups and pydicom's map of older ones, both generated from the standard."""

import pytest
from pydicom.sr._snomed_dict import mapping
from pydicom.sr.codedict import codes as standard

from wlmeasure.trade.tooth import Tooth
from wlmeasure.trade.tooth_codes import (
    OUTDATED_TOOTH_CODES,
    SNOMED_RT_TOOTH_CODES,
    TOOTH_CODES,
    is_supernumerary,
    tooth_of_code,
)

GROUPS = ("CID4018", "CID4019")


def concepts(name):
    return getattr(standard, name).concepts.values()


def test_teeth_are_those_of_the_context_groups():
    groups = {code.value for name in GROUPS for code in concepts(name)}
    current = set(TOOTH_CODES.values())
    assert len(current) == 52
    assert groups == current
    assert not current & set(OUTDATED_TOOTH_CODES)
    assert len(OUTDATED_TOOTH_CODES) == 20


def test_teeth_by_name():
    """The meaning of each context group's code speaks of the side, jaw and kind of tooth that ours gives it to."""
    meanings = {code.value: code.meaning.lower() for name in GROUPS for code in concepts(name)}
    for designation, value in TOOTH_CODES.items():
        tooth = Tooth.from_iso3950(designation)
        meaning = meanings[value].replace("mandibular", "lower").replace("maxillary", "upper")
        kind = tooth.name.split()[-1]
        assert kind in meaning or kind == "incisor", (designation, meaning)  # "lateral tooth" is said as well
        assert ("right" in meaning) == tooth.is_right, (designation, meaning)
        assert ("upper" in meaning) == tooth.is_upper, (designation, meaning)
        assert tooth_of_code(value) == designation


def test_older_codes_are_those_of_the_same_teeth():
    """pydicom's map takes each SNOMED RT code to the SNOMED CT code of its time: through it, ours must agree with ours."""
    assert len(SNOMED_RT_TOOTH_CODES) == 60
    assert set(SNOMED_RT_TOOTH_CODES.values()) == set(TOOTH_CODES)
    for value, tooth in SNOMED_RT_TOOTH_CODES.items():
        assert tooth_of_code(mapping["SRT"][value]) == tooth, value
        for scheme in ("SRT", "SNM3", "99SDM"):
            assert tooth_of_code(value, scheme) == tooth
    for value, snomed_ct in mapping["SRT"].items():
        if tooth_of_code(snomed_ct) is not None and value.startswith("T-5"):
            assert value in SNOMED_RT_TOOTH_CODES, value


@pytest.mark.parametrize(
    ("value", "scheme"), [("866005003", "SRT"), ("T-54500", "SCT"), ("46", "99X"), ("661005", "SCT"), ("", "")]
)
def test_what_is_no_tooth_is_none(value, scheme):
    assert tooth_of_code(value, scheme) is None


def test_supernumerary_teeth_are_those_of_their_context_group():
    values = {code.value for code in concepts("CID4025")}
    assert len(values) == 52
    assert all(is_supernumerary(value) and tooth_of_code(value) is None for value in values)
    assert not any(is_supernumerary(value) for value in TOOTH_CODES.values())
    assert not is_supernumerary(values.pop(), "SRT")
