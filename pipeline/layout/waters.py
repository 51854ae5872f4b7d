"""The waters one fence goes round: kept apart from islands, and joined where they lie too far from each other for their parallels to meet."""

from __future__ import annotations

import numpy as np

from pipeline.errors import LayoutError, Reason
from pipeline.geometry.chain import Chain, Point, polyline
from pipeline.geometry.offset import contains, offset_outward
from pipeline.model.site import FittedLine, Site

DRAWN_IN = 0.02  # [m]


def outline_round(site: Site, distance: float) -> Chain:
    """Return the one closed outline at `distance` [m] outside all waters of a site.

    Raises
    ------
    LayoutError
        When one water's edge lies inside another: an island.

    Notes
    -----
    Waters farther apart than twice the distance have parallels of their own; then the ground between them, bounded by the tangents they have in common,
    counts as water too.
    """
    _refuse_islands(site.waters)
    chains = [water.chain for water in site.waters]
    outlines = [outline for outline in offset_outward(chains, distance) if outline.area() > 0]
    if len(outlines) > 1:
        outlines = [outline for outline in offset_outward([*chains, _between(chains)], distance) if outline.area() > 0]
    return outlines[0]


def _refuse_islands(waters: tuple[FittedLine, ...]) -> None:
    for outer in waters:
        for inner in waters:
            if inner is not outer and all(contains(outer.chain, vertex) for vertex in inner.chain.vertices) and not _touch(inner.chain, outer.chain):
                raise LayoutError(_island(outer, inner))


def _touch(one: Chain, other: Chain) -> bool:
    return min(other.nearest(one.piece(index).point_at(one.piece(index).length / 2))[1] for index in range(len(one))) < 0.01


def _between(chains: list[Chain]) -> Chain:
    """Return the polygon between waters that lie apart: the corners of their hull where it leaps from one water to another."""
    hull = _hull([(point, number) for number, chain in enumerate(chains) for point in _points(chain)])
    corners = []
    for index, (point, number) in enumerate(hull):
        before, after = hull[index - 1][1], hull[(index + 1) % len(hull)][1]
        if number != before or number != after:
            corners.append(_drawn_in(point, chains[number]))
    return polyline(corners, closed=True)


def _drawn_in(point: Point, chain: Chain) -> Point:
    """Return a point of a water's edge moved `DRAWN_IN` into the water, so that no two parallels run along each other."""
    middle = np.mean(_points(chain), axis=0)
    away = np.subtract(middle, point)
    x, y = np.add(point, DRAWN_IN * away / np.hypot(*away))
    return (float(x), float(y))


def _points(chain: Chain) -> list[Point]:
    return [(float(x), float(y)) for x, y in chain.densified(1e-4)[:-1]]


def _hull(labelled: list[tuple[Point, int]]) -> list[tuple[Point, int]]:
    """Return the convex hull counter-clockwise (Andrew's monotone chain)."""
    ordered = sorted(labelled)
    halves = []
    for row in (ordered, ordered[::-1]):
        half: list[tuple[Point, int]] = []
        for item in row:
            while len(half) > 1 and _left_turn(half[-2][0], half[-1][0], item[0]) <= 0:
                half.pop()
            half.append(item)
        halves.append(half[:-1])
    return halves[0] + halves[1]


def _left_turn(a: Point, b: Point, c: Point) -> float:
    return float(np.subtract(b, a)[0] * np.subtract(c, a)[1] - np.subtract(b, a)[1] * np.subtract(c, a)[0])


def _island(outer: FittedLine, inner: FittedLine) -> Reason:
    return Reason(
        ref="island",
        what=f"the water's edge WATER{inner.line} lies inside WATER{outer.line}: an island, or one edge shot twice",
        why="a fence goes round the water from outside; what an island needs (a bridge, a second barrier) is not laid out here",
        do="take the inner edge out of the survey if it is a double, or have the island's barrier designed by itself",
    )
