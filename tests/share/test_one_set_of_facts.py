"""Every output gives the same decision and the same stop for every canal, or the same "none"; each is read back from itself."""

import attrs
import numpy as np
import pytest

from tests.share import readback
from tests.share.every_output import check, outputs
from wlmeasure.record.evaluate import evaluate
from wlmeasure.record.facts import case_facts

MADE = {"made_at": "2026-11-25 10:30", "program": "wlmeasure 0.1.0"}
POINTS = ("mesiobuccal cusp tip", "lingual cusp", "distal marginal ridge")
NAMES = ("MB", "ML", "D", "middle mesial")


# --- by hand: what was meant, and what every output must say ------------------------------------------------------------------


def entry(number, kind, **more):
    return {
        "id": f"e{number}", "kind": kind, "at": f"2026-11-25T11:{number:02d}", "by": "NB", "canal": "MB",
        "reference_point": "cusp", **more,
    }  # fmt: skip


def decision(length_mm=20.7, number=1, **more):
    return entry(number, "decided working length", length_mm=length_mm, **more)


CANAL = {"decision": {"length_mm": 20.0, "by": "NB", "at": "2026-11-25T10:30"}}
BY_HAND = {
    "nothing decided, film only": ({}, (None, 20.5)),
    "decided": ({"entries": [decision()]}, (20.7, 20.5)),
    "decided on the division": ({"entries": [decision(20.5)]}, (20.5, 20.5)),
    "rounded down, never up": ({"entries": [decision(20.99)]}, (20.9, 20.5)),
    "decided twice": ({"entries": [decision(), decision(19.4, 2, supersedes="e1")]}, (19.4, 19.0)),
    "struck out": ({"entries": [decision(), entry(2, "note", supersedes="e1", note="slip")]}, (None, 20.5)),
    "struck out of two": (
        {"entries": [decision(), decision(19.4, 2), entry(3, "note", supersedes="e2", note="slip")]}, (None, 20.5)
    ),
    "stale": (
        {"entries": [decision(), entry(2, "shaping file", size=25, taper=0.04, length_mm=20.5)]}, (20.7, 20.5)
    ),
    "decided from another point": ({"entries": [decision(reference_point="fossa")]}, (20.7, None)),
    "decided from a point that nobody named": ({"entries": [decision(reference_point=None)]}, (20.7, None)),
    "point not marked": ({"trace_changes": {"reference_px": None}}, (None, None)),
    "point not marked, decided": ({"trace_changes": {"reference_px": None}, "entries": [decision()]}, (20.7, 20.5)),
    "point not named": ({"canal_changes": {"reference_point": None}, "schema": "wlmeasure-case/2"}, (None, None)),
    "readings alone": (
        {"canal_changes": {"traces": []},
         "entries": [entry(k, "electronic reading", length_mm=20.5, finding="foramen") for k in (1, 2, 3)]}, (None, 19.5),
    ),
    "film and readings apart": (
        {"entries": [entry(k, "electronic reading", length_mm=16.0, finding="foramen") for k in (1, 2, 3)]}, (None, None),
    ),
    "a decision without a length": ({"entries": [entry(1, "decided working length")]}, (None, 20.5)),
    "version 1, in the canal alone": ({"canal_changes": CANAL}, (20.0, 20.0)),
    "version 1, the same twice": ({"canal_changes": CANAL, "entries": [decision(20.0)]}, (20.0, 20.0)),
    "version 1, two decisions": ({"canal_changes": CANAL, "entries": [decision(20.5)]}, (None, 20.5)),
    "version 1, struck out in the log": (
        {"canal_changes": CANAL, "entries": [decision(20.0), entry(2, "note", supersedes="e1", note="slip")]}, (None, 20.5),
    ),
    "a record that cannot be followed": ({"entries": [decision(supersedes="e7")]}, (None, 20.5)),
    "no scale": ({"film_changes": {"scale": []}, "entries": [decision()]}, (20.7, 20.5)),
}  # fmt: skip


@pytest.mark.parametrize("name", BY_HAND)
def test_every_output_says_what_was_meant(bench, tmp_path, name):
    """Canal of 22.0 mm to the radiographic apex; 20.7 mm is proposed by the film alone, 19.8 by readings of 20.5; stops on half
    millimetres.
    """
    changes, meant = BY_HAND[name]
    result = bench(**changes)
    said = outputs(result, tmp_path)
    assert set(said) == {
        *("text", "json", "csv", "report.html", "report.pdf", "card.html", "card.pdf", "sr", "sr items", "record show"),
    }
    proposed = meant[0] is None
    for output, facts in said.items():
        wanted = {"MB": meant}
        if output.startswith("card"):
            wanted = readback.with_a_stop(wanted)
        elif output == "record show" and proposed:
            wanted = {"MB": (None, None)}
        assert readback.rounded(facts) == wanted, output


# --- by chance ----------------------------------------------------------------------------------------------------------------


def by_chance(seed):
    """JSON of a case of version 2 and the decisions that stand in it, by hand of the one who wrote the entries."""
    rng = np.random.default_rng(seed)
    canals, entries, held = [], [], {}

    def add(kind, canal, **more):
        k = len(entries) + 1
        made = {
            "id": f"e{k}",
            "kind": kind,
            "at": f"2026-03-{1 + k // 20:02d}T10:{k % 20:02d}",
            "by": "KO",
            "canal": canal,
        }
        entries.append(made | more)
        return made["id"]

    def some(share):
        return rng.random() < share

    for k, name in enumerate(NAMES[: rng.integers(1, 5)]):
        point = POINTS[rng.integers(3)] if some(0.85) else None
        trace = {
            "film": "f1",
            "path_px": [[20, 60 + 40 * k], [460 - 20 * k, 60 + 40 * k]],
            "apical_end": "radiographic apex",
        }
        if some(0.7):
            trace["reference_px"] = [20, 60 + 40 * k]
        canals.append({"name": name, "reference_point": point, "traces": [trace] if some(0.8) else []})
        held[name] = []
    for _ in range(rng.integers(0, 12)):
        canal = canals[rng.integers(len(canals))]
        name, point = canal["name"], canal["reference_point"]
        length = float(rng.choice([16.0, 18.75, 19.99, 20.5, 21.0, 21.5]))
        kind = rng.choice(["reading", "readings", "decide", "decide", "strike", "shape", "move", "shorten", "over"])
        if kind in ("reading", "readings") and point is not None:
            for _ in range(1 if kind == "reading" else 3):
                add("electronic reading", name, reference_point=point, length_mm=length, finding="foramen")
        elif kind == "decide" and point is not None:
            held[name].append((add("decided working length", name, reference_point=point, length_mm=length), length))
        elif kind == "over" and held[name]:
            old, _ = held[name].pop()
            new = add("decided working length", name, reference_point=point, length_mm=length, supersedes=old)
            held[name].append((new, length))
        elif kind == "strike" and held[name]:
            old, _ = held[name].pop()
            add("note", name, supersedes=old, note="entered by mistake")
        elif kind == "shape" and point is not None:
            add("shaping file", name, size=25, taper=0.04, length_mm=length, reference_point=point)
        elif kind == "move" and point is not None:
            canal["reference_point"] = POINTS[rng.integers(3)]
            add("reference point changed", name, reference_point=canal["reference_point"])
        elif kind == "shorten":
            add("cusp shortened", None, extent_mm=0.5)
    changes = {"canals": canals, "entries": entries, "schema": "wlmeasure-case/2", "case_id": f"K-{seed}"}
    return changes, {name: stack[-1][1] if stack else None for name, stack in held.items()}


@pytest.mark.parametrize("seed", range(30))
def test_every_output_of_a_case_by_chance_says_the_same(bench, tmp_path, seed):
    changes, decided = by_chance(seed)
    check(bench(**changes), tmp_path, decided=decided)


def test_the_cases_by_chance_hold_every_kind(bench):
    """Decided, proposed and neither, several canals, unnamed points, decisions that no longer hold."""
    facts = [one for seed in range(30) for one in case_facts(bench(**by_chance(seed)[0])).canals]
    assert {one.stop and one.stop.whose for one in facts} == {"decided", "proposed", None}
    assert any(one.decision is not None and one.stop is None for one in facts)
    assert any(one.reference_point is None for one in facts)
    assert any(one.decision is not None and one.decision.id in {s.entry.id for s in one.stale} for one in facts)


def test_every_beginning_of_the_molars_record_gives_every_output(molar, tmp_path):
    """Early records too: an estimate, readings without a working length, files before one; of the later ones every eighth."""
    entries = molar.case.entries
    before = molar
    for count in [*range(16), *range(16, len(entries), 8), len(entries)]:
        case = attrs.evolve(molar.case, entries=entries[:count])
        before = evaluate(case, before=before)
        whole = count < 8 or count % 12 == 0
        pages = ("report.html", "report.pdf", "card.html", "card.pdf") if whole else ("report.html", "card.html")
        check(before, tmp_path, pages=pages, dicom=whole)


EARLY = {
    "estimate and reading": [
        entry(1, "preoperative estimate", length_mm=21.0, canal=None),
        entry(2, "electronic reading", length_mm=20.5, finding="foramen"),
    ],
    "estimate alone": [entry(1, "preoperative estimate", length_mm=21.0)],
    "file before any length": [
        entry(1, "glide path", size=10, length_mm=19.0, finding="reproducible"),
        entry(2, "shaping file", size=25, taper=0.04, length_mm=19.0),
    ],
    "estimate, patency, reading": [
        entry(1, "preoperative estimate", length_mm=21.0),
        entry(2, "patency", finding="patent"),
        entry(3, "electronic reading", length_mm=20.5, finding="foramen"),
        entry(4, "electronic reading", length_mm=21.0, finding="constriction"),
    ],
}


@pytest.mark.parametrize("name", EARLY)
@pytest.mark.parametrize("traced", [True, False])
def test_an_early_record_gives_every_output(bench, tmp_path, name, traced):
    check(bench(canal_changes={} if traced else {"traces": []}, entries=EARLY[name]), tmp_path, decided={"MB": None})
