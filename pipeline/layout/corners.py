"""The line round a corner of the pool: rounded by the swell, mitred to a hole at the corner, or chamfered by one spacing between two holes.

A mitred or chamfered line has holes whose places are given; no panel, joint or gate may reach across them without a hole there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Chain, Piece, Point
from pipeline.layout.chords import hole_setback
from pipeline.layout.swell import Bend
from pipeline.layout.walk import Flags, Floats, walk_of

CORNER_RADIUS: Final = 0.01  # [m] a bend of the water's edge no rounder than this is a corner
SHARPEST: Final = math.radians(120.0)  # [rad] a corner that turns more is not mitred: its point would lie far out
GENTLEST: Final = math.radians(15.0)  # [rad] a corner that turns less needs no choice
LEVEL: Final = 1e-6  # [m] a swell under this is none
BESIDE_MITRE: Final = (0.2, 0.4, 0.6)  # [m] from a mitre, where the straights beside it are looked at
DRAWN_BEYOND: Final = 1e-4  # [m] a straight is drawn in by this much more than it lacks


@dataclass(frozen=True)
class Cornered:
    """A line with its given holes [m]; and the line as it would run with room everywhere, where that is another one."""

    chain: Chain
    given: tuple[Point, ...] = ()
    wanted: Chain | None = None


@dataclass(frozen=True)
class Mitre:
    """A point where two straights meet [m], and which pieces of the parallel they were."""

    point: Point
    before: int
    after: int


def mitred(course: Chain, setback: float, drawn_in: Mapping[int, float]) -> tuple[Chain, tuple[Mitre, ...]]:
    """Return a parallel whose arcs about the water's corners are replaced by the point where the straights beside them meet.

    Parameters
    ----------
    course : Chain
        The parallel.
    setback : float
        Of it [m].
    drawn_in : mapping
        By how much a straight lies nearer to the water than the parallel [m], by its number.
    """
    row, mitres = list(course.pieces()), []
    for side, depth in drawn_in.items():
        row[side] = _nearer(row[side], depth)
    for index, piece in enumerate(course.pieces()):
        if _is_corner_arc(piece, setback) and _between_lines(row, index, course.closed):
            before, after = (index - 1) % len(row), (index + 1) % len(row)
            point = _meeting(row[before], row[after])
            row[before] = Piece(row[before].start, point)
            row[after] = Piece(point, row[after].end)
            row[index] = Piece(point, point)
            mitres.append(Mitre(point, before, after))
    kept = [piece for piece in row if piece.start != piece.end]
    ends = () if course.closed else (kept[-1].end,)
    return Chain((*(piece.start for piece in kept), *ends), tuple(piece.bulge for piece in kept), course.closed), tuple(mitres)


def sides_to_draw_in(course: Chain, setback: float, mitres: tuple[Mitre, ...], places: Floats, swell: Floats) -> dict[int, float]:
    """Return by how much straights have to be drawn in as a whole [m], so that the line need not leave them at their mitres.

    Notes
    -----
    Where the line gives way beside a mitre, the straight on whose side it lies lower is the narrow one; when both lie as low, both are.  A straight whose other end
    is no mitre and no end of the line cannot be drawn in: what follows it would no longer meet it.
    """
    found: dict[int, float] = {}
    for mitre in mitres:
        at = int(np.hypot(places[:, 0] - mitre.point[0], places[:, 1] - mitre.point[1]).argmin())
        depth = -float(swell[at])
        if depth <= LEVEL:
            continue
        before, after = float(swell[at - 1]), float(swell[(at + 1) % len(swell)])
        narrow = [side for side, low, other in ((mitre.before, before, after), (mitre.after, after, before)) if low <= other + LEVEL]
        for side in narrow:
            if _can_be_drawn_in(course, side, setback):
                found[side] = max(found.get(side, 0.0), depth + DRAWN_BEYOND)
    return found


def sides_without_room(
    course: Chain, setback: float, chain: Chain, mitres: tuple[Mitre, ...], has_room: Callable[[Floats], Flags]
) -> tuple[int, ...]:
    """Return the straights beside mitres that have no room: the one along which the deck is too narrow, or both where only the point itself lacks it."""
    found: set[int] = set()
    for mitre in mitres:
        if has_room(np.array([mitre.point]))[0]:
            continue
        station, away = chain.nearest(mitre.point)[0], np.array(BESIDE_MITRE)
        rows = {mitre.before: walk_of(chain).places(station - away), mitre.after: walk_of(chain).places(station + away)}
        narrow = [side for side, row in rows.items() if not has_room(row).any()] or list(rows)
        found |= {side for side in narrow if _can_be_drawn_in(course, side, setback)}
    return tuple(sorted(found))


def _can_be_drawn_in(course: Chain, side: int, setback: float) -> bool:
    row = list(course.pieces())
    for step in (-1, 1):
        if not course.closed and side + step not in range(len(row)):
            continue
        if not _is_corner_arc(row[(side + step) % len(row)], setback):
            return False
    return True


def _nearer(side: Piece, depth: float) -> Piece:
    """Return a straight moved to its left, towards the water [m]."""
    heading = side.direction_at(0.0) + math.pi / 2
    across = (depth * math.cos(heading), depth * math.sin(heading))
    return Piece((side.start[0] + across[0], side.start[1] + across[1]), (side.end[0] + across[0], side.end[1] + across[1]))


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


def _meeting(before: Piece, after: Piece) -> Point:
    """Return where two straights meet when they are run on."""
    ux, uy = np.subtract(before.end, before.start)
    vx, vy = np.subtract(after.end, after.start)
    ratio = ((after.start[0] - before.start[0]) * vy - (after.start[1] - before.start[1]) * vx) / (ux * vy - uy * vx)
    return (float(before.start[0] + ratio * ux), float(before.start[1] + ratio * uy))
