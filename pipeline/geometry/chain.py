"""Chains of straight lines and circular arcs, the one curve everything is measured along.

A chain is a row of vertices with a *bulge* on each piece, as in a DXF lightweight polyline:
bulge = tan(sweep / 4), positive where the piece turns left, 0 for a straight line.  All lengths
are in metres, angles in radians, and `station` is the distance run along the chain from its first
vertex.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

Point = tuple[float, float]
STRAIGHT_BULGE: Final = 1e-12  # a flatter piece is a straight line


class Piece(msgspec.Struct, frozen=True):
    """One straight line or circular arc of a chain.

    Parameters
    ----------
    start, end : Point
        [m]
    bulge : float
        tan(sweep / 4) [-]
    """

    start: Point
    end: Point
    bulge: float = 0.0

    @property
    def chord(self) -> float:
        """Straight distance from start to end [m]."""
        return math.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])

    @property
    def is_arc(self) -> bool:
        return abs(self.bulge) > STRAIGHT_BULGE

    @property
    def sweep(self) -> float:
        """Signed central angle, left positive; 0 for a line [rad]."""
        return 4 * math.atan(self.bulge)

    @property
    def radius(self) -> float:
        """Radius [m]; infinite for a line."""
        if not self.is_arc:
            return math.inf
        return self.chord * (1 + self.bulge**2) / (4 * abs(self.bulge))

    @property
    def centre(self) -> Point:
        """Centre of the arc [m]; raises ValueError for a line."""
        if not self.is_arc:
            raise ValueError("a straight line has no centre")
        (x0, y0), (x1, y1) = self.start, self.end
        rise = (1 - self.bulge**2) / (4 * self.bulge)
        return ((x0 + x1) / 2 - rise * (y1 - y0), (y0 + y1) / 2 + rise * (x1 - x0))

    @property
    def length(self) -> float:
        """Length along the piece [m]."""
        return abs(self.sweep) * self.radius if self.is_arc else self.chord

    @property
    def curvature(self) -> float:
        """Signed curvature, left positive [1/m]."""
        return math.copysign(1 / self.radius, self.bulge) if self.is_arc else 0.0

    def point_at(self, distance: float) -> Point:
        """Return the point `distance` [m] from the start; runs on beyond both ends."""
        if not self.is_arc:
            ratio = distance / self.chord if self.chord else 0.0
            return (self.start[0] + ratio * (self.end[0] - self.start[0]), self.start[1] + ratio * (self.end[1] - self.start[1]))
        (cx, cy), turn = self.centre, math.copysign(distance / self.radius, self.bulge)
        dx, dy = self.start[0] - cx, self.start[1] - cy
        cosine, sine = math.cos(turn), math.sin(turn)
        return (cx + dx * cosine - dy * sine, cy + dx * sine + dy * cosine)

    def direction_at(self, distance: float) -> float:
        """Return the direction of travel [rad], from east towards north, at `distance` [m] from the start."""
        bearing = math.atan2(self.end[1] - self.start[1], self.end[0] - self.start[0])
        return bearing - self.sweep / 2 + self.curvature * distance

    def nearest(self, point: Point) -> tuple[float, float]:
        """Return (distance from the start, distance to `point`) [m] of the place nearest to `point`."""
        if not self.is_arc:
            dx, dy = self.end[0] - self.start[0], self.end[1] - self.start[1]
            squared = dx * dx + dy * dy
            ratio = 0.0 if squared == 0 else ((point[0] - self.start[0]) * dx + (point[1] - self.start[1]) * dy) / squared
            along = min(max(ratio, 0.0), 1.0) * self.chord
        else:
            cx, cy = self.centre
            start = math.atan2(self.start[1] - cy, self.start[0] - cx)
            turn = (math.atan2(point[1] - cy, point[0] - cx) - start) * math.copysign(1, self.bulge)
            turn %= 2 * math.pi
            sweep = abs(self.sweep)
            if turn > sweep:
                turn = 0.0 if turn - sweep > 2 * math.pi - turn else sweep
            along = turn * self.radius
        there = self.point_at(along)
        return along, math.hypot(there[0] - point[0], there[1] - point[1])

    def reversed(self) -> Piece:
        return Piece(self.end, self.start, -self.bulge)


class Chain(msgspec.Struct, frozen=True):
    """An open or closed row of lines and arcs.

    Parameters
    ----------
    vertices : tuple of Point
        n points [m]; a closed chain does not repeat the first one.
    bulges : tuple of float
        One per piece [-]: n - 1 for an open chain, n for a closed one.
    closed : bool
    """

    vertices: tuple[Point, ...]
    bulges: tuple[float, ...]
    closed: bool = False

    def __post_init__(self) -> None:
        pieces = len(self.vertices) if self.closed else len(self.vertices) - 1
        if pieces < 1 or len(self.bulges) != pieces:
            raise ValueError(f"a chain of {len(self.vertices)} vertices needs {pieces} bulges, got {len(self.bulges)}")

    def __len__(self) -> int:
        return len(self.bulges)

    def piece(self, index: int) -> Piece:
        return Piece(self.vertices[index], self.vertices[(index + 1) % len(self.vertices)], self.bulges[index])

    def pieces(self) -> Iterator[Piece]:
        return (self.piece(index) for index in range(len(self)))

    @property
    def length(self) -> float:
        """Length along the chain [m]."""
        return sum(piece.length for piece in self.pieces())

    def piece_stations(self) -> tuple[float, ...]:
        """Return the station [m] of every piece's start, and of the chain's end: n + 1 values."""
        stations = [0.0]
        for piece in self.pieces():
            stations.append(stations[-1] + piece.length)
        return tuple(stations)

    def locate(self, station: float) -> tuple[int, float]:
        """Return (index of the piece, distance from its start [m]) at `station` [m]; a closed chain wraps round."""
        return self.locate_all((station,))[0]

    def locate_all(self, along: Iterable[float]) -> list[tuple[int, float]]:
        """Return what `locate` does at each of many stations [m]."""
        stations, found = self.piece_stations(), []
        for station in along:
            wrapped = station % stations[-1] if self.closed else station
            index = min(max(bisect_right(stations, wrapped) - 1, 0), len(self) - 1)
            found.append((index, wrapped - stations[index]))
        return found

    def point_at(self, station: float) -> Point:
        index, distance = self.locate(station)
        return self.piece(index).point_at(distance)

    def direction_at(self, station: float) -> float:
        """Return the direction of travel [rad], from east towards north."""
        index, distance = self.locate(station)
        return self.piece(index).direction_at(distance)

    def nearest(self, point: Point) -> tuple[float, float]:
        """Return (station, distance) [m] of the place nearest to `point`."""
        best_station, best = 0.0, math.inf
        start = 0.0
        for piece in self.pieces():
            along, distance = piece.nearest(point)
            if distance < best:
                best_station, best = start + along, distance
            start += piece.length
        return best_station, best

    def reversed(self) -> Chain:
        """Return the same curve run the other way, from the same first vertex if closed."""
        if not self.closed:
            return Chain(self.vertices[::-1], tuple(-bulge for bulge in self.bulges[::-1]), False)
        return Chain((self.vertices[0], *self.vertices[:0:-1]), tuple(-bulge for bulge in self.bulges[::-1]), True)

    def area(self) -> float:
        """Return the signed area of a closed chain [m²], positive when it runs counter-clockwise."""
        if not self.closed:
            raise ValueError("only a closed chain has an area")
        doubled = 0.0
        for piece in self.pieces():
            doubled += piece.start[0] * piece.end[1] - piece.end[0] * piece.start[1]
            if piece.is_arc:
                doubled += piece.radius**2 * (piece.sweep - math.sin(piece.sweep))
        return doubled / 2

    def densified(self, tolerance: float) -> NDArray[np.float64]:
        """Return vertices (n, 2) [m] of a polyline that stays within `tolerance` [m] of the chain, ends included."""
        points: list[Point] = []
        for piece in self.pieces():
            count = 1
            if piece.is_arc:
                half = 2 * math.acos(max(0.0, 1 - min(tolerance / piece.radius, 1.0)))
                count = max(1, math.ceil(abs(piece.sweep) / half)) if half else 1
            points.extend(piece.point_at(piece.length * step / count) for step in range(count))
        points.append(self.vertices[0] if self.closed else self.vertices[-1])
        return np.asarray(points, dtype=np.float64)


def polyline(points: Sequence[Point], *, closed: bool = False) -> Chain:
    """Return a chain of straight lines through `points` [m]."""
    pieces = len(points) if closed else len(points) - 1
    return Chain(tuple((float(x), float(y)) for x, y in points), (0.0,) * pieces, closed)
