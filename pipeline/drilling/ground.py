"""Where a hole may be drilled again: no nearer to joints, drains, pipes and edges than the shop allows, nor the fabric to the water."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

from pipeline.geometry.chain import Point
from pipeline.model.shop import Shop
from pipeline.model.site import FittedLine, Site

ALONG: Final = 9  # places of a bay's fabric that are tried against the water
SAME: Final = 1e-6  # [m]


def may_be_drilled(place: Point, was: Point, neighbours: Sequence[Point], site: Site, shop: Shop, least_setback: float) -> bool:
    """Say whether a hole may go from `was` to `place`: every distance is as large as the shop and the codes ask, or no smaller than it is.

    Parameters
    ----------
    place, was : Point
        [m]
    neighbours : sequence of Point
        The holes its fabric goes on to [m].
    site, shop
        What is there, and the distances the shop keeps.
    least_setback : float
        Of fabric to water [m].
    """
    asked = [(line, least) for lines, least in _kept(site, shop) for line in lines]
    ground = all(_far(line, place) >= min(least, _far(line, was)) - SAME for line, least in asked)
    spots = all(thing.outline.nearest(place)[1] >= min(_utility(shop), thing.outline.nearest(was)[1]) - SAME for thing in site.point_hazards)
    fabric = all(_fabric(place, other, site) >= min(least_setback, _fabric(was, other, site)) - SAME for other in neighbours)
    return ground and spots and fabric


def _kept(site: Site, shop: Shop) -> Iterator[tuple[Sequence[FittedLine], float]]:
    sleeve = shop.sleeve
    half = float(sleeve.bore) / 2
    yield site.decks, sleeve.edge_distance + half
    yield site.joints, sleeve.joint_distance + half
    yield site.drains, sleeve.drain_distance + half
    yield site.utilities, _utility(shop)


def _utility(shop: Shop) -> float:
    return float(shop.sleeve.utility_distance)


def _far(line: FittedLine, place: Point) -> float:
    return line.chain.nearest(place)[1]


def _fabric(one: Point, other: Point, site: Site) -> float:
    """Return the least distance of a bay's fabric to the water [m]; without bound where there is none."""
    ratios = [number / (ALONG - 1) for number in range(ALONG)]
    places = [(one[0] + ratio * (other[0] - one[0]), one[1] + ratio * (other[1] - one[1])) for ratio in ratios]
    return min((water.chain.nearest(place)[1] for water in site.waters for place in places), default=math.inf)
