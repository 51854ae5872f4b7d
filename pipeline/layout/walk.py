"""A chain laid out as tables, so that thousands of stations are placed, faced and measured at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain

Floats = NDArray[np.float64]


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
    """

    chain: Chain
    starts: Floats
    corners: Floats
    bearings: Floats
    curvatures: Floats

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
        return np.clip(np.searchsorted(self.starts, self.wrapped(stations), side="right") - 1, 0, len(self.bearings) - 1)

    def wrapped(self, stations: Floats) -> Floats:
        """Return stations [m] of a closed chain within its first lap."""
        return np.asarray(np.mod(stations, self.length)) if self.closed else stations

    def places(self, stations: Floats) -> Floats:
        """Return the points (n, 2) [m] at stations (n,) [m]; an open chain runs on straight or round beyond its ends."""
        index = self.piece_of(stations)
        along = self.wrapped(stations) - self.starts[index]
        bend = self.curvatures[index]
        half = bend * along / 2
        chord = along * np.sinc(half / np.pi)  # sin(x)/x: exact for lines too
        bearing = self.bearings[index] + half
        return np.asarray(self.corners[index] + chord[:, None] * np.column_stack((np.cos(bearing), np.sin(bearing))))

    def facing(self, stations: Floats) -> Floats:
        """Return the unwrapped direction of travel [rad] at stations [m]; it grows by `lap_turn` with every lap."""
        index = self.piece_of(stations)
        laps = np.floor(stations / self.length) if self.closed else 0.0
        return self.bearings[index] + self.curvatures[index] * (self.wrapped(stations) - self.starts[index]) + laps * self.lap_turn

    def chord(self, start: Floats, end: Floats) -> Floats:
        """Return the straight distances [m] between two rows of stations [m]."""
        apart = self.places(end) - self.places(start)
        return np.hypot(apart[:, 0], apart[:, 1])

    def station_at_chord(self, start: Floats, chord: Floats | float, *, ahead: bool) -> Floats:
        """Return the first stations whose straight distance from `start` is `chord` [m], ahead or behind.

        Notes
        -----
        Regula falsi between `chord` (no station nearer along the line can be that far) and a station beyond; where the
        line turns back on itself the nearest answer counts.
        """
        sign = 1.0 if ahead else -1.0
        wanted = np.broadcast_to(np.asarray(chord, dtype=np.float64), start.shape)
        low, high = wanted.copy(), wanted * 1.02 + 1e-6
        for _ in range(40):
            short = self.chord(start, start + sign * high) < wanted
            if not short.any():
                break
            low = np.where(short, high, low)
            high = np.where(short, high + 0.05 * wanted, high)
        off_low, off_high = self.chord(start, start + sign * low) - wanted, self.chord(start, start + sign * high) - wanted
        for _ in range(60):
            span = off_high - off_low
            ratio = np.where(span > 0, -off_low / np.where(span > 0, span, 1.0), 0.0)
            middle = low + np.clip(ratio, 0.0, 1.0) * (high - low)
            off = self.chord(start, start + sign * middle) - wanted
            done = np.abs(off) < 1e-10
            if done.all():
                return start + sign * middle
            left = off < 0
            off_high = np.where(left, off_high * 0.5 if _ % 2 else off_high, off)
            off_low = np.where(left, off, off_low * 0.5 if _ % 2 else off_low)
            low, high = np.where(left, middle, low), np.where(left, high, middle)
        return start + sign * middle


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
