"""Loop or wall to wall: where walls stand in the way of the line, where the fence ends at them, and whether fence and walls enclose the water."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Chain, Piece, Point
from pipeline.geometry.offset import sub_piece
from pipeline.layout.nearness import crosses, distances_to
from pipeline.layout.walk import Flags, Floats, Walk, walk_of
from pipeline.model.layout import FenceEnd
from pipeline.model.site import FittedLine, Opening, Site

SAMPLE: Final = 0.02  # [m] between the places at which the line is looked at
BEYOND: Final = 0.5  # [m] an open line is run on beyond its wall, so that its end can be found on it
STRAIGHT_ON: Final = 3.0  # [m] farthest a fence runs straight on to its wall instead of bending round the pool
AT_OPENING: Final = 0.10  # [m] a fence end keeps off a door's or window's jamb by this (own judgement)


@dataclass(frozen=True)
class Course:
    """The parallel as far as the fence runs along it: a whole loop, or from one end to another.

    Parameters
    ----------
    chain : Chain
    walls : tuple of FittedLine or None
        The walls it runs from and to; None at a free end.
    """

    chain: Chain
    walls: tuple[FittedLine | None, FittedLine | None] = (None, None)


def course_of(parallel: Chain, site: Site, ends: str, clearance: float) -> Course:
    """Return the part of the parallel that the fence follows.

    Parameters
    ----------
    parallel : Chain
        Closed, at the setback outside the water.
    site : Site
        Walls, and START and END shots.
    ends : str
        "auto", "loop", "walls" or "marks".
    clearance : float
        Of a hole to a wall [m].

    Raises
    ------
    LayoutError
        When the walls leave no one way, or the ends asked for are not there.
    """
    if ends == "marks":
        return _between_marks(parallel, site)
    blocked = _blocked_by_walls(parallel, site, clearance)
    if not blocked.any():
        if ends == "walls":
            raise LayoutError(_no_wall())
        return Course(parallel)
    if ends == "loop":
        raise LayoutError(_wall_in_the_way(parallel, blocked, site))
    return _wall_to_wall(parallel, blocked, site)


def end_station(walk: Walk, wall: FittedLine | None, clearance: float, *, first: bool) -> float:
    """Return the station [m] at which an open line's end hole stands `clearance` [m] from its wall."""
    if wall is None:
        return 0.0 if first else walk.length
    inward = np.arange(0.0, min(walk.length / 2, 3 * BEYOND + STRAIGHT_ON), 0.002)[::-1]
    stations = inward if first else walk.length - inward
    near = np.nonzero(distances_to(walk.places(stations), wall.chain) < clearance)[0]  # walking out, the first of these is before the wall
    if not len(near) or near[0] == 0:
        return float(stations[-1])
    clear, close = float(stations[near[0] - 1]), float(stations[near[0]])
    for _ in range(40):
        middle = (clear + close) / 2
        if distances_to(walk.places(np.array([middle])), wall.chain)[0] >= clearance:
            clear = middle
        else:
            close = middle
    return clear


def _blocked_by_walls(parallel: Chain, site: Site, clearance: float) -> Flags:
    """Say at which samples of the parallel a wall stands between it and the water, or too near for a hole."""
    walk = walk_of(parallel)
    places = walk.places(_samples(walk))
    blocked = np.zeros(len(places), dtype=bool)
    if not site.walls:
        return blocked
    feet = _nearest_water(places, site)
    for wall in site.walls:
        blocked |= crosses(places, feet, wall.chain) | (distances_to(places, wall.chain) < clearance)
    return blocked


def _wall_to_wall(parallel: Chain, blocked: Flags, site: Site) -> Course:
    walk = walk_of(parallel)
    stations = _samples(walk)
    if blocked.all():
        raise LayoutError(_walled_in())
    runs = _free_runs(blocked)
    longest = max(runs, key=lambda run: run[1])
    small = [run for run in runs if run != longest and run[1] * SAMPLE > 0.5]
    if small:
        raise LayoutError(_several_ways(walk, stations, small))
    count = len(stations)
    start, end = longest[0], (longest[0] + longest[1] - 1) % count
    first_wall = _nearest_wall(walk.places(stations[(start - 1) % count : (start - 1) % count + 1]), site)
    last_wall = _nearest_wall(walk.places(stations[(end + 1) % count : (end + 1) % count + 1]), site)
    begin, stop = float(stations[start]), float(stations[end])
    row = _cut_out(parallel, begin, stop if stop > begin else stop + walk.length)
    row = _straight_to_wall([piece_reversed(piece) for piece in row[::-1]], first_wall, outward=-1)
    row = _straight_to_wall([piece_reversed(piece) for piece in row[::-1]], last_wall, outward=1)
    return Course(_chained(row), (first_wall, last_wall))


def _free_runs(blocked: Flags) -> list[tuple[int, int]]:
    """Return (first sample, count) of every free stretch of a loop's samples."""
    count = len(blocked)
    begins = [index for index in range(count) if not blocked[index] and blocked[index - 1]]
    runs = []
    for begin in begins:
        length = 0
        while not blocked[(begin + length) % count]:
            length += 1
        runs.append((begin, length))
    return runs


def _cut_out(chain: Chain, start: float, end: float) -> list[Piece]:
    """Return the pieces of a closed chain between two stations [m]; `end` may lie in the next lap."""
    stations, length, row = chain.piece_stations(), chain.length, []
    for lap in (0.0, length):
        for index, piece in enumerate(chain.pieces()):
            low, high = max(start, stations[index] + lap), min(end, stations[index + 1] + lap)
            if high - low > 1e-9:
                row.append(sub_piece(piece, low - stations[index] - lap, high - stations[index] - lap))
    return row


def _straight_to_wall(row: list[Piece], wall: FittedLine, outward: int) -> list[Piece]:
    """Run the end of a row on beyond its wall: straight from where it last ran straight, if the wall is near enough, else as it ends.

    Parameters
    ----------
    row : list of Piece
        Its end is at the wall.
    wall : FittedLine
        The wall it runs to.
    outward : {1, -1}
        Sign of the bulge of an outward bend: 1 when the row is walked with the water on the left.

    Notes
    -----
    Leaving an outward bend along its tangent brings the line nowhere nearer to the water, and the fence meets the wall without a last turn.
    """
    kept = list(row)
    while len(kept) > 1 and kept[-1].bulge * outward > 0 and _reaches(kept[-2], wall) is not None:
        kept.pop()
    if len(kept) == 1 and kept[0].bulge * outward > 0:
        kept = list(row)
    last = kept[-1]
    heading = last.direction_at(last.length)
    reach = (_reaches(last, wall) or 0.0) + BEYOND
    beyond = (last.end[0] + reach * math.cos(heading), last.end[1] + reach * math.sin(heading))
    if last.is_arc:
        return [*kept, Piece(last.end, beyond)]
    return [*kept[:-1], Piece(last.start, beyond)]


def _reaches(piece: Piece, wall: FittedLine) -> float | None:
    """Return how far straight on from a piece's end a wall stands [m], None when not within `STRAIGHT_ON`."""
    heading = piece.direction_at(piece.length)
    along = np.array([math.cos(heading), math.sin(heading)])
    ahead = np.arange(0.0, STRAIGHT_ON, 0.005)
    places = np.asarray(piece.end) + ahead[:, None] * along
    behind = crosses(np.broadcast_to(places[0], places.shape), places, wall.chain)
    if not behind.any():
        return None
    beyond = float(ahead[int(np.argmax(behind))])
    low, high = max(beyond - 0.005, 0.0), beyond
    for _ in range(30):  # to where the wall is, so that the line's end does not ask from where it was looked for
        middle = (low + high) / 2
        if crosses(places[:1], np.asarray(piece.end) + middle * along[None, :], wall.chain)[0]:
            high = middle
        else:
            low = middle
    return high


def piece_reversed(piece: Piece) -> Piece:
    """Return a piece run the other way."""
    return Piece(piece.end, piece.start, -piece.bulge)


def _chained(row: list[Piece]) -> Chain:
    return Chain((*(piece.start for piece in row), row[-1].end), tuple(piece.bulge for piece in row))


def _between_marks(parallel: Chain, site: Site) -> Course:
    if site.start is None or site.end is None:
        raise LayoutError(_no_marks(site))
    marks = _in_order(parallel, site.start, site.end, site)
    start, end = (parallel.nearest(mark)[0] for mark in marks)
    row = _cut_out(parallel, start, end if end > start else end + parallel.length)
    walls = (_wall_at(marks[0], site), _wall_at(marks[1], site))
    for wall, outward in zip(walls, (-1, 1), strict=True):
        row = [piece_reversed(piece) for piece in row[::-1]]
        row = row if wall is None else _straight_to_wall(row, wall, outward)
    return Course(_chained(row), walls)


def _in_order(parallel: Chain, one: Point, other: Point, site: Site) -> tuple[Point, Point]:
    """Return both marks in walking order: of the two ways from mark to mark the fence takes the one with more of the gates, else the longer one.

    Notes
    -----
    START and END may have been shot either way round; which of them the crew walked to first says nothing of the side the fence is on.
    """
    lap, gates = parallel.length, [parallel.nearest(gate.place)[0] for gate in site.gates]

    def merit(marks: tuple[Point, Point]) -> tuple[int, float]:
        start, run = parallel.nearest(marks[0])[0], (parallel.nearest(marks[1])[0] - parallel.nearest(marks[0])[0]) % lap
        return sum((gate - start) % lap <= run for gate in gates), run

    return max(((one, other), (other, one)), key=merit)


def _wall_at(place: Point, site: Site) -> FittedLine | None:
    near = [wall for wall in site.walls if wall.chain.nearest(place)[1] < BEYOND]
    return min(near, key=lambda wall: wall.chain.nearest(place)[1], default=None)


def _nearest_wall(place: Floats, site: Site) -> FittedLine:
    return min(site.walls, key=lambda wall: float(distances_to(place, wall.chain)[0]))


def _nearest_water(places: Floats, site: Site) -> Floats:
    """Return the nearest places of the waters' edges, as polylines 1 cm fine."""
    edges = np.vstack([_even_points(water.chain) for water in site.waters])
    feet = np.empty_like(places)
    for start in range(0, len(places), 512):
        rays = places[start : start + 512, None, :] - edges[None, :, :]
        feet[start : start + 512] = edges[np.einsum("ijk,ijk->ij", rays, rays).argmin(axis=1)]
    return feet


def _even_points(chain: Chain) -> Floats:
    walk = walk_of(chain)
    return walk.places(np.linspace(0.0, walk.length, max(8, math.ceil(walk.length / 0.05)), endpoint=False))


def _samples(walk: Walk) -> Floats:
    return np.linspace(0.0, walk.length, max(8, math.ceil(walk.length / SAMPLE)), endpoint=not walk.closed)


def _no_wall() -> Reason:
    return Reason(
        ref="no-wall-in-the-way",
        what="the job asks for a fence from wall to wall, but no surveyed wall stands in the line's way",
        why="an end without a wall leaves the barrier open",
        file="job.toml",
        do='write ends = "auto" or "loop", or survey the walls the fence ends at (code WALL)',
    )


def refuse_end_at_opening(ends: tuple[FenceEnd, ...], site: Site) -> None:
    """Raise LayoutError where a fence ends at a door or window: there is nothing there to close the barrier against, and the opening leads round the post."""
    for end in ends:
        for opening in site.openings if end.wall else ():
            jambs = Chain(opening.jambs, (0.0,))
            if jambs.nearest(end.foot)[1] < AT_OPENING:
                raise LayoutError(_end_at_opening(end, opening))


def _end_at_opening(end: FenceEnd, opening: Opening) -> Reason:
    x, y = end.foot
    name = f"{opening.kind}{opening.line}"
    return Reason(
        ref="end-at-opening",
        what=f"the fence would end at {name}: its end hole {end.hole} stands before the wall at ({x:.2f}, {y:.2f}) m, where the wall is open",
        why="an end at an opening closes nothing: whoever opens it stands on either side of the fence",
        do='end the fence elsewhere on the wall (START and END shots, ends = "marks"), ask for another setback, or take the opening out of the survey if it is none',
    )


def _wall_in_the_way(parallel: Chain, blocked: Flags, site: Site) -> Reason:
    share = float(blocked.mean()) * parallel.length
    places = walk_of(parallel).places(_samples(walk_of(parallel)))[blocked]
    behind = [f"{each.kind}{each.line}" for each in site.openings if distances_to(places, Chain(each.jambs, (0.0,))).min() < STRAIGHT_ON]
    opened = f", with {' and '.join(behind)} in it" if behind else ""
    return Reason(
        ref="wall-in-the-loop",
        what=f"a wall{opened} stands in the loop's only way, along {share:.2f} m of it",
        why="the job asks for a closed loop, and there is no room for it between wall and water at this setback",
        file="job.toml",
        do='write ends = "auto" so that the fence runs from wall to wall'
        + (" and what opens in the wall is checked as part of the barrier" if behind else "")
        + ", or ask for a smaller setback if the rules allow it",
    )


def _walled_in() -> Reason:
    return Reason(
        ref="walled-in",
        what="walls stand between the water and the fence line all round",
        why="there is no way left for a fence",
        do="check the WALL lines and the setback",
    )


def _several_ways(walk: Walk, stations: Floats, small: list[tuple[int, int]]) -> Reason:
    x, y = walk.places(stations[small[0][0] : small[0][0] + 1])[0]
    return Reason(
        ref="several-fences",
        what=f"walls cut the fence line into {len(small) + 1} separate stretches; one of them begins at ({x:.2f}, {y:.2f}) m",
        why="one job holds one fence line",
        do="make a job of each stretch with START and END shots, or check the WALL lines",
    )


def _no_marks(site: Site) -> Reason:
    missing = " and ".join(name for name, place in (("START", site.start), ("END", site.end)) if place is None)
    return Reason(
        ref="no-end-marks",
        what=f"the job asks for a fence between marks, but the survey has no {missing} shot",
        why="the line cannot be ended where nothing was shot",
        file="job.toml",
        do='shoot START and END, or write ends = "auto"',
    )
