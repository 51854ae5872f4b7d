"""The fence along its line: a loop cut at a gate, or stretches between ends and risers, put together to one row of holes.

The line is worked out from both hands, as it is walked and as its mirror image would be, and the better row is kept: so a mirrored site gets the mirrored fence.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import InternalFault, LayoutError, Reason
from pipeline.geometry.chain import Chain
from pipeline.layout.anywhere import Passage, least_anywhere, least_round
from pipeline.layout.barrier import Course, end_station
from pipeline.layout.gate_places import GateWithoutPlace, gate_sites
from pipeline.layout.gates import NEAR, REACH, GatePlaces, Wish, places_for
from pipeline.layout.grid import Grid, Measures, grid_of, loop_nodes, stretch_nodes
from pipeline.layout.ground import undrillable, what_blocks
from pipeline.layout.loop import best_loop, careful_loop
from pipeline.layout.nearness import distances_to
from pipeline.layout.optimum import Found, GateMoves
from pipeline.layout.reach import GapKind, Row, row_of
from pipeline.layout.stretches import Crossing, best_between, careful_between, crossings_of, moves_of, short_tread, too_deep
from pipeline.layout.tables import COST_KEY, CUSTOM_KEY
from pipeline.layout.walk import Floats, Walk, other_hand
from pipeline.model.job import Job
from pipeline.model.site import Site

ROUND_A_BEND = 0.02  # [m] what the grid and a bend may put a gate's holes off their places along a straight
FIRST_TRIED = 8  # places of the gate that are tried before all are, where custom panels and cost are all that is asked
ROUND_LONGER = 1.1  # [-] most by which the line round a bend is longer than the half of a gate along it


@dataclass(frozen=True)
class Task:
    """What every step needs to know.

    Parameters
    ----------
    walk : Walk
        The hole line.
    course : Course
        The walls at its ends.
    job : Job
    site : Site
    sizes : Measures
        The shop's.
    given : tuple of float
        Stations of holes given by mitres and chamfers [m].
    wanted : Chain or None
        The line as it would run with room everywhere; None where it is laid out as wanted.
    both_hands : bool
        Whether the line is worked out from both hands, or from one only: as good in custom panels and cost, but not the same for the mirrored site.
    unit : int
        Rows whose keys differ in what lies below this only are as good as each other; `COST_KEY` where custom panels and cost are all that is asked.
    """

    walk: Walk
    course: Course
    job: Job
    site: Site
    sizes: Measures
    given: tuple[float, ...] = ()
    wanted: Chain | None = None
    both_hands: bool = True
    unit: int = 1


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
        Packed objective, and its lower bound over the stations and places searched.
    anywhere : int
        Lower bound of custom panels and cost over all places between those too.
    searches : int
    """

    row: Row
    gates: tuple[Wish, ...]
    crossings: dict[int, Crossing]
    key: int
    bound: int
    anywhere: int
    searches: int


def fence_along(task: Task, wishes: tuple[Wish, ...]) -> Laid:
    """Lay out panels, joints and gates along the line; of two equally good rows the one whose joints lie nearer to the gates.

    Raises
    ------
    LayoutError
        When no row of panels fits.
    """
    if not task.both_hands:
        return _from_one_hand(task, wishes)
    found: list[Laid] = []
    fault: LayoutError | None = None
    for mirrored in (False, True):
        try:
            found.append(_turned_back(_from_one_hand(*_other_hand(task, wishes)), task.walk) if mirrored else _from_one_hand(task, wishes))
        except LayoutError as held:
            fault = fault or held
    if not found:
        raise fault or InternalFault(Reason(ref="no-hand", what="the line was walked from neither hand", do="report it with the job's folder"))
    best = min(found, key=lambda laid: (laid.key, _spread(laid, task.walk)))
    return dataclasses.replace(best, anywhere=min(laid.anywhere for laid in found) if fault is None else 0)


def _from_one_hand(task: Task, wishes: tuple[Wish, ...]) -> Laid:
    walk, clearance = task.walk, float(task.job.shop.panel.end_clearance)
    if walk.closed:
        crossings = crossings_of(walk, 0.0, walk.length, task.site.risers)
        if not crossings:
            return _whole_loop(task, _cut_first(wishes, walk))
        first = crossings[0]
        return _begun_after_gate(
            _in_stretches(task, None, (*crossings, dataclasses.replace(first, station=first.station + walk.length)), None, wishes)
        )
    begin, stop = (end_station(walk, wall, clearance, first=first) for wall, first in zip(task.course.walls, (True, False), strict=True))
    return _in_stretches(task, begin, crossings_of(walk, begin, stop, task.site.risers), stop, wishes)


def _cut_first(wishes: tuple[Wish, ...], walk: Walk) -> tuple[Wish, ...]:
    """Return the gates in walking order from the one the loop is cut at: the widest, and of those the farthest from the middle of the fence."""
    middle = walk.places(np.linspace(0.0, walk.length, 256, endpoint=False)).mean(axis=0)
    away = np.hypot(*(walk.places(np.array([wish.station for wish in wishes])) - middle).T).round(3)
    cut = max(range(len(wishes)), key=lambda index: (round(wishes[index].leaf, 6), away[index], -index))
    return (*wishes[cut:], *wishes[:cut])


def _other_hand(task: Task, wishes: tuple[Wish, ...]) -> tuple[Task, tuple[Wish, ...]]:
    """Return the same task with the line walked the other way."""
    length = task.walk.length
    turned = dataclasses.replace(
        task,
        walk=other_hand(task.walk),
        course=Course(task.course.chain, (task.course.walls[1], task.course.walls[0])),
        given=tuple(length - station for station in task.given[::-1]),
    )
    return turned, tuple(dataclasses.replace(wish, station=length - wish.station) for wish in wishes[::-1])


def _turned_back(laid: Laid, walk: Walk) -> Laid:
    """Return what was laid out from the other hand as it is met walking with the water on the left."""
    count = len(laid.row.gaps)
    swapped: dict[GapKind, GapKind] = {"hinge": "latch", "latch": "hinge"}
    closed = count == len(laid.row.stations)
    stations, searched = (tuple(walk.length - station for station in row[::-1]) for row in (laid.row.stations, laid.row.searched))
    gaps = [swapped.get(gap, gap) for gap in laid.row.gaps]
    gaps = [*gaps[-2::-1], gaps[-1]] if closed else gaps[::-1]
    last = count - (2 if closed else 1)
    crossings = {(last - index) % count: dataclasses.replace(each, station=walk.length - each.station) for index, each in laid.crossings.items()}
    gates = tuple(dataclasses.replace(wish, station=walk.length - wish.station) for wish in laid.gates[::-1])
    turned = dataclasses.replace(laid, row=Row(stations, tuple(gaps), searched), gates=gates, crossings=crossings)
    return _begun_after_gate(turned) if closed else turned


def _spread(laid: Laid, walk: Walk) -> float:
    """Return how far all joints lie from the gates, in sum [m]: tells two equally good rows apart without asking where axes or first hole are."""
    stations, gaps = np.asarray(laid.row.stations), laid.row.gaps
    places = walk.places(stations)
    after = np.roll(places, -1, axis=0)[: len(gaps)]
    middles = (places[: len(gaps)] + after) / 2
    joints = middles[[gap == "joint" for gap in gaps]]
    leaves = middles[[gap == "leaf" for gap in gaps]]
    apart = np.hypot(joints[:, None, 0] - leaves[None, :, 0], joints[:, None, 1] - leaves[None, :, 1])
    return round(float(apart.sum()), 3)


@dataclass(frozen=True)
class _Ground:
    """A grid, the places its gates may take, and how far from their wishes these reach [m]; of a loop first those of the gate it is cut at."""

    grid: Grid
    places: tuple[GatePlaces, ...]
    reach: float

    @functools.cached_property
    def moves(self) -> tuple[GateMoves, ...]:
        """The gates as moves of the search."""
        return tuple(moves_of(self.grid, each) for each in self.places)


def _whole_loop(task: Task, wishes: tuple[Wish, ...]) -> Laid:
    """Lay out a closed fence, beginning after the first gate."""
    walk, sizes = task.walk, task.sizes
    cut, around = wishes[0], wishes[0].station
    ahead = [dataclasses.replace(wish, station=_ahead_of(wish.station, around, walk)) for wish in wishes[1:]]
    grounds = functools.cache(functools.partial(_ground_of_loop, task, cut, ahead))
    ground, found = (_cheapest_near_by(task, (cut, *ahead), grounds) if task.unit == COST_KEY else None) or _nearest_of_the_best(
        (NEAR, REACH),
        grounds,
        lambda ground, custom: best_loop(ground.grid, ground.places[0], sizes, ground.moves[1:], custom=custom, unit=task.unit),
    )
    if found is None:
        raise LayoutError(_no_way("round the pool", ground.grid, walk))
    grid, places = ground.grid, ground.places[0]
    try:
        row = row_of(walk, grid, found.way, sizes, _gate_holes(ground.places[1:]))
    except LayoutError:
        careful = careful_loop(grid, places, sizes, ground.moves[1:], found, task.unit)
        if careful is None:
            raise
        found = careful
        row = row_of(walk, grid, found.way, sizes, _gate_holes(ground.places[1:]))
    gate = (float(places.hinge[found.place]) + walk.length, float(places.latch[found.place]) + walk.length)
    closed = Row((*row.stations, *gate), (*row.gaps, "hinge", "leaf", "latch"), (*row.searched, *gate))
    anywhere = found.way.key
    if not walk.mirrored:  # the bound asks for no hand: it is worked out once
        passages = [_passage(wish, wish.station, ground.reach, sizes) for wish in (cut, *ahead)]
        anywhere = least_round(walk, sizes, task.job.shop, passages[0], passages[1:], found.way.key)
    return Laid(closed, (*ahead, cut), {}, found.way.key, found.bound, anywhere, found.searches)


def _cheapest_near_by(task: Task, wishes: Sequence[Wish], ground_within: Callable[[float], _Ground]) -> tuple[_Ground, Found] | None:
    """Return the best row from the places nearest to the gate's wish, where windows prove that none from any place has fewer custom panels or costs less; None elsewhere."""
    ground = ground_within(NEAR)
    places = ground.places[0].only(slice(FIRST_TRIED))
    rows = (best_loop(ground.grid, places, task.sizes, ground.moves[1:], custom=custom, unit=COST_KEY) for custom in (False, True))
    found = next((row for row in rows if row), None)
    if not found or found.customs > 1:
        return None
    passages = [_passage(wish, wish.station, REACH if found.customs else NEAR, task.sizes) for wish in wishes]
    least = least_round(task.walk, task.sizes, task.job.shop, passages[0], passages[1:], found.way.key)
    return (ground, found) if least // COST_KEY == found.way.key // COST_KEY else None


def _ground_of_loop(task: Task, cut: Wish, others: list[Wish], reach: float) -> _Ground:
    walk, sizes, around = task.walk, task.sizes, cut.station
    margin = reach + cut.leaf + 2 * sizes.joint
    grid = _grid(task, loop_nodes(walk, around, around - margin, around + margin + walk.length, sizes.step, task.given))
    first = _clear_of_given(task, grid, places_for(walk, grid.stations, cut, around, walk.length, sizes, reach))
    return _Ground(
        grid,
        (gate_sites(first, grid, cut, walk, task.job, task.site, reach), *(_inner_places(task, grid, wish, reach) for wish in others)),
        reach,
    )


def _nearest_of_the_best(
    reaches: tuple[float, ...], ground_within: Callable[[float], _Ground], best_on: Callable[[_Ground, bool], Found | None]
) -> tuple[_Ground, Found | None]:
    """Return the best row and the ground it was found on: gates stay within `NEAR` of their wishes where that costs no custom panel, else within `REACH`.

    Parameters
    ----------
    reaches : tuple of float
        How far gates may be moved, the least first [m].
    ground_within : function
        The ground whose gates are moved by at most so much [m]; raises GateWithoutPlace.
    best_on : function
        The best row on it, of whole panels or with custom ones.
    """
    grounds: dict[float, _Ground] = {}
    found: dict[tuple[float, bool], Found] = {}
    for custom, reach in itertools.product((False, True), reaches):
        if reach not in grounds:
            try:
                grounds[reach] = ground_within(reach)
            except GateWithoutPlace:
                if reach == reaches[-1]:
                    raise
                continue
        best = best_on(grounds[reach], custom)
        if best:
            found[reach, custom] = best
            if best.customs <= custom:  # no row anywhere has fewer
                return grounds[reach], best
    least = min(((best.customs, reach, best) for (reach, _), best in found.items()), key=lambda each: each[:2], default=None)
    return (grounds[least[1]], least[2]) if least else (grounds[reaches[-1]], None)


def _passage(wish: Wish, station: float, reach: float, sizes: Measures) -> Passage:
    """Return where the first hole after a gate may stand that is moved by at most `reach` from its wish [m]."""
    half = wish.leaf / 2 + sizes.joint
    return Passage(wish.leaf, station + half - reach - ROUND_A_BEND, station + half * ROUND_LONGER + reach + ROUND_A_BEND)


def _ahead_of(station: float, cut: float, walk: Walk) -> float:
    """Return a station in the lap that begins at the cut [m]."""
    return station if station >= cut else station + walk.length


def _in_stretches(task: Task, first: float | None, crossings: Sequence[Crossing], last: float | None, wishes: tuple[Wish, ...]) -> Laid:
    """Lay out what lies between ends and risers, each stretch by itself; a joint straddles every riser."""
    half = float(task.job.shop.panel.end_clearance)  # to either side of a riser
    begins = [*([] if first is None else [first]), *(crossing.station + half for crossing in (crossings[:-1] if last is None else crossings))]
    stops = [*(crossing.station - half for crossing in (crossings[1:] if first is None else crossings)), *([] if last is None else [last])]
    inside = _shared_out(task, wishes, begins, stops)
    stations: list[float] = []
    searched: list[float] = []
    gaps: list[GapKind] = []
    straddled: dict[int, Crossing] = {}
    key = anywhere = 0
    for number, (begin, stop) in enumerate(zip(begins, stops, strict=True)):
        row, cost, least = _stretch(task, begin, stop, inside[number], crossings[min(number, len(crossings) - 1)] if crossings else None)
        stations += row.stations
        searched += row.searched
        gaps += row.gaps
        key += cost
        anywhere += least
        if number < len(begins) - 1 or first is None:
            straddled[len(gaps)] = crossings[number + (first is None)]
            gaps.append("joint")
    gates = tuple(wish for each in inside for wish in each)
    return Laid(Row(tuple(stations), tuple(gaps), tuple(searched)), gates, straddled, key, key, anywhere, len(begins))


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
            raise GateWithoutPlace(wish, _no_stretch_for(wish))
        _, number, station = min(found)
        shares[number].append(dataclasses.replace(wish, station=station))
    return [tuple(sorted(share, key=lambda wish: wish.station)) for share in shares]


def _stretch(task: Task, begin: float, stop: float, wishes: tuple[Wish, ...], crossing: Crossing | None) -> tuple[Row, int, int]:
    """Return the row of a stretch, its packed objective, and the lower bound of custom panels and cost over all places."""
    walk, sizes = task.walk, task.sizes
    if stop - begin < sizes.least and not wishes:
        tread = short_tread(walk, begin, stop, sizes)
        if tread is None and crossing is not None:
            raise too_deep(crossing, stop - begin)
        if tread is not None:
            key = CUSTOM_KEY + sizes.custom[0][1] * COST_KEY
            return tread, key, key
    grid = _grid(task, stretch_nodes(begin, stop, sizes.step, _given_between(task, begin, stop)))
    for end in (0, -1):
        if not grid.open_nodes[end]:
            raise LayoutError(_given_hole_blocked(walk.places(grid.stations[[end]]), task))
    ground, found = _nearest_of_the_best(
        (NEAR, REACH) if wishes else (REACH,),
        lambda reach: _Ground(grid, tuple(_inner_places(task, grid, wish, reach) for wish in wishes), reach),
        lambda ground, custom: best_between(grid, sizes, ground.moves, custom=custom),
    )
    if found is None:
        raise LayoutError(_no_way("between its ends", grid, walk))
    gate_holes = _gate_holes(ground.places)
    try:
        row = row_of(walk, grid, found.way, sizes, gate_holes)
    except LayoutError:
        careful = careful_between(grid, sizes, ground.moves, found)
        if careful is None:
            raise
        found = careful
        row = row_of(walk, grid, found.way, sizes, gate_holes)
    ends = [(np.array([station]), np.array([station])) for station in (begin, stop)]
    passages = [_passage(wish, wish.station, ground.reach, sizes) for wish in wishes]
    least = found.way.key - found.way.key % COST_KEY
    if not walk.mirrored:  # the bound asks for no hand: it is worked out once
        least = int(least_anywhere(walk, sizes, task.job.shop, ends[0], ends[1], passages, least)[0])
    return row, found.way.key, least


def _inner_places(task: Task, grid: Grid, wish: Wish, reach: float) -> GatePlaces:
    found = _clear_of_given(task, grid, places_for(task.walk, grid.stations, wish, wish.station, 0.0, task.sizes, reach))
    return gate_sites(found, grid, wish, task.walk, task.job, task.site, reach)


def _grid(task: Task, stations: Floats) -> Grid:
    places = task.walk.places(stations)
    blocked = undrillable(places, task.site, task.job.shop)
    off = None if task.wanted is None else distances_to(places, task.wanted)
    given = _given_between(task, float(stations[0]), float(stations[-1]))
    return grid_of(task.walk, stations, blocked, given, task.sizes, task.job.shop, off)


def _given_between(task: Task, first: float, last: float) -> tuple[float, ...]:
    """Return the given holes' stations between two, in every lap that they reach [m]."""
    laps = np.arange(-1, 3) * task.walk.length if task.walk.closed else np.zeros(1)
    given = np.add.outer(laps, np.asarray(task.given)).ravel()
    return tuple(float(station) for station in np.sort(given[(given > first) & (given < last)]))


def _clear_of_given(task: Task, grid: Grid, places: GatePlaces) -> GatePlaces:
    """Return the places whose gate does not reach across a given hole."""
    if not task.given or not len(places.after):
        return places
    first, last = places.hinge - task.sizes.joint, grid.stations[places.after]
    laps = np.arange(-1, 3) * task.walk.length if task.walk.closed else np.zeros(1)
    given = np.add.outer(laps, np.asarray(task.given)).ravel()
    across = ((given > first[:, None] + 1e-4) & (given < last[:, None] - 1e-4)).any(axis=1)
    keep = ~across
    return places.only(keep)


def _begun_after_gate(laid: Laid) -> Laid:
    """Return a closed fence renumbered to begin with the first hole after its first gate."""
    gaps = laid.row.gaps
    if "latch" not in gaps:
        return laid
    shift = (gaps.index("latch") + 1) % len(gaps)
    row = Row(*((*each[shift:], *each[:shift]) for each in (laid.row.stations, gaps, laid.row.searched)))
    crossings = {(index - shift) % len(gaps): crossing for index, crossing in laid.crossings.items()}
    return dataclasses.replace(laid, row=row, gates=(*laid.gates[1:], laid.gates[0]), crossings=crossings)


def _gate_holes(inner: Sequence[GatePlaces]) -> dict[int, tuple[float, float]]:
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
