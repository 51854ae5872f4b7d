"""Parallel curves: the outline at a constant distance outside one or several closed chains.

Every piece is shifted, every outward corner gets an arc about it, all of that is cut where it meets itself, and what is
nearer to a source than the distance is dropped.  What is left is linked into closed chains.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Final

from pipeline.geometry.chain import Chain, Piece, Point

TOUCH: Final = 1e-7  # [m] points nearer than this are one point
AT_END: Final = 2e-6  # [m] a meeting this near to a piece's end is that end: where pieces touch, it is known no better
SLIVER: Final = 1e-5  # [m] a shorter part of an outline is left out
TURN_LEAST: Final = 1e-6  # [rad] a smaller turn at a vertex is no corner
BAY_LEAST: Final = 1e-3  # [rad] an inward corner that turns less needs no rounding
NEARER: Final = 1e-6  # [m] a part this much nearer than the distance is dropped


def offset_outward(chains: Sequence[Chain], distance: float) -> tuple[Chain, ...]:
    """Return the closed chains at `distance` [m] outside the union of closed counter-clockwise `chains`.

    Parameters
    ----------
    chains : sequence of Chain
        Closed, counter-clockwise, without self-intersections; they may overlap each other.
    distance : float
        Positive [m].

    Returns
    -------
    tuple of Chain
        Outer outlines run counter-clockwise, the largest first; outlines of bays shut in by the distance run clockwise.

    Notes
    -----
    For a convex outline of length P the answer's length is P + 2 pi distance (Steiner); the tests hold it to that.

    Examples
    --------
    >>> from pipeline.geometry.chain import polyline
    >>> square = polyline([(0, 0), (1, 0), (1, 1), (0, 1)], closed=True)
    >>> round(offset_outward([square], 0.5)[0].length, 6)
    7.141593
    """
    return tuple(sorted(_parallels(chains, distance, inside=False), key=lambda chain: -chain.area()))


def offset_inward(chain: Chain, distance: float) -> tuple[Chain, ...]:
    """Return the closed chains at `distance` [m] inside one closed counter-clockwise chain, counter-clockwise, the largest first."""
    inner = (found.reversed() for found in _parallels([chain.reversed()], distance, inside=True))
    return tuple(sorted(inner, key=lambda found: -found.area()))


def with_bays_rounded(chain: Chain, radius: float) -> Chain:
    """Return a closed chain whose inward bends and corners are nowhere tighter than `radius` [m]; outward ones stay as they are.

    Notes
    -----
    The outline a disc of that radius leaves untouched when it rolls round the outside: offset outward, then inward by the same.
    """
    if not any(_is_tight(chain, index, radius) for index in range(len(chain))):
        return chain
    outer = offset_outward([chain], radius)
    inner = offset_inward(outer[0], radius) if outer else ()
    return inner[0] if inner else chain


def turn_at(chain: Chain, index: int) -> float:
    """Return the turn [rad] at vertex `index` of a chain, left positive; 0 at the ends of an open one."""
    if not chain.closed and index in (0, len(chain.vertices) - 1):
        return 0.0
    before, after = chain.piece((index - 1) % len(chain)), chain.piece(index % len(chain))
    return math.remainder(after.direction_at(0.0) - before.direction_at(before.length), 2 * math.pi)


def contains(chain: Chain, point: Point) -> bool:
    """Say whether `point` [m] lies inside a closed chain, by the winding of its pieces seen from the point."""
    return abs(sum(_seen_angle(piece, point) for piece in chain.pieces())) > math.pi


def sub_piece(piece: Piece, start: float, end: float) -> Piece:
    """Return the part of `piece` between two distances [m] from its start."""
    bulge = math.tan(piece.curvature * (end - start) / 4) if piece.is_arc else 0.0
    return Piece(piece.point_at(start), piece.point_at(end), bulge)


def _is_tight(chain: Chain, index: int, radius: float) -> bool:
    piece = chain.piece(index)
    return turn_at(chain, index) < -BAY_LEAST or (piece.is_arc and piece.bulge < 0 and piece.radius < radius)


def _parallels(chains: Sequence[Chain], distance: float, *, inside: bool) -> list[Chain]:
    raw = [piece for chain in chains for piece in _shifted(chain, distance)]
    parts = [part for piece_parts in _cut_at_meetings(raw) for part in piece_parts]
    return _linked([part for part in parts if part.length > TOUCH and _is_clear(part, chains, distance, inside)])


def _shifted(chain: Chain, distance: float) -> list[Piece]:
    """Return every piece moved `distance` to the right of its direction, with arcs about the outward corners."""
    moved: list[Piece] = []
    for index, piece in enumerate(chain.pieces()):
        turn = turn_at(chain, index)
        if turn > TURN_LEAST:
            moved.append(_arc_about(piece.start, piece.direction_at(0.0) - turn - math.pi / 2, turn, distance))
        if piece.is_arc and piece.bulge < 0 and piece.radius <= distance + TOUCH:
            continue  # an inward bend tighter than the distance leaves nothing
        moved.append(_moved_right(piece, distance))
    return moved


def _moved_right(piece: Piece, distance: float) -> Piece:
    first, last = piece.direction_at(0.0) - math.pi / 2, piece.direction_at(piece.length) - math.pi / 2
    return Piece(_away(piece.start, first, distance), _away(piece.end, last, distance), piece.bulge)


def _arc_about(corner: Point, bearing: float, turn: float, radius: float) -> Piece:
    return Piece(_away(corner, bearing, radius), _away(corner, bearing + turn, radius), math.tan(turn / 4))


def _away(point: Point, bearing: float, distance: float) -> Point:
    return (point[0] + distance * math.cos(bearing), point[1] + distance * math.sin(bearing))


def _cut_at_meetings(raw: list[Piece]) -> list[list[Piece]]:
    """Return the parts of every piece between the places where it meets another."""
    cuts: list[list[float]] = [[0.0, piece.length] for piece in raw]
    boxes = [_box(piece) for piece in raw]
    for first in range(len(raw)):
        for second in range(first + 1, len(raw)):
            if not _boxes_meet(boxes[first], boxes[second]):
                continue
            for point in _meetings(raw[first], raw[second]):
                for index in (first, second):
                    along, off = raw[index].nearest(point)
                    if off < TOUCH * 10:
                        cuts[index].append(along)
    return [_parts(piece, sorted(at)) for piece, at in zip(raw, cuts, strict=True)]


def _parts(piece: Piece, at: list[float]) -> list[Piece]:
    inner = [along for along in at if AT_END < along < piece.length - AT_END]
    distinct = [0.0, *(here for before, here in itertools.pairwise([0.0, *inner]) if here - before > TOUCH), piece.length]
    if piece.length <= TOUCH:
        return []
    return [piece] if len(distinct) == 2 else [sub_piece(piece, start, end) for start, end in itertools.pairwise(distinct)]


def _box(piece: Piece) -> tuple[float, float, float, float]:
    (x0, y0), (x1, y1) = piece.start, piece.end
    reach = piece.chord * abs(piece.bulge) / 2 if piece.is_arc else 0.0
    if abs(piece.bulge) > 1:  # more than half a circle reaches beyond its chord's ends
        reach = 2 * piece.radius
    return (min(x0, x1) - reach - TOUCH, min(y0, y1) - reach - TOUCH, max(x0, x1) + reach + TOUCH, max(y0, y1) + reach + TOUCH)


def _boxes_meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] <= other[2] and other[0] <= one[2] and one[1] <= other[3] and other[1] <= one[3]


def _meetings(one: Piece, other: Piece) -> list[Point]:
    """Return where the whole lines or circles under two pieces meet; the caller drops what is off the pieces."""
    if not one.is_arc and not other.is_arc:
        return _line_meets_line(one, other)
    if one.is_arc and other.is_arc:
        return _circle_meets_circle(one, other)
    line, arc = (other, one) if one.is_arc else (one, other)
    return _line_meets_circle(line, arc)


def _line_meets_line(one: Piece, other: Piece) -> list[Point]:
    ux, uy = one.end[0] - one.start[0], one.end[1] - one.start[1]
    vx, vy = other.end[0] - other.start[0], other.end[1] - other.start[1]
    cross = ux * vy - uy * vx
    if abs(cross) < 1e-12 * one.chord * other.chord:
        return []
    ratio = ((other.start[0] - one.start[0]) * vy - (other.start[1] - one.start[1]) * vx) / cross
    return [(one.start[0] + ratio * ux, one.start[1] + ratio * uy)]


def _line_meets_circle(line: Piece, arc: Piece) -> list[Point]:
    (cx, cy), length = arc.centre, line.chord
    if length < TOUCH:
        return []
    ux, uy = (line.end[0] - line.start[0]) / length, (line.end[1] - line.start[1]) / length
    along = (cx - line.start[0]) * ux + (cy - line.start[1]) * uy
    foot = (line.start[0] + along * ux, line.start[1] + along * uy)
    squared = arc.radius**2 - (foot[0] - cx) ** 2 - (foot[1] - cy) ** 2
    if squared < 0:
        return []
    half = math.sqrt(squared)
    return [(foot[0] + side * half * ux, foot[1] + side * half * uy) for side in (-1.0, 1.0)]


def _circle_meets_circle(one: Piece, other: Piece) -> list[Point]:
    (ax, ay), (bx, by) = one.centre, other.centre
    apart = math.hypot(bx - ax, by - ay)
    if apart < TOUCH:
        return []
    along = (apart**2 + one.radius**2 - other.radius**2) / (2 * apart)
    squared = one.radius**2 - along**2
    if squared < 0:
        return []
    ux, uy, half = (bx - ax) / apart, (by - ay) / apart, math.sqrt(squared)
    return [(ax + along * ux - side * half * uy, ay + along * uy + side * half * ux) for side in (-1.0, 1.0)]


def _is_clear(part: Piece, chains: Sequence[Chain], distance: float, inside: bool) -> bool:
    middle = part.point_at(part.length / 2)
    return all(chain.nearest(middle)[1] >= distance - NEARER and contains(chain, middle) is inside for chain in chains)


def _seen_angle(piece: Piece, point: Point) -> float:
    """Return by how much the bearing from `point` turns along a piece [rad]."""
    (x0, y0), (x1, y1) = piece.start, piece.end
    start, end = math.atan2(y0 - point[1], x0 - point[0]), math.atan2(y1 - point[1], x1 - point[0])
    seen = math.remainder(end - start, 2 * math.pi)
    if not piece.is_arc:
        return seen
    return seen + 2 * math.pi * math.copysign(1, piece.bulge) * _in_segment(piece, point)


def _in_segment(piece: Piece, point: Point) -> bool:
    """Say whether `point` lies between an arc and its chord."""
    (x0, y0), (x1, y1) = piece.start, piece.end
    inside = math.dist(piece.centre, point) < piece.radius
    left = (x1 - x0) * (point[1] - y0) - (y1 - y0) * (point[0] - x0)
    return inside and left * piece.bulge < 0


def _linked(parts: list[Piece]) -> list[Chain]:
    """Link parts end to start into closed chains; a part without a follower is dropped with its row."""
    left = list(parts)
    chains = []
    while left:
        row = [left.pop(0)]
        while math.dist(row[-1].end, row[0].start) > TOUCH * 100:
            following = min(left, key=lambda part: math.dist(part.start, row[-1].end), default=None)
            if following is None or math.dist(following.start, row[-1].end) > TOUCH * 100:
                row = []
                break
            left.remove(following)
            row.append(following)
        chains += _closed(row)
    return chains


def _closed(row: list[Piece]) -> list[Chain]:
    """Return a row of parts as one closed chain, without its slivers; none when less than two parts are left."""
    kept = [part for part in row if part.length > SLIVER]
    if len(kept) < 2:
        return []
    return [Chain(tuple(part.start for part in kept), tuple(part.bulge for part in kept), True)]
