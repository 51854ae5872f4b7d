"""Distances of many points to chains at once."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Piece
from pipeline.layout.walk import Floats


def distances_to(points: Floats, chain: Chain) -> Floats:
    """Return the distance of every point (n, 2) to the nearest place of a chain [m]."""
    return _to_nearest(points, chain.pieces())


def inside(points: Floats, chain: Chain) -> NDArray[np.bool_]:
    """Say which points lie inside a closed chain (crossings of a ray with the chain's polyline, 0.1 mm fine)."""
    corners = chain.densified(1e-4)
    (x0, y0), (x1, y1) = corners[:-1].T, corners[1:].T
    within = np.zeros(len(points), dtype=bool)
    rise = np.where(y1 != y0, y1 - y0, 1.0)
    for start in range(0, len(points), 4096):
        x, y = points[start : start + 4096, 0:1], points[start : start + 4096, 1:2]
        crossed = ((y0 > y) != (y1 > y)) & (x < x0 + (y - y0) / rise * (x1 - x0))
        within[start : start + 4096] = crossed.sum(axis=1) % 2 == 1
    return within


def crosses(starts: Floats, ends: Floats, chain: Chain) -> NDArray[np.bool_]:
    """Say which straight ways from starts to ends (n, 2) cross a chain (its polyline, 0.1 mm fine)."""
    corners = chain.densified(1e-4)
    found = np.zeros(len(starts), dtype=bool)
    for a, b in itertools.pairwise(corners):
        apart = (_side(a, b, starts) > 0) != (_side(a, b, ends) > 0)
        through = (_side_of(starts, ends, a) > 0) != (_side_of(starts, ends, b) > 0)
        found |= apart & through
    return found


def chord_clearances(starts: Floats, ends: Floats, chain: Chain, steps: int = 9) -> Floats:
    """Return the least distance of every straight chord (n, 2) to a chain [m].

    Notes
    -----
    Sampled at `steps` places and refined about the nearest by a golden-section search: the distance to a smooth edge is unimodal between two samples.
    """
    ratios, near = np.linspace(0.0, 1.0, steps), _pieces_near(starts, ends, chain)
    sampled = np.array([_to_nearest(starts + ratio * (ends - starts), near) for ratio in ratios])
    best = sampled.argmin(axis=0)
    low, high = ratios[np.maximum(best - 1, 0)], ratios[np.minimum(best + 1, steps - 1)]
    golden = (math.sqrt(5) - 1) / 2
    for _ in range(26):
        one, other = high - golden * (high - low), low + golden * (high - low)
        left = _at(starts, ends, one, near) < _at(starts, ends, other, near)
        low, high = np.where(left, low, one), np.where(left, other, high)
    return np.asarray(np.minimum(sampled.min(axis=0), _at(starts, ends, (low + high) / 2, near)))


def _at(starts: Floats, ends: Floats, ratio: Floats, pieces: Sequence[Piece]) -> Floats:
    return _to_nearest(starts + ratio[:, None] * (ends - starts), pieces)


def _to_nearest(points: Floats, pieces: Iterable[Piece]) -> Floats:
    nearest = np.full(len(points), np.inf)
    for piece in pieces:
        np.minimum(nearest, _to_piece(points, piece), out=nearest)
    return nearest


def _pieces_near(starts: Floats, ends: Floats, chain: Chain) -> list[Piece]:
    """Return the pieces of a chain any place of any of the chords can be nearest to.

    Notes
    -----
    A place of a chord of length c lies within d + c of the chain, d the distance of the chord's start; so what it is nearest to lies within d + 2 c of that start.
    """
    pieces = list(chain.pieces())
    if not len(starts):
        return pieces
    apart = [_to_piece(starts, piece) for piece in pieces]
    reach = np.min(apart, axis=0) + 2 * np.hypot(*(ends - starts).T)
    return [piece for piece, each in zip(pieces, apart, strict=True) if bool((each <= reach).any())]


def _to_piece(points: Floats, piece: Piece) -> Floats:
    return _to_arc(points, piece) if piece.is_arc else _to_line(points, piece)


def _to_line(points: Floats, piece: Piece) -> Floats:
    start, along = np.asarray(piece.start), np.subtract(piece.end, piece.start)
    squared = float(along @ along)
    ratio = np.clip((points - start) @ along / squared, 0.0, 1.0) if squared else np.zeros(len(points))
    away = points - start - ratio[:, None] * along
    return np.asarray(np.hypot(away[:, 0], away[:, 1]))


def _to_arc(points: Floats, piece: Piece) -> Floats:
    rays = points - np.asarray(piece.centre)
    first = math.atan2(piece.start[1] - piece.centre[1], piece.start[0] - piece.centre[0])
    turned = np.mod((np.arctan2(rays[:, 1], rays[:, 0]) - first) * math.copysign(1, piece.bulge), 2 * np.pi)
    to_ends = [np.hypot(*(points - np.asarray(end)).T) for end in (piece.start, piece.end)]
    to_circle = np.abs(np.hypot(rays[:, 0], rays[:, 1]) - piece.radius)
    return np.asarray(np.where(turned <= abs(piece.sweep), to_circle, np.minimum(*to_ends)))


def _side(a: Floats, b: Floats, points: Floats) -> Floats:
    return np.asarray((b[0] - a[0]) * (points[:, 1] - a[1]) - (b[1] - a[1]) * (points[:, 0] - a[0]))


def _side_of(starts: Floats, ends: Floats, point: Floats) -> Floats:
    along = ends - starts
    return np.asarray(along[:, 0] * (point[1] - starts[:, 1]) - along[:, 1] * (point[0] - starts[:, 0]))
