"""The published JSON Schema says what the reader does: both refuse and accept the same files."""

import copy
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import wlmeasure.record.case
from wlmeasure.errors import CaseError
from wlmeasure.record.case import case_from_json, case_schema

PUBLISHED = Path(wlmeasure.record.case.__file__).with_name("case.schema.json")
REGENERATE = (
    "case.schema.json is not what the classes say; write it again:\n"
    'python -c "import json, pathlib, wlmeasure.record.case as c; pathlib.Path(c.__file__).with_name('
    "'case.schema.json').write_text(json.dumps(c.case_schema(), indent=1) + chr(10))\""
)
# Rules between members, which the schema leaves to the reader.
BETWEEN_MEMBERS = (
    "tooth: ",
    "instrument_list: ",
    "must be used once",
    "must be the id of a film",
    "must be the id of another film",
    "must be another canal",
    "clicks_px or path_px must be given",
    "repeats must be given where from is repeats",
    "reference_px must be given where upper_end is reference",
)
VALUES = (
    *(None, True, False, 0, -1, 1, 1.0, 1.5, 2, 6, 46, 60, 60.5, 141, 1e6, -91.0),
    *(
        "",
        "x",
        "46",
        "f1",
        "MB",
        "none",
        "closed",
        "clear",
        "clicks",
        "foramen",
        "0" * 64,
        "0" * 64 + "\n",
        "a\nb",
        "x" * 1001,
    ),
    *("2026-11-25T10:30", "2026-11-25", "note", "Note", "spacing", "PixelSpacing", "file tip"),
    *([], {}, [1, 2], [1, 2, 3], [[1, 2]], [[1, 2], [3, 4]], [[1, 2], [3, "4"]], [[1, 2], [3, 4], [5, 6]], ["wet"]),
    *([{}], {"kind": "spacing"}, {"kind": "spacing", "claim": "PixelSpacing"}, {"kind": "other"}),
)
VALIDATOR = jsonschema.Draft202012Validator(case_schema())


def places(value, path=()):
    """The path of every member and item in a JSON value."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield (*path, key)
        yield from places(item, (*path, key))


def changed(data, path, value):
    """The data with one place changed; all else is shared with what it was made of."""
    key, *rest = path
    made = dict(data) if isinstance(data, dict) else list(data)
    if rest:
        made[key] = changed(data[key], rest, value)
    elif value is Ellipsis:
        del made[key]
    else:
        made[key] = value
    return made


def agree(data):
    """Reader and schema say the same of `data`, rules between members apart."""
    valid = VALIDATOR.is_valid(data)
    try:
        case_from_json(data)
    except CaseError as error:
        return not valid or any(rule in str(error) for rule in BETWEEN_MEMBERS)
    return valid


def test_the_published_schema_is_the_one_of_the_classes():
    assert PUBLISHED.read_text(encoding="utf-8") == json.dumps(case_schema(), indent=1) + "\n", REGENERATE


def test_the_schema_is_a_schema_and_takes_the_samples(samples, full):
    jsonschema.Draft202012Validator.check_schema(case_schema())
    for path in samples:
        VALIDATOR.validate(json.loads(path.read_text(encoding="utf-8")))
    VALIDATOR.validate(full)


def test_every_member_of_version_2_stands_in_the_schema(full):
    """The full case of these tests has every member the design names; the schema names the same and no other."""

    def names(schema, value):
        if isinstance(value, list):
            for item in value:
                names(schema["items"], item)
            return
        if "oneOf" in schema:
            schema = next(s for s in schema["oneOf"] if s["properties"]["kind"]["const"] == value["kind"])
        if isinstance(value, dict):
            found.setdefault(json.dumps(schema), set()).update(value)
            for name, item in value.items():
                names(schema["properties"][name], item)

    found: dict[str, set[str]] = {}
    names(case_schema(), full)
    for text, seen in found.items():
        assert set(json.loads(text)["properties"]) == seen


def test_reader_and_schema_agree_on_every_single_change(full):
    """Each member dropped and replaced by a third of some 50 values in turn, so that members of one kind meet them all: four
    thousand broken and odd files.
    """
    untouched = copy.deepcopy((full, VALUES))
    differ = [
        (path, value)
        for k, path in enumerate(places(full))
        for value in (Ellipsis, *VALUES[k % 3 :: 3])
        if not agree(changed(full, path, value))
    ]
    assert differ == []
    assert (full, VALUES) == untouched  # neither writes into what it is given


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_reader_and_schema_agree_on_several_changes(data):
    case = copy.deepcopy(FULL)
    for _ in range(data.draw(st.integers(2, 5))):
        path = data.draw(st.sampled_from(list(places(case))))
        case = changed(case, path, data.draw(st.sampled_from((Ellipsis, *VALUES))))
        if not isinstance(case, dict):
            break
    assert agree(case)


FULL: dict = {}


@pytest.fixture(autouse=True)
def _full_for_hypothesis(full):
    """Hypothesis cannot ask for a fixture that is made anew for every test."""
    FULL.clear()
    FULL.update(copy.deepcopy(full))
