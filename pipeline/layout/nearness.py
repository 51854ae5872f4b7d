"""Distances of many points to chains at once."""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Piece
from pipeline.layout.distances import COLUMNS, chords_to_nearest, to_nearest
from pipeline.layout.walk import Floats


def distances_to(points: Floats, chain: Chain) -> Floats:
    """Return the distance of every point (n, 2) to the nearest place of a chain [m]."""
    return to_nearest(np.ascontiguousarray(points, dtype=np.float64), _table(chain))


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
    return chords_to_nearest(np.ascontiguousarray(starts, dtype=np.float64), np.ascontiguousarray(ends, dtype=np.float64), _table(chain), steps)


def _table(chain: Chain) -> Floats:
    """Return a chain's pieces as `distances` takes them."""
    return np.array([_row(piece) for piece in chain.pieces()]).reshape(-1, COLUMNS)


def _row(piece: Piece) -> tuple[float, ...]:
    (x, y), (dx, dy) = piece.start, np.subtract(piece.end, piece.start)
    line = (x, y, dx, dy, dx * dx + dy * dy)
    if not piece.is_arc:
        return (*line, 0.0, 0.0, 0.0, 0.0, 0.0)
    return (*line, *piece.centre, piece.radius, math.atan2(y - piece.centre[1], x - piece.centre[0]), piece.sweep)


def _side(a: Floats, b: Floats, points: Floats) -> Floats:
    return np.asarray((b[0] - a[0]) * (points[:, 1] - a[1]) - (b[1] - a[1]) * (points[:, 0] - a[0]))


def _side_of(starts: Floats, ends: Floats, point: Floats) -> Floats:
    along = ends - starts
    return np.asarray(along[:, 0] * (point[1] - starts[:, 1]) - along[:, 1] * (point[0] - starts[:, 0]))
