"""Where gates may stand, and what a gate takes: two gate holes a leaf apart, a joint to either neighbour, a pocket on the pool side.

Walking with the water on the left: last hole of a panel - joint - hinge hole - leaf - latch hole - joint - first hole of the next panel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Point
from pipeline.layout.grid import MOVE_UNIT, Indices, Measures
from pipeline.layout.walk import Flags, Floats, Walk
from pipeline.model.site import GateWish

NEAR: Final = 1.2  # [m] gates stay this near to where they were wished, as long as that costs no custom panel (own judgement)
REACH: Final = 3.0  # [m] farthest a gate is moved from where it was wished (own judgement)
HALF_DOWN: Final = 1e-3  # [-] a move of half a unit, or a hair over it, counts down: which side of the half it is on is rounding


@dataclass(frozen=True)
class Wish:
    """A gate asked for, or proposed: where on the line its middle should stand.

    Parameters
    ----------
    name : str
        Point of the survey; empty for a proposed gate.
    place : Point or None
        None when it is proposed [m].
    station : float
        Of the wanted middle [m].
    leaf : float
        [m]
    """

    name: str
    place: Point | None
    station: float
    leaf: float


@dataclass(frozen=True)
class GatePlaces:
    """Places one gate may take, a row each.

    Parameters
    ----------
    before, after : array (m,)
        Nodes of the last hole before the gate and the first one after.
    hinge, latch : array (m,)
        Stations [m].
    moves : array (m,)
        In units of `optimum.MOVE_UNIT`.
    """

    before: Indices
    after: Indices
    hinge: Floats
    latch: Floats
    moves: NDArray[np.int64]

    def only(self, chosen: Indices | Flags | slice) -> GatePlaces:
        """Return some of the places."""
        return GatePlaces(self.before[chosen], self.after[chosen], self.hinge[chosen], self.latch[chosen], self.moves[chosen])


def wishes_on(walk: Walk, asked: tuple[GateWish, ...], leaf: float) -> tuple[Wish, ...]:
    """Return the gates asked for, in walking order."""
    wishes = [Wish(gate.name, gate.place, walk.chain.nearest(gate.place)[0], gate.leaf or leaf) for gate in asked]
    return tuple(sorted(wishes, key=lambda wish: (wish.station, wish.name)))


def places_for(walk: Walk, stations: Floats, wish: Wish, around: float, lift: float, sizes: Measures, reach: float = REACH) -> GatePlaces:
    """Return every place a gate may take near `around` [m], one from every node of the grid, the nearest first.

    Parameters
    ----------
    walk : Walk
        The hole line.
    stations : array
        The grid's [m].
    wish : Wish
        The gate.
    around : float
        Station of the wanted middle [m].
    lift : float
        Added to the station of the last hole before the gate: one lap where the loop is cut at the gate, else 0 [m].
    sizes : Measures
        The shop's lengths.
    reach : float
        Farthest from `around` [m].
    """
    half = wish.leaf / 2 + sizes.joint
    most = math.floor(reach / sizes.step)
    after = _nearest(stations, around + half) + np.arange(-most, most + 1)
    after = after[(after >= 0) & (after < len(stations))]
    latch = walk.station_at_chord(stations[after], sizes.joint, ahead=False)
    hinge = walk.station_at_chord(latch, wish.leaf, ahead=False)
    end = walk.station_at_chord(hinge, sizes.joint, ahead=False)
    before, hinge = _snapped(walk, stations, end, lift, sizes.joint)
    middle = (hinge + latch) / 2
    moves = np.ceil(np.abs(middle - around) / MOVE_UNIT - 0.5 - HALF_DOWN).astype(np.int64)
    order = np.lexsort((middle, moves))
    order = order[(end[order] + lift >= stations[0] - sizes.step / 2) & (end[order] + lift <= stations[-1] + sizes.step / 2)]
    return GatePlaces(before[order], after[order], hinge[order], latch[order], moves[order])


def pocket_place(hinge: Point, latch: Point, pocket: float) -> Point:
    """Return where the extra hole goes: square to the closed leaf, `pocket` [m] from the latch hole on the pool side (left)."""
    length = math.dist(hinge, latch)
    return (latch[0] - (latch[1] - hinge[1]) / length * pocket, latch[1] + (latch[0] - hinge[0]) / length * pocket)


def swing_outline(hinge: Point, latch: Point, swing: float) -> tuple[Point, ...]:
    """Return the outline of what the leaf sweeps when it opens away from the water by `swing` [rad]."""
    leaf, closed = math.dist(hinge, latch), math.atan2(latch[1] - hinge[1], latch[0] - hinge[0])
    steps = max(2, math.ceil(swing / math.radians(7.5)))
    turned = (closed - swing * step / steps for step in range(steps + 1))
    return (hinge, *((hinge[0] + leaf * math.cos(angle), hinge[1] + leaf * math.sin(angle)) for angle in turned))


def _nearest(stations: Floats, wanted: float) -> int:
    after = min(max(int(np.searchsorted(stations, wanted)), 1), len(stations) - 1)
    return after - 1 if wanted - stations[after - 1] < stations[after] - wanted else after


def _snapped(walk: Walk, stations: Floats, end: Floats, lift: float, joint: float) -> tuple[Indices, Floats]:
    """Return the nodes nearest to `end` and the hinge a joint after each."""
    after = np.clip(np.searchsorted(stations, end + lift), 1, len(stations) - 1)
    nearest = np.where(end + lift - stations[after - 1] <= stations[after] - end - lift, after - 1, after)
    return nearest, walk.station_at_chord(stations[nearest] - lift, joint, ahead=True)
