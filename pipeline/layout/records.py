"""From a row of stations to the records that are handed on: holes, panels, joints and gates with their names."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.geometry.chain import Point
from pipeline.layout.chords import lean_for
from pipeline.layout.gates import Wish, pocket_place, swing_outline
from pipeline.layout.grid import Measures
from pipeline.layout.reach import GapKind, Row
from pipeline.layout.setting_out import ties_for
from pipeline.layout.walk import Walk
from pipeline.model.job import Job
from pipeline.model.layout import FenceEnd, Gate, Hole, HoleRole, Joint, LeanSide, Panel
from pipeline.model.site import FittedLine, Site

# Below this a lean is plumb: 0.35 degrees are 7 mm in a post of 1.2 m, about the play of a post in its sleeve, and no crew drills finer (common practice, no source).
LEAST_LEAN: Final = math.radians(0.35)  # [rad]

IN_PANEL: tuple[GapKind, ...] = ("spacing", "custom")
AT_JOINT: tuple[GapKind, ...] = ("joint", "hinge", "latch")


@dataclass(frozen=True)
class Parts:
    """Everything of a layout that has a name."""

    holes: tuple[Hole, ...]
    panels: tuple[Panel, ...]
    joints: tuple[Joint, ...]
    gates: tuple[Gate, ...]


def parts_of(walk: Walk, row: Row, wishes: tuple[Wish, ...], risers: dict[int, str], job: Job, site: Site, sizes: Measures) -> Parts:
    """Name and measure every hole, panel, joint and gate.

    Parameters
    ----------
    walk : Walk
        The hole line.
    row : Row
        The whole fence; closed when it has as many gaps as holes.
    wishes : tuple of Wish
        Of the gates, in walking order.
    risers : dict
        Line of the STEP that is straddled, by the index of the gap.
    job : Job
        Shop and options.
    site : Site
        Water, levels and marks.
    sizes : Measures
        The shop's lengths.
    """
    places = walk.places(np.asarray(row.stations))
    points: list[Point] = [(float(x), float(y)) for x, y in places]
    panels, carries = _panels(row, sizes)
    gate_at = [index for index, gap in enumerate(row.gaps) if gap == "leaf"]
    for number, index in enumerate(gate_at):
        for hole in (index, (index + 1) % len(points)):
            carries[hole] = f"G{number + 1}"
    holes = [_hole(index, row, points, carries, job, site) for index in range(len(points))]
    panels = [_measured(panel, holes) for panel in panels]
    gates, pockets = [], []
    for number, index in enumerate(gate_at):
        pocket = _pocket_hole(len(points) + number, f"G{number + 1}", holes[index], holes[(index + 1) % len(points)], job, site)
        pockets.append(pocket)
        gates.append(_gate(f"G{number + 1}", wishes[number], holes[index], holes[(index + 1) % len(points)], pocket, job))
    return Parts(tuple(holes + pockets), tuple(panels), _joints(row, holes, risers, job), tuple(gates))


def ends_of(holes: tuple[Hole, ...], walls: tuple[FittedLine | None, FittedLine | None]) -> tuple[FenceEnd, ...]:
    """Return both ends of an open fence with the nearest place on their walls."""
    line = [hole for hole in holes if hole.role != "pocket"]
    return tuple(_end(hole, wall) for hole, wall in zip((line[0], line[-1]), walls, strict=True))


def _end(hole: Hole, wall: FittedLine | None) -> FenceEnd:
    if wall is None:
        return FenceEnd(hole=hole.name, wall="", foot=hole.place, clearance=0.0)
    station, clearance = wall.chain.nearest(hole.place)
    return FenceEnd(hole=hole.name, wall=wall.line or "WALL", foot=wall.chain.point_at(station), clearance=clearance)


def _panels(row: Row, sizes: Measures) -> tuple[list[Panel], list[str]]:
    """Return the panels and what every hole carries."""
    count = len(row.stations)
    carries = [""] * count
    panels: list[Panel] = []
    index = 0
    while index < count:
        end = index
        while end < len(row.gaps) and row.gaps[end] in IN_PANEL:
            end += 1
        if end > index:
            name = f"P{len(panels) + 1:02d}"
            stock = row.gaps[index] == "spacing"
            names = tuple(_hole_name(hole) for hole in range(index, end + 1))
            panels.append(
                Panel(
                    name=name,
                    kind="stock" if stock else "custom",
                    holes=names,
                    length=0.0,
                    height=sizes.height,
                    stock_posts=len(names) if stock else None,
                )
            )
            carries[index : end + 1] = [name] * (end + 1 - index)
        index = end + 1
    return panels, carries


def _hole_name(index: int) -> str:
    return f"H{index + 1:03d}"


def _hole(index: int, row: Row, points: list[Point], carries: list[str], job: Job, site: Site) -> Hole:
    count, closed = len(points), len(row.gaps) == len(points)
    after = points[(index + 1) % count] if closed or index + 1 < count else None
    turn = _turn_at(index, points, closed)
    lean, toward = _lean(_turn_over_joint(index, row, points, closed), job)
    place = points[index]
    level = site.levels.level(place)
    ties, tie_sigma = ties_for(place, site.marks, job.shop.setting_out)
    return Hole(
        name=_hole_name(index),
        carries=carries[index],
        role=_role(index, row, closed),
        station=row.stations[index],
        east=place[0],
        north=place[1],
        elev=level[0] if level else None,
        to_next=math.dist(place, after) if after else None,
        water=water_distance(place, site),
        turn=turn,
        lean=lean,
        lean_toward=toward,
        bore=float(job.shop.sleeve.bore),
        depth=float(job.shop.sleeve.depth),
        ties=ties,
        tie_sigma=tie_sigma,
    )


def water_distance(place: Point, site: Site) -> float:
    """Return the distance to the nearest water's edge in plan [m]."""
    return min(water.chain.nearest(place)[1] for water in site.waters)


def _role(index: int, row: Row, closed: bool) -> HoleRole:
    before = row.gaps[index - 1] if index or closed else None
    after = row.gaps[index] if index < len(row.gaps) else None
    if "leaf" in (before, after):
        return "gate"
    return "inner" if before in IN_PANEL and after in IN_PANEL else "end"


def _turn_at(index: int, points: list[Point], closed: bool) -> float:
    count = len(points)
    if not closed and index in (0, count - 1):
        return 0.0
    return _turn_between(points[index - 1], points[index], points[index], points[(index + 1) % count])


def _turn_over_joint(index: int, row: Row, points: list[Point], closed: bool) -> float:
    """Return the turn the post feels [rad]: over a joint both its posts share the turn from the fabric before it to the fabric after."""
    count = len(points)
    first, last = index, index
    gaps = row.gaps
    if (index < len(gaps)) and gaps[index] in AT_JOINT:
        last = index + 1
    elif (index > 0 or closed) and gaps[index - 1] in AT_JOINT:
        first = index - 1
    if not closed and (first <= 0 or last >= count - 1):
        return 0.0
    return _turn_between(points[(first - 1) % count], points[first % count], points[last % count], points[(last + 1) % count])


def _turn_between(a: Point, b: Point, c: Point, d: Point) -> float:
    into, out = math.atan2(b[1] - a[1], b[0] - a[0]), math.atan2(d[1] - c[1], d[0] - c[0])
    return math.remainder(out - into, 2 * math.pi)


def _lean(turn: float, job: Job) -> tuple[float, LeanSide]:
    lean = float(lean_for(turn, float(job.options.fence.height), job.shop.post))
    if lean < LEAST_LEAN:
        return 0.0, "plumb"
    return lean, "away" if turn > 0 else "pool"


def _measured(panel: Panel, holes: list[Hole]) -> Panel:
    first = int(panel.holes[0][1:]) - 1
    length = sum(hole.to_next or 0.0 for hole in holes[first : first + panel.posts - 1])
    return Panel(name=panel.name, kind=panel.kind, holes=panel.holes, length=length, height=panel.height, stock_posts=panel.stock_posts)


def _pocket_hole(index: int, gate: str, hinge: Hole, latch: Hole, job: Job, site: Site) -> Hole:
    place = pocket_place(hinge.place, latch.place, float(job.shop.gate.pocket))
    level = site.levels.level(place)
    ties, tie_sigma = ties_for(place, site.marks, job.shop.setting_out)
    return Hole(
        name=_hole_name(index),
        carries=gate,
        role="pocket",
        station=latch.station,
        east=place[0],
        north=place[1],
        elev=level[0] if level else None,
        water=water_distance(place, site),
        bore=float(job.shop.sleeve.bore),
        depth=float(job.shop.sleeve.depth),
        ties=ties,
        tie_sigma=tie_sigma,
    )


def _gate(name: str, wish: Wish, hinge: Hole, latch: Hole, pocket: Hole, job: Job) -> Gate:
    middle = ((hinge.east + latch.east) / 2, (hinge.north + latch.north) / 2)
    return Gate(
        name=name,
        hinge_hole=hinge.name,
        latch_hole=latch.name,
        pocket_hole=pocket.name,
        leaf=math.dist(hinge.place, latch.place),
        wished_at=wish.place,
        moved=math.dist(middle, wish.place) if wish.place else 0.0,
        swing=swing_outline(hinge.place, latch.place, float(job.shop.gate.swing)),
    )


def _joints(row: Row, holes: list[Hole], risers: dict[int, str], job: Job) -> tuple[Joint, ...]:
    joints: list[Joint] = []
    for index, gap in enumerate(row.gaps):
        if gap in AT_JOINT:
            before, after = holes[index], holes[(index + 1) % len(holes)]
            joints.append(_joint(f"J{len(joints) + 1:02d}", before, after, risers.get(index, ""), job))
    return tuple(joints)


def _joint(name: str, before: Hole, after: Hole, riser: str, job: Job) -> Joint:
    rise = after.elev - before.elev if before.elev is not None and after.elev is not None else 0.0
    return Joint(
        name=name,
        before=before.name,
        after=after.name,
        gap=math.dist(before.place, after.place),
        rise=rise,
        riser=riser,
        latch_height=latch_height(float(job.shop.latch.height), float(job.shop.latch.hole_pitch), rise if riser else 0.0),
    )


def latch_height(highest: float, pitch: float, rise: float) -> float:
    """Return the height of the latch above the lower deck at a joint [m].

    Parameters
    ----------
    highest : float
        Of the highest post hole that takes a latch, above its own deck [m].
    pitch : float
        Of the post's holes [m].
    rise : float
        Of one deck over the other [m].

    Notes
    -----
    The lower side uses its highest hole.  On the higher side the holes stand at rise + highest - m pitch above the lower deck; the one nearest to level
    with it is taken, and the latch hangs from the lower of the two (common practice: the two highest holes that stand level with each other).

    Examples
    --------
    >>> round(latch_height(1.1684, 0.0508, 0.0), 4)
    1.1684
    >>> round(latch_height(1.1684, 0.0508, 0.15), 4)
    1.166
    """
    if rise == 0.0:
        return highest
    steps = round(abs(rise) / pitch)
    return min(highest, abs(rise) + highest - steps * pitch)
