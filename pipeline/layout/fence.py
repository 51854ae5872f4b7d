"""The fence along its line: a loop cut at a gate, or stretches between ends and risers, put together to one row of holes."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.layout.barrier import Course, end_station
from pipeline.layout.gate_places import gate_sites
from pipeline.layout.gates import REACH, GatePlaces, Wish, places_for
from pipeline.layout.grid import Grid, Measures, grid_of, loop_nodes, stretch_nodes
from pipeline.layout.ground import undrillable, what_blocks
from pipeline.layout.loop import best_loop, careful_loop
from pipeline.layout.optimum import COST_KEY, CUSTOM_KEY
from pipeline.layout.reach import GapKind, Row, row_of
from pipeline.layout.stretches import Crossing, best_between, crossings_of, moves_of, short_tread, too_deep
from pipeline.layout.walk import Floats, Walk
from pipeline.model.job import Job
from pipeline.model.site import Site


@dataclass(frozen=True)
class Task:
    """What every step needs to know: the line with the stations of holes given by mitres and chamfers [m], the job, the site and the shop's sizes; whether all
    places are compared or the nearest few only.
    """

    walk: Walk
    course: Course
    job: Job
    site: Site
    sizes: Measures
    given: tuple[float, ...] = ()
    thorough: bool = True


@dataclass(frozen=True)
class Laid:
    """The whole fence as a row of stations, what it cost, and a bound of that.

    Parameters
    ----------
    row : Row
    gates : tuple of Wish
        In the order their leaves are met along the row.
    crossings : dict
        The riser straddled, by the index of the gap.
    key, bound : int
        Packed objective, and its lower bound.
    searches : int
    """

    row: Row
    gates: tuple[Wish, ...]
    crossings: dict[int, Crossing]
    key: int
    bound: int
    searches: int


def fence_along(task: Task, wishes: tuple[Wish, ...]) -> Laid:
    """Lay out panels, joints and gates along the line.

    Raises
    ------
    LayoutError
        When no row of panels fits.
    """
    walk, clearance = task.walk, float(task.job.shop.panel.end_clearance)
    if walk.closed:
        crossings = crossings_of(walk, 0.0, walk.length, task.site.risers)
        if not crossings:
            return _whole_loop(task, wishes)
        first = crossings[0]
        return _begun_after_gate(
            _in_stretches(task, None, (*crossings, dataclasses.replace(first, station=first.station + walk.length)), None, wishes)
        )
    begin, stop = (end_station(walk, wall, clearance, first=first) for wall, first in zip(task.course.walls, (True, False), strict=True))
    return _in_stretches(task, begin, crossings_of(walk, begin, stop, task.site.risers), stop, wishes)


def _whole_loop(task: Task, wishes: tuple[Wish, ...]) -> Laid:
    """Lay out a closed fence, beginning after the first gate."""
    walk, sizes = task.walk, task.sizes
    cut, around = wishes[0], wishes[0].station
    margin = REACH + cut.leaf + 2 * sizes.joint
    grid = _grid(task, loop_nodes(walk, around - margin, around + margin + walk.length, sizes.step))
    places = gate_sites(
        _clear_of_given(task, grid, places_for(walk, grid.stations, cut, around, walk.length, sizes)), grid, cut, walk, task.job, task.site
    )
    inner = [_inner_places(task, grid, dataclasses.replace(wish, station=_ahead_of(wish.station, around, walk))) for wish in wishes[1:]]
    found = best_loop(grid, places, sizes, tuple(moves_of(grid, each) for each in inner), thorough=task.thorough)
    if found is None:
        raise LayoutError(_no_way("round the pool", grid, walk))
    try:
        row = row_of(walk, grid, found.way, sizes, _gate_holes(inner))
    except LayoutError:
        careful = careful_loop(grid, places, sizes, tuple(moves_of(grid, each) for each in inner), found.bound)
        if careful is None:
            raise
        found = careful
        row = row_of(walk, grid, found.way, sizes, _gate_holes(inner))
    hinge, latch = float(places.hinge[found.place]) + walk.length, float(places.latch[found.place]) + walk.length
    closed = Row((*row.stations, hinge, latch), (*row.gaps, "hinge", "leaf", "latch"))
    return Laid(closed, (*wishes[1:], cut), {}, found.way.key, found.bound, found.searches)


def _ahead_of(station: float, cut: float, walk: Walk) -> float:
    """Return a station in the lap that begins at the cut [m]."""
    return station if station >= cut else station + walk.length


def _in_stretches(task: Task, first: float | None, crossings: Sequence[Crossing], last: float | None, wishes: tuple[Wish, ...]) -> Laid:
    """Lay out what lies between ends and risers, each stretch by itself; a joint straddles every riser."""
    half = task.sizes.joint / 2
    begins = [*([] if first is None else [first]), *(crossing.station + half for crossing in (crossings[:-1] if last is None else crossings))]
    stops = [*(crossing.station - half for crossing in (crossings[1:] if first is None else crossings)), *([] if last is None else [last])]
    inside = _shared_out(task, wishes, begins, stops)
    stations: list[float] = []
    gaps: list[GapKind] = []
    straddled: dict[int, Crossing] = {}
    key = 0
    for number, (begin, stop) in enumerate(zip(begins, stops, strict=True)):
        row, cost = _stretch(task, begin, stop, inside[number], crossings[min(number, len(crossings) - 1)] if crossings else None)
        stations += row.stations
        gaps += row.gaps
        key += cost
        if number < len(begins) - 1 or first is None:
            straddled[len(gaps)] = crossings[number + (first is None)]
            gaps.append("joint")
    gates = tuple(wish for each in inside for wish in each)
    return Laid(Row(tuple(stations), tuple(gaps)), gates, straddled, key, key, len(begins))


def _shared_out(task: Task, wishes: tuple[Wish, ...], begins: list[float], stops: list[float]) -> list[tuple[Wish, ...]]:
    """Return the gates of every stretch in walking order: each in the nearest stretch that is long enough for it."""
    laps = (0.0, task.walk.length) if task.walk.closed else (0.0,)
    shares: list[list[Wish]] = [[] for _ in begins]
    for wish in wishes:
        room = wish.leaf + 2 * task.sizes.joint
        found = [
            (abs(min(max(wish.station + lap, begin), stop) - wish.station - lap), number, min(max(wish.station + lap, begin), stop))
            for number, (begin, stop) in enumerate(zip(begins, stops, strict=True))
            for lap in laps
            if stop - begin > room
        ]
        if not found:
            raise LayoutError(_no_stretch_for(wish))
        _, number, station = min(found)
        shares[number].append(dataclasses.replace(wish, station=station))
    return [tuple(sorted(share, key=lambda wish: wish.station)) for share in shares]


def _stretch(task: Task, begin: float, stop: float, wishes: tuple[Wish, ...], crossing: Crossing | None) -> tuple[Row, int]:
    walk, sizes = task.walk, task.sizes
    if stop - begin < sizes.least and not wishes:
        tread = short_tread(walk, begin, stop, sizes)
        if tread is None and crossing is not None:
            raise too_deep(crossing, stop - begin)
        if tread is not None:
            return tread, CUSTOM_KEY + sizes.custom[0][1] * COST_KEY
    grid = _grid(task, stretch_nodes(walk, begin, stop, sizes.step))
    for end in (0, -1):
        if not grid.open_nodes[end]:
            raise LayoutError(_given_hole_blocked(walk.places(grid.stations[[end]]), task))
    inner = [_inner_places(task, grid, wish) for wish in wishes]
    way = best_between(grid, sizes, tuple(moves_of(grid, each) for each in inner))
    if way is None:
        raise LayoutError(_no_way("between its ends", grid, walk))
    try:
        return row_of(walk, grid, way, sizes, _gate_holes(inner)), way.key
    except LayoutError:
        careful = best_between(grid, sizes, tuple(moves_of(grid, each) for each in inner), careful=True)
        if careful is None:
            raise
        return row_of(walk, grid, careful, sizes, _gate_holes(inner)), careful.key


def _inner_places(task: Task, grid: Grid, wish: Wish) -> GatePlaces:
    found = _clear_of_given(task, grid, places_for(task.walk, grid.stations, wish, wish.station, 0.0, task.sizes))
    return gate_sites(found, grid, wish, task.walk, task.job, task.site)


def _grid(task: Task, stations: Floats) -> Grid:
    blocked = undrillable(task.walk.places(stations), task.site, task.job.shop)
    return grid_of(task.walk, stations, blocked, _given_within(task, stations), task.sizes, task.job.shop)


def _given_within(task: Task, stations: Floats) -> tuple[float, ...]:
    """Return the given holes' stations in every lap that a grid reaches [m]."""
    laps = np.arange(-1, 3) * task.walk.length if task.walk.closed else np.zeros(1)
    given = np.add.outer(laps, np.asarray(task.given)).ravel()
    return tuple(float(station) for station in np.sort(given[(given > stations[0]) & (given < stations[-1])]))


def _clear_of_given(task: Task, grid: Grid, places: GatePlaces) -> GatePlaces:
    """Return the places whose gate does not reach across a given hole."""
    if not task.given or not len(places.after):
        return places
    first, last = places.hinge - task.sizes.joint, grid.stations[places.after]
    laps = np.arange(-1, 3) * task.walk.length if task.walk.closed else np.zeros(1)
    given = np.add.outer(laps, np.asarray(task.given)).ravel()
    across = ((given > first[:, None] + 1e-4) & (given < last[:, None] - 1e-4)).any(axis=1)
    keep = ~across
    return GatePlaces(places.before[keep], places.after[keep], places.hinge[keep], places.latch[keep], places.moves[keep])


def _begun_after_gate(laid: Laid) -> Laid:
    """Return a closed fence renumbered to begin with the first hole after its first gate."""
    gaps = laid.row.gaps
    if "latch" not in gaps:
        return laid
    shift = (gaps.index("latch") + 1) % len(gaps)
    row = Row((*laid.row.stations[shift:], *laid.row.stations[:shift]), (*gaps[shift:], *gaps[:shift]))
    crossings = {(index - shift) % len(gaps): crossing for index, crossing in laid.crossings.items()}
    return dataclasses.replace(laid, row=row, gates=(*laid.gates[1:], laid.gates[0]), crossings=crossings)


def _gate_holes(inner: list[GatePlaces]) -> dict[int, tuple[float, float]]:
    return {
        int(after): (float(hinge), float(latch))
        for places in inner
        for after, hinge, latch in zip(places.after, places.hinge, places.latch, strict=True)
    }


def _no_way(where: str, grid: Grid, walk: Walk) -> Reason:
    closed = np.nonzero(~grid.open_nodes)[0]
    what = f"no row of panels and gates fits {where}"
    if len(closed):
        x, y = walk.places(grid.stations[closed[len(closed) // 2] : closed[len(closed) // 2] + 1])[0]
        what += f"; {len(closed) / len(grid.stations):.0%} of the line cannot be drilled, for one at ({x:.2f}, {y:.2f}) m"
    return Reason(
        ref="no-row-fits",
        what=what,
        why="every hole has to keep clear of joints, drains, pipes, objects and the deck's edge, and a gate needs its leaf's width and swing",
        do="move what stands in the way, ask for another setback or gate place, or let the fence end at a wall",
    )


def _given_hole_blocked(place: Floats, task: Task) -> Reason:
    met = what_blocks(place, task.site, task.job.shop)
    return Reason(
        ref="hole-not-drillable",
        what=f"the hole at ({place[0, 0]:.2f}, {place[0, 1]:.2f}) m, which a wall or a riser gives its place, cannot be drilled: {met}",
        why="the end hole stands at its distance from the wall, and a joint straddles every riser; neither can be moved along the line",
        do="move the line by another setback, end the fence elsewhere, or have the conflict looked at on site and taken out of the survey if it is none",
    )


def _no_stretch_for(wish: Wish) -> Reason:
    return Reason(
        ref="no-place-for-gate",
        what=f"no stretch between ends and steps is long enough for {'the gate at ' + wish.name if wish.name else 'a gate'}",
        why="a gate takes its leaf's width and a joint to either side, on one level",
        file="job.toml",
        do="ask for a narrower leaf ([[gate]] leaf), or survey a door in the wall as the way in",
    )
