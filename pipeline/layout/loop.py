"""A closed fence laid out: the loop is cut at a gate whose place is free, and the best place is found by branch and bound.

A batch of sets of places is searched at once.  A set's value, with any of its places for the start and any other for the end, is a lower bound of each of them;
the set with the least bound is divided until it holds one place only, whose value is then the optimum.

A set's bound is low because a row may end at another place of it than it began at: a shorter or longer way round, that needs less give or none.  So the way from one
place to another is charged what it saves, a unit of the give for every station between them, forth or back; a row that ends where it began is charged nothing.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from pipeline.layout.closing import closing_places
from pipeline.layout.gates import GatePlaces
from pipeline.layout.grid import Grid, Indices, Measures
from pipeline.layout.optimum import Found, GateMoves, Way, ends_from, search
from pipeline.layout.stretches import MORE_CUSTOMS
from pipeline.layout.tables import COST_KEY, GIVE_KEY, NEVER

BRANCHES: Final = 4  # parts a set is divided in
CHARGED: Final = 24  # stations; over a set that reaches farther a row saves more than give: a joint or a spacing
TRIED: Final = 4  # places the charge is tried on
BATCH: Final = 24  # sets searched at once, or a few more: as fast as a few, on arrays this small
NEAREST: Final = 3  # places tried by themselves at once: most jobs end there
SETS: Final = 24  # sets all places are shared out to at first
MOST_SEARCHES: Final = 3000  # sets and places looked at; what is left open then shows in the gap

DONE, ALONE, SEVERAL = 0, 1, 2  # a place with its true value; a place whose custom panels' inner posts are not looked at yet; a set of places


@dataclass(frozen=True, order=True)
class _Part:
    """Places of the gate and what no row through any of them falls short of; parts of one value are looked at in the order of their stages and numbers."""

    key: int
    stage: int
    number: int
    places: Indices = field(compare=False)


@dataclass(frozen=True)
class _Round:
    """What every search of a loop needs to know."""

    grid: Grid
    places: GatePlaces
    sizes: Measures
    inner: tuple[GateMoves, ...]
    custom: bool
    careful: int = 0
    unit: int = 1

    def reach_of(self, places: Indices) -> int:
        """Return over how many stations a set of places reaches."""
        return int(self.places.after[places[-1]] - self.places.after[places[0]])

    def bounds(self, sets: list[Indices], charge: int) -> list[int]:
        """Return a lower bound of every set of places, in rising order; custom panels' inner posts are not looked at.

        Parameters
        ----------
        sets : list of arrays
            Numbers of places.
        charge : int
            1: the way to a place farther back is charged, -1: to one farther on; only within sets that reach over no more than `CHARGED` stations, as a row
            between places far apart saves more than give.  A charge is less than a unit of cost, so it hides no dearer row.
        """
        after = self.places.after
        charges = [charge if self.reach_of(each) <= CHARGED else 0 for each in sets]
        pulls = [pull * GIVE_KEY * (after[each] - after[each[0 if pull >= 0 else -1]]) for pull, each in zip(charges, sets, strict=True)]
        starts = [
            [(int(self.places.after[place]), int(self.places.moves[place] + pull)) for place, pull in zip(each, pulled, strict=True)]
            for each, pulled in zip(sets, pulls, strict=True)
        ]
        asked = min(int(self.places.before[each].min()) for each in sets)
        ended = ends_from(asked, self.grid, self.sizes, starts, self.inner, custom=self.custom, must=self.custom)
        found = [ended[self.places.before[each] - asked, row] for row, each in enumerate(sets)]
        return [
            int(np.where(keys < NEVER, np.maximum(keys - pull, keys // COST_KEY * COST_KEY), NEVER).min())
            for keys, pull in zip(found, pulls, strict=True)
        ]

    def way(self, place: int) -> Way | None:
        """Return the best way from one place of the gate round to it, None without any."""
        only = np.array([place])
        run = search(self.grid, self.sizes, [_starts(self.places, only)], self.inner, custom=self.custom, must=self.custom, careful=self.careful)
        key, end = run.best_end(0, _ends(self.places, only))
        return run.way_to(0, end) if key < NEVER else None


def best_loop(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], *, custom: bool, unit: int = 1) -> Found | None:
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
    custom : bool
        False: ways of whole panels only; which places close one is a question of its own, answered exactly (`closing_places`).  True: ways with at least one custom
        panel, to be asked for where no place closes with whole ones.
    unit : int
        Rows whose keys differ in what lies below this only are as good as each other: `optimum.COST_KEY` asks for custom panels and cost alone.
    """
    chosen = np.arange(len(places.after)) if custom else closing_places(grid, places, sizes, inner)
    return _best_of(_Round(grid, places, sizes, inner, custom, unit=unit), chosen)


def careful_loop(grid: Grid, places: GatePlaces, sizes: Measures, inner: tuple[GateMoves, ...], found: Found, unit: int = 1) -> Found | None:
    """Return the best closed way whose custom panels keep their inner posts off forbidden ground, from one found without looking at those.

    Notes
    -----
    What a set of places reaches without looking at those posts is its lower bound too; single places are looked at carefully in the order of their bounds.
    """
    for most in range(found.customs, found.customs + MORE_CUSTOMS + 1):
        best = _best_of(_Round(grid, places, sizes, inner, True, most, unit), np.arange(len(places.after)))
        if best:
            return best
    return None


def _best_of(task: _Round, chosen: Indices) -> Found | None:
    """Return the best way among some places by branch and bound; its bound is less than its value only in what lies below the unit, or where the search was broken off."""
    if not len(chosen):
        return None
    single = ALONE if task.careful else DONE
    waiting: list[_Part] = []
    done: _Part | None = None
    sets, searches, charge = _shared_out(chosen, task.places), 0, 0
    floors = [0] * len(sets)
    while True:
        for key, floor, part in zip(task.bounds(sets, charge), floors, sets, strict=True):
            searches += 1
            if key < NEVER:
                heapq.heappush(waiting, _Part(max(key, floor), SEVERAL if len(part) > 1 else single, searches, part))
        while waiting and waiting[0].stage != SEVERAL and not _settles(done, waiting[0], task.unit):
            alone = heapq.heappop(waiting)
            if alone.stage == ALONE:
                way, searches = task.way(int(alone.places[0])), searches + 1
                alone = _Part(way.key if way else NEVER, DONE, searches, alone.places)
            done = min(alone, done or alone)
        if done and done.key < NEVER and (not waiting or _settles(done, waiting[0], task.unit) or searches > MOST_SEARCHES):
            way = task.way(int(done.places[0]))
            return Found(way, min(done.key, waiting[0].key if waiting else NEVER), int(done.places[0]), searches + 1) if way else None
        if not waiting:
            return None
        charge = charge or _better_charge(task, waiting[0].places)
        sets, floors = _divided(waiting, done.key if done else NEVER)


def _settles(done: _Part | None, next_best: _Part, unit: int) -> bool:
    """Say whether a place is as good as whatever is left."""
    return done is not None and done.key // unit <= next_best.key // unit


def _better_charge(task: _Round, places: Indices) -> int:
    """Return which way between places has to be charged for the higher bounds: tried on a few neighbours."""
    return max((1, -1), key=lambda charge: task.bounds([places[:TRIED]], charge))


def _shared_out(chosen: Indices, places: GatePlaces) -> list[Indices]:
    """Return all places in sets of neighbours, and the nearest few by themselves."""
    alone = [np.array([place]) for place in chosen[:NEAREST]]
    rest = chosen[NEAREST:]
    return [*alone, *_stretches(rest[np.argsort(places.after[rest], kind="stable")], SETS)]


def _stretches(places: Indices, parts: int) -> list[Indices]:
    """Return places in so many sets at most, of neighbours each."""
    return [part for part in np.array_split(places, parts) if len(part)]


def _divided(waiting: list[_Part], known: int) -> tuple[list[Indices], list[int]]:
    """Take the most promising sets off the heap and divide them, until a batch is full; with what each came from as its floor.

    Notes
    -----
    A set that costs less than what is known does so since a row between two of its places does: it is divided in more parts at once, too narrow for that.
    """
    sets: list[Indices] = []
    floors: list[int] = []
    while waiting and waiting[0].stage == SEVERAL and waiting[0].key < known and len(sets) < BATCH:
        part = heapq.heappop(waiting)
        divided = _stretches(part.places, BRANCHES if part.key // COST_KEY == known // COST_KEY else BRANCHES**2)
        sets += divided
        floors += [part.key] * len(divided)
    return sets, floors


def _ends(places: GatePlaces, each: Indices) -> list[tuple[int, int]]:
    return [(int(places.before[place]), 0) for place in each]


def _starts(places: GatePlaces, each: Indices) -> list[tuple[int, int]]:
    return [(int(places.after[place]), int(places.moves[place])) for place in each]
