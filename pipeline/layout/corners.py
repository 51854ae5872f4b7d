"""The line round a corner of the pool: rounded by the swell, mitred to a hole at the corner, or chamfered by one spacing between two holes.

A mitred or chamfered line has holes whose places are given; no panel, joint or gate may reach across them without a hole there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Chain, Piece, Point
from pipeline.layout.chords import hole_setback
from pipeline.layout.swell import Bend
from pipeline.layout.walk import Floats

CORNER_RADIUS: Final = 0.01  # [m] a bend of the water's edge no rounder than this is a corner
SHARPEST: Final = math.radians(120.0)  # [rad] a corner that turns more is not mitred: its point would lie far out
GENTLEST: Final = math.radians(15.0)  # [rad] a corner that turns less needs no choice
LEVEL: Final = 1e-6  # [m] a swell under this is none


@dataclass(frozen=True)
class Cornered:
    """A line with its given holes [m]."""

    chain: Chain
    given: tuple[Point, ...] = ()


def mitred(course: Chain, setback: float) -> Cornered:
    """Return a parallel whose arcs about the water's corners are replaced by the point where the straights beside them meet."""
    row, given = list(course.pieces()), []
    for index, piece in enumerate(row):
        if _is_corner_arc(piece, setback) and _between_lines(row, index, course.closed):
            point = _meeting(piece)
            before, after = (index - 1) % len(row), (index + 1) % len(row)
            row[before] = Piece(row[before].start, point)
            row[after] = Piece(point, row[after].end)
            row[index] = Piece(point, point)
            given.append(point)
    kept = [piece for piece in row if piece.start != piece.end]
    ends = () if course.closed else (kept[-1].end,)
    return Cornered(Chain((*(piece.start for piece in kept), *ends), tuple(piece.bulge for piece in kept), course.closed), tuple(given))


def chamfered(moved: Floats, bends: tuple[Bend, ...], setback: float, chord: float) -> tuple[Floats, tuple[Point, ...]]:
    """Return samples of a rounded line with one straight spacing across every corner, and the two given holes of each."""
    given: list[Point] = []
    for bend in bends:
        reach = hole_setback(setback, chord, 0.0)
        half = math.asin(chord / 2 / reach)
        if bend.radius > CORNER_RADIUS or bend.sweep < 2 * half:
            continue
        middle = bend.first + bend.sweep / 2
        rays = moved - np.asarray(bend.centre)
        off = np.remainder(np.arctan2(rays[:, 1], rays[:, 0]) - middle + np.pi, 2 * np.pi) - np.pi
        across = np.nonzero((np.abs(off) <= half) & (np.abs(np.hypot(rays[:, 0], rays[:, 1]) - reach) < 1e-3))[0]
        if not len(across) or across[-1] - across[0] + 1 != len(across):
            continue
        ends = [
            (bend.centre[0] + reach * math.cos(middle + side * half), bend.centre[1] + reach * math.sin(middle + side * half)) for side in (-1, 1)
        ]
        moved = np.vstack((moved[: across[0]], np.asarray(ends), moved[across[-1] + 1 :]))
        given += ends
    return moved, tuple(given)


def refuse_swollen_mitres(places: Floats, swell: Floats, given: tuple[Point, ...]) -> None:
    """Raise LayoutError where the line has to leave its parallel at a mitre: it would no longer meet its point."""
    for point in given:
        at = int(np.hypot(places[:, 0] - point[0], places[:, 1] - point[1]).argmin())
        if abs(swell[at]) > LEVEL:
            raise LayoutError(
                Reason(
                    ref="no-mitre",
                    what=f"the line cannot be mitred at ({point[0]:.2f}, {point[1]:.2f}) m: a curve or a narrow place beside the corner moves it off its parallel",
                    why="a mitre is the point where two straights at the setback meet",
                    do='write corner = "rounded" in the shop file\'s [panel]',
                )
            )


def _is_corner_arc(piece: Piece, setback: float) -> bool:
    return piece.is_arc and piece.bulge > 0 and abs(piece.radius - setback) <= CORNER_RADIUS and GENTLEST <= piece.sweep <= SHARPEST


def _between_lines(row: list[Piece], index: int, closed: bool) -> bool:
    if not closed and index in (0, len(row) - 1):
        return False
    return not row[(index - 1) % len(row)].is_arc and not row[(index + 1) % len(row)].is_arc


def _meeting(arc: Piece) -> Point:
    heading, run = arc.direction_at(0.0), arc.radius * math.tan(arc.sweep / 2)
    return (arc.start[0] + run * math.cos(heading), arc.start[1] + run * math.sin(heading))
