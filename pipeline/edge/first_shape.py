"""From a cut into pieces to a first chain: where neighbouring lines and circles meet near the gap between their shots."""

from __future__ import annotations

import functools
import math
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Point
from pipeline.geometry.fitting import fit_line, taubin_circle
from pipeline.geometry.segmenting import Stretch

Array = NDArray[np.float64]

MEETING_STEPS: Final = 25
REMEMBERED: Final = 4096  # carriers and meetings kept: cuts tried one after another have most of them in common
MEETING_REACH: Final = 1.5  # [-] a corner lies no farther from its shots than this many gaps
SMOOTH_START: Final = math.radians(40)  # joins that turn less are first taken as smooth


class Carrier(msgspec.Struct, frozen=True):
    """The whole line (`radius` infinite, `x`, `y` on it, direction) or circle a piece lies on."""

    x: float
    y: float
    radius: float
    direction: float = 0.0

    def offset(self, place: Array) -> tuple[float, Array]:
        """Return (signed distance [m], gradient) at a place."""
        if math.isinf(self.radius):
            normal = np.array([-math.sin(self.direction), math.cos(self.direction)])
            return float(normal @ (place - (self.x, self.y))), normal
        away = place - (self.x, self.y)
        distance = float(np.hypot(*away))
        return distance - self.radius, away / max(distance, 1e-12)


class FirstShape(msgspec.Struct, frozen=True, kw_only=True):
    """A chain to start the adjustment from.

    Parameters
    ----------
    chain : Chain
    curved : tuple of bool
    pieces : array
        Piece of each shot.
    corners : array
        Vertex a shot was taken at, or -1.
    far : tuple of int
        Shots after which two pieces would meet far from any shot.
    smooth : frozenset of int
        Vertices whose join is to be tried as smooth.
    """

    chain: Chain
    curved: tuple[bool, ...]
    pieces: NDArray[np.intp]
    corners: NDArray[np.intp]
    far: tuple[int, ...] = ()
    smooth: frozenset[int] = frozenset()


def first_shape(points: Array, cut: tuple[Stretch, ...], *, closed: bool) -> FirstShape:
    """Return the chain through a cut's pieces.

    Parameters
    ----------
    points : (n, 2) array
        [m]
    cut : tuple of Stretch
        Its pieces.
    closed : bool
        Whether the last piece runs into the first.
    """
    count = len(points)
    if closed and len(cut) == 1:
        cut = _halved(cut[0], count)
    carriers = [_carrier(points, stretch) for stretch in cut]
    pieces = np.zeros(count, dtype=np.intp)
    corners = np.full(count, -1, dtype=np.intp)
    vertices: list[Point] = []
    far: list[int] = []
    for number, stretch in enumerate(cut):
        pieces[np.arange(stretch.first, stretch.last + 1) % count] = number
    for number, stretch in enumerate(cut):
        before = cut[number - 1]
        if number == 0 and not closed:
            vertices.append(_at(points, 0))
            corners[0] = 0
        elif stretch.shared:
            corners[stretch.first % count] = number
            vertices.append(_at(points, stretch.first % count))
        else:
            a, b = _at(points, before.last % count), _at(points, stretch.first % count)
            middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
            place, near = (middle, True) if before.smooth or stretch.smooth else _meeting(carriers[number - 1], carriers[number], a, b)
            vertices.append(place)
            if not near and not (before.is_arc or stretch.is_arc):
                far.append(before.last % count)
    if not closed:
        vertices.append(_at(points, count - 1))
        corners[count - 1] = len(cut)
    curved = tuple(stretch.is_arc for stretch in cut)
    bulges = tuple(
        _bulge(points, stretch, vertices[number], vertices[(number + 1) % len(vertices)]) if stretch.is_arc else 0.0
        for number, stretch in enumerate(cut)
    )
    chain, smooth = _rounded(Chain(tuple(vertices), bulges, closed), cut)
    return FirstShape(chain=chain, curved=curved, pieces=pieces, corners=corners, far=tuple(far), smooth=smooth)


def turn_at(chain: Chain, vertex: int) -> float:
    """Return the change of direction [rad] of a chain at a vertex, left positive, within half a turn."""
    before = chain.piece((vertex - 1) % len(chain))
    turn = chain.piece(vertex % len(chain)).direction_at(0.0) - before.direction_at(before.length)
    return math.remainder(turn, 2 * math.pi)


def _rounded(chain: Chain, cut: tuple[Stretch, ...]) -> tuple[Chain, frozenset[int]]:
    """Give each piece that is to join smoothly the sweep its neighbours leave it; return also the vertices concerned."""
    bulges, vertices = list(chain.bulges), set()
    for number, stretch in enumerate(cut):
        if not stretch.smooth or not stretch.is_arc or (not chain.closed and number in (0, len(cut) - 1)):
            continue
        before, after = chain.piece(number - 1), chain.piece((number + 1) % len(chain))
        sweep = math.remainder(after.direction_at(0.0) - before.direction_at(before.length), 2 * math.pi)
        bulges[number] = math.tan(sweep / 4)
    for number, stretch in enumerate(cut):
        if stretch.smooth:
            vertices |= {number, (number + 1) % len(chain.vertices)}
    return Chain(chain.vertices, tuple(bulges), chain.closed), frozenset(vertices)


def _at(points: Array, index: int) -> Point:
    return float(points[index, 0]), float(points[index, 1])


def _halved(stretch: Stretch, count: int) -> tuple[Stretch, ...]:
    """Return a whole circle as two arcs."""
    middle = stretch.first + count // 2
    return (
        msgspec.structs.replace(stretch, last=middle - 1, shared=False),
        msgspec.structs.replace(stretch, first=middle, last=stretch.first + count - 1, shared=False),
    )


def _carrier(points: Array, stretch: Stretch) -> Carrier:
    own = points[np.arange(stretch.first, stretch.last + 1) % len(points)]
    if len(own) == 1:  # a short straight between two curves: its neighbours' shots give it a direction
        own = points[np.arange(stretch.first - 1, stretch.last + 2) % len(points)]
    return _carrier_through(own.tobytes(), stretch.is_arc)


@functools.lru_cache(REMEMBERED)
def _carrier_through(shots: bytes, is_arc: bool) -> Carrier:
    own = np.frombuffer(shots).reshape(-1, 2)
    if is_arc:
        x, y, radius = taubin_circle(own, np.ones(len(own)))
        return Carrier(x, y, radius)
    line = fit_line(own)
    return Carrier(*line.centre, math.inf, line.direction)


@functools.lru_cache(REMEMBERED)
def _meeting(first: Carrier, second: Carrier, before: Point, after: Point) -> tuple[Point, bool]:
    """Return where two carriers meet near the gap from one shot to the next, and whether that is near the gap.

    Where they do not meet near it, the middle of the gap stands in.
    """
    a, b = np.array(before), np.array(after)
    middle = (a + b) / 2
    gap = float(np.hypot(*(b - a)))
    place = middle.copy()
    for _ in range(MEETING_STEPS):
        (d0, n0), (d1, n1) = first.offset(place), second.offset(place)
        move = np.linalg.lstsq(np.array([n0, n1]), -np.array([d0, d1]), rcond=1e-4)[0]
        place = place + move
        if np.abs(move).max() < 1e-9:
            break
    reach = float(np.hypot(*(place - a)) + np.hypot(*(place - b)))
    met = abs(first.offset(place)[0]) + abs(second.offset(place)[0]) < 1e-3 * max(gap, 1e-3) + 1e-3
    if met and reach <= 2 * MEETING_REACH * gap + 0.05:
        return (float(place[0]), float(place[1])), True
    return (float(middle[0]), float(middle[1])), False


def _bulge(points: Array, stretch: Stretch, start: Point, end: Point) -> float:
    """Return the bulge of the arc from start to end that passes the middle shot."""
    own = np.arange(stretch.first, stretch.last + 1)
    middle = points[own[len(own) // 2] % len(points)]
    into, out = middle - start, np.asarray(end) - middle
    turn = math.atan2(into[0] * out[1] - into[1] * out[0], float(into @ out))
    return math.tan(min(max(turn, -2.9), 2.9) / 2)
