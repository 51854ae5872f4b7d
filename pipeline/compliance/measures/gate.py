"""Gates: direction and swing, release height with the low-release alternative, what closes and latches."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from pipeline.compliance.measures.climb import called
from pipeline.compliance.measures.gaps import inside
from pipeline.compliance.nearness import nearest_of_segment
from pipeline.compliance.readings import COVERAGE, Fact, LookAt, Measured, NotHere, Outcome, Reading, margin_of
from pipeline.compliance.standing import Bay, Scene
from pipeline.geometry.chain import Chain, Point, polyline
from pipeline.model.layout import Gate
from pipeline.model.rules import Limit, RulePack, limits_of
from pipeline.units import format_length

REACH: Final = 0.3048  # [m] 1 ft either side of the leaf: the ground a hand reaches the release from (own judgement)
NO_GATE: Final = "the fence has no gate"
LET_GO: Final = "let go of the leaf fully open, half open and 6 in from the post, in wind too; repeat after a panel was put back"


def gate_opens_away(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether every leaf swings to the side away from the water, and swings free.

    Why: a child pushing against the gate from outside pushes it shut.

    How: the centre of the area the leaf sweeps lies outside the line from hinge to latch; no object and no wall reaches
    into that area, and the deck does not rise under it by more than the leaf's gap.
    """
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    for gate in scene.layout.gates:
        bay = _bay(scene, gate)
        hit = _in_the_way(scene, gate)
        if bay and _swing_side(gate, bay) <= 0:
            return Fact(holds=False, where=gate.name, place=bay.foot_at(0.5), cure="hang the leaf so that it opens away from the water")
        if hit:
            return Fact(
                holds=False, where=f"{gate.name}: {hit} is in the way of the leaf", cure="move the gate along the fence, or what is in its way"
            )
        rise = _rise_under(scene, gate, bay) if bay else 0.0
        if rise > scene.job.shop.gate.bottom_gap:
            height = format_length(rise, scene.job.options.report_units)
            text = f"the deck rises by {height} under the leaf's way, more than the gap under it: see that the leaf swings free, or hang it higher"
            return LookAt(text=text, where=gate.name, cure="a place for the gate where the deck does not rise outside")
    return Fact(
        holds=True, where=", ".join(gate.name for gate in scene.layout.gates), look_at="the leaf swings free, over its whole way, away from the water"
    )


def gate_self_closing(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether the gate closes by itself: the shop file says whether it is made to, hands whether it does."""
    return _hardware(scene, "self_closing", f"the gate closes by itself: {LET_GO}", "a self-closing hinge")


def gate_self_latching(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether the gate latches by itself: the shop file says whether it is made to, hands whether it does."""
    return _hardware(scene, "self_latching", f"the gate latches by itself: {LET_GO}", "a self-latching latch")


def gate_action(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether the gate opens away, closes and latches from every position."""
    away = gate_opens_away(scene, pack, limit)
    if not isinstance(away, Fact) or not away.holds:
        return away
    shop = scene.job.shop.gate
    if not (shop.self_closing and shop.self_latching):
        return Fact(holds=False, where="gate set, by the shop file", cure="a gate set that closes and latches itself")
    return LookAt(text=f"the gate closes and latches from every position: {LET_GO}", where=away.where)


def gate_lockable(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether the gate takes a lock, as the shop file has it."""
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    return Fact(holds=scene.job.shop.gate.lockable, where="gate set, by the shop file", cure="a gate set that takes a lock")


def gate_in_mesh(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether a gate in a mesh fence meets the rules for gates: those rules stand beside this one."""
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    return LookAt(text="the gate holds every finding of the gate section of this document, above and below", where=_names(scene))


def gate_one_leaf_fixed(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Double gates are not laid out."""
    return NotHere(why="no double gate: every gate has one leaf")


def gate_hinge_spacing(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Distance of the gate's hinges, on which a foot could stand: no fact of the shop file, for a tape to tell."""
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    return LookAt(text=f"hinges are {limit.printed} or more apart, or carry sloping caps", where=_names(scene))


def gate_release_height(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Height of the release above the ground, from the worse side.

    Why: over a young child's reach it cannot be worked.

    How: the shop's height over the deck at the latch post, less what the ground within a foot of the leaf rises above
    it.  Where it is lower than the limit, the same document's low-release rules may stand in for it: the release on the
    pool side alone, so far below the top, and no opening about it through which a hand reaches.
    """
    return _release(scene, pack, limit, from_bottom=False)


def gate_release_height_over_bottom(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Height of the release above the bottom of the leaf: less than above grade by the gap under it.  As `gate_release_height`."""
    return _release(scene, pack, limit, from_bottom=True)


def gate_release_above_rail(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Height of the release above the highest lower rail, which on a mesh leaf is its lower edge."""
    return _release(scene, pack, limit, from_bottom=True)


def gate_release_below_top(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """How far a release on the pool side sits below the top of the gate, as the shop file has it."""
    return _low_release(scene, pack, float(scene.job.shop.gate.release_below_top), "release below the top of the gate", "move the release by {short}")


def gate_release_opening(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Largest opening about the release, in leaf and fence, as the shop file has it."""
    return _low_release(
        scene, pack, float(scene.job.shop.gate.release_opening), "openings about the release", "{short} less: a shield about the release"
    )


def gate_release_radius(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """How far about the release the shop's openings stay that small; a reach is held like a least distance."""
    radius = float(scene.job.shop.gate.release_opening_radius)
    return _low_release(
        scene, pack, radius, "reach of the small openings about the release", "{short} more: a shield that reaches farther about the release"
    )


def gate_release_inside(scene: Scene, pack: RulePack, limit: Limit) -> Outcome:
    """Whether the release is on the pool side, as the shop file has it; out of reach is for eyes and hands."""
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    side = scene.job.shop.gate.release_side
    if side != "pool":
        where = f"gate set, by the shop file: release on {'both sides' if side == 'both' else 'the outside'}"
        return Fact(holds=False, where=where, cure="a gate set whose release is on the pool side alone")
    return LookAt(text="a young child outside cannot reach the release over the top or through a gap", where=_names(scene))


def _names(scene: Scene) -> str:
    return ", ".join(gate.name for gate in scene.layout.gates)


def _bay(scene: Scene, gate: Gate) -> Bay | None:
    return next((bay for bay in scene.fence.bays if bay.kind == "gate" and bay.carries == gate.name), None)


def _swing_side(gate: Gate, bay: Bay) -> float:
    """Return how far outside (positive) the middle of the swept area lies [m]; the shop's gates open away when no area is given."""
    if not gate.swing:
        return 1.0
    x = sum(point[0] for point in gate.swing) / len(gate.swing) - bay.first.foot[0]
    y = sum(point[1] for point in gate.swing) / len(gate.swing) - bay.first.foot[1]
    return x * bay.outward[0] + y * bay.outward[1]


def _rise_under(scene: Scene, gate: Gate, bay: Bay) -> float:
    """Return how far the deck rises [m] anywhere under the leaf's way, over the higher of its two posts; 0 where levels are not known."""
    stands = max(bay.first.level, bay.last.level)
    levels = [level for place in gate.swing if (level := scene.ground.level(place)) is not None]
    return max(levels, default=stands) - stands


def _in_the_way(scene: Scene, gate: Gate) -> str:
    """Return what reaches into the area a leaf sweeps, in words; empty when it is free."""
    if len(gate.swing) < 3:
        return ""
    things = [(called(thing), thing.outline) for thing in scene.site.objects]
    things += [(f"wall {line.line}".strip(), line.chain) for line in scene.site.walls]
    return next((name for name, outline in things if _meets(gate.swing, outline)), "")


def _meets(area: tuple[Point, ...], outline: Chain) -> bool:
    if outline.closed and inside(outline, area[0]):
        return True
    if inside(polyline(area, closed=True), outline.vertices[0]):
        return True
    return any(nearest_of_segment(start, end, outline)[0] == 0 for start, end in zip(area, area[1:] + area[:1], strict=True))


def _hardware(scene: Scene, key: str, look: str, cure: str) -> Outcome:
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    if not getattr(scene.job.shop.gate, key):
        return Fact(holds=False, where="gate set, by the shop file", cure=f"a gate set with {cure}")
    return LookAt(text=look, where=_names(scene))


def _release(scene: Scene, pack: RulePack, limit: Limit, *, from_bottom: bool) -> Outcome:
    if not scene.layout.gates:
        return NotHere(why=NO_GATE)
    over = _over_bottom if from_bottom else _over_ground
    readings = tuple(reading for bay in scene.fence.bays if bay.kind == "gate" for reading in over(scene, bay))
    if not readings:
        return NotHere(why="the layout gives no gate between two of its holes")
    if min(margin_of(reading.value, "min", limit.metres) for reading in readings) < 0:
        alternative = _alternative(scene, pack)
        if alternative:
            return alternative
    cure = "{short} more: a gate set with its release higher, or with its release on the pool side alone where the document allows that"
    return Measured(readings=readings, cure=cure)


def _over_ground(scene: Scene, bay: Bay) -> list[Reading]:
    """Return the height of the release over the ground wherever it may be reached from."""
    height, hang = float(scene.job.shop.gate.release_height), float(scene.job.shop.panel.hang_sigma)
    feet = [bay.foot_at(ratio) for ratio in (0.0, 0.5, 1.0)]
    places = [(x + across * bay.outward[0], y + across * bay.outward[1]) for x, y in feet for across in (-REACH, 0.0, REACH)]
    rises = scene.ground.sums(np.tile([1.0, -1.0], (len(places), 1)), [(bay.last.foot, place) for place in places])
    told = zip(places, rises.values.tolist(), rises.sigmas.tolist(), rises.own.tolist(), strict=True)
    return [
        Reading(value=height, sigma=hang, where=bay.where, place=bay.last.foot),
        *(
            Reading(value=height + rise, sigma=math.hypot(hang, sigma), where=bay.where, place=place, group=bay.where, own=own)
            for place, rise, sigma, own in told
            if not math.isnan(rise)
        ),
    ]


def _over_bottom(scene: Scene, bay: Bay) -> list[Reading]:
    shop = scene.job.shop
    height = float(shop.gate.release_height) - float(shop.gate.bottom_gap)
    where = f"{bay.where}, from the bottom of the leaf"
    return [Reading(value=height, sigma=float(shop.panel.hang_sigma), where=where, place=bay.last.foot)]


def _alternative(scene: Scene, pack: RulePack) -> Fact | None:
    """Return that the low-release rules of a document stand in for the height, where it has such rules and they hold."""
    shop = scene.job.shop.gate
    below = [limit for _, limit in limits_of((pack,), "gate-release-below-top") if limit.comparator == "min"]
    openings = [limit for _, limit in limits_of((pack,), "gate-release-opening")]
    radii = [limit for _, limit in limits_of((pack,), "gate-release-radius")]
    if not (below and openings and radii) or shop.release_side != "pool":
        return None
    margins = [
        *(margin_of(shop.release_below_top, "min", limit.metres) for limit in below),
        *(margin_of(shop.release_opening, "max", limit.metres) for limit in openings),
        *(margin_of(shop.release_opening_radius, "min", limit.metres) for limit in radii),
    ]
    if min(margins) < 0:
        return None
    surely = min(margins) > COVERAGE * shop.hardware_sigma
    look = "the release is on the pool side alone, out of reach from outside over the top and through the fabric"
    return Fact(holds=True, surely=surely, where=f"{_names(scene)}, by the document's rules for a low release on the pool side", look_at=look)


def _high_enough(scene: Scene, pack: RulePack) -> str:
    """Return why a document's low-release rules do not apply: no gate, or a release over its threshold; else empty."""
    if not scene.layout.gates:
        return NO_GATE
    gates = [bay for bay in scene.fence.bays if bay.kind == "gate"]
    for quantity, over in (("gate-release-height", _over_ground), ("gate-release-height-over-bottom", _over_bottom)):
        for _, limit in limits_of((pack,), quantity):
            if gates and all(margin_of(reading.value, "min", limit.metres) >= 0 for bay in gates for reading in over(scene, bay)):
                return f"asked only of a release lower than {limit.printed}; this one is higher"
    return ""


def _low_release(scene: Scene, pack: RulePack, value: float, where: str, cure: str) -> Outcome:
    why = _high_enough(scene, pack)
    if why:
        return NotHere(why=why)
    return Measured(readings=(Reading(value=value, sigma=float(scene.job.shop.gate.hardware_sigma), where=f"{where}, by the shop file"),), cure=cure)
