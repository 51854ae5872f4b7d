"""The stations a hole may take: a fine grid along the line, the moves between its nodes, and the nodes that are taken away.

The grid runs evenly along the whole line and its step divides post spacing and joint, so that whole panels fall on it on every straight.  On a loop it is
counted from where the gate is wanted, and its step divides the lap; elsewhere from the holes that are given (riser edges, wall ends, mitres).  Neither depends
on where the line's chain begins nor on the axes of the plan.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.layout.chords import STRAIGHT_TURN, lean_for
from pipeline.layout.tables import NEVER
from pipeline.layout.walk import Floats, Walk
from pipeline.model.shop import Shop

Indices = NDArray[np.intp]
Keys = NDArray[np.int64]

STEP_WANTED: Final = 0.0254 / 16  # [m] about the finest a hole is drilled to (common practice)
GIVE_UNIT: Final = 0.0254 / 16  # [m] the give is counted as a tape reads it, to the nearest 1/16 in
MOVE_UNIT: Final = 0.0254 / 16  # [m] so are moves of gates and distances off the wanted line
SAME: Final = 1e-6  # [m] nodes nearer than this are one
EXACT: Final = 1e-9  # [m] what the checks take for equal


@dataclass(frozen=True)
class Measures:
    """The shop's lengths a layout is made of [m], the posts of its stock panels, and what a rule pack leaves a spacing to exceed its nominal by [m].

    `step` is the grid's; `reading` how far off a spacing or joint may be on a bend and still read as it should: half a step of the coarsest grid.
    """

    spacing: float
    give: float
    joint: float
    least: float
    step: float
    stock: tuple[tuple[int, int], ...]
    custom: tuple[tuple[float, int], ...]
    height: float
    excess: float = math.inf
    read_to: float = 0.0

    @property
    def reading(self) -> float:
        """Half of what a tape is read to, or of the grid's step where that is more [m]."""
        return max(self.read_to, self.step) / 2

    @property
    def most_posts(self) -> int:
        return self.stock[-1][0]


@dataclass(frozen=True)
class Grid:
    """Nodes along a stretch of line and the moves between them, each told from where it ends.

    Parameters
    ----------
    stations : array (n,)
        [m], rising; on a loop they may run beyond one lap.
    open_nodes : array (n,) of bool
        Whether a hole may stand there.
    spacing_from, spacing_key : array (n, k)
        Nodes one post spacing before, and what the move costs (`NEVER` where the entry is no move).
    joint_from : array (n,)
        Node one joint before, -1 where there is none.
    custom_last : array (n,)
        Last node from which a custom panel of the least length ends here.
    custom_first : array (tiers, n)
        First node from which one of each price tier's longest length does.
    hole_key : array (n,)
        What a hole there costs: how far it stands off the wanted line, in units of `MOVE_UNIT`.
    """

    stations: Floats
    open_nodes: NDArray[np.bool_]
    spacing_from: Indices
    spacing_key: Keys
    joint_from: Indices
    custom_last: Indices
    custom_first: Indices
    hole_key: Keys


def step_for(spacing: float, joint: float) -> float:
    """Return the grid's step [m]: near `STEP_WANTED`, and dividing both lengths when they have a common measure that allows it.

    Examples
    --------
    >>> round(step_for(0.9144, 0.0762) / 0.0254 * 16, 9)
    1.0
    """
    whole = [Fraction(round(length * 1e7), 10**7) for length in (spacing, joint)]
    common = float(Fraction(math.gcd(whole[0].numerator * whole[1].denominator, whole[1].numerator * whole[0].denominator),
                            whole[0].denominator * whole[1].denominator))  # fmt: skip
    return common / math.ceil(common / STEP_WANTED - 1e-9) if common >= STEP_WANTED else STEP_WANTED


def stretch_nodes(first: float, last: float, step: float, given: tuple[float, ...] = ()) -> Floats:
    """Return the grid's stations from `first` to `last` [m], both among them, counted from `first` and anew from every given hole between."""
    anchors = np.unique([first, last, *(station for station in given if first + SAME < station < last - SAME)])
    rows = [start + step * np.arange(max(1, math.ceil((end - start) / step - 1e-6))) for start, end in itertools.pairwise(anchors)]
    stations = np.append(np.concatenate(rows), last)
    return stations[np.concatenate(([True], np.diff(stations) > SAME))]


def loop_nodes(walk: Walk, anchor: float, first: float, last: float, step: float, given: tuple[float, ...] = ()) -> Floats:
    """Return the grid's stations of a loop within `first` and `last` [m], the same in every lap: counted from `anchor` [m], or from the given holes."""
    if given:
        lap = stretch_nodes(given[0], given[0] + walk.length, step, given)[:-1]
    else:
        count = math.ceil(walk.length / step - 1e-9)  # a hair under the step, so that no spacing comes out over its length
        lap = np.asarray(anchor + walk.length / count * np.arange(count), dtype=np.float64)
    laps = range(math.floor((first - lap[0]) / walk.length), math.floor((last - lap[0]) / walk.length) + 1)
    unrolled = np.concatenate([lap + number * walk.length for number in laps])
    return unrolled[(unrolled >= first - SAME) & (unrolled <= last + SAME)]


def grid_of(
    walk: Walk, stations: Floats, blocked: NDArray[np.bool_], forced: tuple[float, ...], sizes: Measures, shop: Shop, off: Floats | None = None
) -> Grid:
    """Work out every move between the nodes.

    Parameters
    ----------
    walk : Walk
        The hole line.
    stations : array (n,)
        The nodes [m].
    blocked : array (n,) of bool
        Where no hole may stand.
    forced : tuple of float
        Stations of given holes, which no move may jump over [m].
    sizes : Measures
        The shop's lengths.
    shop : Shop
        Its posts.
    off : array (n,) or None
        How far every node stands off the wanted line [m]; None where the line is the wanted one.
    """
    floor = _last_forced_before(stations, forced)
    spacing_from, spacing_key = _spacing_moves(walk, stations, floor, sizes, shop)
    custom_last = _nodes_at(stations, walk.station_at_chord(stations, sizes.least, ahead=False), side="right") - 1
    custom_first = np.array([np.maximum(np.searchsorted(stations, stations - length - SAME), floor) for length, _ in sizes.custom])
    return Grid(
        stations=stations,
        open_nodes=~blocked,
        spacing_from=spacing_from,
        spacing_key=spacing_key,
        joint_from=_joint_moves(walk, stations, floor, sizes),
        custom_last=custom_last,
        custom_first=custom_first.reshape(len(sizes.custom), len(stations)),
        hole_key=np.zeros(len(stations), dtype=np.int64) if off is None else np.round(off / MOVE_UNIT).astype(np.int64),
    )


def bend_between(walk: Walk, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Return (net turn, turn counted without sign) [rad] of the line between two rows of stations [m]."""
    return walk.facing(end) - walk.facing(start), walk.wiggle(end) - walk.wiggle(start)


def give_allowed(turn: Floats, wiggle: Floats, length: Floats, sizes: Measures, shop: Shop) -> tuple[Floats, Floats]:
    """Return by how much a spacing may fall short of and exceed the post spacing [m].

    Notes
    -----
    Only where the line bends: a fan of leaned posts widens the fabric by `chords.fan_opening`, so on an outward curve the holes may
    stand closer by that much, on an inward curve wider; never more than the shop's limit.
    """
    curvature = np.abs(turn) / length
    opening = sizes.height * np.sin(lean_for(turn, sizes.height, shop.post)) * curvature / 2
    give = np.where(wiggle >= STRAIGHT_TURN, np.minimum(sizes.give, sizes.spacing * opening), 0.0)
    return np.where(turn > 0, give, 0.0), np.where(turn < 0, give, 0.0)


def _spacing_moves(walk: Walk, stations: Floats, floor: Indices, sizes: Measures, shop: Shop) -> tuple[Indices, Keys]:
    slack = sizes.reading + SAME
    give = np.where(walk.on_one_straight(stations - 1.1 * (sizes.spacing + sizes.give), stations), 0.0, sizes.give)
    far = walk.station_at_chord(stations, sizes.spacing + give + slack, ahead=False)
    near = walk.station_at_chord(stations, sizes.spacing - give - slack, ahead=False)
    first, last = np.searchsorted(stations, far), np.searchsorted(stations, near, side="right") - 1
    width = max(int((last - first).max()) + 1, 1)
    sources = first[:, None] + np.arange(width)[None, :]
    real = (sources <= last[:, None]) & (sources >= floor[:, None]) & (near[:, None] >= stations[0] - SAME)
    sources = np.clip(sources, 0, len(stations) - 1)
    ends = np.broadcast_to(np.arange(len(stations))[:, None], sources.shape)
    keys = np.full(sources.shape, NEVER, dtype=np.int64)
    start, end = stations[sources[real]], stations[ends[real]]
    off = walk.chord(start, end) - sizes.spacing
    turn, wiggle = bend_between(walk, start, end)
    short, wide = give_allowed(turn, wiggle, end - start, sizes, shop)
    most = np.minimum(np.minimum(wide + slack, max(sizes.give, slack)), sizes.excess + EXACT)
    least = -np.minimum(short + slack, max(sizes.give, slack))
    least = np.where(
        wiggle >= STRAIGHT_TURN, np.minimum(least, most - 2 * slack), least
    )  # there is a node even where a pack takes the upper half away
    allowed = (off >= least) & (off <= most)
    keys[real] = np.where(allowed, np.round(np.abs(off) / GIVE_UNIT).astype(np.int64), NEVER)
    return _packed_left(sources, keys)


def _packed_left(sources: Indices, keys: Keys) -> tuple[Indices, Keys]:
    """Bring the real moves of every node to the front and cut off columns without any."""
    order = np.argsort(keys >= NEVER, axis=1, kind="stable")
    keys, sources = np.take_along_axis(keys, order, axis=1), np.take_along_axis(sources, order, axis=1)
    columns = max(1, int((keys < NEVER).sum(axis=1).max()))
    return sources[:, :columns], keys[:, :columns]


def _joint_moves(walk: Walk, stations: Floats, floor: Indices, sizes: Measures) -> Indices:
    wanted = walk.station_at_chord(stations, sizes.joint, ahead=False)
    after = np.clip(np.searchsorted(stations, wanted), 1, len(stations) - 1)
    nearest = np.where(wanted - stations[after - 1] <= stations[after] - wanted, after - 1, after)
    off = np.abs(walk.chord(stations[nearest], stations) - sizes.joint)
    return np.where((off <= sizes.reading + SAME) & (nearest >= floor) & (wanted >= stations[0] - sizes.step), nearest, -1)


def _last_forced_before(stations: Floats, forced: tuple[float, ...]) -> Indices:
    """Return for every node the forced node it may not jump back over (0 where there is none)."""
    places = np.searchsorted(stations, np.asarray(forced) - SAME)
    marks = np.zeros(len(stations) + 1, dtype=np.intp)
    for place in places:
        marks[place + 1] = place
    return np.maximum.accumulate(marks)[:-1]


def _nodes_at(stations: Floats, wanted: Floats, side: str) -> Indices:
    return np.searchsorted(stations, wanted + SAME, side="right" if side == "right" else "left")
