"""The line over steps is straight: where a riser is crossed on a bend, the line takes the chord from before the flight to after it."""

from __future__ import annotations

import itertools
import math
from typing import Final

import numpy as np

from pipeline.geometry.chain import Chain, Piece
from pipeline.geometry.offset import sub_piece
from pipeline.layout.stretches import Crossing, crossings_of
from pipeline.layout.walk import walk_of
from pipeline.model.site import Riser

FLIGHT: Final = 1.5  # [m] risers nearer than this along the line belong to one flight (own judgement)
RUN_IN: Final = 0.15  # [m] the straight reaches this far beyond the joints that straddle the first and the last riser
STRAIGHT_ENOUGH: Final = math.radians(0.2)  # [rad] a line that turns less over a flight is left as it is


def straight_over(line: Chain, risers: tuple[Riser, ...], joint: float) -> Chain:
    """Return the line with a straight over every flight of risers it crosses.

    Parameters
    ----------
    line : Chain
        The hole line, closed or open.
    risers : tuple of Riser
        All of the site.
    joint : float
        Between the two holes beside a riser [m].
    """
    for _ in range(len(risers) + 1):
        bent = _first_bent_flight(line, risers, joint)
        if bent is None:
            return line
        line = _with_chord(line, *bent)
    return line


def _first_bent_flight(line: Chain, risers: tuple[Riser, ...], joint: float) -> tuple[float, float] | None:
    walk = walk_of(line)
    for flight in _flights(crossings_of(walk, 0.0, walk.length, risers)):
        start, end = flight[0].station - joint - RUN_IN, flight[-1].station + joint + RUN_IN
        if not line.closed:
            start, end = max(start, 0.0), min(end, walk.length)
        facing = walk.facing(np.linspace(start, end, 60))
        if facing.max() - facing.min() > STRAIGHT_ENOUGH:
            return start, end
    return None


def _flights(crossings: tuple[Crossing, ...]) -> list[list[Crossing]]:
    flights: list[list[Crossing]] = []
    for crossing in crossings:
        if flights and crossing.station - flights[-1][-1].station < FLIGHT:
            flights[-1].append(crossing)
        else:
            flights.append([crossing])
    return flights


def _with_chord(line: Chain, start: float, end: float) -> Chain:
    """Return a chain that goes straight from one station to another [m]."""
    chord = Piece(line.point_at(start), line.point_at(end))
    if line.closed:
        row = [chord, *part_of(line, end, start + line.length)]
        return Chain(tuple(piece.start for piece in row), tuple(piece.bulge for piece in row), True)
    row = [*part_of(line, 0.0, start), chord, *part_of(line, end, line.length)]
    return Chain((*(piece.start for piece in row), row[-1].end), tuple(piece.bulge for piece in row))


def part_of(line: Chain, start: float, end: float) -> list[Piece]:
    """Return the pieces between two stations [m], which may lie in the lap before or after."""
    row = []
    borders = line.piece_stations()
    for lap in (-1, 0, 1) if line.closed else (0,):
        shift = lap * borders[-1]
        for piece, (low, high) in zip(line.pieces(), itertools.pairwise(borders), strict=True):
            first, last = max(start, low + shift), min(end, high + shift)
            if last - first > 1e-9:
                row.append(sub_piece(piece, first - low - shift, last - low - shift))
    return row
