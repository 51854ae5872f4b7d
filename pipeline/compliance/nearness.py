"""Shortest distances between a straight bay and a chain of lines and arcs, exactly."""

from __future__ import annotations

import math
from typing import Final

from pipeline.geometry.chain import Chain, Piece, Point

ALIKE: Final = 1e-10  # [m] of ways as short as this to each other the first tried stands, ends before all


def nearest_of_segment(start: Point, end: Point, chain: Chain) -> tuple[float, float, float]:
    """Return (distance, place along the segment, station on the chain) [m] of the shortest way from a segment to a chain.

    Notes
    -----
    The shortest way from a segment to a line or an arc begins or ends at an end of one of them, or stands square on the
    segment from the arc's centre, or has no length because they cross.
    """
    segment = Piece(start, end)
    best = (math.inf, 0.0, 0.0)
    station = 0.0
    for piece in chain.pieces():
        if _at_least(segment, piece) < best[0]:
            distance, along, there = _to_piece(segment, piece)
            if distance < best[0] - ALIKE:
                best = (distance, along, station + there)
        station += piece.length
    return best


def _at_least(segment: Piece, piece: Piece) -> float:
    """Return a length [m] no way from a segment to a piece is shorter than: between their middles, less half of either's length."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = segment.start, segment.end, piece.start, piece.end
    return math.hypot(x2 + x3 - x0 - x1, y2 + y3 - y0 - y1) / 2 - segment.chord / 2 - piece.length


def _to_piece(segment: Piece, piece: Piece) -> tuple[float, float, float]:
    ratios = [0.0, 1.0, _foot(segment, piece.start), _foot(segment, piece.end), *_crossings(segment, piece)]
    if piece.is_arc:
        ratios.append(_foot(segment, piece.centre))
    best = (math.inf, 0.0, 0.0)
    for ratio in ratios:
        along = min(max(ratio, 0.0), 1.0) * segment.chord
        there, distance = piece.nearest(segment.point_at(along))
        if distance < best[0] - ALIKE:
            best = (distance, along, there)
    return best


def _foot(segment: Piece, point: Point) -> float:
    """Return where (0 at the start, 1 at the end) the foot of a point on a segment lies, unclamped."""
    dx, dy = segment.end[0] - segment.start[0], segment.end[1] - segment.start[1]
    squared = dx * dx + dy * dy
    return ((point[0] - segment.start[0]) * dx + (point[1] - segment.start[1]) * dy) / squared if squared else 0.0


def _crossings(segment: Piece, piece: Piece) -> list[float]:
    """Return where on the segment (as ratios) its line crosses the piece's line or circle."""
    (x0, y0), (x1, y1) = segment.start, segment.end
    dx, dy = x1 - x0, y1 - y0
    if not piece.is_arc:
        ex, ey = piece.end[0] - piece.start[0], piece.end[1] - piece.start[1]
        cross = dx * ey - dy * ex
        return [((piece.start[0] - x0) * ey - (piece.start[1] - y0) * ex) / cross] if cross else []
    cx, cy = piece.centre
    a = dx * dx + dy * dy
    b = dx * (x0 - cx) + dy * (y0 - cy)
    root = b * b - a * ((x0 - cx) ** 2 + (y0 - cy) ** 2 - piece.radius**2)
    if root < 0 or a == 0:
        return []
    return [(-b - math.sqrt(root)) / a, (-b + math.sqrt(root)) / a]
