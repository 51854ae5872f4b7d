"""A closed fence laid out: the loop is cut at a gate whose place is free, and the best place is found by branch and bound.

A batch of ranges of places is searched at once.  A range's value, with any of its places for the start and any other for the end, is a lower bound of each of
them; the range with the least bound is divided until it holds one place only, whose value is then the optimum.
"""

from __future__ import annotations

import dataclasses
import heapq
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.layout.closing import closing_places
from pipeline.layout.gates import NEAR, GatePlaces
from pipeline.layout.grid import MOVE_UNIT, NEVER, Grid, Indices, Keys, Measures
from pipeline.layout.optimum import CUSTOM_KEY, GateMoves, Way, search
from pipeline.layout.stretches import MORE_CUSTOMS

BRANCHES: Final = 8  # parts a range is divided in
MOST_CAREFUL: Final = 40  # places looked at where custom panels' inner posts have to be seen to; what is left open then shows in the gap
BATCH: Final = 24  # ranges searched at once: as fast as a few, on arrays this small
NEAREST: Final = 3  # places tried by themselves at once: most jobs end there


@dataclass(frozen=True)
class LoopWay:
    """The best way round, and which of the cut gate's places it uses."""

    way: Way
    place: int
    bound: int
    searches: int


def best_loop(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], *, thorough: bool = True) -> LoopWay | None:
    """Return the best closed way, or None when no place of the gate closes one.

    Parameters
    ----------
    grid : Grid
        Nodes and moves of a lap and a little more.
    places : GatePlaces
        Of the gate the loop is cut at, the nearest to its wish first.
    sizes : Measures
        The shop's lengths and prices.
    inner : tuple of GateMoves
        The other gates.
    thorough : bool
        False: only the nearest few places are compared, which gives a way that can be built, not proven best.

    Notes
    -----
    The gate stays within `NEAR` of its wish, if any place there closes with whole panels; else within `REACH`, if any there does; else within `NEAR` again, with custom
    panels.  Which of these holds is a question of its own, answered exactly (`closing_places`); the objective compares all places of that one group.
    """
    near, far = _near_and_far(places)
    for group in (near, far):
        whole = group[closing_places(grid, places.only(group), sizes, inner)] if len(group) else group
        if len(whole):
            return _best_of(grid, places, sizes, inner, whole if thorough else whole[:NEAREST], custom=False)
    found = _best_of(grid, places, sizes, inner, near if thorough else near[:NEAREST], custom=True)
    return found or _best_of(grid, places, sizes, inner, far, custom=True)


def careful_loop(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], found: LoopWay) -> LoopWay | None:
    """Return the best closed way whose custom panels keep their inner posts off forbidden ground, from one found without looking at those.

    Notes
    -----
    What every place of the gate reaches without looking at those posts is its lower bound; places are looked at carefully in the order of their bounds, until the next
    bound is no better than the best that was found.
    """
    near, far = _near_and_far(places)
    group = near if found.place in near else far
    bounds = _alone(grid, places, sizes, inner, group)
    order = np.argsort(bounds, kind="stable")
    least = found.way.key // CUSTOM_KEY
    for most in range(least, least + MORE_CUSTOMS + 1):
        best, tried = None, 0
        while tried < min(len(order), MOST_CAREFUL) and bounds[order[tried]] < (best.way.key if best else NEVER):
            place = int(group[order[tried]])
            way = _from_one(grid, places, sizes, inner, place, careful=most)
            if way and (best is None or way.key < best.way.key):
                best = LoopWay(way, place, way.key, found.searches)
            tried += 1
        if best:
            beyond = int(bounds[order[tried]]) if tried < len(order) else NEVER
            return dataclasses.replace(best, bound=min(best.way.key, beyond), searches=found.searches + tried)
    return None


def _near_and_far(places: GatePlaces) -> tuple[Indices, Indices]:
    """Return the places within `NEAR` of the wish, and the others."""
    near = places.moves * MOVE_UNIT <= NEAR
    return np.nonzero(near)[0], np.nonzero(~near)[0]


def _alone(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], group: Indices) -> Keys:
    """Return the least key from every place of a group by itself, with custom panels whose inner posts are not looked at."""
    keys: list[int] = []
    for batch in np.array_split(group, max(1, math.ceil(len(group) / BATCH))):
        run = search(grid, sizes, [_starts(places, batch[[row]]) for row in range(len(batch))], inner, custom=True)
        keys += [run.best_end(row, _ends(places, batch[[row]]))[0] for row in range(len(batch))]
    return np.array(keys, dtype=np.int64)


def _from_one(
    grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], place: int, *, custom: bool = True, careful: int = 0
) -> Way | None:
    """Return the best way from one place of the gate round to it, None without any."""
    only = np.array([place])
    run = search(grid, sizes, [_starts(places, only)], inner, custom=custom, careful=careful)
    key, end = run.best_end(0, _ends(places, only))
    return run.way_to(0, end) if key < NEVER else None


def _best_of(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], open_places: Indices, *, custom: bool) -> LoopWay | None:
    if not len(open_places):
        return None
    everything = open_places[np.argsort(places.after[open_places], kind="stable")]
    waiting: list[tuple[int, bool, int, Indices]] = []
    alone = [np.array([place]) for place in open_places[:NEAREST]]
    ranges = [everything, *alone] if len(open_places) > NEAREST else alone
    searches = 0
    while True:
        run = search(grid, sizes, [_starts(places, each) for each in ranges], inner, custom=custom)
        searches += 1
        keys = [run.best_end(row, _ends(places, each))[0] for row, each in enumerate(ranges)]
        for row, (key, each) in enumerate(zip(keys, ranges, strict=True)):
            if key < NEVER:
                heapq.heappush(waiting, (key, len(each) > 1, searches * 100 + row, each))
        if not waiting:
            return None
        key, several, _, each = waiting[0]
        if not several:
            way = _from_one(grid, places, sizes, inner, int(each[0]), custom=custom)
            return LoopWay(way, int(each[0]), key, searches + 1) if way else None
        ranges = _divided(waiting)


def _divided(waiting: list[tuple[int, bool, int, Indices]]) -> list[Indices]:
    """Take the most promising ranges off the heap and divide them, until a batch is full."""
    parts: list[Indices] = []
    while waiting and waiting[0][1] and len(parts) < BATCH:
        _, _, _, each = heapq.heappop(waiting)
        parts += [part for part in np.array_split(each, BRANCHES) if len(part)]
    return parts


def _ends(places: GatePlaces, each: Indices) -> list[tuple[int, int]]:
    return [(int(places.before[place]), 0) for place in each]


def _starts(places: GatePlaces, each: Indices) -> list[tuple[int, int]]:
    return [(int(places.after[place]), int(places.moves[place])) for place in each]
