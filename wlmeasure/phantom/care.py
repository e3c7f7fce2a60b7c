"""What was done to a tooth of level "real", drawn: files, root fillings and their faults, posts, crowns, restorations.

How often each is there is our parameter: often enough that a film of a clinic finds its like among some thousand.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.bodies import block, bulge, moved, pointed, screw
from wlmeasure.phantom.chance import left_over, pick
from wlmeasure.phantom.mouth import Work
from wlmeasure.phantom.options import CROWNS, FAULTS, FILLERS, FILLINGS, POSTS
from wlmeasure.phantom.scene import Cap, FileInCanal, FillingInCanal, Scene
from wlmeasure.phantom.solid import Solid, tube
from wlmeasure.phantom.tooth import FRONT, Canal, Tooth
from wlmeasure.phantom.treatment import access_cavity, access_closure, clamp, file_line, one_a_canal, restoration

__all__ = ["Chooser", "Plan", "broken_instrument", "cone", "implant", "references", "treated", "wire"]

Float64 = NDArray[np.float64]

FILES = (0.06, 0.08, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40)
_FILE_SHARES = (0.05, 0.1, 0.2, 0.23, 0.16, 0.12, 0.06, 0.04, 0.04)
SHANKS_MM = (21.0, 25.0, 31.0)
"""Tip to handle: the lengths that hand files are sold in (ISO 3630-1)."""
_FILLING_SHARES = (0.6, 0.14, 0.13, 0.08, 0.05)
_FAULT_SHARES = (0.45, 0.25, 0.2, 0.1)
_POST_SHARES = (0.3, 0.25, 0.3, 0.15)
_POST_MATERIALS = {"cast post": "alloy", "smooth post": "titanium", "screw post": "titanium", "fibre post": "fibre"}
_CAP_SHARES = (0.4, 0.4, 0.2)
_FILLER_SHARES, _FRONT_FILLER_SHARES = (0.34, 0.34, 0.12, 0.06, 0.14), (0.03, 0.6, 0.17, 0.02, 0.18)


class Chooser:
    """Draws from a generator in which some things are never drawn."""

    def __init__(self, rng: np.random.Generator, without: tuple[str, ...]) -> None:
        self.rng = rng
        self.without = frozenset(without)

    def one(self, names: tuple[str, ...], shares: tuple[float, ...]) -> str | None:
        """One of the names in proportion to the shares; None where all of them are left out."""
        left, draw = left_over(names, shares, self.without), self.rng.random()
        return names[pick(left, draw)] if left.sum() > 0.0 else None

    def chance(self, share: float, name: str = "") -> bool:
        """True in a share of draws, never for a thing that is left out."""
        return bool(self.rng.random() < share) and name not in self.without


@frozen
class Plan:
    """What is to be done to one tooth; None: drawn. `files` counts them, `filled` is whether its roots are filled."""

    files: int = 0
    filled: bool = False
    sizes_mm: float | None = None
    taper: float = 0.02
    tip_angle_deg: float | None = None
    short_mm: float | None = None
    first_canal: int | None = None
    fillings_mm: float | tuple[float | None, ...] | None = None
    filling_shape: tuple[float, float] | None = None
    cap: str | float | None = None
    restored: bool | None = None
    clamp: bool | None = None
    worked_on: float = 0.5


def references(ask: Chooser, tooth: Tooth) -> list[tuple[int, float]]:
    """For each canal the cusp or edge that a file in it is measured from, and its length from there to the orifice, mm.

    A file's stop lies level with that point: where the plane square to the file, straight on from the orifice, passes it.
    """
    cusps = [point for _, point in tooth.cusps_mm()]
    chosen = []
    for canal in tooth.canals:
        start, tangent = canal.curve.points_mm[0], canal.curve.tangents[0]
        up = [float((start - cusp) @ tangent) for cusp in cusps]
        away = [float(np.linalg.norm(start - length * tangent - cusp)) for length, cusp in zip(up, cusps, strict=True)]
        order = np.argsort(away, kind="stable")
        second = ask.rng.random() < 0.2 and len(order) > 1 and tooth.crown.kind not in FRONT
        k = int(order[1 if second else 0])
        chosen.append((k, up[k]))
    return chosen


def treated(ask: Chooser, tooth: Tooth, plan: Plan) -> tuple[Scene, tuple[Work, ...], list[Float64]]:
    """The tooth with its plan carried out, what was made, and each canal's coronal reference point on its straight extension.

    Raises
    ------
    PhantomError
        More files than canals, a file or filling that does not fit its canal.
    """
    rng, levels = ask.rng, references(ask, tooth)
    points = [
        canal.curve.points_mm[0] - coronal * canal.curve.tangents[0]
        for canal, (_, coronal) in zip(tooth.canals, levels, strict=True)
    ]
    made: dict[str, Any] = {"inside": (), "restorations": (), "hardware": ()}
    works: list[Work] = []
    order = [int(k) for k in rng.permutation(len(tooth.canals))]
    if plan.first_canal is not None:
        if not 0 <= plan.first_canal < len(order):
            raise PhantomError(f"file_canal must be 0 to {len(order) - 1} on this tooth: {plan.first_canal}")
        order.sort(key=lambda k: k != plan.first_canal)
    held = _fillings(ask, tooth, plan, order[: plan.files], made, works) if plan.filled else frozenset()
    if plan.files:
        _files(rng, tooth, plan, levels, [k for k in order if k not in held and tooth.canals[k].closed_mm == 0.0], made)
    open_crown = plan.files > 0
    if plan.filled:
        _build_up(ask, tooth, made, works, open_crown)
    _covering(ask, tooth, plan, made, works)
    if "pins" not in ask.without and made["restorations"] and rng.random() < 0.07 and tooth.crown.kind == "molar":
        _pins(ask, tooth, made, works)
    if (plan.files > 0 and ask.chance(0.3, "clamp")) if plan.clamp is None else plan.clamp:
        made["hardware"] = clamp(rng, tooth)
        works.append(Work("clamp", "steel", np.array([[0.0, 0.0, 1.0]])))
    return Scene(tooth, **made), tuple(works), points


def _files(
    rng: np.random.Generator,
    tooth: Tooth,
    plan: Plan,
    levels: list[tuple[int, float]],
    order: list[int],
    made: dict[str, Any],
) -> None:
    canals = tooth.canals
    if plan.first_canal is not None and order[:1] != [plan.first_canal]:
        raise PhantomError("filling must leave the file's canal empty: ask for file=False, or None for that canal")
    if plan.files > len(order):
        raise PhantomError(f"files must be at most the tooth's {len(order)} canals that are free: {plan.files}")
    shank = float(rng.choice(SHANKS_MM, p=(0.25, 0.6, 0.15)))
    stop, handle = _fittings(rng)
    files, openings = [], []
    for number, k in enumerate(order[: plan.files]):
        canal, (cusp, coronal) = canals[k], levels[k]
        drawn = _tip_short(rng)
        size = float(rng.choice(FILES, p=_FILE_SHARES))
        angle = float(rng.uniform(60.0, 90.0))
        short = drawn if plan.short_mm is None or number else plan.short_mm
        if plan.short_mm is None or number:
            # A file no thinner than the canal binds short of its narrow end; a joined one stops where the other passes.
            short = min(
                max(short, canal.joins.mm_from_apex if canal.joins and number else short), 0.6 * canal.curve.length_mm
            )
        if not -3.0 <= short < canal.curve.length_mm:
            raise PhantomError(f"tip_short_mm must be -3 to the canal's {canal.curve.length_mm:.1f} mm: {short:g}")
        files.append(
            FileInCanal(
                canal=k,
                line=file_line(canal, coronal, short),
                coronal_mm=coronal,
                size_mm=size if plan.sizes_mm is None or number else plan.sizes_mm,
                taper=plan.taper,
                tip_angle_deg=angle if plan.tip_angle_deg is None or number else plan.tip_angle_deg,
                shank_mm=shank,
                stop_mm=(float(rng.uniform(1.0, 2.0)), float(rng.uniform(0.8, 2.0))),
                stop=stop,
                handle=handle,
                rests_on=cusp,
            )
        )
        openings.append(access_cavity(tooth, canal))
    made["file"], made["more_files"] = files[0], tuple(files[1:])
    made["access"], made["more_access"] = openings[0], tuple(openings[1:])


def _tip_short(rng: np.random.Generator) -> float:
    """How far short of the foramen a tip lies; negative beyond it."""
    kind, size = rng.random(), float(rng.standard_normal())
    if kind < 0.62:
        return abs(1.1 * size)
    if kind < 0.78:
        return 0.2 * size
    if kind < 0.9:
        return -min(abs(0.9 * size), 2.5)
    return 2.0 + abs(1.8 * size)


def _fittings(rng: np.random.Generator) -> tuple[str | None, str | None]:
    """Materials of stop and handle, the same for all files of a film."""
    stop = (None, "faint silicone", "silicone")[int(rng.choice(3, p=(0.25, 0.55, 0.2)))]
    handle = (None, "plastic", "composite", "steel")[int(rng.choice(4, p=(0.06, 0.54, 0.25, 0.15)))]
    return stop, handle


def _fillings(
    ask: Chooser, tooth: Tooth, plan: Plan, free: list[int], made: dict[str, Any], works: list[Work]
) -> frozenset[int]:
    """Root fillings, all of one material, none in the canals that are to stay `free`; the canals that hold one."""
    rng = ask.rng
    material = ask.one(FILLINGS, _FILLING_SHARES) or FILLINGS[0]
    fault = ask.one(FAULTS, _FAULT_SHARES) or FAULTS[0]
    missed = int(rng.integers(len(tooth.canals))) if len(tooth.canals) > 1 and rng.random() < 0.2 else None
    size, taper = float(rng.uniform(0.25, 0.5)), float(rng.choice([0.02, 0.04, 0.06, 0.08], p=(0.3, 0.35, 0.25, 0.1)))
    if plan.filling_shape is not None:
        size, taper = plan.filling_shape
    shorts = None if plan.fillings_mm is None else one_a_canal(tooth, plan.fillings_mm)
    fillings = []
    for k, canal in enumerate(tooth.canals):
        length = canal.curve.length_mm
        short = {"short": rng.uniform(2.0, max(0.5 * length, 2.0)), "over": -rng.uniform(0.2, 2.0)}.get(
            fault, abs(0.8 * rng.standard_normal())
        )
        gaps = tuple(
            (float(at), float(at + rng.uniform(0.4, 2.0)))
            for at in rng.uniform(0.1, 0.9, int(rng.integers(1, 4))) * length
        )
        asked = None if shorts is None else shorts[k]
        if (shorts is None and (k == missed or k in free)) or (shorts is not None and asked is None):
            continue
        if asked is not None:
            short = asked
        if not -4.0 <= short < length:
            raise PhantomError(f"filling must end within the canal's {length:.1f} mm: {short:g} mm short")
        start = canal.closed_mm if canal.closed_mm < length - short - 1.0 else 0.0
        fillings.append(
            FillingInCanal(
                k, float(length - short), size, 0.02 if material == "silver" else taper, material, float(start),
                point=material == "silver" or (material == "gutta-percha" and canal.open_apex),
                voids=gaps if fault == "voids" and asked is None else (),
            )
        )  # fmt: skip
    made["fillings"] = tuple(fillings)
    if fault != "sound" and shorts is None:
        works.append(Work("filling fault", fault, np.zeros((0, 3))))
    return frozenset(one.canal for one in fillings)


def _build_up(ask: Chooser, tooth: Tooth, made: dict[str, Any], works: list[Work], open_crown: bool) -> None:
    """What closes a filled tooth: a post and its core, or a filling over the orifices; now and then a broken instrument."""
    rng, fillings = ask.rng, made["fillings"]
    if not fillings:
        return
    chosen = fillings[int(rng.integers(len(fillings)))]
    canal = tooth.canals[chosen.canal]
    kind = ask.one(POSTS, _POST_SHARES)
    if kind is not None and rng.random() < 0.32 and not open_crown:
        depth = min(float(rng.uniform(0.3, 0.65)) * canal.curve.length_mm, chosen.end_mm - 2.5)
        if depth > 2.0:
            body, line = _post(rng, kind, canal, depth, tooth)
            made["inside"] += ((_POST_MATERIALS[kind], body),)
            works.append(Work(kind, _POST_MATERIALS[kind], line))
            made["fillings"] = tuple(
                evolve(one, start_mm=max(one.start_mm, depth + float(rng.uniform(0.0, 1.5)))) if one is chosen else one
                for one in fillings
            )
            if kind == "cast post":
                core = bulge(
                    np.array([*line[0][:2], 0.32 * tooth.crown.height_mm]),
                    (0.5 * tooth.crown.half_x_mm, 0.45 * tooth.crown.half_y_mm, 0.3 * tooth.crown.height_mm),
                )
                made["inside"] += (("alloy", core),)
    if not open_crown:
        closed = access_closure(tooth, [tooth.canals[one.canal] for one in fillings])
        material = ("composite", "amalgam", "temporary", "cement")[int(rng.choice(4, p=(0.45, 0.25, 0.2, 0.1)))]
        if material not in ask.without:
            made["restorations"] += ((material, closed),)
            works.append(Work("access filling", material, closed.vertices.mean(axis=0)[None]))


def _post(rng: np.random.Generator, kind: str, canal: Canal, depth: float, tooth: Tooth) -> tuple[Solid, Float64]:
    """A straight post, from within the crown to `depth` along the canal; its body and its axis (2, 3)."""
    end = canal.curve.at([depth])[0]
    start = canal.curve.points_mm[0]
    up = (start - end) / np.linalg.norm(start - end)
    top = start + up * float(rng.uniform(0.25, 0.5)) * tooth.crown.height_mm
    radius = float(rng.uniform(0.45, 0.8)) * (0.85 if canal.width_mm[0] < 0.4 else 1.0)
    if kind == "screw post":
        body = screw(top, end, radius, depth_mm=float(rng.uniform(0.12, 0.25)), pitch_mm=float(rng.uniform(0.7, 1.1)))
    else:
        slim = 0.45 if kind == "cast post" else float(rng.choice([0.5, 0.95]))
        body = pointed(top, end, radius, max(slim * radius, 0.25))
    return body, np.array([top, end])


def _covering(ask: Chooser, tooth: Tooth, plan: Plan, made: dict[str, Any], works: list[Work]) -> None:
    """An artificial crown in place of all fillings, or fillings in the crown, or neither."""
    rng = ask.rng
    kind = ask.one(CROWNS, _CAP_SHARES if tooth.crown.kind not in FRONT else (0.03, 0.6, 0.37))
    share = (0.45 if plan.filled else 0.16) * plan.worked_on
    chance = rng.random()
    if isinstance(plan.cap, str):
        kind, share = plan.cap, 1.0
    elif plan.cap is not None:
        share = float(plan.cap)
    elif plan.restored:
        share = 0.0
    thick, coping, ceramic = rng.uniform(0.5, 1.1), rng.uniform(0.3, 0.55), rng.uniform(0.7, 1.1)
    top = np.array([[0.0, 0.0, 0.6 * tooth.crown.height_mm]])
    if kind is not None and chance < share:
        made["restorations"] = ()
        works[:] = [work for work in works if work.what != "access filling"]
        made["cap"] = Cap(coping, ceramic) if kind == "veneered" else Cap(thick)
        made["cap_material"] = "zirconia" if kind == "zirconia" else "alloy"
        works.append(Work("crown", kind, top))
        return
    restored = rng.random() < 0.8 * plan.worked_on if plan.restored is None else plan.restored
    if not restored:
        return
    for _ in range(1 + int(rng.random() < 0.3)):
        front = tooth.crown.kind in FRONT
        material = ask.one(FILLERS, _FRONT_FILLER_SHARES if front else _FILLER_SHARES)
        if material is None:
            return
        _, body = restoration(rng, tooth, material)
        if front or rng.random() < 0.2:  # at the neck or on one side, not from above
            side = float(rng.choice([-1.0, 1.0]))
            z = float(rng.uniform(0.1, 0.75)) * tooth.crown.height_mm
            body = bulge(
                np.array([side * 0.75 * tooth.crown.half_x_mm, 0.0, z]),
                (
                    float(rng.uniform(0.2, 0.5)) * tooth.crown.half_x_mm,
                    float(rng.uniform(0.15, 0.4)) * tooth.crown.half_y_mm,
                    float(rng.uniform(0.7, 2.2)),
                ),
            )
        made["restorations"] += ((material, body),)
        works.append(Work("cavity" if material == "soft" else "filling", material, body.vertices.mean(axis=0)[None]))


def _pins(ask: Chooser, tooth: Tooth, made: dict[str, Any], works: list[Work]) -> None:
    rng, form = ask.rng, tooth.crown
    for _ in range(int(rng.integers(1, 5))):
        foot = np.array([rng.choice([-1.0, 1.0]) * rng.uniform(0.45, 0.7) * form.half_x_mm,
                         rng.uniform(-0.5, 0.5) * form.half_y_mm, rng.uniform(-1.0, 0.3)])  # fmt: skip
        head = foot + np.array([rng.normal(0.0, 0.4), 0.0, rng.uniform(2.5, 4.0)])
        radius = float(rng.uniform(0.25, 0.4))
        made["inside"] += (("titanium", screw(head, foot, radius, depth_mm=0.25 * radius, pitch_mm=0.35)),)
        works.append(Work("pin", "titanium", np.array([head, foot])))


def broken_instrument(ask: Chooser, tooth: Tooth, free: list[int]) -> tuple[tuple[str, Solid], Work] | None:
    """A piece of a file left in a canal."""
    rng = ask.rng
    if not free:
        return None
    canal = tooth.canals[int(rng.choice(free))]
    length = canal.curve.length_mm
    piece = float(rng.uniform(1.5, 5.0))
    end = length - float(rng.uniform(-0.5, 0.45 * length))
    start = max(end - piece, 0.3)
    if end - start < 1.0:
        return None
    arc = np.linspace(start, end, 24)
    radius = 0.5 * (float(rng.uniform(0.15, 0.35)) + float(rng.uniform(0.02, 0.06)) * (end - arc))
    line = canal.curve.at(arc)
    return ("steel", tube(line, radius, sides=20)), Work("broken instrument", "steel", line)


def cone(ask: Chooser, tooth: Tooth) -> tuple[tuple[str, Solid], Work]:
    """A gutta-percha point that lies in a sinus tract: from the gingiva to near a root end, bent, before the bone."""
    rng = ask.rng
    root = tooth.roots[int(rng.integers(len(tooth.roots)))]
    end = root.end_mm() + np.array([rng.normal(0.0, 1.0), rng.uniform(0.5, 2.0), rng.normal(0.5, 1.0)])
    side = float(rng.choice([-1.0, 1.0]))
    mouth = np.array([side * rng.uniform(1.0, 7.0), tooth.crown.half_y_mm + 1.0, rng.uniform(-6.0, 0.0)])
    middle = 0.5 * (end + mouth) + np.array([side * rng.uniform(0.0, 2.5), 1.5, rng.normal(0.0, 1.0)])
    outside = mouth + np.array([side * rng.uniform(1.0, 4.0), 1.0, rng.uniform(1.0, 5.0)])
    t = np.linspace(0.0, 1.0, 30)[:, None]
    line = (1 - t) ** 3 * end + 3 * (1 - t) ** 2 * t * middle + 3 * (1 - t) * t**2 * mouth + t**3 * outside
    radius = np.linspace(0.14, float(rng.uniform(0.25, 0.45)), 30)
    return ("gutta-percha", tube(line, radius, sides=16)), Work("cone", "gutta-percha", line)


def implant(ask: Chooser, form_half_mm: tuple[float, float, float]) -> tuple[list[tuple[str, Solid]], Work]:
    """An implant with its crown, in a frame like a tooth's."""
    rng = ask.rng
    radius, length = float(rng.uniform(1.65, 2.5)), float(rng.uniform(8.0, 13.0))
    lean = np.array([rng.normal(0.0, 0.07), rng.normal(0.0, 0.07), -1.0])
    top, end = np.array([0.0, 0.0, -1.0]), np.array([0.0, 0.0, -1.0]) + length * lean
    bodies = [
        (
            "titanium",
            screw(top, end, radius, depth_mm=float(rng.uniform(0.2, 0.4)), pitch_mm=float(rng.uniform(0.7, 1.2))),
        )
    ]
    if rng.random() < 0.75:
        bodies.append(
            ("titanium", pointed(np.array([0.0, 0.0, 0.6 * form_half_mm[2]]), np.array([0.0, 0.0, -1.2]), 1.4, 1.3))
        )
        crown = block(
            np.array([0.0, 0.0, 0.55 * form_half_mm[2]]), (form_half_mm[0], form_half_mm[1], 0.5 * form_half_mm[2])
        )
        bodies.append(("ceramic", crown))
    return bodies, Work("implant", "titanium", np.array([top, end]))


def wire(ask: Chooser, at_mm: Float64, edges_mm: Float64) -> tuple[list[tuple[str, Solid]], Work]:
    """An arch wire along points (N, 3) and a bracket at each; `edges_mm` (2, 3) are its ends."""
    rng = ask.rng
    line = np.vstack([edges_mm[:1], at_mm, edges_mm[1:]])
    bodies = [("steel", tube(line, float(rng.uniform(0.2, 0.3)), sides=12, across=(0.0, 0.0, 1.0)))]
    half = (float(rng.uniform(1.2, 1.8)), float(rng.uniform(0.5, 0.9)), float(rng.uniform(1.2, 1.8)))
    for point in at_mm:
        bodies.append(("steel", moved(block(np.zeros(3), half), np.eye(3), point)))
    return bodies, Work("wire", "steel", line)
