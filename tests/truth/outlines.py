"""True outlines of water, in metres: the shapes the samples were surveyed from, and bigger ones for stress.

Every outline is a *belt*: straight tangents and arcs round a row of circles, so that one rule makes
corners (radius 0), rounded corners, round ends and inward bends alike.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from pipeline.geometry.chain import Chain, Point

FOOT = 0.3048  # [m] exact

Circle = tuple[float, float, float]  # centre x, centre y, radius [m]; a radius below 0 is rounded the other way (inward bend)


def belt(circles: Sequence[Circle]) -> Chain:
    """The closed chain, tangent to each circle in turn, counter-clockwise round those with a positive radius.

    The tangent from circle i to j has the direction d with left normal n for which (cj - ci) . n = rj - ri, radii signed.
    """
    headings = [_tangent(one, other) for one, other in zip(circles, [*circles[1:], circles[0]], strict=True)]
    vertices: list[Point] = []
    bulges: list[float] = []
    for index, (x, y, radius) in enumerate(circles):
        arriving, leaving = headings[index - 1], headings[index]
        if radius == 0.0:
            vertices.append((x, y))
            bulges.append(0.0)
            continue
        sweep = (leaving - arriving) % (2 * math.pi) if radius > 0 else -((arriving - leaving) % (2 * math.pi))
        vertices += [_touch(x, y, radius, arriving), _touch(x, y, radius, leaving)]
        bulges += [math.tan(sweep / 4), 0.0]
    return Chain(tuple(vertices), tuple(bulges), True)


def _tangent(one: Circle, other: Circle) -> float:
    dx, dy = other[0] - one[0], other[1] - one[1]
    return math.atan2(dy, dx) - math.asin((other[2] - one[2]) / math.hypot(dx, dy))


def _touch(x: float, y: float, radius: float, heading: float) -> Point:
    return (x + radius * math.sin(heading), y - radius * math.cos(heading))


def rectangle(width: float, depth: float, radius: float = 0.0, x: float = 0.0, y: float = 0.0) -> Chain:
    """A rectangle with its south-west corner at (x, y) and corners of one radius."""
    r = radius
    return belt([(x + r, y + r, r), (x + width - r, y + r, r), (x + width - r, y + depth - r, r), (x + r, y + depth - r, r)])


def round_ended(straight: float, radius: float) -> Chain:
    """Two straight sides joined by half circles; the straights start at x = 0, the axis is y = 0."""
    return belt([(0.0, 0.0, radius), (straight, 0.0, radius)])


def circle(x: float, y: float, radius: float) -> Chain:
    """A full circle in two halves."""
    return Chain(((x - radius, y), (x + radius, y)), (1.0, 1.0), True)


def corners(*points: Point) -> Chain:
    """A polygon with true corners."""
    return belt([(x, y, 0.0) for x, y in points])


def l_shape(long: float, wide: float, leg: float, leg_wide: float) -> Chain:
    """An L: `long` by `wide` along x, with a leg going up at its west end."""
    return corners((0, 0), (long, 0), (long, wide), (leg_wide, wide), (leg_wide, leg), (0, leg))


def cut_corners(width: float, depth: float, cut: float) -> Chain:
    """A rectangle whose corners are cut at 45 degrees."""
    w, d, c = width, depth, cut
    return corners((c, 0), (w - c, 0), (w, c), (w, d - c), (w - c, d), (c, d), (0, d - c), (0, c))


def roman_end(width: float, depth: float, radius: float) -> Chain:
    """A rectangle with a half-round bay, smaller than the side, on its east end."""
    low, high = depth / 2 - radius, depth / 2 + radius
    points = ((0.0, 0.0), (width, 0.0), (width, low), (width, high), (width, depth), (0.0, depth))
    return Chain(points, (0.0, 0.0, 1.0, 0.0, 0.0, 0.0), True)


def kidney() -> Chain:
    """A freeform pool, about 36 by 20 ft, with one inward bend on its south side."""
    f = FOOT
    return belt([(9 * f, 9 * f, 8 * f), (19 * f, -6.05 * f, -10 * f), (29.5 * f, 8 * f, 7 * f), (24 * f, 13 * f, 6 * f), (12 * f, 11 * f, 8.5 * f)])


def moved(chain: Chain, angle: float, east: float = 0.0, north: float = 0.0) -> Chain:
    """The chain turned by `angle` [rad] about the origin, then shifted [m]."""
    return Chain(tuple(moved_point(point, angle, east, north) for point in chain.vertices), chain.bulges, chain.closed)


def moved_point(point: Point, angle: float, east: float = 0.0, north: float = 0.0) -> Point:
    """The point turned by `angle` [rad] about the origin, then shifted [m]."""
    cosine, sine = math.cos(angle), math.sin(angle)
    return (east + point[0] * cosine - point[1] * sine, north + point[0] * sine + point[1] * cosine)


def mirrored(chain: Chain) -> Chain:
    """The chain seen in a mirror along the north axis, counter-clockwise again."""
    flipped = Chain(tuple((-x, y) for x, y in chain.vertices), tuple(-bulge for bulge in chain.bulges), chain.closed)
    return flipped.reversed()


def random_outlines(count: int = 38, seed: int = 20261125) -> tuple[Chain, ...]:
    """`count` plausible pools: star-shaped belts of 3 to 9 circles, some corners, some inward bends, 5 to 16 m long.

    Inward bends keep a radius of at least 2 m, so that a fence at the usual setback can follow every one of them.
    """
    source = random.Random(seed)
    found: list[Chain] = []
    while len(found) < count:
        chain = _star(source)
        if chain is not None:
            found.append(moved(chain, source.uniform(0, 2 * math.pi), source.uniform(-50, 50), source.uniform(-50, 50)))
    return tuple(found)


def _star(source: random.Random) -> Chain | None:
    """One random belt; None when its circles cannot be belted or it is no simple pool."""
    number = source.randint(3, 9)
    size, stretch = source.uniform(2.2, 4.0), source.uniform(1.0, 2.0)
    sharp = source.random() < 0.3
    circles: list[Circle] = []
    for index in range(number):
        around = 2 * math.pi * (index + source.uniform(-0.25, 0.25)) / number
        reach = size * source.uniform(0.75, 1.15)
        radius = 0.0 if sharp else source.uniform(0.3, 1.0) * size / 2
        circles.append((stretch * reach * math.cos(around), reach * math.sin(around), radius))
    if not sharp and source.random() < 0.6:
        circles.insert(1, _dent(circles[0], circles[1], source.uniform(2.0, 4.0), source.uniform(0.2, 0.8)))
    try:
        chain = belt(circles)
    except ValueError:  # one circle inside another: no common tangent
        return None
    return chain if _plausible(chain) else None


def _dent(one: Circle, other: Circle, bend: float, dip: float) -> Circle:
    """A circle outside the pool whose arc bends the side between two circles in by about `dip` [m]."""
    length = math.dist(one[:2], other[:2])
    out = ((other[1] - one[1]) / length, -(other[0] - one[0]) / length)
    reach = (one[2] + other[2]) / 2 - dip + bend
    return ((one[0] + other[0]) / 2 + out[0] * reach, (one[1] + other[1]) / 2 + out[1] * reach, -bend)


def _plausible(chain: Chain) -> bool:
    """A simple loop, turning once, without slivers, of a pool's size."""
    from shapely.geometry import Polygon

    if any(piece.length < 0.3 for piece in chain.pieces()) or any(abs(piece.sweep) > math.pi * 1.2 for piece in chain.pieces()):
        return False
    outline = chain.densified(0.001)
    shape = Polygon(outline)
    # a narrow waist or inlet would have the fence at both sides of it at once: shrink and grow must each leave one piece without a hole
    grown = shape.buffer(1.0)
    simple = shape.is_valid and chain.area() > 0 and shape.buffer(-0.6).geom_type == "Polygon" and not grown.interiors
    return simple and 12.0 <= shape.area <= 120.0


def long_line(length: float = 150.0) -> Chain:
    """A lap pool whose edge is `length` [m] long, with a gentle inward bend on one side: a fence of about 150 m and more."""
    radius, bend = 3.0, 60.0
    straight = (length - 2 * math.pi * radius) / 2
    half = straight / 2
    dip = 0.9  # [m] how far the south side bends in
    return belt([(-half, 0.0, radius), (0.0, -bend - radius + dip, -bend), (half, 0.0, radius)])
