"""The line the holes stand on: far enough from the water for the fabric's chords, uniform where it can be, smooth beside every bend.

The parallel of the water's edge at the wanted setback is the *parallel*; how far the holes stand outside it is the *swell*.
On straights and inward bends the swell is 0; round an outward curve or corner the chords need some (`chords.hole_setback`), and beside it the line
runs out to it on a ramp.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Point
from pipeline.layout.chords import hole_setback
from pipeline.layout.walk import Floats, Walk, walk_of

RAMP: Final = 1 / 12  # [-] steepest swell per length of line (own judgement: a turn under 5 degrees)
STEP: Final = 0.02  # [m] distance of the samples the swell is worked out on
LINE_FIT: Final = 2e-6  # [m] samples this near a straight line are one
TURN_LEAST: Final = 1e-4  # [rad] a smaller turn is none
ARC_FIT: Final = 5e-5  # [m] samples this near a circle are one arc


@dataclass(frozen=True)
class Bend:
    """An outward curve or corner of the water, as the fence sees it.

    Parameters
    ----------
    centre : Point
        [m]
    radius : float
        0 at a corner [m].
    first, sweep : float
        Bearing from the centre where it begins, and how far it turns [rad].
    """

    centre: Point
    radius: float
    first: float
    sweep: float


def bends_of(course: Chain, setback: float) -> tuple[Bend, ...]:
    """Return what the outward arcs of a parallel at `setback` [m] go round: curves and corners of the water."""
    return tuple(
        Bend(piece.centre, max(piece.radius - setback, 0.0), piece.direction_at(0.0) - math.pi / 2, piece.sweep)
        for piece in course.pieces()
        if piece.is_arc and piece.bulge > 0 and piece.sweep > TURN_LEAST
    )


def sample_stations(walk: Walk) -> Floats:
    """Return stations about `STEP` apart [m] with the start of every piece among them."""
    rows = []
    for start, end in zip(walk.starts[:-1], walk.starts[1:], strict=True):
        count = max(1, math.ceil((end - start) / STEP))
        rows.append(start + (end - start) * np.arange(count) / count)
    if not walk.closed:
        rows.append(walk.starts[-1:])
    return np.concatenate(rows)


def swell_needed(places: Floats, normals: Floats, bends: tuple[Bend, ...], setback: float, chord: float) -> Floats:
    """Return how far outside the parallel the line has to run so that no chord comes nearer than `setback` [m].

    Notes
    -----
    A chord of length c whose ends both lie at w + R from a bend's centre keeps R + d from it, since its foot on the bend divides it in a and c - a, and the
    smaller is at most c/2.  So every place within c/2 of the bend's sector has to lie that far out, and no other.
    """
    needed = np.zeros(len(places))
    for bend in bends:
        reach = bend.radius + hole_setback(setback, chord, bend.radius)
        needed = np.maximum(needed, _swell_for(bend, reach, places, normals, setback, chord))
    return needed


def ramped(stations: Floats, swell: Floats, length: float, *, closed: bool) -> Floats:
    """Return the least swell that is nowhere under `swell` and nowhere steeper than `RAMP`."""
    if closed:
        stations = np.concatenate((stations - length, stations, stations + length))
        swell = np.concatenate((swell, swell, swell))
    ahead = np.maximum.accumulate(swell + RAMP * stations) - RAMP * stations
    back = (np.maximum.accumulate((swell - RAMP * stations)[::-1]) + RAMP * stations[::-1])[::-1]
    both = np.maximum(ahead, back)
    return both[len(both) // 3 : 2 * len(both) // 3] if closed else both


def fitted_chain(places: Floats, *, closed: bool) -> Chain:
    """Return a chain of as few lines and arcs as stay within `LINE_FIT` and `ARC_FIT` of a row of points [m]."""
    points = np.vstack((places, places[:1])) if closed else places
    vertices, bulges = [], []
    at, last = 0, len(points) - 1
    while at < last:
        end, bulge = _longest_piece(points, at, last)
        vertices.append((float(points[at, 0]), float(points[at, 1])))
        bulges.append(bulge)
        at = end
    if not closed:
        vertices.append((float(points[-1, 0]), float(points[-1, 1])))
    return Chain(tuple(vertices), tuple(bulges), closed)


def hole_line(course: Chain, setback: float, chord: float) -> Chain:
    """Return the hole line that keeps the fabric at `setback` [m] from the water, with rounded corners.

    Parameters
    ----------
    course : Chain
        The parallel at `setback` outside the water, closed or as far as the fence runs.
    setback : float
        [m]
    chord : float
        Longest hole-to-hole distance [m].
    """
    walk = walk_of(course)
    stations = sample_stations(walk)
    places, facing = walk.places(stations), walk.facing(stations)
    normals = np.column_stack((np.sin(facing), -np.cos(facing)))
    needed = swell_needed(places, normals, bends_of(course, setback), setback, chord)
    swell = ramped(stations, needed, walk.length, closed=walk.closed)
    moved = places + swell[:, None] * normals
    return fitted_chain(_from_a_straight(moved) if walk.closed else moved, closed=walk.closed)


def _swell_for(bend: Bend, reach: float, places: Floats, normals: Floats, setback: float, chord: float) -> Floats:
    """Return the swell that brings every place near one bend out to `reach` from its centre; 0 elsewhere."""
    rays = places - np.asarray(bend.centre)
    away = np.hypot(rays[:, 0], rays[:, 1])
    near = (away < reach) & (away > bend.radius + setback - 1e-4) & _beside(bend, rays, chord / 2)
    along = np.einsum("ij,ij->i", rays, normals)
    out = -along + np.sqrt(np.maximum(along**2 + reach**2 - away**2, 0.0))
    return np.where(near, out, 0.0)


def _beside(bend: Bend, rays: Floats, margin: float) -> NDArray[np.bool_]:
    """Say which rays lie in the bend's sector or within `margin` [m] of its sides."""
    if bend.sweep >= 2 * math.pi - 1e-9:
        return np.ones(len(rays), dtype=bool)
    middle = bend.first + bend.sweep / 2
    turned = np.abs(np.remainder(np.arctan2(rays[:, 1], rays[:, 0]) - middle + np.pi, 2 * np.pi) - np.pi)
    beyond = turned - bend.sweep / 2
    off = np.hypot(rays[:, 0], rays[:, 1]) * np.sin(np.clip(beyond, 0.0, np.pi / 2))
    return (beyond <= 0) | (off <= margin)


def _from_a_straight(places: Floats) -> Floats:
    """Return a closed row of points begun in the middle of its longest straight, or where it is as given without one."""
    forward = np.roll(places, -1, axis=0) - places
    bearing = np.arctan2(forward[:, 1], forward[:, 0])
    kinks = np.nonzero(np.abs(np.remainder(bearing - np.roll(bearing, 1) + np.pi, 2 * np.pi) - np.pi) > 1e-7)[0]
    if len(kinks) == 0:
        return places
    gaps = np.diff(np.concatenate((kinks, kinks[:1] + len(places))))
    return np.roll(places, -int(kinks[int(np.argmax(gaps))]), axis=0)


def _longest_piece(points: Floats, at: int, last: int) -> tuple[int, float]:
    """Return (end, bulge) of the longest line or arc from `at` on that the points stand by."""
    line_end = _gallop(points, at, last, _is_line)
    if line_end - at >= 3:
        return line_end, 0.0
    arc_end = _gallop(points, at, last, _is_arc)
    if arc_end - at >= 3:
        return arc_end, _bulge_through(points[at], points[(at + arc_end) // 2], points[arc_end])
    return line_end, 0.0


def _gallop(points: Floats, at: int, last: int, fits) -> int:  # type: ignore[no-untyped-def]
    good, step = at + 1, 2
    while good < last and fits(points[at : min(at + step, last) + 1]):
        good = min(at + step, last)
        step *= 2
    bad = min(at + step, last + 1)
    while bad - good > 1:
        middle = (good + bad) // 2
        if fits(points[at : middle + 1]):
            good = middle
        else:
            bad = middle
    return good


def _is_line(points: Floats) -> bool:
    chord = points[-1] - points[0]
    length = math.hypot(chord[0], chord[1])
    rays = points - points[0]
    return length > 0 and bool(np.all(np.abs(rays[:, 0] * chord[1] - rays[:, 1] * chord[0]) <= LINE_FIT * length))


def _is_arc(points: Floats) -> bool:
    if len(points) < 4:
        return True
    bulge = _bulge_through(points[0], points[len(points) // 2], points[-1])
    if abs(bulge) < 1e-9 or abs(bulge) > 1.0:
        return False
    (x0, y0), (x1, y1) = points[0], points[-1]
    rise = (1 - bulge**2) / (4 * bulge)
    centre = np.array([(x0 + x1) / 2 - rise * (y1 - y0), (y0 + y1) / 2 + rise * (x1 - x0)])
    radius = math.hypot(x0 - centre[0], y0 - centre[1])
    return bool(np.all(np.abs(np.hypot(*(points - centre).T) - radius) <= ARC_FIT))


def _bulge_through(start: Floats, middle: Floats, end: Floats) -> float:
    """Return tan(sweep / 4) of the arc through three points."""
    turn = math.atan2(end[1] - middle[1], end[0] - middle[0]) - math.atan2(middle[1] - start[1], middle[0] - start[0])
    return math.tan(math.remainder(turn, 2 * math.pi) / 2)
