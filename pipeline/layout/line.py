"""The line the holes stand on: far enough from the water for the fabric's chords, uniform where it can be, smooth beside every bend."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Chain, Point
from pipeline.layout.corners import Cornered, chamfered, mitred, refuse_swollen_mitres, sides_to_draw_in, sides_without_room
from pipeline.layout.give_way import RUNG, given_way, standing_room
from pipeline.layout.measures import least_setback
from pipeline.layout.nearness import distances_to
from pipeline.layout.swell import Bend, bends_of, ramped, swell_needed
from pipeline.layout.walk import Flags, Floats, Walk, walk_of
from pipeline.model.job import Job
from pipeline.model.shop import CornerStyle
from pipeline.model.site import Site

Indices = NDArray[np.intp]

STEP: Final = 0.02  # [m] distance of the samples the swell is worked out on
LINE_FIT: Final = 2e-6  # [m] samples this near a straight line are one
ARC_FIT: Final = 2e-5  # [m] samples this near a circle are one arc
MOST_DRAWS: Final = 12  # times straights are drawn in before a mitred line is given up
BEND_LEAST: Final = 1e-5  # [rad] a smaller turn between samples is none
ALIKE: Final = 2e-6  # [m] places this nearly as far from the middle are equally far


def sample_stations(walk: Walk) -> Floats:
    """Return stations about `STEP` apart [m] with the start of every piece among them."""
    rows = []
    for start, end in zip(walk.starts[:-1], walk.starts[1:], strict=True):
        count = max(1, math.ceil((end - start) / STEP - 1e-6))  # a piece of whole steps has as many samples however its length is rounded
        rows.append(start + (end - start) * np.arange(count) / count)
    if not walk.closed:
        rows.append(walk.starts[-1:])
    return np.concatenate(rows)


def fitted_chain(places: Floats, *, closed: bool) -> Chain:
    """Return a chain of as few lines and arcs as stay within `LINE_FIT` and `ARC_FIT` of a row of points [m].

    Notes
    -----
    The row is divided where its straight runs begin and end; what lies between is fitted from both of its ends at once.  So the chain asks neither where a closed
    row begins nor which way it is run: turned, mirrored or begun elsewhere, and of a row that is its own mirror image both halves, it is the same.
    """
    row = _begun_at_a_border(places) if closed else places
    points = np.vstack((row, row[:1])) if closed else row
    vertices, bulges = [], []
    for first, last in itertools.pairwise(_borders(points, closed=closed)):
        for start, end in _pieces_of(points[first : last + 1]):
            vertices.append((float(points[first + start, 0]), float(points[first + start, 1])))
            bulges.append(_bulge_over(points[first + start : first + end + 1]))
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


def _begun_at_a_border(places: Floats) -> Floats:
    """Return a closed row of points begun at the end of a straight run, the one farthest from its middle; without any, at the farthest of its bends."""
    bends = np.nonzero(_bends(np.vstack((places, places[:1])), closed=True)[:-1])[0]
    if not len(bends):
        return places
    row = np.roll(places, -int(bends[0]), axis=0)
    ends = np.array(sorted({end % len(row) for run in _straight_runs(np.vstack((row, row[:1])), closed=True) for end in run}), dtype=np.intp)
    if not len(ends):
        return np.roll(places, -int(_farthest(places, bends)[0]), axis=0)
    return np.roll(row, -int(_farthest(row, ends)[0]), axis=0)


def _borders(points: Floats, *, closed: bool) -> list[int]:
    """Return the first and the last point, and where straight runs begin and end between; of a closed row without any, its farthest bends, where those are single."""
    last = len(points) - 1
    ends = {end for run in _straight_runs(points, closed=closed) for end in run}
    if closed and not ends:
        far = _farthest(points[:-1], np.nonzero(_bends(points, closed=True)[:-1])[0])
        beside = np.isin((far - 1) % last, far) | np.isin((far + 1) % last, far)
        ends = {int(end) for end in far[~beside]}
    return sorted({0, *ends, last})


def _farthest(places: Floats, among: Indices) -> Indices:
    """Return those of some places that lie farthest from the middle of all, within `ALIKE`."""
    if not len(among):
        return among
    away = np.hypot(*(places[among] - places.mean(axis=0)).T)
    return np.asarray(among[away >= away.max() - ALIKE])


def _bends(points: Floats, *, closed: bool) -> Flags:
    """Say at which points of a row the way from the last to the next one turns; the ends of an open row do not."""
    forward = np.diff(points, axis=0)
    bearing = np.arctan2(forward[:, 1], forward[:, 0])
    turn = np.abs(np.remainder(bearing - np.roll(bearing, 1) + np.pi, 2 * np.pi) - np.pi) > BEND_LEAST
    if not closed:
        turn[0] = False
    return np.append(turn, turn[0])


def _straight_runs(points: Floats, *, closed: bool) -> list[tuple[int, int]]:
    """Return (first, last) points of every stretch of three steps or more that stands by one straight line; a closed row begins at a bend."""
    bends = np.nonzero(_bends(points, closed=closed))[0]
    corners = sorted({0, *(int(bend) for bend in bends), len(points) - 1})
    return [(first, last) for first, last in itertools.pairwise(corners) if last - first >= 3 and _is_line(points[first : last + 1])]


def _pieces_of(points: Floats) -> list[tuple[int, int]]:
    """Return (first, last) points of the longest pieces that stand by a row of points, taken from both of its ends until they meet.

    Notes
    -----
    Where the last two would overlap, what both reach is a piece of its own.
    """
    head: list[tuple[int, int]] = []
    tail: list[tuple[int, int]] = []
    low, high, last = 0, len(points) - 1, len(points) - 1
    while low < high:
        ahead, back = _longest_piece(points, low, high), last - _longest_piece(points[::-1], last - high, last - low)
        if ahead == high or back == low:
            head.append((low, high))
            break
        if ahead > back:
            head += [(low, back), (back, ahead), (ahead, high)]
            break
        head.append((low, ahead))
        tail.append((back, high))
        low, high = ahead, back
    return [*head, *tail[::-1]]


def _longest_piece(points: Floats, at: int, last: int) -> int:
    """Return the end of the longest line or arc from `at` on that the points stand by."""
    line_end = _gallop(points, at, last, _is_line)
    if line_end - at >= 3:
        return line_end
    arc_end = _gallop(points, at, last, _is_arc)
    return arc_end if arc_end - at >= 3 else line_end


def _bulge_over(points: Floats) -> float:
    """Return the bulge of the piece from the first of some points to the last, the same from either end; 0 where they stand by a line."""
    if len(points) < 3 or _is_line(points):
        return 0.0
    middles = {(len(points) - 1) // 2, len(points) // 2}
    return sum(_bulge_through(points[0], points[middle], points[-1]) for middle in middles) / len(middles)


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
