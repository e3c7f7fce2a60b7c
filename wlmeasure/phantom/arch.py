"""The teeth on a film of level "real", drawn: which, how they stand beside each other, and what each has been through.

Shares are our parameters; the order of teeth along a jaw is anatomy's, spacing, leaning and turning are round figures.
"""

from __future__ import annotations

from math import cos, radians, sin

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from wlmeasure.errors import PhantomError
from wlmeasure.phantom.bodies import moved
from wlmeasure.phantom.care import Chooser, Plan, broken_instrument, cone, implant, treated, wire
from wlmeasure.phantom.chance import left_over, pick
from wlmeasure.phantom.kinds import KINDS, LUMENS, draw_kind
from wlmeasure.phantom.mouth import Mouth, Placed, Work
from wlmeasure.phantom.options import Options
from wlmeasure.phantom.solid import Solid
from wlmeasure.phantom.tooth import FRONT, Tooth

__all__ = ["draw_mouth"]

Float64 = NDArray[np.float64]

_ROW = ("third molar", "second molar", "first molar", "second premolar", "first premolar", "canine",
        "lateral incisor", "central incisor")  # fmt: skip
_SHARES = {
    "upper": (0.02, 0.08, 0.13, 0.07, 0.07, 0.06, 0.07, 0.08),
    "lower": (0.02, 0.09, 0.14, 0.07, 0.06, 0.05, 0.04, 0.05),
}
"""How often each of a row is the tooth in hand."""
REACH_MM = {"periapical": 21.0, "bitewing": 30.0, "panoramic": 80.0}
"""Teeth stand so far to either side of the one in hand; what of them a film shows depends on where it lies."""
OVERBITE_MM = (0.3, 2.0)
"""How far the crowns of both jaws pass one another; our parameter."""
ARCH_MM = {"front": 20.0, "side": 45.0}
"""Radius of the dental arch at front teeth and beside them."""
LEAN_DEG, TURN_DEG = 4.0, 7.0
"""Standard deviations of how teeth lean and turn against their neighbours."""
FILES_SHARE, FILLED_SHARE, BESIDE_SHARE = 0.55, 0.34, 0.08
"""Films with files in the tooth in hand, teeth with root fillings among the others, films with a file in a tooth beside."""
_FILE_COUNTS = (0.4, 0.34, 0.18, 0.08)
_MOLAR_COUNTS = (0.2, 0.26, 0.36, 0.18)
"""How many files there are where there are some, in any tooth and in one of three canals or more."""
_GAP, _IMPLANT, _WIRE, _CONE, _BROKEN, _UNERUPTED, _PRIMARY = 0.05, 0.35, 0.03, 0.025, 0.03, 0.05, 0.035
"""Shares of places without a tooth, of those with an implant, and of films with the other rare things."""
PRIMARY = {"central incisor": "primary incisor", "lateral incisor": "primary incisor", "canine": "primary canine",
           "first premolar": "primary molar", "second premolar": "primary molar"}  # fmt: skip


@frozen
class _Patient:
    """Young, grown or old, and how much dentists have done."""

    lumens: tuple[float, ...]
    worked_on: float


def draw_mouth(seed: list[int], wish: Options) -> Mouth:
    """The mouth of a film, without its jaw.

    `seed` starts streams of their own for the row of teeth, for each tooth and for what was done to it.

    Raises
    ------
    PhantomError
        Wishes that do not go together.
    """
    rng = np.random.default_rng([*seed, 0])
    ask = Chooser(rng, wish.leave_out)
    include = frozenset(wish.include)
    upper, place, kind = _in_hand(rng, wish)
    jaw = "upper" if upper else "lower"
    distal = float(rng.choice([-1.0, 1.0]))
    primary = ask.chance(_PRIMARY, "primary")
    if kind is None:
        primary = ("primary" in include) or (primary and not _asked(wish))
        if "primary" in include and _ROW[place] not in PRIMARY:
            place = int(rng.choice([3, 4, 5, 7]))
        kind = PRIMARY[_ROW[place]] if primary and _ROW[place] in PRIMARY else f"{jaw} {_ROW[place]}"
    patient = _patient(rng, kind.startswith("primary"), wish.leave_out)
    plan = _plan(rng, ask, wish, patient)
    tooth, lumen = _tooth(np.random.default_rng([*seed, 1]), kind, distal, patient, wish, plan)
    many = int(rng.choice(4, p=_MOLAR_COUNTS)) + 1
    if wish.files is None:
        if plan.files and len(tooth.canals) > 2:
            plan = evolve(plan, files=many)
        plan = evolve(plan, files=min(plan.files, len(tooth.canals)))
    scene, works, references = treated(Chooser(np.random.default_rng([*seed, 2]), wish.leave_out), tooth, plan)
    first = Placed(scene, kind, "erupted", lumen, np.eye(3), np.zeros(3), works, tuple(references))
    teeth, bodies, things = [first], [], []
    extra = ask.chance(BESIDE_SHARE) and plan.files > 0 and wish.files is None
    for side in (-1.0, 1.0) if wish.neighbours else ():
        # Mesial of the tooth in hand is -distal: that way the row is walked towards the midline and over it.
        step, at = (1 if side != distal else -1), 0.0
        before = tooth.crown.half_x_mm
        for count in range(1, 16):
            name, own = _next(place, step * count, distal)
            if name is None:
                break
            stream = [*seed, 10 + 2 * count + (side > 0.0), 0]
            own_rng = np.random.default_rng(stream)
            own_ask = Chooser(own_rng, wish.leave_out)
            full = f"{jaw} {name}"
            if kind.startswith("primary") and name in PRIMARY and own_rng.random() < 0.7:
                full = PRIMARY[name]
            files = 1 if extra and count == 1 and side == distal else 0
            beside, beside_lumen = _tooth(own_rng, full, own, patient, None, Plan(files=files))
            at += before + beside.crown.half_x_mm + _space(own_rng)
            before = beside.crown.half_x_mm
            if at > REACH_MM[wish.picture] + before:
                break
            turn, shift = _stand(own_rng, side * at, full, flat=wish.picture == "panoramic")
            gap = (
                full in wish.leave_out
                or own_ask.chance(_GAP, "gap")
                or ("gap" in include and count == 1 and side == distal)
            )
            has_implant = own_ask.chance(_IMPLANT, "implant") and gap
            if "implant" in include and count == 1 and side == distal:
                gap = has_implant = True
            if has_implant:
                half = (beside.crown.half_x_mm, 0.8 * beside.crown.half_y_mm, beside.crown.height_mm)
                made, work = implant(own_ask, half)
                bodies += [(material, moved(body, turn, shift)) for material, body in made]
                things.append(Work(work.what, work.material, work.line_mm @ turn.T + shift))
            if gap:
                continue
            filled = bool(own_rng.random() < 0.14 * 2.0 * patient.worked_on) and files == 0
            own_plan = Plan(files=files, filled=filled, worked_on=patient.worked_on)
            scene, works, levels = treated(own_ask, beside, own_plan)
            teeth.append(Placed(scene, full, "erupted", beside_lumen, turn, shift, works, tuple(levels)))
    _rare(ask, include, wish, teeth, bodies, things, jaw, kind)
    mouth = Mouth(tuple(teeth), upper, tuple(things), tuple(bodies))
    return mouth if wish.picture == "periapical" else _with_opposing(seed, mouth, place, distal, patient, wish)


def _with_opposing(seed: list[int], mouth: Mouth, place: int, distal: float, patient: _Patient, wish: Options) -> Mouth:
    """The mouth with the teeth of the other jaw, which bite upon it: turned over about y, so that mesial stays where it is."""
    rng = np.random.default_rng([*seed, 3])
    jaw = "lower" if mouth.upper else "upper"
    over = np.diag([-1.0, 1.0, -1.0])
    height = mouth.teeth[0].scene.tooth.crown.height_mm
    level = height + KINDS[f"{jaw} {_ROW[place]}"].high_mm - float(rng.uniform(*OVERBITE_MM))
    at_level = np.array([0.0, 0.0, level])
    teeth = []
    for side in (-1.0, 1.0):
        step, at, before = (1 if side != distal else -1), 0.0, 0.0
        for count in range(0 if side > 0.0 else 1, 16):
            name, own = _next(place, step * count, distal)
            if name is None or at > REACH_MM[wish.picture]:
                break
            own_rng = np.random.default_rng([*seed, 50 + 2 * count + (side > 0.0), 0])
            own_ask = Chooser(own_rng, wish.leave_out)
            tooth, lumen = _tooth(own_rng, f"{jaw} {name}", -own, patient, None, Plan())
            at += 0.0 if count == 0 else max(before, tooth.crown.half_x_mm) + tooth.crown.half_x_mm + _space(own_rng)
            before = tooth.crown.half_x_mm
            turn, shift = _stand(own_rng, side * at, f"{jaw} {name}", flat=wish.picture == "panoramic")
            if own_ask.chance(_GAP, "gap") or f"{jaw} {name}" in wish.leave_out:
                continue
            filled = bool(own_rng.random() < 0.25 * patient.worked_on)
            scene, works, levels = treated(own_ask, tooth, Plan(filled=filled, worked_on=patient.worked_on))
            teeth.append(
                Placed(
                    scene, f"{jaw} {name}", "erupted", lumen, turn @ over, shift + at_level, works, tuple(levels)
                )
            )  # fmt: skip
    return evolve(mouth, opposing=tuple(teeth), bite=(over, at_level))


def _asked(wish: Options) -> bool:
    return any(v is not None for v in (wish.roots, wish.canals, wish.files, wish.filling, wish.lumen, wish.file_canal))


def _in_hand(rng: np.random.Generator, wish: Options) -> tuple[bool, int, str | None]:
    """Upper or lower, the place in the row, and the kind where it was asked for."""
    drawn_upper, draw = bool(rng.random() < 0.55), rng.random()
    upper = drawn_upper if wish.upper is None else wish.upper
    if wish.kind is not None:
        if wish.kind not in KINDS:
            raise PhantomError(f"kind must be one of {', '.join(KINDS)}: {wish.kind!r}")
        jaw, _, name = wish.kind.partition(" ")
        if jaw == "primary":
            places = [k for k, one in enumerate(_ROW) if PRIMARY.get(one) == wish.kind]
            return upper, places[int(draw * len(places))], wish.kind
        if wish.upper is not None and wish.upper != (jaw == "upper"):
            raise PhantomError(f"upper must go with kind: {wish.upper}, {wish.kind!r}")
        return jaw == "upper", _ROW.index(name), wish.kind
    fits = [[_holds(f"{jaw} {name}", wish) for name in _ROW] for jaw in ("upper", "lower")]
    if not any(fits[0 if upper else 1]):
        if wish.upper is not None or not any(fits[1 if upper else 0]):
            raise PhantomError(
                "roots, canals, files and filling must fit one kind of tooth: "
                f"roots {wish.roots}, canals {wish.canals}, at least {_needed(wish)} canals"
            )
        upper = not upper
    shares = np.array(_SHARES["upper" if upper else "lower"]) * fits[0 if upper else 1]
    return upper, pick(shares, draw), None


def _needed(wish: Options) -> int:
    row = len(wish.filling) if isinstance(wish.filling, (tuple, list)) else 0
    return max(wish.files or 0, 0 if wish.file_canal is None else wish.file_canal + 1, row, wish.canals or 0, 1)


def _holds(kind: str, wish: Options) -> bool:
    stems = len(KINDS[kind].stems)
    row = wish.filling if isinstance(wish.filling, (tuple, list)) else ()
    exact = wish.canals or len(row) or None
    return (
        kind not in wish.leave_out
        and (wish.roots is None or wish.roots == stems)
        and min(2 * stems, 4) >= _needed(wish)
        and (exact is None or exact >= stems)
    )


def _patient(rng: np.random.Generator, child: bool, without: tuple[str, ...]) -> _Patient:
    age = rng.random()
    worked_on = float(rng.uniform(0.15, 1.0))
    # Shares of LUMENS.
    if child:
        shares, worked_on = (0.4, 0.0, 0.6, 0.0), 0.5 * worked_on
    elif age < 0.17:
        shares, worked_on = (0.25, 0.0, 0.75, 0.0), 0.5 * worked_on
    elif age < 0.72:
        shares = (0.8, 0.17, 0.0, 0.03)
    else:
        shares = (0.3, 0.45, 0.0, 0.25)
    left = left_over(LUMENS, shares, without)
    if left.sum() <= 0.0:
        left = left_over(LUMENS, (1.0,) * len(LUMENS), without)
    if left.sum() <= 0.0:
        raise PhantomError(f"leave_out must leave one of {', '.join(LUMENS)}")
    return _Patient(tuple(left / left.sum()), worked_on)


def _plan(rng: np.random.Generator, ask: Chooser, wish: Options, patient: _Patient) -> Plan:
    """What is done to the tooth in hand; every draw is made whether it is used or not."""
    purpose, count, again = rng.random(), int(rng.choice(4, p=_FILE_COUNTS)) + 1, bool(rng.random() < 0.05)
    filled = bool(rng.random() < FILLED_SHARE)
    files = count if purpose < FILES_SHARE and wish.filling is None else 0
    if wish.files is not None:
        files = wish.files
    elif wish.file is not None or wish.file_canal is not None:
        files = 0 if wish.file is False else count
    elif wish.lumen == "obliterated" or wish.picture != "periapical":
        files = 0
    shorts = tuple(wish.filling) if isinstance(wish.filling, (tuple, list)) else wish.filling
    if wish.filling is not None:
        filled = True
    elif files:
        filled = again and wish.files is None
    shape = None if wish.filling is None else (wish.filling_size_mm, wish.filling_taper)
    return Plan(
        files=files, filled=filled, sizes_mm=wish.file_size_mm, taper=wish.file_taper, tip_angle_deg=wish.tip_angle_deg,
        short_mm=wish.tip_short_mm, first_canal=wish.file_canal, fillings_mm=shorts, filling_shape=shape, cap=wish.cap,
        restored=wish.restoration, clamp=wish.clamp, worked_on=patient.worked_on,
    )  # fmt: skip


def _tooth(
    rng: np.random.Generator, kind: str, distal: float, patient: _Patient, wish: Options | None, plan: Plan
) -> tuple[Tooth, str]:
    """A tooth with room for its plan, and how its canals are."""
    lumen = LUMENS[int(rng.choice(len(LUMENS), p=patient.lumens))]
    lumen = lumen if wish is None or wish.lumen is None else wish.lumen
    if plan.files and lumen == "obliterated":
        if wish is not None and wish.lumen is not None:
            raise PhantomError("lumen must not be obliterated where there are files: ask for files=0 or another lumen")
        lumen = "thin" if patient.lumens[LUMENS.index("thin")] > 0.0 else "usual"  # where no file would go in
    canals = None if wish is None else wish.canals
    if wish is not None and canals is None and isinstance(plan.fillings_mm, tuple):
        canals = len(plan.fillings_mm)
    if canals is not None and lumen == "wide" and wish is not None and wish.lumen is None:
        lumen = "usual"  # young roots hold one canal each
    confluent = 0.25 if wish is None or wish.confluent is None else float(wish.confluent)
    tooth = draw_kind(rng, kind, distal_x=distal, lumen=lumen, canals=canals, confluent=confluent)
    if canals is None and wish is not None and len(tooth.canals) < _needed(wish):
        lumen = "usual" if lumen == "wide" else lumen
        tooth = draw_kind(rng, kind, distal_x=distal, lumen=lumen, canals=_needed(wish), confluent=confluent)
    return tooth, lumen


def _next(place: int, steps: int, distal: float) -> tuple[str | None, float]:
    """The tooth so many places towards and beyond the midline, and which way its own distal lies; None past the last molar."""
    at = place + steps
    if at < 0:
        return None, distal
    if at < len(_ROW):
        return _ROW[at], distal
    other = 2 * len(_ROW) - 1 - at
    return (None, -distal) if other < 0 else (_ROW[other], -distal)


def _space(rng: np.random.Generator) -> float:
    """What is left between two crowns, mm; negative where they overlap."""
    wide, apart = rng.random(), rng.uniform(0.4, 2.2)
    return float(apart if wide < 0.08 else 0.12 * rng.standard_normal())


def _stand(rng: np.random.Generator, at_mm: float, kind: str, *, flat: bool) -> tuple[Float64, Float64]:
    """Turn and shift of a tooth so far along the arch from the tooth in hand; a panoramic picture unrolls the arch `flat`."""
    front = KINDS[kind].form in FRONT
    radius = 1e6 if flat else ARCH_MM["front" if front else "side"]
    angle = float(np.clip(at_mm / radius, -0.9, 0.9))
    x = radius * sin(angle) + np.sign(at_mm) * max(abs(at_mm) - radius * 0.9, 0.0)
    y = radius * (cos(angle) - 1.0)
    about_z = -angle + radians(TURN_DEG) * rng.standard_normal()
    about_y, about_x = radians(LEAN_DEG) * rng.standard_normal(2)
    shift = np.array([x, y + 0.5 * rng.standard_normal(), 0.5 * rng.standard_normal()])
    return _turned(about_x, about_y, about_z), shift


def _turned(about_x: float, about_y: float, about_z: float) -> Float64:
    cx, sx, cy, sy, cz, sz = (f(a) for a in (about_x, about_y, about_z) for f in (cos, sin))
    x = np.array([[1.0, 0.0, 0.0], [0.0, cx, -sx], [0.0, sx, cx]])
    y = np.array([[cy, 0.0, sy], [0.0, 1.0, 0.0], [-sy, 0.0, cy]])
    z = np.array([[cz, -sz, 0.0], [sz, cz, 0.0], [0.0, 0.0, 1.0]])
    turned: Float64 = z @ y @ x
    return turned


def _rare(
    ask: Chooser,
    include: frozenset[str],
    wish: Options,
    teeth: list[Placed],
    bodies: list[tuple[str, Solid]],
    things: list[Work],
    jaw: str,
    kind: str,
) -> None:
    """Things that few films show; every draw is made whether it is used or not."""
    rng = ask.rng
    drawn = {
        name: ask.chance(share, name) or name in include
        for name, share in (("wire", _WIRE), ("cone", _CONE), ("broken instrument", _BROKEN), ("unerupted", _UNERUPTED))
    }
    first = teeth[0]
    if drawn["broken instrument"]:
        scene = first.scene
        taken = {one.canal for one in scene.files}
        if "broken instrument" not in include:
            taken |= {one.canal for one in scene.fillings}
        found = broken_instrument(ask, scene.tooth, [k for k in range(len(scene.tooth.canals)) if k not in taken])
        if found is not None:
            body, work = found
            teeth[0] = first = evolve(
                first, scene=evolve(scene, inside=(*scene.inside, body)), works=(*first.works, work)
            )
    if drawn["cone"]:
        body, work = cone(ask, first.scene.tooth)
        bodies.append(body)
        things.append(work)
    if drawn["wire"]:
        row = sorted(teeth, key=lambda one: float(one.shift_mm[0]))
        at = np.array(
            [
                one.out(
                    np.array([[0.0, one.scene.tooth.crown.half_y_mm + 0.7, 0.5 * one.scene.tooth.crown.height_mm]])
                )[0]
                for one in row
            ]
        )
        ends = np.array([at[0] - [6.0, 0.0, 0.0], at[-1] + [6.0, 0.0, 0.0]])
        made, work = wire(ask, at, ends)
        bodies.extend(made)
        things.append(work)
    if drawn["unerupted"] or (kind.startswith("primary") and "unerupted" not in ask.without):
        teeth.append(_bud(rng, first, jaw, kind, wish))


def _bud(rng: np.random.Generator, first: Placed, jaw: str, kind: str, wish: Options) -> Placed:
    """A tooth that has not come through: under the roots of the one in hand, or beside them on its side."""
    child = kind.startswith("primary")
    name = {"primary molar": "second premolar", "primary canine": "canine"}.get(
        kind, "central incisor" if child else ""
    )
    full = f"{jaw} {name}" if child else f"{jaw} {rng.choice(['third molar', 'canine', 'second premolar'])!s}"
    tooth = draw_kind(rng, full, distal_x=first.scene.tooth.distal_x, lumen="wide" if child else "usual", confluent=0.0)
    deepest = min(float(root.end_mm()[2]) for root in first.scene.tooth.roots)
    tilt = rng.normal(0.0, 0.25) if child else rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 1.8)
    depth = deepest - (0.35 if child else 1.0) * tooth.crown.height_mm - rng.uniform(0.0, 3.0)
    aside = rng.normal(0.0, 1.0) if child else rng.choice([-1.0, 1.0]) * rng.uniform(3.0, 12.0)
    if child:  # roots are short yet
        depth = deepest + 2.0 - tooth.crown.height_mm
    shift = np.array([aside, rng.normal(0.0, 2.0), depth])
    scene, works, levels = treated(Chooser(rng, wish.leave_out), tooth, Plan(worked_on=0.0))
    lumen, turn = "wide" if child else "usual", _turned(0.0, float(tilt), 0.0)
    return Placed(scene, full, "unerupted", lumen, turn, shift, works, tuple(levels))
