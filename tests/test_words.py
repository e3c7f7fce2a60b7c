"""No identifier of ours in a message: every member of every class, and the template of every refusal, in words."""

import ast
import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import attrs
import pytest

import wlmeasure
from wlmeasure.words import MEMBER_WORDS, in_words, interval_words, member_words, reach_words, without_address

ROOT = Path(__file__).resolve().parents[1]
TOKEN = re.compile(r"[a-z0-9]+_[a-z0-9_]+")


def members():
    """Every member with an underscore of every attrs class of the core."""
    found = set()
    for module in pkgutil.walk_packages(wlmeasure.__path__, "wlmeasure."):
        try:
            loaded = importlib.import_module(module.name)
        except (ImportError, AttributeError):  # an extra that is not installed, what runs within another program
            continue
        for one in vars(loaded).values():
            if inspect.isclass(one) and attrs.has(one) and one.__module__ == module.name:
                found |= {name for field in attrs.fields(one) if "_" in (name := field.name.strip("_"))}
    return sorted(found)


def templates():
    """The constant words of every refusal, and every name handed to a check: (file, line, words)."""
    for folder in ("wlmeasure", "plugins"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                parts = []
                if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
                    parts = [part for arg in node.exc.args for part in ast.walk(arg)]
                elif isinstance(node, ast.Call):
                    name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                    parts = node.args if name.lstrip("_").startswith("check_") else []
                words = [p.value for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str)]
                if words and TOKEN.search(" ".join(words)):
                    yield path.name, node.lineno, " ".join(words)


def test_every_member_has_words_without_underscore_and_unit():
    names = members()
    assert len(names) > 300
    for name in names:
        words = member_words(name)
        assert "_" not in words, name
        assert not re.search(r"\b(px|deg|sha256|std)\b", words), (name, words)
        assert in_words(f"{name} must be given") == f"{words} must be given"


def test_the_table_names_only_what_is_there():
    assert set(MEMBER_WORDS) <= set(members()) | {"mm_per_px"}


def test_no_template_of_a_refusal_reaches_a_person_with_an_underscore():
    """Names of variables of the system and of packages are typed as they stand; a place in a file keeps its members."""
    found = list(templates())
    assert len(found) > 60
    for file, line, words in found:
        left = TOKEN.findall(re.sub(r"\.\w+|\w+\[\d*\]\S*", " ", in_words(words.replace("'", " ").replace('"', " "))))
        assert not left, (file, line, words)


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ("length_mm must be 1 to 60: 99", "length must be 1 to 60: 99"),
        ("known_length_std_mm must be > 0: -1", "give or take must be > 0: -1"),
        ("other_canal must be another canal than the entry's own: 'canal_2'",
         "other canal must be another canal than the entry's own: 'canal_2'"),
        ("ref_p60_h00.png cannot be read", "ref_p60_h00.png cannot be read"),
        ("/home/a_b/film_1.png: no such file", "/home/a_b/film_1.png: no such file"),
        ("a.wl.json: entries[3].length_mm must be a number", "a.wl.json: entries[3].length_mm must be a number"),
        ("size_mm, level_mm", "size, level"),
    ],
)  # fmt: skip
def test_names_of_files_places_in_them_and_what_was_typed_are_left(message, words):
    assert in_words(message) == words


def test_the_place_in_the_case_means_nothing_to_who_sees_no_file():
    message = "canals[0].traces[1]: clicks_px must not repeat a point"
    assert in_words(without_address(message)) == "clicked points must not repeat a point"
    assert in_words(message) == message


@pytest.mark.parametrize(
    ("figure", "interval", "digits", "words"),
    [
        (21.3, (21.0, 21.6), 1, "± 0.3"),
        (21.3, (20.2, 21.5), 1, "(20.2 to 21.5)"),
        (21.3, (20.98, 21.61), 1, "± 0.3"),
        (21.3, (20.98, 21.61), 2, "(20.98 to 21.61)"),
    ],
)
def test_an_interval_behind_its_figure(figure, interval, digits, words):
    """One half-width where both are that as they are shown, else its two ends."""
    assert interval_words(figure, interval, digits) == words


def test_how_far_an_interval_lies_to_either_side():
    assert reach_words(0.33, 0.33) == "±0.33"
    assert reach_words(1.1, 0.3) == "-1.10/+0.30"
    assert reach_words(0.301, 0.299) == "±0.30"
