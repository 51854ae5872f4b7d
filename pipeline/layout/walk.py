"""A chain laid out as tables, so that thousands of stations are placed, faced and measured at once."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain
from pipeline.layout.stations import Laid, chords, located, places, runs_for_chords

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Walk:
    """A chain as arrays, one row a piece.

    Parameters
    ----------
    chain : Chain
    starts : array (n + 1,)
        Station of every piece's start, and of the chain's end [m].
    corners : array (n, 2)
        Start of every piece [m].
    bearings : array (n,)
        Direction at every piece's start, unwrapped: differences between pieces are the true turns [rad].
    curvatures : array (n,)
        Left positive [1/m].
    mirrored : bool
        Whether the tables are those of the chain's mirror image in the north axis run the other way (`other_hand`); places are the true ones all the same.
    """

    chain: Chain
    starts: Floats
    corners: Floats
    bearings: Floats
    curvatures: Floats
    mirrored: bool = False

    @cached_property
    def laid(self) -> Laid:
        """The tables as compiled functions take them."""
        return Laid(self.starts, self.corners, self.bearings, self.curvatures, self.closed, self.mirrored)

    @property
    def length(self) -> float:
        """Length along the chain [m]."""
        return float(self.starts[-1])

    @property
    def closed(self) -> bool:
        return self.chain.closed

    @property
    def lap_turn(self) -> float:
        """Turn of one lap of a closed chain, 2 pi for a counter-clockwise one; 0 for an open chain [rad]."""
        if not self.closed:
            return 0.0
        last = self.bearings[-1] + self.curvatures[-1] * (self.starts[-1] - self.starts[-2])
        return float(last + np.remainder(self.bearings[0] - last + np.pi, 2 * np.pi) - np.pi - self.bearings[0])

    def piece_of(self, stations: Floats) -> NDArray[np.intp]:
        """Return the index of the piece under every station [m]; a closed chain wraps round."""
        return self._located(stations)[0]

    def _located(self, stations: Floats) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Return (piece, distance from its start [m], laps run) of every station [m]."""
        return located(self.laid, np.ascontiguousarray(stations, dtype=np.float64))

    def places(self, stations: Floats) -> Floats:
        """Return the points (n, 2) [m] at stations (n,) [m]; an open chain runs on straight or round beyond its ends."""
        return places(self.laid, np.ascontiguousarray(stations, dtype=np.float64))

    def facing(self, stations: Floats) -> Floats:
        """Return the unwrapped direction of travel [rad] at stations [m]; it grows by `lap_turn` with every lap."""
        index, along, laps = self._located(stations)
        return np.asarray(self.bearings[index] + self.curvatures[index] * along + laps * self.lap_turn)

    def heading(self, stations: Floats) -> Floats:
        """Return the direction [rad] in the plan in which the line is walked at stations [m]: `facing`, or for the other hand what the mirror makes of it."""
        return np.pi - self.facing(stations) if self.mirrored else self.facing(stations)

    def wiggle(self, stations: Floats) -> Floats:
        """Return the turn without sign from the first vertex to stations [m], laps counted [rad]."""
        lengths = np.diff(self.starts)
        ends = self.bearings + self.curvatures * lengths
        before = np.concatenate(([0.0], np.cumsum(np.abs(self.curvatures[:-1]) * lengths[:-1] + np.abs(self.bearings[1:] - ends[:-1]))))
        closing = np.abs(np.remainder(self.bearings[0] - ends[-1] + np.pi, 2 * np.pi) - np.pi) if self.closed else 0.0
        lap = before[-1] + abs(self.curvatures[-1]) * lengths[-1] + closing
        index, along, laps = self._located(stations)
        return np.asarray(before[index] + np.abs(self.curvatures[index]) * along + laps * lap)

    def chord(self, start: Floats, end: Floats) -> Floats:
        """Return the straight distances [m] between two rows of stations [m]."""
        return chords(self.laid, np.ascontiguousarray(start, dtype=np.float64), np.ascontiguousarray(end, dtype=np.float64))

    def station_at_chord(self, start: Floats, chord: Floats | float, *, ahead: bool) -> Floats:
        """Return the first stations whose straight distance from `start` is `chord` [m], ahead or behind.

        Notes
        -----
        Along one straight that is `chord` itself.  Elsewhere regula falsi (Illinois) between `chord`, as no station nearer along the line can be
        that far, and a station beyond; where the line turns back on itself the nearest answer counts.
        """
        sign = 1.0 if ahead else -1.0
        wanted = np.broadcast_to(np.asarray(chord, dtype=np.float64), start.shape)
        found = start + sign * wanted
        bent = np.nonzero(~self.on_one_straight(start, found))[0]
        if len(bent):
            found[bent] = start[bent] + sign * runs_for_chords(self.laid, start[bent], wanted[bent], sign)
        return found

    def on_one_straight(self, start: Floats, end: Floats) -> NDArray[np.bool_]:
        """Say which pairs of stations [m] lie on the same straight piece, in the same lap."""
        laps = self.length if self.closed else math.inf
        same_lap = np.floor(start / laps) == np.floor(end / laps)
        piece = self.piece_of(start)
        return np.asarray(same_lap & (piece == self.piece_of(end)) & (self.curvatures[piece] == 0.0))


def walk_of(chain: Chain) -> Walk:
    """Lay a chain out as tables."""
    pieces = list(chain.pieces())
    lengths = np.array([piece.length for piece in pieces])
    bearings = np.array([piece.direction_at(0.0) for piece in pieces])
    curvatures = np.array([piece.curvature for piece in pieces])
    ends = bearings + curvatures * lengths
    turns = np.remainder(bearings[1:] - ends[:-1] + np.pi, 2 * np.pi) - np.pi
    unwrapped = bearings[0] + np.concatenate(([0.0], np.cumsum(curvatures[:-1] * lengths[:-1] + turns)))
    return Walk(
        chain=chain,
        starts=np.concatenate(([0.0], np.cumsum(lengths))),
        corners=np.array([piece.start for piece in pieces]),
        bearings=unwrapped,
        curvatures=curvatures,
    )


def other_hand(walk: Walk) -> Walk:
    """Return the same line walked the other way with the water still on the left: as its mirror image sees it, but at its true places.

    Notes
    -----
    A station s of the line is `walk.length` - s of the other hand.
    """
    chain = walk.chain
    image = Chain(tuple((-x, y) for x, y in chain.vertices), tuple(-bulge for bulge in chain.bulges), chain.closed)
    return dataclasses.replace(walk_of(image.reversed()), chain=chain, mirrored=True)
