"""A closed fence laid out: the loop is cut at a gate whose place is free, and the best place is found by branch and bound.

A batch of ranges of places is searched at once.  A range's value, with any of its places for the start and any other for the end, is a lower bound of each of
them; the range with the least bound is divided until it holds one place only, whose value is then the optimum.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.layout.closing import closing_places
from pipeline.layout.gates import NEAR, GatePlaces
from pipeline.layout.grid import NEVER, Grid, Indices, Measures
from pipeline.layout.optimum import MOVE_UNIT, GateMoves, Way, search

BRANCHES: Final = 8  # parts a range is divided in
MOST_PLACES: Final = 96  # nearest places that are compared, where more than these close with whole panels
FEW: Final = 4  # nearest places tried where custom panels have to be laid carefully
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
    """
    whole = closing_places(grid, places, sizes, inner)
    near = np.nonzero(places.moves * MOVE_UNIT <= NEAR)[0]
    most = MOST_PLACES if thorough else NEAREST
    if len(whole):
        return _best_of(grid, places, sizes, inner, _either(whole, near)[:most], custom=False)
    found = _best_of(grid, places, sizes, inner, near if thorough else near[:NEAREST], custom=True)
    return found or _best_of(grid, places, sizes, inner, np.arange(len(places.after)), custom=True)


def careful_loop(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], bound: int) -> LoopWay | None:
    """Return the best way from the nearest places whose custom panels keep their inner posts off forbidden ground.

    Parameters
    ----------
    grid, places, sizes, inner
        As in `best_loop`.
    bound : int
        Lower bound of the same loop with that left out of account.
    """
    best: LoopWay | None = None
    for place in range(min(FEW, len(places.after))):
        only = np.array([place])
        run = search(grid, sizes, [_starts(places, only)], inner, custom=True, careful=True)
        key, end = run.best_end(0, _ends(places, only))
        if key < NEVER and (best is None or key < best.way.key):
            best = LoopWay(run.way_to(0, end), place, bound, place + 1)
            if key <= bound:
                break
    return best


def _either(whole: Indices, near: Indices) -> Indices:
    """Return the nearest places that close with whole panels, as long as any is near, or else the nearest of all that close."""
    both = np.intersect1d(whole, near)
    return both if len(both) else whole


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
            return _found(grid, places, sizes, inner, int(each[0]), key, searches, custom=custom)
        ranges = _divided(waiting)


def _divided(waiting: list[tuple[int, bool, int, Indices]]) -> list[Indices]:
    """Take the most promising ranges off the heap and divide them, until a batch is full."""
    parts: list[Indices] = []
    while waiting and waiting[0][1] and len(parts) < BATCH:
        _, _, _, each = heapq.heappop(waiting)
        parts += [part for part in np.array_split(each, BRANCHES) if len(part)]
    return parts


def _found(
    grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], place: int, bound: int, searches: int, *, custom: bool
) -> LoopWay:
    """Search once more from the one place that is best, and trace its way."""
    only = np.array([place])
    run = search(grid, sizes, [_starts(places, only)], inner, custom=custom)
    _, end = run.best_end(0, _ends(places, only))
    return LoopWay(run.way_to(0, end), place, bound, searches + 1)


def _ends(places: GatePlaces, each: Indices) -> list[tuple[int, int]]:
    return [(int(places.before[place]), 0) for place in each]


def _starts(places: GatePlaces, each: Indices) -> list[tuple[int, int]]:
    return [(int(places.after[place]), int(places.moves[place])) for place in each]
