"""The line the holes stand on: far enough from the water for the fabric's chords, uniform where it can be, smooth beside every bend."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.geometry.chain import Chain, Point
from pipeline.layout.corners import Cornered, chamfered, mitred, refuse_swollen_mitres, sides_to_draw_in, sides_without_room
from pipeline.layout.give_way import RUNG, given_way, standing_room
from pipeline.layout.measures import least_setback
from pipeline.layout.nearness import distances_to
from pipeline.layout.swell import Bend, bends_of, ramped, swell_needed
from pipeline.layout.walk import Floats, Walk, walk_of
from pipeline.model.job import Job
from pipeline.model.shop import CornerStyle
from pipeline.model.site import Site

STEP: Final = 0.02  # [m] distance of the samples the swell is worked out on
LINE_FIT: Final = 2e-6  # [m] samples this near a straight line are one
ARC_FIT: Final = 2e-5  # [m] samples this near a circle are one arc
MOST_DRAWS: Final = 12  # times straights are drawn in before a mitred line is given up
BEND_LEAST: Final = 1e-5  # [rad] a smaller turn between samples is none


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
    """Return a chain of as few lines and arcs as stay within `LINE_FIT` and `ARC_FIT` of a row of points [m].

    Notes
    -----
    Pieces are taken as long as they can be, one after another, once from either end of the row; of both chains the one with fewer pieces is kept, else the shorter one.
    A closed row is begun where `_begun_far_out` says.  So turned or mirrored points get the turned or mirrored chain.
    """
    row = _begun_far_out(places) if closed else places
    ahead = _fitted(row, closed=closed)
    back = _fitted(np.vstack((row[:1], row[:0:-1])) if closed else row[::-1], closed=closed).reversed()
    return min(ahead, back, key=lambda chain: (len(chain), round(chain.length, 9)))


def _fitted(places: Floats, *, closed: bool) -> Chain:
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
    drawn, given = _mitred_line(course, setback, chord, job, site) if style == "mitred" else (_drawn(course, setback, chord, job, site), ())
    moved = drawn.laid
    if style == "chamfered":
        moved, given = chamfered(moved, drawn.bends, setback, chord)
    line = fitted_chain(moved, closed=course.closed)
    return Cornered(line, given, None if drawn.as_wanted else fitted_chain(drawn.wished, closed=course.closed))


@dataclass(frozen=True)
class _Drawn:
    """Samples of a line: as laid out and as wished with room everywhere [m]; how far the first lie outside the parallel [m], and the bends it goes round."""

    laid: Floats
    wished: Floats
    parallel: Floats
    swell: Floats
    bends: tuple[Bend, ...]

    @property
    def as_wanted(self) -> bool:
        return self.laid.shape == self.wished.shape and bool((np.abs(self.laid - self.wished) <= LINE_FIT).all())


def _drawn(course: Chain, setback: float, chord: float, job: Job, site: Site) -> _Drawn:
    """Draw a line along its parallel, giving way where the deck is too narrow."""
    walk = walk_of(course)
    stations = sample_stations(walk)
    places, facing = walk.places(stations), walk.facing(stations)
    normals = np.column_stack((np.sin(facing), -np.cos(facing)))
    bends = bends_of(course, setback)
    wanted = ramped(stations, swell_needed(places, normals, bends, setback, setback, chord), walk.length, closed=walk.closed)
    least = min(least_setback(job), setback)
    lowest = swell_needed(places, normals, bends, setback, least, chord)
    lowest = np.maximum(lowest, least - np.min([distances_to(places, water.chain) for water in site.waters], axis=0))
    swell = given_way(stations, places, normals, wanted, np.minimum(lowest, wanted), walk.length, walk.closed, job, site)
    return _Drawn(places + swell[:, None] * normals, places + wanted[:, None] * normals, places, swell, bends)


def _mitred_line(course: Chain, setback: float, chord: float, job: Job, site: Site) -> tuple[_Drawn, tuple[Point, ...]]:
    """Draw a mitred line; straights too narrow at their mitres are drawn in, each by itself and as little as they need."""
    drawn_in: dict[int, float] = {}
    wished = walk_of(mitred(course, setback, {})[0])
    most = setback - min(least_setback(job), setback)
    for _ in range(MOST_DRAWS + math.ceil(most / RUNG)):
        sharp, mitres = mitred(course, setback, drawn_in)
        short = sides_without_room(course, setback, sharp, mitres, lambda places: ~standing_room(places, job, site))
        deeper = {side: RUNG for side in short if drawn_in.get(side, 0.0) + RUNG <= most}
        if not deeper:
            drawn = _drawn(sharp, setback, chord, job, site)
            deeper = sides_to_draw_in(course, setback, mitres, drawn.parallel, drawn.swell)
        if not deeper:
            break
        drawn_in = {side: drawn_in.get(side, 0.0) + deeper.get(side, 0.0) for side in sorted({*drawn_in, *deeper})}
    given = tuple(mitre.point for mitre in mitres)
    refuse_swollen_mitres(drawn.parallel, drawn.swell, given)
    return dataclasses.replace(drawn, wished=wished.places(sample_stations(wished))), given


def _begun_far_out(places: Floats) -> Floats:
    """Return a closed row of points begun where it bends, at the one of those places farthest from its middle."""
    forward = np.roll(places, -1, axis=0) - places
    bearing = np.arctan2(forward[:, 1], forward[:, 0])
    bends = np.nonzero(np.abs(np.remainder(bearing - np.roll(bearing, 1) + np.pi, 2 * np.pi) - np.pi) > BEND_LEAST)[0]
    if len(bends) == 0:
        return places
    away = np.hypot(*(places[bends] - places.mean(axis=0)).T)
    return np.roll(places, -int(bends[int(np.argmax(away.round(6)))]), axis=0)


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
