"""Distances of points and of straight chords to pieces of chains, in machine code.

Everything compiled that `nearness` needs stands in this one file: compiled code is kept until the file it stands in changes.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Floats = NDArray[np.float64]

COLUMNS: Final = 10  # of a piece: start, way to its end, squared length; centre, radius, bearing of its start, sweep (0 for a line)
GOLDEN: Final = (math.sqrt(5) - 1) / 2
NARROWINGS: Final = 26


@compiled
def to_nearest(points: Floats, pieces: Floats) -> Floats:
    """Return the distance (n,) [m] of every point (n, 2) [m] to the nearest of pieces (m, `COLUMNS`)."""
    nearest, unknown = np.empty(len(points)), np.empty(0)
    for row in range(len(points)):
        nearest[row] = _to_nearest(points[row, 0], points[row, 1], pieces, np.inf, unknown)
    return nearest


@compiled
def chords_to_nearest(starts: Floats, ends: Floats, pieces: Floats, steps: int) -> Floats:
    """Return the least distance (n,) [m] of every chord from `starts` to `ends` (n, 2) [m] to pieces (m, `COLUMNS`).

    Notes
    -----
    Sampled at `steps` places, narrowed about the nearest by a golden section.  A place of a chord of length c lies within d + c of the pieces, d the
    distance of the chord's start; so what it is nearest to lies within d + 2 c of that start, and no other piece is looked at.
    """
    nearest, apart = np.empty(len(starts)), np.empty(len(pieces))
    for row in range(len(starts)):
        for number in range(len(pieces)):
            apart[number] = _to_piece(starts[row, 0], starts[row, 1], pieces[number])
        nearest[row] = _chord_to_nearest(starts[row], ends[row], pieces, steps, apart)
    return nearest


@compiled
def _chord_to_nearest(start: Floats, end: Floats, pieces: Floats, steps: int, apart: Floats) -> float:
    x, y = end[0] - start[0], end[1] - start[1]
    reach = apart.min() + 2 * math.hypot(x, y)
    best, least = 0, np.inf
    for step in range(steps):
        ratio = step / (steps - 1)
        away = _to_nearest(start[0] + ratio * x, start[1] + ratio * y, pieces, reach, apart)
        if away < least:
            best, least = step, away
    low, high = max(best - 1, 0) / (steps - 1), min(best + 1, steps - 1) / (steps - 1)
    for _ in range(NARROWINGS):
        one, other = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        at_one = _to_nearest(start[0] + one * x, start[1] + one * y, pieces, reach, apart)
        at_other = _to_nearest(start[0] + other * x, start[1] + other * y, pieces, reach, apart)
        if at_one < at_other:
            high = other
        else:
            low = one
    middle = (low + high) / 2
    return min(least, _to_nearest(start[0] + middle * x, start[1] + middle * y, pieces, reach, apart))


@compiled
def _to_nearest(x: float, y: float, pieces: Floats, reach: float, apart: Floats) -> float:
    """Return how far a point is from the nearest piece, of those that `apart` (m,) puts within `reach`; of all where that is infinite."""
    nearest = np.inf
    for number in range(len(pieces)):
        if reach == np.inf or apart[number] <= reach:
            nearest = min(nearest, _to_piece(x, y, pieces[number]))
    return nearest


@compiled
def _to_piece(x: float, y: float, piece: Floats) -> float:
    away = math.hypot(x - piece[0], y - piece[1])
    if piece[9] == 0.0:
        if piece[4] == 0.0:
            return away
        ratio = min(max(((x - piece[0]) * piece[2] + (y - piece[1]) * piece[3]) / piece[4], 0.0), 1.0)
        return math.hypot(x - piece[0] - ratio * piece[2], y - piece[1] - ratio * piece[3])
    turned = (math.atan2(y - piece[6], x - piece[5]) - piece[8]) * (1.0 if piece[9] > 0.0 else -1.0)
    turned -= 2 * math.pi * math.floor(turned / (2 * math.pi))
    if turned <= abs(piece[9]):
        return float(abs(math.hypot(x - piece[5], y - piece[6]) - piece[7]))
    return min(away, math.hypot(x - piece[0] - piece[2], y - piece[1] - piece[3]))
