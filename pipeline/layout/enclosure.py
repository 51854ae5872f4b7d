"""The last look at a finished layout: no fabric nearer than the least setback, and fence plus walls enclose every water."""

from __future__ import annotations

from typing import Final

import numpy as np

from pipeline.errors import InternalFault, LayoutError, Reason
from pipeline.layout.measures import least_setback
from pipeline.layout.nearness import chord_clearances
from pipeline.layout.walk import Floats
from pipeline.model.job import Job
from pipeline.model.layout import Hole
from pipeline.model.site import Site

FABRIC_SLACK: Final = 1e-3  # [m] rounding of line and grid
WALL_GAP: Final = 0.05  # [m] walls that come this near to each other count as one; a 4 in sphere does not pass


def check_fabric(holes: tuple[Hole, ...], closed: bool, job: Job, site: Site) -> None:
    """Raise InternalFault when a chord of fabric runs nearer to the water than the least setback: the line is built so that none does."""
    places = np.array([hole.place for hole in holes if hole.role != "pocket"])
    starts, ends = (places, np.roll(places, -1, axis=0)) if closed else (places[:-1], places[1:])
    least = min(least_setback(job), float(job.options.fence.setback))
    for water in site.waters:
        clear = chord_clearances(starts, ends, water.chain)
        worst = int(clear.argmin())
        if clear[worst] < least - FABRIC_SLACK:
            raise InternalFault(
                Reason(
                    ref="fabric-too-near",
                    what=f"after {holes[worst].name} the fabric runs {clear[worst]:.3f} m from the water, {least:.3f} m is the least",
                    why="the hole line promises that no chord does",
                    do="report it with the job's folder",
                )
            )


def check_enclosure(holes: tuple[Hole, ...], closed: bool, site: Site) -> None:
    """Raise LayoutError unless the fence, with the walls where it is open, bounds an area that holds every water.

    Notes
    -----
    Fence and walls are cut where they meet and put together to faces (GEOS polygonizer); every water has to lie in the faces' union.  A fence that was asked to
    end free at a mark bounds nothing by itself: `notices` says so, and the checks ask what closes the barrier there.
    """
    import shapely

    places = [hole.place for hole in holes if hole.role != "pocket"]
    lines = [shapely.LineString([*places, places[0]] if closed else _run_to_walls(places, site))]
    if not closed:
        lines += [shapely.LineString(wall.chain.densified(1e-3)) for wall in site.walls]
        lines += _bridges(site)
    faces = shapely.union_all(list(shapely.polygonize(list(shapely.get_parts(shapely.union_all(lines)))).geoms))
    for water in site.waters:
        pool = shapely.Polygon(water.chain.densified(1e-3))
        if not faces.buffer(1e-6).covers(pool):
            raise LayoutError(_open_barrier(water.line, pool.difference(faces).area))


def _run_to_walls(places: list[tuple[float, float]], site: Site) -> list[tuple[float, float]]:
    """Return the fence's places with both ends carried on just through their walls."""
    ends = []
    for end in (places[0], places[-1]):
        wall = min(site.walls, key=lambda wall: wall.chain.nearest(end)[1], default=None)
        if wall is None:
            ends.append(end)
            continue
        foot = wall.chain.point_at(wall.chain.nearest(end)[0])
        ends.append((foot[0] + 0.02 * (foot[0] - end[0]), foot[1] + 0.02 * (foot[1] - end[1])))
    return [ends[0], *places, ends[1]]


def _bridges(site: Site) -> list:  # type: ignore[type-arg]  # of shapely lines, a library without types
    """Return short lines that join walls coming within `WALL_GAP` of each other."""
    import shapely

    found = []
    for index, one in enumerate(site.walls):
        for other in site.walls[index + 1 :]:
            near = shapely.shortest_line(*(shapely.LineString(wall.chain.densified(1e-3)) for wall in (one, other)))
            if 0 < near.length <= WALL_GAP:
                found.append(_drawn_out(np.asarray(near.coords)))
    return found


def _drawn_out(ends: Floats):  # type: ignore[no-untyped-def]  # a line of shapely, a library without types
    import shapely

    along = (ends[1] - ends[0]) * 0.02
    return shapely.LineString([ends[0] - along, ends[1] + along])


def _open_barrier(line: str, area: float) -> Reason:
    return Reason(
        ref="barrier-open",
        what=f"fence and walls do not enclose the water WATER{line}: {area:.2f} m² of it lie outside",
        why="a barrier with a gap is none",
        do='survey the whole wall between the fence\'s two ends (code WALL, in one line), or let the fence run round (ends = "loop")',
    )
