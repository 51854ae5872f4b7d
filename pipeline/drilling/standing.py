"""The fence that stands in the holes as they are: the plan's record, with every hole, chord, joint, end and gate of its own."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping

import msgspec

from pipeline.drilling.lineup import Expected, Lineup
from pipeline.geometry.chain import Point
from pipeline.model.layout import CheckDistance, FenceEnd, Gate, Hole, Joint, Layout, Panel, TapeTie
from pipeline.model.site import Mark, Site


def standing_layout(layout: Layout, lineup: Lineup, places: Mapping[str, Point], site: Site) -> Layout:
    """Return the layout with its holes where they are; whatever stands as planned keeps the plan's figures bit for bit.

    Parameters
    ----------
    layout, lineup, places, site
        The plan; the holes that stand, and where [m]; the site as fitted.
    """
    carriers = _Carriers(layout, lineup)
    marks = {mark.name: mark for mark in site.marks}
    line = [_moved(one, places[one.name], layout, site, marks, carriers) for one in lineup.line]
    aside = [_moved(one, places[one.name], layout, site, marks, carriers) for one in lineup.pockets]
    plan = {hole.name: hole for hole in layout.holes}
    line = [_chorded(line, index, layout.closed, plan, places) for index in range(len(line))]
    holes = {hole.name: hole for hole in line}
    return msgspec.structs.replace(
        layout,
        holes=(*line, *aside),
        panels=tuple(_panel(panel, carriers, holes, plan) for panel in layout.panels),
        joints=tuple(_joint(joint, carriers, holes, plan) for joint in layout.joints),
        gates=tuple(_gate(gate, carriers, holes, plan) for gate in layout.gates),
        ends=tuple(_end(end, carriers, holes, plan, site) for end in layout.ends),
        check_distances=tuple(_check(check, carriers, holes, plan) for check in layout.check_distances),
    )


class _Carriers:
    """Which hole of the row stands for which of the plan, and what the added ones carry."""

    def __init__(self, layout: Layout, lineup: Lineup) -> None:
        self.instead = {base: name for name, base in lineup.instead_of.items()}
        self.names = [hole.name for hole in lineup.line]
        self.extra = {hole.name: hole.plan for hole in lineup.line if hole.added and hole.name not in lineup.instead_of}
        self.panels = {name: self._holes_of(panel) for panel in layout.panels for name in (panel.name,)}

    def named(self, hole: str) -> str:
        """Return the hole that stands in another's place, or itself."""
        return self.instead.get(hole, hole)

    def _holes_of(self, panel: Panel) -> tuple[str, ...]:
        """Return a panel's holes as they stand: given-up ones replaced or gone, added ones between or behind its own."""
        own = [self.named(hole) for hole in panel.holes]
        found: list[str] = []
        for hole in own:
            if hole in self.names:
                found.append(hole)
            found += [name for name, base in self.extra.items() if self.named(base.name) == hole]
        return tuple(found)

    def last_of(self, hole: str) -> str:
        """Return the last hole of the panel that ended at a hole of the plan: itself, or one added behind it."""
        own = self.named(hole)
        return next((holes[-1] for holes in self.panels.values() if own in holes and own != holes[0]), own)


def _moved(one: Expected, place: Point, layout: Layout, site: Site, marks: Mapping[str, Mark], carriers: _Carriers) -> Hole:
    plan = one.plan
    role = plan.role
    if one.name in carriers.extra and role == "end" and place != plan.place:
        role = "end" if any(holes and holes[-1] == one.name for holes in carriers.panels.values()) else "inner"
    elif role == "end" and any(one.name in holes[1:-1] for holes in carriers.panels.values()):
        role = "inner"
    if place == plan.place:
        return msgspec.structs.replace(plan, name=one.name, role=role)
    before, after = layout.line.nearest(plan.place)[0], layout.line.nearest(place)[0]
    along = after - before
    if layout.line.closed:
        along = math.remainder(along, layout.line.length)
    level = site.levels.level(place)
    return msgspec.structs.replace(
        plan,
        name=one.name,
        role=role,
        station=plan.station + along,
        east=place[0],
        north=place[1],
        elev=level[0] if level else plan.elev,
        water=min(water.chain.nearest(place)[1] for water in site.waters),
        ties=tuple(_tie(tie, place, marks) for tie in plan.ties),
    )


def _tie(tie: TapeTie, place: Point, marks: Mapping[str, Mark]) -> TapeTie:
    return TapeTie(mark=tie.mark, distance=math.dist(marks[tie.mark].place, place)) if tie.mark in marks else tie


def _chorded(line: list[Hole], index: int, closed: bool, plan: Mapping[str, Hole], places: Mapping[str, Point]) -> Hole:
    """Return a hole with its chord to the next and its turn."""
    hole, count = line[index], len(line)
    after = line[(index + 1) % count] if closed or index + 1 < count else None
    before = line[index - 1] if closed or index else None
    own = plan.get(hole.name)
    still = own is not None and all(one is None or (one.name in plan and one.place == plan[one.name].place) for one in (before, hole, after))
    if still and own is not None and own.to_next is not None and after is not None and _follows(plan, own, after):
        return hole
    to_next = math.dist(hole.place, after.place) if after else None
    turn = _turn(before.place, hole.place, after.place) if before and after else 0.0
    return msgspec.structs.replace(hole, to_next=to_next, turn=turn)


def _follows(plan: Mapping[str, Hole], hole: Hole, after: Hole) -> bool:
    """Say whether the plan has `after` next to `hole`, by the chord it gives."""
    return abs(math.dist(hole.place, plan[after.name].place) - (hole.to_next or 0.0)) < 1e-9


def _turn(before: Point, here: Point, after: Point) -> float:
    into, out = math.atan2(here[1] - before[1], here[0] - before[0]), math.atan2(after[1] - here[1], after[0] - here[0])
    return math.remainder(out - into, 2 * math.pi)


def _stays(names: Iterable[str], holes: Mapping[str, Hole], plan: Mapping[str, Hole]) -> bool:
    """Say whether all of these holes stand where the plan has them."""
    return all(name in plan and name in holes and holes[name].place == plan[name].place for name in names)


def _panel(panel: Panel, carriers: _Carriers, holes: Mapping[str, Hole], plan: Mapping[str, Hole]) -> Panel:
    names = carriers.panels[panel.name]
    if names == panel.holes and _stays(names, holes, plan):
        return panel
    length = sum(math.dist(holes[one].place, holes[other].place) for one, other in itertools.pairwise(names))
    return msgspec.structs.replace(panel, holes=names, length=length)


def _joint(joint: Joint, carriers: _Carriers, holes: Mapping[str, Hole], plan: Mapping[str, Hole]) -> Joint:
    before, after = holes[carriers.last_of(joint.before)], holes[carriers.named(joint.after)]
    if (before.name, after.name) == (joint.before, joint.after) and _stays((before.name, after.name), holes, plan):
        return joint
    gap = math.dist(before.place, after.place)
    rise = after.elev - before.elev if before.elev is not None and after.elev is not None else joint.rise
    return msgspec.structs.replace(joint, before=before.name, after=after.name, gap=gap, rise=rise)


def _gate(gate: Gate, carriers: _Carriers, holes: Mapping[str, Hole], plan: Mapping[str, Hole]) -> Gate:
    hinge, latch = holes[carriers.named(gate.hinge_hole)], holes[carriers.named(gate.latch_hole)]
    was = plan[gate.hinge_hole].place, plan[gate.latch_hole].place
    pocket = carriers.named(gate.pocket_hole)
    if (hinge.place, latch.place) == was:
        return msgspec.structs.replace(gate, hinge_hole=hinge.name, latch_hole=latch.name, pocket_hole=pocket)
    middle = ((hinge.east + latch.east) / 2, (hinge.north + latch.north) / 2)
    return msgspec.structs.replace(
        gate,
        hinge_hole=hinge.name,
        latch_hole=latch.name,
        pocket_hole=pocket,
        leaf=math.dist(hinge.place, latch.place),
        moved=math.dist(middle, gate.wished_at) if gate.wished_at else 0.0,
        swing=tuple(_carried(place, was, (hinge.place, latch.place)) for place in gate.swing),
    )


def _carried(place: Point, was: tuple[Point, Point], now: tuple[Point, Point]) -> Point:
    """Return a place carried along when the two holes it belongs to went from `was` to `now`."""
    (old, old_to), (new, new_to) = (complex(*was[0]), complex(*was[1])), (complex(*now[0]), complex(*now[1]))
    carried = new + (complex(*place) - old) * (new_to - new) / (old_to - old)
    return carried.real, carried.imag


def _end(end: FenceEnd, carriers: _Carriers, holes: Mapping[str, Hole], plan: Mapping[str, Hole], site: Site) -> FenceEnd:
    name = carriers.named(end.hole)
    hole = holes.get(carriers.last_of(end.hole), holes[name])
    if hole.place == plan[end.hole].place:
        return msgspec.structs.replace(end, hole=hole.name)
    wall = min(site.walls, key=lambda one: one.chain.nearest(end.foot)[1], default=None) if end.wall else None
    if wall is None:
        return FenceEnd(hole=hole.name, wall=end.wall, foot=hole.place, clearance=end.clearance)
    station, clearance = wall.chain.nearest(hole.place)
    return FenceEnd(hole=hole.name, wall=end.wall, foot=wall.chain.point_at(station), clearance=clearance)


def _check(check: CheckDistance, carriers: _Carriers, holes: Mapping[str, Hole], plan: Mapping[str, Hole]) -> CheckDistance:
    first, last = holes[carriers.named(check.first)], holes[carriers.named(check.second)]
    if (first.place, last.place) == (plan[check.first].place, plan[check.second].place):
        return msgspec.structs.replace(check, first=first.name, second=last.name)
    return CheckDistance(first=first.name, second=last.name, distance=math.dist(first.place, last.place))
