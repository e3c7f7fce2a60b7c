"""Which canal lies buccal by its name."""

import pytest

from wlmeasure.trade.canal_names import lies_buccal


@pytest.mark.parametrize(
    ("one", "other", "buccal"),
    [
        ("MB", "ML", True),
        ("mb", "DL", True),
        ("P", "MB2", False),
        ("palatal", "disto-buccal", False),
        ("Mesiobuccal canal", "mesiolingual canal", True),
        ("labial", "lingual", True),
        ("MB1", "MB2", True),
        ("MB", "MB2", True),
        ("MB2", "DB", None),
        ("MB", "DB", None),
        ("ML", "DL", None),
        ("MM", "ML", None),
        ("single", "B", None),
        ("canal 1", "canal 2", None),
        ("", "B", None),
    ],
)
def test_a_name_says_where_a_canal_lies_or_nothing(one, other, buccal):
    assert lies_buccal(one, other) is buccal
    assert lies_buccal(other, one) is (None if buccal is None else not buccal)
