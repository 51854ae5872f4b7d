"""The line the holes stand on: far enough from the water for the fabric's chords, uniform where it can be, smooth beside every bend."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from pipeline.geometry.chain import Chain
from pipeline.layout.corners import Cornered, chamfered, mitred, refuse_swollen_mitres
from pipeline.layout.give_way import given_way
from pipeline.layout.measures import least_setback
from pipeline.layout.swell import bends_of, ramped, swell_needed
from pipeline.layout.walk import Floats, Walk, walk_of
from pipeline.model.job import Job
from pipeline.model.shop import CornerStyle
from pipeline.model.site import Site

STEP: Final = 0.02  # [m] distance of the samples the swell is worked out on
LINE_FIT: Final = 2e-6  # [m] samples this near a straight line are one
ARC_FIT: Final = 5e-5  # [m] samples this near a circle are one arc


def sample_stations(walk: Walk) -> Floats:
    """Return stations about `STEP` apart [m] with the start of every piece among them."""
    rows = []
    for start, end in zip(walk.starts[:-1], walk.starts[1:], strict=True):
        count = max(1, math.ceil((end - start) / STEP))
        rows.append(start + (end - start) * np.arange(count) / count)
    if not walk.closed:
        rows.append(walk.starts[-1:])
    return np.concatenate(rows)


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


def hole_line(course: Chain, setback: float, chord: float, style: CornerStyle, job: Job, site: Site) -> Cornered:
    """Return the hole line that keeps the fabric at `setback` [m] from the water, giving way where the deck is too narrow.

    Parameters
    ----------
    course : Chain
        The parallel at `setback` outside the water, closed or as far as the fence runs.
    setback : float
        [m]
    chord : float
        Longest hole-to-hole distance [m].
    style : CornerStyle
        How it goes round a corner of the pool.
    job : Job
        Shop and rule packs.
    site : Site
        Deck, walls and objects.

    Raises
    ------
    LayoutError
        Where not even the least setback leaves room for a hole.
    """
    sharp = mitred(course, setback) if style == "mitred" else Cornered(course)
    walk = walk_of(sharp.chain)
    stations = sample_stations(walk)
    places, facing = walk.places(stations), walk.facing(stations)
    normals = np.column_stack((np.sin(facing), -np.cos(facing)))
    bends = bends_of(sharp.chain, setback)
    wanted = ramped(stations, swell_needed(places, normals, bends, setback, setback, chord), walk.length, closed=walk.closed)
    lowest = swell_needed(places, normals, bends, setback, min(least_setback(job), setback), chord)
    swell = given_way(stations, places, normals, wanted, lowest, walk.length, walk.closed, job, site)
    refuse_swollen_mitres(places, swell, sharp.given)
    moved, given = places + swell[:, None] * normals, sharp.given
    if style == "chamfered":
        moved, given = chamfered(moved, bends, setback, chord)
    return Cornered(fitted_chain(_from_a_straight(moved) if walk.closed else moved, closed=walk.closed), given)


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


def _gallop(points: Floats, at: int, last: int, fits: Callable[[Floats], bool]) -> int:
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
