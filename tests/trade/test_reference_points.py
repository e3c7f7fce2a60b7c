"""The cusps and edges that a length counts from, against the crowns that textbooks of dental anatomy draw."""

import pytest

from wlmeasure.trade.reference_points import usual_reference_points
from wlmeasure.trade.tooth import Tooth

CUSPS = {  # number of cusps or edges by tooth; Ash & Nelson, Wheeler's Dental Anatomy, from memory
    **dict.fromkeys(("11", "22", "31", "42", "51", "82"), 1),
    **dict.fromkeys(("13", "43", "53", "83"), 1),
    **dict.fromkeys(("14", "25", "34", "45"), 2),
    **dict.fromkeys(("16", "27", "37", "55", "74"), 4),
    **dict.fromkeys(("36", "46", "75", "85"), 5),
}


@pytest.mark.parametrize("designation", CUSPS)
def test_each_tooth_has_its_cusps(designation):
    tooth = Tooth.from_iso3950(designation)
    names = usual_reference_points(tooth)
    assert len(names) == len(set(names)) == CUSPS[designation]
    assert all(name.endswith(("cusp tip", "incisal edge")) for name in names)
    assert not any(("lingual" if tooth.is_upper else "palatal") in name for name in names)


@pytest.mark.parametrize(
    ("designation", "canal", "first"),
    [
        ("46", "MB", "mesiobuccal cusp tip"),
        ("46", "ML", "mesiolingual cusp tip"),
        ("46", "DL", "distolingual cusp tip"),
        ("16", "MB2", "mesiobuccal cusp tip"),
        ("16", "P", "mesiopalatal cusp tip"),
        ("24", "P", "palatal cusp tip"),
        ("44", "L", "lingual cusp tip"),
        ("36", "D", "distobuccal cusp tip"),
        ("36", "middle", "mesiobuccal cusp tip"),
        ("11", "single", "incisal edge"),
    ],
)
def test_the_cusp_of_the_canal_s_own_name_comes_first(designation, canal, first):
    """And all others follow: none is left out for any canal."""
    tooth = Tooth.from_iso3950(designation)
    names = usual_reference_points(tooth, canal)
    assert names[0] == first
    assert set(names) == set(usual_reference_points(tooth))
