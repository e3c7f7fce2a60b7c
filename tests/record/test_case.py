"""The case file: nothing a person stored is lost, changed or half written, and a wrong file is one clear line."""

import copy
import json
import os
import stat

import attrs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wlmeasure.errors import CaseError
from wlmeasure.record.case import (
    Canal,
    Case,
    KnownFile,
    KnownObject,
    PlainFile,
    Spacing,
    Trace,
    case_digest,
    case_from_json,
    case_to_json,
    load_case,
    save_case,
)


@pytest.fixture
def written(tmp_path):
    def written(content, name="a.wl.json"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else json.dumps(content).encode())
        return path

    return written


def refusal(path):
    with pytest.raises(CaseError) as caught:
        load_case(path)
    message = str(caught.value)
    assert "\n" not in message
    return message


# --- round trip -------------------------------------------------------------------------------------------------------


def test_every_member_survives_reading_and_writing(full):
    """JSON -> Case -> JSON: the same members with the same values."""
    assert case_to_json(case_from_json(copy.deepcopy(full))) == full


def test_read_write_read_is_equal_and_the_second_file_is_byte_identical(written, full, tmp_path):
    case = load_case(written(full))
    save_case(case, tmp_path / "b.wl.json")
    again = load_case(tmp_path / "b.wl.json")
    assert again == case
    save_case(again, tmp_path / "c.wl.json")
    assert (tmp_path / "c.wl.json").read_bytes() == (tmp_path / "b.wl.json").read_bytes()


def test_the_sample_cases_are_rewritten_byte_for_byte(samples, tmp_path):
    assert len(samples) == 6
    for path in (*samples, samples[0].parent / "molar.wl.json"):
        save_case(load_case(path), tmp_path / path.name)
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()


def test_unknown_members_are_kept_at_every_level(full):
    """A newer program's members survive an older one, whatever they hold."""
    novel = {"a": [1, {"b": None}], "text": "für später", "number": 0.1, "yes": True}

    def mark(value):
        if isinstance(value, dict):
            for item in list(value.values()):
                mark(item)
            value["x_later"] = copy.deepcopy(novel)
        elif isinstance(value, list):
            for item in value:
                mark(item)

    mark(full)
    assert case_to_json(case_from_json(copy.deepcopy(full))) == full


def test_members_are_written_in_the_declared_order_and_unknown_ones_last(body):
    shuffled = {"zz_new": 1, **dict(reversed(body.items())), "case_id": "x"}
    assert list(case_to_json(case_from_json(shuffled))) == ["schema", "tooth", "case_id", "films", "canals", "zz_new"]
    film = dict(reversed(body["films"][0].items()))
    body["films"] = [film]
    written = case_to_json(case_from_json(body))["films"][0]
    assert list(written) == ["id", "path", "sha256", "rows", "cols", "scale"]
    assert next(iter(written["scale"][0])) == "kind"


def test_absent_members_are_absent_in_the_value_and_in_the_file(body):
    case = case_from_json(copy.deepcopy(body))
    film, trace = case.films[0], case.canals[0].traces[0]
    assert (case.case_id, film.col_over_row, film.purpose, film.angulation) == (None, None, None, None)
    assert (trace.clicks_px, trace.tracer, trace.unseen_from_mm, trace.carried) == (None, None, None, None)
    assert (case.entries, case.canals[0].joins, case.canals[0].apex) == ((), None, None)
    assert case_to_json(case) == body


@pytest.mark.parametrize("name", ["films", "canals", "entries"])
def test_a_list_is_never_null(body, name):
    """A program that lost the canals must not leave a case that reads as one without any."""
    body[name] = None
    with pytest.raises(CaseError, match=name):
        case_from_json(body)


def test_null_is_an_absent_member(body):
    case = case_from_json(copy.deepcopy(body) | {"case_id": None})
    assert case == case_from_json(copy.deepcopy(body))
    assert "case_id" not in case_to_json(case)


@pytest.mark.parametrize("ratio", [0.75, 1.0, 1.3333333333333333])
def test_unequal_spacing_is_kept_exactly(body, ratio):
    body["films"][0]["col_over_row"] = ratio
    case = case_from_json(body)
    assert case.films[0].col_over_row == ratio
    assert case_to_json(case)["films"][0]["col_over_row"] == ratio


@given(st.floats(1.0, 60.0), st.floats(-0.5, 4e4), st.floats(0.1, 10.0))
def test_decimal_numbers_are_kept_to_the_last_bit(length, pixel, ratio):
    """json writes the shortest text that reads back as the same double."""
    trace = Trace(film="f", path_px=[(pixel, 0.1), (0.2, 0.3)], apical_end="file tip")
    scale = KnownObject(points_px=[(pixel, 1.0), (2.0, 3.0)], known_length_mm=length)
    case = Case(
        tooth="11",
        films=[
            {"id": "f", "path": "a", "sha256": "0" * 64, "rows": 9, "cols": 9, "scale": [scale], "col_over_row": ratio}
        ],
        canals=[Canal(name="c", reference_point="r", traces=[trace])],
    )
    again = case_from_json(json.loads(json.dumps(case_to_json(case))))
    assert again == case
    assert again.films[0].scale[0].known_length_mm == length
    assert again.canals[0].traces[0].path_px[0][0] == pixel
    assert again.films[0].col_over_row == ratio


def test_several_films_and_scales_keep_their_order_and_kinds(full):
    second = copy.deepcopy(full["films"][0]) | {"id": "f2", "scale": []}
    full["films"].append(second)
    case = case_from_json(full)
    assert [film.id for film in case.films] == ["f1", "earlier", "f2"]
    assert [type(scale) for scale in case.films[0].scale] == [KnownFile, PlainFile, KnownObject, Spacing]
    assert case.film("f2") is case.films[2]


@pytest.mark.parametrize("tooth", ["11", "48", "55", "75", "85"])
def test_permanent_and_primary_teeth(body, tooth):
    """ISO 3950: quadrants 1 to 4 permanent, 5 to 8 primary."""
    assert case_from_json(body | {"tooth": tooth}).tooth == tooth


@pytest.mark.parametrize("tooth", ["00", "19", "49", "56", "91", "A", "1"])
def test_teeth_that_are_none_are_refused_by_name(body, tooth):
    with pytest.raises(CaseError, match="tooth"):
        case_from_json(body | {"tooth": tooth})


def test_film_paths_are_relative_to_the_case_file(written, body, tmp_path):
    case = load_case(written(body))
    assert case.film_path(case.films[0]) == tmp_path / "film.png"


def test_a_byte_order_mark_is_no_error(written, body):
    assert load_case(written(b"\xef\xbb\xbf" + json.dumps(body).encode())).tooth == "46"


def test_a_case_is_made_in_a_program_from_arrays_and_is_frozen(body):
    trace = Trace(film="f1", path_px=np.array([[1, 2], [3, 4]]), apical_end="file tip")
    assert trace.path_px == ((1.0, 2.0), (3.0, 4.0))
    with pytest.raises(attrs.exceptions.FrozenInstanceError):
        trace.film = "f2"
    with pytest.raises(CaseError, match="apical_end must be one of"):
        Trace(film="f1", path_px=[(1, 2), (3, 4)], apical_end="end")


# --- rules that tie members together --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda c: c["films"].append(c["films"][0]), r"films\[2\].id must be used once: 'f1'"),
        (lambda c: c["canals"].append(c["canals"][1]), r"canals\[2\].name must be used once: 'ML'"),
        (lambda c: c["entries"].append(c["entries"][0]), r"entries\[2\].id must be used once"),
        (
            lambda c: c["canals"][0]["traces"][0].update(film="f9"),
            r"canals\[0\].traces\[0\].film must be the id of a film",
        ),
        (
            lambda c: c["canals"][0]["traces"].append(c["canals"][0]["traces"][0]),
            r"canals\[0\].traces\[1\].film must be",
        ),
        (lambda c: c["canals"][0]["joins"].update(canal="MB"), r"canals\[0\].joins.canal must be another canal"),
        (lambda c: c["canals"][0]["joins"].update(canal="P"), r"canals\[0\].joins.canal must be another canal"),
        (
            lambda c: [c["canals"][0]["traces"][0].pop(name) for name in ("clicks_px", "path_px")],
            r"canals\[0\].traces\[0\]: clicks_px or path_px must be given",
        ),
    ],
)
def test_members_that_do_not_fit_each_other_are_named(full, change, message):
    change(full)
    with pytest.raises(CaseError, match=message):
        case_from_json(full)


# --- files that are no case -----------------------------------------------------------------------------------------


def test_a_missing_file_and_a_directory(tmp_path):
    assert refusal(tmp_path / "none.wl.json").startswith("none.wl.json cannot be read")
    (tmp_path / "d.wl.json").mkdir()
    assert refusal(tmp_path / "d.wl.json").startswith("d.wl.json cannot be read")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "must be JSON"),
        (b"tooth 46", "must be JSON"),
        (b'{"schema": "wlmeasure-case/2",', "must be JSON"),
        (b"\xff\xfe{\x00}\x00", "must be UTF-8 text"),
        (b"[1, 2]", "must be a JSON object"),
        (b"{}", "schema must be 'wlmeasure-case/2'"),
        (b'{"schema": "other/1"}', "is it a case file?"),
        (b'{"schema": 1}', "is it a case file?"),
        (b'{"schema": "wlmeasure-case/3"}', "update wlmeasure"),
        (b'{"schema": "wlmeasure-case/1"}', "tooth is missing"),
        (b'{"schema": "wlmeasure-case/1", "canals": 5}', "tooth is missing"),
        (b'{"schema": "wlmeasure-case/1", "canals": [5]}', "canals[0] must be an object"),
        (b'{"schema": "wlmeasure-case/1", "canals": [{"name": "a"}]}', "canals[0].reference_point is missing"),
        (b'{"schema": "wlmeasure-case/2"}', "tooth is missing"),
        (b'{"schema": "wlmeasure-case/2", "schema": "wlmeasure-case/2"}', "'schema' must stand once"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a":' * 100_000, "nested too deeply"),
        (b'{"a": NaN}', "numbers must be finite: the file holds NaN"),
        (b'{"a": -Infinity}', "numbers must be finite: the file holds -Infinity"),
        (b'{"a": ' + b"1" * 5000 + b"}", "thousands of digits"),
    ],
)
def test_what_is_no_case_file(written, content, message):
    said = refusal(written(content))
    assert said.startswith("a.wl.json")
    assert message in said


def test_duplicate_members_are_refused_at_every_level(written, body):
    text = json.dumps(body).replace('"name": "MB"', '"name": "MB", "name": "DB"')
    assert "'name' must stand once" in refusal(written(text.encode()))


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("1e999", "must be a finite number"),
        ('"\\ud800"', "must be Unicode text"),
        ('{"\\udfff": 1}', "must be Unicode text"),
        ("[" * 500 + "]" * 500, "must be nested at most 40 deep"),
    ],
)
def test_unknown_members_that_could_not_be_written_again_are_refused(written, body, value, message):
    """Kept means: still there after the next save. What JSON cannot carry is refused before it is accepted."""
    text = json.dumps(body)[:-1] + f', "later": {value}}}'
    said = refusal(written(text.encode()))
    assert "later" in said
    assert message in said


def test_half_a_surrogate_pair_is_no_text(written, body):
    body["canals"][0]["reference_point"] = "tip \ud83d"
    assert "canals[0].reference_point must be Unicode text" in refusal(written(body))


@pytest.mark.parametrize("text", ["a\nb", "a\x1b[2J", "tab\there", "end\n", "\x7f"])
def test_texts_are_one_line_without_control_characters(written, body, text):
    """A line break or an escape sequence in a name could write lines of its own into the printed record."""
    body["canals"][0]["name"] = text
    assert "canals[0].name must be one line without control characters" in refusal(written(body))


def test_a_file_larger_than_any_case_is_not_parsed(tmp_path):
    path = tmp_path / "big.wl.json"
    with path.open("wb") as file:
        file.truncate(65 * 2**20)
    assert "must be at most" in refusal(path)


# --- saving ---------------------------------------------------------------------------------------------------------


def test_a_failed_save_leaves_the_old_file_and_nothing_else(written, body, tmp_path, monkeypatch):
    """The disk fails at the last step: what stood there still stands, and no temporary file is left."""
    path = written(body)
    old, names = path.read_bytes(), sorted(tmp_path.iterdir())

    def fail(*_):
        raise OSError(28, "No space left on device")

    case = case_from_json(copy.deepcopy(body) | {"case_id": "new"})
    for step in ("replace", "fsync"):
        with monkeypatch.context() as patch:
            patch.setattr(os, step, fail)
            with pytest.raises(CaseError, match="No space left on device; the old file is unchanged"):
                save_case(case, path)
        assert path.read_bytes() == old
        assert sorted(tmp_path.iterdir()) == names


def test_saving_where_there_is_no_folder_is_one_clear_line(body, tmp_path):
    with pytest.raises(CaseError, match=r"a\.wl\.json cannot be written"):
        save_case(case_from_json(body), tmp_path / "none" / "a.wl.json")


@pytest.mark.parametrize("value", [float("nan"), "\ud800", object()])
def test_what_json_cannot_carry_never_touches_the_file(written, body, value):
    path = written(body)
    old = path.read_bytes()
    case = attrs.evolve(load_case(path), extra={"later": value})
    with pytest.raises(CaseError, match="cannot be written"):
        save_case(case, path)
    assert path.read_bytes() == old


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file modes")
def test_the_mode_of_the_file_is_kept_and_a_new_one_is_for_its_owner_alone(body, tmp_path):
    case = case_from_json(body)
    path = tmp_path / "a.wl.json"
    old = os.umask(0o027)
    try:
        save_case(case, path)
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        path.chmod(0o604)
        save_case(case, path)
        assert stat.S_IMODE(path.stat().st_mode) == 0o604
        assert os.umask(0o027) == 0o027
    finally:
        os.umask(old)


# --- the hash of the inputs -----------------------------------------------------------------------------------------


def test_the_digest_is_of_the_inputs_and_not_of_the_record(full):
    digest = case_digest(case_from_json(copy.deepcopy(full)))
    without = {name: value for name, value in full.items() if name != "entries"}
    assert case_digest(case_from_json(copy.deepcopy(without))) == digest
    shuffled = dict(reversed(copy.deepcopy(full).items()))
    assert case_digest(case_from_json(shuffled)) == digest
    full["films"][0]["scale"][0]["known_length_mm"] = 20.000001
    assert case_digest(case_from_json(full)) != digest
