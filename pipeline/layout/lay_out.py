"""The verb of the stage: from the fitted site and the job to every hole in its place."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.offset import with_bays_rounded
from pipeline.layout.barrier import Course, course_of, end_station
from pipeline.layout.enclosure import check_enclosure, check_fabric
from pipeline.layout.gate_places import gate_sites, proposed_gate
from pipeline.layout.gates import REACH, GatePlaces, Wish, places_for, wishes_on
from pipeline.layout.grid import GIVE_UNIT, Grid, Measures, grid_of, loop_nodes, stretch_nodes
from pipeline.layout.ground import undrillable, what_blocks
from pipeline.layout.line import hole_line
from pipeline.layout.loop import best_loop
from pipeline.layout.measures import PRICE_UNIT, least_setback, measures_of
from pipeline.layout.optimum import COST_KEY, CUSTOM_KEY, MOVE_UNIT, unpacked
from pipeline.layout.reach import GapKind, Row, row_of
from pipeline.layout.records import ends_of, parts_of
from pipeline.layout.setting_out import distances_across
from pipeline.layout.stretches import Crossing, best_between, crossings_of, moves_of, short_tread, too_deep
from pipeline.layout.walk import Floats, Walk, walk_of
from pipeline.layout.waters import outline_round
from pipeline.model.job import Job
from pipeline.model.layout import Certificate, Layout
from pipeline.model.site import Site


@dataclass(frozen=True)
class Laid:
    """The whole fence as a row of stations, what it cost, and a bound of that.

    Parameters
    ----------
    gates : tuple of Wish
        In the order their leaves are met along the row.
    risers : dict
        Line of the STEP straddled, by the index of the gap.
    """

    row: Row
    gates: tuple[Wish, ...]
    risers: dict[int, str]
    key: int
    bound: int
    searches: int


def lay_out(job: Job, site: Site) -> Layout:
    """Lay out one fence.

    Raises
    ------
    LayoutError
        When no fence fits the site as asked; says where, by how much, and what would cure it.
    """
    sizes, setback = measures_of(job), float(job.options.fence.setback)
    course = _course(job, site, sizes)
    line = hole_line(course.chain, setback, sizes.spacing, job, site)
    walk = walk_of(line)
    warnings: list[Reason] = []
    wishes = wishes_on(walk, site.gates, float(job.shop.gate.leaf[0]))
    if not wishes:
        wishes, warnings = (proposed_gate(walk, site, float(job.shop.gate.leaf[0])),), [_no_gate_asked()]
    laid = _laid(walk, course, wishes, job, site, sizes)
    parts = parts_of(walk, laid.row, laid.gates, laid.risers, job, site, sizes)
    check_fabric(parts.holes, line.closed, job, site)
    check_enclosure(parts.holes, line.closed, site)
    return Layout(
        line=line,
        setback=setback,
        least_setback=least_setback(job),
        closed=line.closed,
        holes=parts.holes,
        panels=parts.panels,
        joints=parts.joints,
        gates=parts.gates,
        ends=ends_of(parts.holes, course.walls) if not line.closed else (),
        check_distances=distances_across(parts.holes, closed=line.closed),
        certificate=_certificate(laid),
        warnings=tuple(warnings),
    )


def _course(job: Job, site: Site, sizes: Measures) -> Course:
    parallel = outline_round(site, float(job.options.fence.setback))
    rounded = with_bays_rounded(parallel, sizes.spacing / 2)
    return course_of(rounded, site, job.options.fence.ends, float(job.shop.panel.end_clearance))


def _laid(walk: Walk, course: Course, wishes: tuple[Wish, ...], job: Job, site: Site, sizes: Measures) -> Laid:
    clearance = float(job.shop.panel.end_clearance)
    if walk.closed:
        crossings = crossings_of(walk, 0.0, walk.length, site.risers)
        if not crossings:
            return _whole_loop(walk, wishes, job, site, sizes)
        turned = (*crossings, Crossing(crossings[0].station + walk.length, crossings[0].riser, crossings[0].angle))
        return _in_stretches(walk, None, turned, None, wishes, job, site, sizes)
    first, last = end_station(walk, course.walls[0], clearance, first=True), end_station(walk, course.walls[1], clearance, first=False)
    return _in_stretches(walk, first, crossings_of(walk, first, last, site.risers), last, wishes, job, site, sizes)


def _whole_loop(walk: Walk, wishes: tuple[Wish, ...], job: Job, site: Site, sizes: Measures) -> Laid:
    """Lay out a closed fence, beginning after the first gate."""
    cut, around = wishes[0], wishes[0].station
    margin = REACH + cut.leaf + 2 * sizes.joint
    grid = _grid(walk, loop_nodes(walk, around - margin, around + margin + walk.length, sizes.step), job, site, sizes)
    places = gate_sites(places_for(walk, grid.stations, cut, around, walk.length, sizes), walk, grid, cut, job, site)
    inner = [gate_sites(places_for(walk, grid.stations, wish, wish.station, 0.0, sizes), walk, grid, wish, job, site) for wish in wishes[1:]]
    found = best_loop(grid, places, sizes, tuple(moves_of(grid, each) for each in inner)) if len(places.after) else None
    if found is None:
        raise LayoutError(_no_way("round the pool", grid, walk))
    row = row_of(walk, grid, found.way, sizes, _gate_holes(inner))
    hinge, latch = float(places.hinge[found.place]) + walk.length, float(places.latch[found.place]) + walk.length
    closed = Row((*row.stations, hinge, latch), (*row.gaps, "hinge", "leaf", "latch"))
    return Laid(closed, (*wishes[1:], cut), {}, found.way.key, found.bound, found.searches)


def _in_stretches(
    walk: Walk,
    first: float | None,
    crossings: Sequence[Crossing],
    last: float | None,
    wishes: tuple[Wish, ...],
    job: Job,
    site: Site,
    sizes: Measures,
) -> Laid:
    """Lay out what lies between ends and risers, each stretch by itself; a joint straddles every riser."""
    half = sizes.joint / 2
    begins = [*([first] if first is not None else []), *(crossing.station + half for crossing in (crossings if last is not None else crossings[:-1]))]
    stops = [*(crossing.station - half for crossing in (crossings if first is not None else crossings[1:])), *([last] if last is not None else [])]
    stations: list[float] = []
    gaps: list[GapKind] = []
    gates: list[Wish] = []
    risers: dict[int, str] = {}
    key = 0
    for number, (begin, stop) in enumerate(zip(begins, stops, strict=True)):
        lifted = (_lifted(wish, begin, stop, walk) for wish in wishes)
        inside = tuple(sorted((wish for wish in lifted if wish is not None), key=lambda wish: wish.station))
        row, cost = _stretch(walk, begin, stop, inside, crossings, number, job, site, sizes)
        stations += row.stations
        gaps += row.gaps
        gates += inside
        key += cost
        if number < len(begins) - 1 or first is None:
            riser = crossings[number if first is not None else number + 1]
            risers[len(gaps)] = riser.riser
            gaps.append("joint")
    laid = Laid(Row(tuple(stations), tuple(gaps)), tuple(gates), risers, key, key, len(begins))
    return _begun_after_gate(laid) if first is None else laid


def _begun_after_gate(laid: Laid) -> Laid:
    """Return a closed fence renumbered to begin with the first hole after its first gate."""
    gaps = laid.row.gaps
    if "latch" not in gaps:
        return laid
    shift = (gaps.index("latch") + 1) % len(gaps)
    row = Row((*laid.row.stations[shift:], *laid.row.stations[:shift]), (*gaps[shift:], *gaps[:shift]))
    risers = {(index - shift) % len(gaps): riser for index, riser in laid.risers.items()}
    return dataclasses.replace(laid, row=row, gates=(*laid.gates[1:], laid.gates[0]), risers=risers)


def _stretch(
    walk: Walk, begin: float, stop: float, wishes: tuple[Wish, ...], crossings: Sequence[Crossing], number: int, job: Job, site: Site, sizes: Measures
) -> tuple[Row, int]:
    if stop - begin < sizes.least and not wishes:
        tread = short_tread(walk, begin, stop, sizes)
        if tread is None:
            raise too_deep(crossings[min(number, len(crossings) - 1)], stop - begin)
        return tread, CUSTOM_KEY + sizes.custom[0][1] * COST_KEY
    grid = _grid(walk, stretch_nodes(walk, begin, stop, sizes.step), job, site, sizes)
    for end in (0, -1):
        if not grid.open_nodes[end]:
            raise LayoutError(_given_hole_blocked(walk.places(grid.stations[[end]]), job, site))
    inner = [gate_sites(places_for(walk, grid.stations, wish, wish.station, 0.0, sizes), walk, grid, wish, job, site) for wish in wishes]
    way = best_between(grid, sizes, tuple(moves_of(grid, each) for each in inner))
    if way is None:
        raise LayoutError(_no_way("between its ends", grid, walk))
    return row_of(walk, grid, way, sizes, _gate_holes(inner)), way.key


def _lifted(wish: Wish, begin: float, stop: float, walk: Walk) -> Wish | None:
    """Return the wish in the lap of a stretch, None when it lies outside of it."""
    for lap in (0.0, walk.length) if walk.closed else (0.0,):
        if begin <= wish.station + lap < stop:
            return Wish(wish.name, wish.place, wish.station + lap, wish.leaf)
    return None


def _grid(walk: Walk, stations: Floats, job: Job, site: Site, sizes: Measures) -> Grid:
    return grid_of(walk, stations, undrillable(walk.places(stations), site, job.shop), (), sizes, job.shop)


def _gate_holes(inner: list[GatePlaces]) -> dict[int, tuple[float, float]]:
    return {
        int(after): (float(hinge), float(latch))
        for places in inner
        for after, hinge, latch in zip(places.after, places.hinge, places.latch, strict=True)
    }


def _certificate(laid: Laid) -> Certificate:
    objective, bound = _objective(laid.key), _objective(laid.bound)
    return Certificate(
        objective=objective,
        bound=bound,
        gap=max(abs(one - other) for one, other in zip(objective, bound, strict=True)),
        method=f"exact dynamic programming over stations 1/16 in apart; {laid.searches} searches",
    )


def _objective(key: int) -> tuple[float, ...]:
    customs, cost, give, move = unpacked(key)
    return (float(customs), cost * PRICE_UNIT, give * GIVE_UNIT, move * MOVE_UNIT)


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


def _given_hole_blocked(place: Floats, job: Job, site: Site) -> Reason:
    met = what_blocks(place, site, job.shop)
    return Reason(
        ref="hole-not-drillable",
        what=f"the hole at ({place[0, 0]:.2f}, {place[0, 1]:.2f}) m, which a wall or a riser gives its place, cannot be drilled: {met}",
        why="the end hole stands at its distance from the wall, and a joint straddles every riser; neither can be moved along the line",
        do="move the line by another setback, end the fence elsewhere, or have the conflict looked at on site and taken out of the survey if it is none",
    )


def _no_gate_asked() -> Reason:
    return Reason(
        ref="no-gate-asked",
        what="no gate was asked for; one is proposed where the deck is widest",
        why="a fence without any gate has no way in",
        do="shoot the middle of the wanted gate as GATE, or name a point in a [[gate]] entry",
    )
