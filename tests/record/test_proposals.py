"""What a look proposes as items of a case, with the reasons why one is not relied on; and that such items count for nothing."""

import numpy as np
import pytest
from attrs import evolve

from wlmeasure.detect.look import Look, SeenCanal, SeenFile, SeenPoint, SeenRoot
from wlmeasure.flags import Flag
from wlmeasure.record.case import case_digest, case_from_json, case_to_json
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.proposals import is_calibrated, proposed_items

SHA = "ab" * 32
PATH = np.column_stack([np.linspace(40.0, 300.0, 50), np.linspace(80.0, 90.0, 50)])


def flag(code):
    return Flag(code, "Said.")


def seen(*flags, upper=0.95, chance=0.97, tip=True, leaves=False, trusted=True):
    """One file in canal 2, two canals, a root end, an orifice and a cusp."""
    file = SeenFile(
        "file 1", PATH, None if leaves else PATH[0], PATH[-1] if tip else None, 2.5, 0.4 if tip else np.inf, leaves,
        "canal 2", chance, upper, trusted,
    )  # fmt: skip
    canals = tuple(
        SeenCanal(
            f"canal {k}", PATH + np.array([0.0, k]), True, k == 2, None if k == 1 else 0, 1, None, None, 0.95, True
        )
        for k in (2, 1)
    )
    root = SeenRoot(PATH[-1], 1, ("canal 2",), 0.2, False)
    point = SeenPoint(PATH[0], None, 0.91, True)
    return Look(
        (file,), canals, (root,), (point,), (point,), 1, (0.05, 0.04), 0.1, 1.0, "look/abababababab", tuple(flags)
    )


def told(look):
    return {item.label: (item, doubts) for item, doubts in proposed_items(look, SHA)}


def test_every_item_is_there_with_what_it_belongs_to():
    made = told(seen())
    assert list(made) == [
        *("file 1", "upper end 1", "tip 1", "canal 1", "canal 2", "root end 1", "orifice 1", "reference point 1"),
    ]
    file, doubts = made["file 1"]
    assert doubts == ()
    assert file.trusted
    assert np.allclose(file.points_px, PATH, atol=0.0005)
    assert (file.of, file.begins, file.ends, file.probability) == ("canal 2", "seen", "seen", 0.97)
    assert (made["upper end 1"][0].of, made["upper end 1"][0].std_px, made["upper end 1"][0].probability) == (
        *("file 1", 2.5, 0.95),
    )
    assert made["tip 1"][0].points_px == (tuple(PATH[-1]),)
    assert (made["canal 2"][0].of, made["canal 1"][0].of, made["canal 1"][0].ends) == ("root end 1", None, "not seen")
    assert {(item.model, item.model_sha256) for item, _ in made.values()} == {("look", SHA)}


def test_what_is_below_the_limit_says_so():
    item, doubts = told(seen())["root end 1"]
    assert not item.trusted
    assert doubts == ("probability below 0.9",)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"upper": 0.5}, "its upper end is not sure"),
        ({"tip": False}, "its tip is not seen"),
        ({"chance": 0.6}, "probability below 0.9"),
    ],
)
def test_a_file_is_doubted_for_either_end(change, said):
    made = told(seen(trusted=False, **change))
    assert said in made["file 1"][1]
    assert not made["file 1"][0].trusted
    assert not made["upper end 1"][0].trusted
    assert made["canal 1"][0].trusted


def test_a_file_that_leaves_the_picture_has_no_upper_end():
    made = told(seen(leaves=True))
    assert made["file 1"][0].begins == "out of the picture"
    assert made["file 1"][0].trusted
    assert "upper end 1" not in made


@pytest.mark.parametrize("code", ["not-periapical", "network-not-calibrated", "film-unlike-training"])
def test_on_such_a_film_nothing_is_trusted(code):
    look = seen(flag(code))
    assert not any(item.trusted for item, _ in told(look).values())
    assert is_calibrated(look) == (code != "network-not-calibrated")


def test_what_a_film_lacks_otherwise_costs_no_trust():
    assert told(seen(flag("apex-not-in-picture")))["canal 1"][0].trusted


# --- in a case --------------------------------------------------------------------------------------------------------


@pytest.fixture
def with_and_without(body, readings, tmp_path):
    """The bench case of a canal of 22 mm with readings, and the same with proposals of other places."""
    body["entries"] = readings(21.5, 21.5, 21.5)
    plain = case_from_json(body, folder=tmp_path)
    items = tuple(item for item, _ in proposed_items(seen(), SHA))
    film = evolve(plain.films[0], proposed=items)
    case = evolve(plain, films=(film,))
    object.__setattr__(case, "folder", plain.folder)
    return plain, case


def test_a_case_without_has_no_such_member(with_and_without):
    plain, case = with_and_without
    assert "proposed" not in case_to_json(plain)["films"][0]
    assert case_from_json(case_to_json(case)) == case
    assert case != plain


def test_the_digest_of_what_lengths_rest_on_is_the_same(with_and_without):
    plain, case = with_and_without
    assert case_digest(plain) == case_digest(case)


def test_nothing_is_measured_again_for_a_proposal(with_and_without):
    """What was measured before is taken over as it stands."""
    plain, case = with_and_without
    first = evaluate(plain)
    second = evaluate(case, before=first)
    assert second.films[0].calibration is first.films[0].calibration
    assert second.films[0].film.proposed == case.films[0].proposed
    assert second.canals[0].traces[0].length is first.canals[0].traces[0].length
    assert second.canals[0].working_length == first.canals[0].working_length
