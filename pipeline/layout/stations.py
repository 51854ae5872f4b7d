"""Stations of a line in machine code: the places under them, and the stations a straight distance apart.

Everything compiled that `walk` needs stands in this one file: compiled code is kept until the file it stands in changes.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.compiled import compiled

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

CHORD_FIT: Final = 1e-9  # [m] stations are found to this chord
WIDENINGS: Final = 40
STEPS: Final = 60


class Laid(NamedTuple):
    """A chain as arrays, one row a piece; see `walk.Walk`.

    Parameters
    ----------
    starts : (n + 1,) array
        [m]
    corners : (n, 2) array
        [m]
    bearings, curvatures : (n,) arrays
        [rad], [1/m]
    closed, mirrored : bool
    """

    starts: Floats
    corners: Floats
    bearings: Floats
    curvatures: Floats
    closed: bool
    mirrored: bool


@compiled
def located(laid: Laid, stations: Floats) -> tuple[Indices, Floats, Floats]:
    """Return (piece, distance from its start [m], laps run) of every station [m] (n,)."""
    count = len(stations)
    index, along, laps = np.empty(count, np.intp), np.empty(count), np.empty(count)
    for row in range(count):
        index[row], along[row], laps[row] = _located(laid, stations[row])
    return index, along, laps


@compiled
def places(laid: Laid, stations: Floats) -> Floats:
    """Return the points (n, 2) [m] at stations (n,) [m]."""
    points = np.empty((len(stations), 2))
    for row in range(len(stations)):
        points[row, 0], points[row, 1] = _place(laid, stations[row])
    return points


@compiled
def chords(laid: Laid, start: Floats, end: Floats) -> Floats:
    """Return the straight distances (n,) [m] between two rows of stations (n,) [m]."""
    apart = np.empty(len(start))
    for row in range(len(start)):
        x, y = _place(laid, start[row])
        apart[row] = _away(laid, end[row], x, y)
    return apart


@compiled
def runs_for_chords(laid: Laid, start: Floats, wanted: Floats, sign: float) -> Floats:
    """Return how far along the line from stations (n,) [m] chords (n,) [m] are reached [m], ahead (`sign` 1) or behind (-1).

    Notes
    -----
    Regula falsi (Illinois) between the chord itself and the first station tried that is farther off.
    """
    runs = np.empty(len(start))
    for row in range(len(start)):
        runs[row] = _run_for_chord(laid, start[row], wanted[row], sign)
    return runs


@compiled
def _run_for_chord(laid: Laid, start: float, wanted: float, sign: float) -> float:
    x, y = _place(laid, start)
    low, high = wanted, wanted * 1.02 + 1e-6
    off_low, off_high = _away(laid, start + sign * low, x, y) - wanted, _away(laid, start + sign * high, x, y) - wanted
    for _ in range(WIDENINGS):
        if not off_high < 0:
            break
        low, off_low = high, off_high
        high += 0.05 * wanted
        off_high = _away(laid, start + sign * high, x, y) - wanted
    stayed, middle = 0, low  # which end stayed last: 1 high, -1 low
    for _ in range(STEPS):
        span = off_high - off_low
        middle = low - off_low * (high - low) / span if span > 0 else low
        off = _away(laid, start + sign * middle, x, y) - wanted
        if abs(off) < CHORD_FIT:
            break
        if off < 0:
            off_high = off_high / 2 if stayed > 0 else off_high
            low, off_low, stayed = middle, off, 1
        else:
            off_low = off_low / 2 if stayed < 0 else off_low
            high, off_high, stayed = middle, off, -1
    return middle


@compiled
def _away(laid: Laid, station: float, x: float, y: float) -> float:
    """Return how far the place at a station [m] is from a point [m]."""
    there = _place(laid, station)
    return math.hypot(there[0] - x, there[1] - y)


@compiled
def _place(laid: Laid, station: float) -> tuple[float, float]:
    """Return the place at a station [m]; an open chain runs on straight or round beyond its ends."""
    index, along, _ = _located(laid, station)
    half = laid.curvatures[index] * along / 2
    chord = along * (math.sin(half) / half) if half != 0.0 else along
    bearing = laid.bearings[index] + half
    x = laid.corners[index, 0] + chord * math.cos(bearing)
    return (-x if laid.mirrored else x), laid.corners[index, 1] + chord * math.sin(bearing)


@compiled
def _located(laid: Laid, station: float) -> tuple[int, float, float]:
    """Return (piece, distance from its start [m], laps run) of a station [m]."""
    length = laid.starts[-1]
    lap = math.floor(station / length) + 0.0 if laid.closed else 0.0
    within = station - lap * length
    low, high = 0, len(laid.bearings)  # the piece sought stands in [low, high)
    while high - low > 1:
        middle = (low + high) // 2
        if laid.starts[middle] <= within:
            low = middle
        else:
            high = middle
    return low, within - laid.starts[low], lap
