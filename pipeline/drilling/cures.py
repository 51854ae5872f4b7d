"""The cheapest cure: which one hole, drilled again and where, saves which custom panels."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import msgspec

from pipeline.drilling.ground import may_be_drilled
from pipeline.drilling.misfits import SAME, Span, spans_of
from pipeline.drilling.sheet import base_of
from pipeline.geometry.chain import Point
from pipeline.model.drilling import Cure, Misfit
from pipeline.model.layout import Hole, Layout
from pipeline.model.shop import Shop
from pipeline.model.site import Site
from pipeline.units import ReportUnits, format_length

TURNS: Final = {0: "toward {after}", 1: "toward the pool", 2: "toward {before}", 3: "away from the pool"}
CLEAR: Final = 2.0  # bores from a given-up hole to one that may be drilled [-] (own judgement: what stopped the drill is still there)
REACH: Final = 0.08  # [m] a hole drilled again farther from its planned place bends the line the fence stands in (own judgement: a hand's breadth)
EDGE: Final = 1e-9  # [m] a place on the rim of a ring is in it


class Ring(msgspec.Struct, frozen=True):
    """Where a hole may stand for the sake of one neighbour: between two circles round it [m]."""

    centre: Point
    least: float
    most: float

    def holds(self, place: Point) -> bool:
        return self.least - EDGE <= math.dist(self.centre, place) <= self.most + EDGE


def cures_of(
    plan: Layout, stands: Layout, misfits: Sequence[Misfit], filled: Sequence[Point], site: Site, shop: Shop, units: ReportUnits
) -> tuple[Cure, ...]:
    """Return every single hole that would save a panel if it were drilled again, cheapest first.

    Parameters
    ----------
    plan, stands, misfits, filled, site, shop, units
        As designed, as drilled, what no longer fits, where holes were given up [m], what the ground allows, by whose prices, and in which units to say so.

    Notes
    -----
    A hole has at most two neighbours, so the places that suit both are the common part of two rings, each as wide as twice the tolerance.  The place nearest
    to where the hole is lies where it is seen from a ring's middle, or where two circles meet: those few are tried, which is exact.  A joint beside the hole has to stay within the
    tolerance too, or no farther off than it is.  A place nearer to water, edges, joints, drains or pipes than the shop and the codes allow, or more than a hand's breadth from where the hole was planned, is not offered.  The cost is that of drilling again and of the custom panels that remain.
    """
    if not misfits:
        return ()
    as_is = round(sum(misfit.extra for misfit in misfits), 2)
    found = [
        cure for hole in stands.holes if hole.role != "pocket" for cure in _cures_at(hole, plan, stands, misfits, filled, site, shop, units, as_is)
    ]
    return tuple(sorted(found, key=lambda cure: (cure.cost, round(cure.range[0], 6), cure.hole)))


def nearest_place(place: Point, rings: Sequence[Ring]) -> Point | None:
    """Return the place nearest to `place` that lies in all of one or two rings [m]; None where there is none.

    Examples
    --------
    >>> nearest_place((0.0, 0.0), [Ring((1.0, 0.0), 0.4, 0.6)])
    (0.4, 0.0)
    """
    tried = [place, *(point for ring in rings for point in _seen_from(ring, place))]
    tried += [point for one, other in itertools.combinations(rings, 2) for point in _meetings(one, other)]
    good = [point for point in tried if all(ring.holds(point) for ring in rings)]
    return min(good, key=lambda point: (math.dist(point, place), point), default=None)


def _cures_at(
    hole: Hole,
    plan: Layout,
    stands: Layout,
    misfits: Sequence[Misfit],
    filled: Sequence[Point],
    site: Site,
    shop: Shop,
    units: ReportUnits,
    as_is: float,
) -> Iterator[Cure]:
    rings, broken = rings_at(hole.name, plan, stands, shop)
    saved = tuple(misfit for misfit in misfits if misfit.panel in broken and _only_here(misfit.panel, hole.name, plan, stands, shop))
    place = nearest_place(hole.place, rings) if saved else None
    if place is None or place == hole.place:
        return
    least = math.dist(place, hole.place)
    way = ((place[0] - hole.east) / least, (place[1] - hole.north) / least)
    most = _reach(hole.place, way, least, rings)
    move = (least + most) / 2
    aim = (hole.east + move * way[0], hole.north + move * way[1])
    if math.dist(aim, _planned(hole, plan)) > REACH or any(math.dist(aim, other) < CLEAR * hole.bore for other in filled):
        return
    if not may_be_drilled(aim, hole.place, [ring.centre for ring in rings], site, shop, stands.least_setback):
        return
    remaining = sum(misfit.extra for misfit in misfits if misfit not in saved)
    yield Cure(
        hole=hole.name,
        move=move,
        toward=_toward(hole, way, stands),
        place=aim,
        range=(least, most),
        saves=tuple(misfit.panel for misfit in saved),
        cost=round(shop.setting_out.redrill_price + remaining, 2),
        cost_as_is=as_is,
        note=_note(move, hole, units),
    )


def _planned(hole: Hole, plan: Layout) -> Point:
    """Return where the plan has a hole [m], or the one an added hole stands behind."""
    places = {one.name: one.place for one in plan.holes}
    return places.get(hole.name) or places.get(base_of(hole.name)) or hole.place


def rings_at(hole: str, plan: Layout, stands: Layout, shop: Shop) -> tuple[list[Ring], set[str]]:
    """Return the rings a hole has to stand in for its neighbours, and the panels whose distance to one of them is off."""
    places = {one.name: one.place for one in stands.holes}
    tolerance, rings, broken = float(shop.setting_out.fit_tolerance), list[Ring](), set[str]()
    for span in _spans(plan, stands):
        if hole not in (span.first, span.last):
            continue
        other = places[span.last if span.first == hole else span.first]
        off = abs(math.dist(places[hole], other) - span.planned)
        if span.carries and off > tolerance + SAME:
            broken.add(span.carries)
        give = tolerance if span.carries else max(tolerance, off)
        rings.append(Ring(other, max(0.0, span.planned - give), span.planned + give))
    return rings, broken


def _spans(plan: Layout, stands: Layout) -> list[Span]:
    """Return the plan's spans by the names of the holes that stand, as far as both holes still stand there."""
    renamed = {
        was: now
        for panel, own in zip(plan.panels, stands.panels, strict=True)
        if len(panel.holes) == len(own.holes)
        for was, now in zip(panel.holes, own.holes, strict=True)
    }
    renamed |= {was: now for gate, own in zip(plan.gates, stands.gates, strict=True) for was, now in _gate_names(gate, own)}
    there = {hole.name for hole in stands.holes}
    spans = [
        msgspec.structs.replace(span, first=renamed.get(span.first, span.first), last=renamed.get(span.last, span.last)) for span in spans_of(plan)
    ]
    return [span for span in spans if span.first in there and span.last in there]


def _gate_names(gate: object, own: object) -> list[tuple[str, str]]:
    return [(getattr(gate, name), getattr(own, name)) for name in ("hinge_hole", "latch_hole")]


def _only_here(panel: str, hole: str, plan: Layout, stands: Layout, shop: Shop) -> bool:
    """Say whether all of a panel's distances that are off are those to one hole."""
    places = {one.name: one.place for one in stands.holes}
    own = [span for span in _spans(plan, stands) if span.carries == panel]
    whole = next(len(was.holes) == len(now.holes) for was, now in zip(plan.panels, stands.panels, strict=True) if now.name == panel)
    return whole and all(
        hole in (span.first, span.last)
        or abs(math.dist(places[span.first], places[span.last]) - span.planned) <= shop.setting_out.fit_tolerance + SAME
        for span in own
    )


def _seen_from(ring: Ring, place: Point) -> list[Point]:
    """Return the places of a ring's two circles on the ray from its middle through `place`."""
    far = math.dist(ring.centre, place)
    if far == 0:
        return []
    way = ((place[0] - ring.centre[0]) / far, (place[1] - ring.centre[1]) / far)
    return [(ring.centre[0] + radius * way[0], ring.centre[1] + radius * way[1]) for radius in (ring.least, ring.most)]


def _meetings(one: Ring, other: Ring) -> Iterator[Point]:
    """Yield where the circles of two rings meet."""
    far = math.dist(one.centre, other.centre)
    if far == 0:
        return
    way = ((other.centre[0] - one.centre[0]) / far, (other.centre[1] - one.centre[1]) / far)
    for mine, its in itertools.product((one.least, one.most), (other.least, other.most)):
        along = (far**2 + mine**2 - its**2) / (2 * far)
        square = mine**2 - along**2
        if square < 0:
            continue
        for across in (math.sqrt(square), -math.sqrt(square)):
            yield (one.centre[0] + along * way[0] - across * way[1], one.centre[1] + along * way[1] + across * way[0])


def _reach(start: Point, way: Point, least: float, rings: Sequence[Ring]) -> float:
    """Return how far one may go on from `least` [m] and stay in all rings."""
    crossings = sorted(
        at for ring in rings for radius in (ring.least, ring.most) for at in _crossings(start, way, ring.centre, radius) if at > least + 1e-7
    )
    reached = least
    for at in crossings:
        middle = (reached + at) / 2
        if not all(ring.holds((start[0] + middle * way[0], start[1] + middle * way[1])) for ring in rings):
            break
        reached = at
    return reached


def _crossings(start: Point, way: Point, centre: Point, radius: float) -> list[float]:
    off = (start[0] - centre[0], start[1] - centre[1])
    half, rest = off[0] * way[0] + off[1] * way[1], off[0] ** 2 + off[1] ** 2 - radius**2
    square = half**2 - rest
    return [-half - math.sqrt(square), -half + math.sqrt(square)] if square >= 0 else []


def _toward(hole: Hole, way: Point, stands: Layout) -> str:
    """Return in words where a hole would go: along the line, or to its sides; the water lies on the left of the walk."""
    line = [one for one in stands.holes if one.role != "pocket"]
    index = line.index(hole)
    before = line[index - 1] if index or stands.closed else hole
    after = line[(index + 1) % len(line)] if index + 1 < len(line) or stands.closed else hole
    along = math.atan2(after.north - before.north, after.east - before.east)
    quarter = round(math.remainder(math.atan2(way[1], way[0]) - along, 2 * math.pi) / (math.pi / 2)) % 4
    other = {"after": after.name if after is not hole else "the end", "before": before.name if before is not hole else "the end"}
    return TURNS[quarter].format_map(other)


def _note(move: float, hole: Hole, units: ReportUnits) -> str:
    if move >= hole.bore:
        return ""
    return f"the new bore of {format_length(hole.bore, units)} cuts into the old one: fill that first and let it set"


def gate_cure(gate: str, plan: Layout, stands: Layout, shop: Shop) -> tuple[str, float, str] | None:
    """Return which hole of a gate to drill again, by how much at least [m] and where to; None where neither alone helps."""
    holes: Mapping[str, Hole] = {hole.name: hole for hole in stands.holes}
    own = next(one for one in stands.gates if one.name == gate)
    found = []
    for name in (own.latch_hole, own.hinge_hole):
        hole = holes[name]
        place = nearest_place(hole.place, rings_at(name, plan, stands, shop)[0])
        if place is not None and place != hole.place:
            least = math.dist(place, hole.place)
            found.append((name, least, _toward(hole, ((place[0] - hole.east) / least, (place[1] - hole.north) / least), stands)))
    return min(found, key=lambda one: one[1], default=None)
