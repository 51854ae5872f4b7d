"""Distances between a straight piece of fabric and a true edge, in closed form and on their own feet.

Nothing here uses the nearest-point code of the pipeline, so that a fault there cannot hide itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from pipeline.geometry.chain import Chain, Point


def chord_to_chain(start: Point, end: Point, chain: Chain) -> float:
    """Least distance [m] between the straight piece start-end and the chain; 0 where they cross.

    Two smooth curves are nearest at an end of either, or where both have the same normal; for a straight
    piece and an arc that is the foot of the arc's centre on the piece.
    """
    return min(_chord_to_piece(start, end, *piece) for piece in pieces(chain))


def pieces(chain: Chain) -> Iterator[tuple[Point, Point, float]]:
    """(start, end, bulge) of every piece."""
    for index, bulge in enumerate(chain.bulges):
        yield chain.vertices[index], chain.vertices[(index + 1) % len(chain.vertices)], bulge


def _chord_to_piece(start: Point, end: Point, a: Point, b: Point, bulge: float) -> float:
    if abs(bulge) < 1e-12:
        if _cross(start, end, a, b):
            return 0.0
        return min(point_to_line(start, a, b), point_to_line(end, a, b), point_to_line(a, start, end), point_to_line(b, start, end))
    centre, radius = arc_circle(a, b, bulge)
    foot = _foot(centre, start, end)
    candidates = [point_to_arc(point, a, b, bulge) for point in (start, end, foot)]
    candidates += [point_to_line(a, start, end), point_to_line(b, start, end)]
    if _meets_arc(start, end, a, b, bulge, centre, radius):
        return 0.0
    return min(candidates)


def point_to_chain(point: Point, chain: Chain) -> float:
    """Least distance [m] of a point to the chain."""
    return min(point_to_line(point, a, b) if abs(bulge) < 1e-12 else point_to_arc(point, a, b, bulge) for a, b, bulge in pieces(chain))


def point_to_line(point: Point, a: Point, b: Point) -> float:
    """Least distance [m] of a point to the straight piece a-b."""
    return math.dist(point, _foot(point, a, b))


def point_to_arc(point: Point, a: Point, b: Point, bulge: float) -> float:
    """Least distance [m] of a point to the arc from a to b."""
    centre, radius = arc_circle(a, b, bulge)
    if _within_sweep(point, a, bulge, centre):
        return abs(math.dist(point, centre) - radius)
    return min(math.dist(point, a), math.dist(point, b))


def arc_circle(a: Point, b: Point, bulge: float) -> tuple[Point, float]:
    """Centre and radius [m]: the sagitta of the arc is bulge * chord / 2, to the right of a-b for a left turn."""
    chord = math.dist(a, b)
    half = 2 * math.atan(abs(bulge))  # half of the swept angle
    radius = chord / (2 * math.sin(half))
    along = ((b[0] - a[0]) / chord, (b[1] - a[1]) / chord)
    offset = math.copysign(1.0, bulge) * radius * math.cos(half)  # beyond a half circle the centre lies on the other side
    return ((a[0] + b[0]) / 2 - along[1] * offset, (a[1] + b[1]) / 2 + along[0] * offset), radius


def _within_sweep(point: Point, a: Point, bulge: float, centre: Point) -> bool:
    start = math.atan2(a[1] - centre[1], a[0] - centre[0])
    there = math.atan2(point[1] - centre[1], point[0] - centre[0])
    turn = (there - start) % (2 * math.pi) if bulge > 0 else (start - there) % (2 * math.pi)
    return turn <= 4 * math.atan(abs(bulge)) + 1e-12


def _foot(point: Point, a: Point, b: Point) -> Point:
    dx, dy = b[0] - a[0], b[1] - a[1]
    squared = dx * dx + dy * dy
    if squared == 0.0:
        return a
    ratio = min(1.0, max(0.0, ((point[0] - a[0]) * dx + (point[1] - a[1]) * dy) / squared))
    return (a[0] + ratio * dx, a[1] + ratio * dy)


def _cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    return _side(a, b, c) * _side(a, b, d) < 0 and _side(c, d, a) * _side(c, d, b) < 0


def _side(a: Point, b: Point, point: Point) -> float:
    return (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0])


def _meets_arc(start: Point, end: Point, a: Point, b: Point, bulge: float, centre: Point, radius: float) -> bool:
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = math.hypot(dx, dy)
    along = ((centre[0] - start[0]) * dx + (centre[1] - start[1]) * dy) / length
    off = abs(_side(start, end, centre)) / length
    if off > radius:
        return False
    half = math.sqrt(radius * radius - off * off)
    for distance in (along - half, along + half):
        if 0.0 <= distance <= length:
            point = (start[0] + dx * distance / length, start[1] + dy * distance / length)
            if _within_sweep(point, a, bulge, centre):
                return True
    return False
