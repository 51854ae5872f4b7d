"""Balls, gaps, heights and setbacks against closed forms, and against a ball moved on a grid in space; within 0.5 mm."""

from __future__ import annotations

import itertools
import math

import msgspec
import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.compliance.measures.gaps import Hem, gaps_of, hem_of
from pipeline.compliance.measures.height import heights_of
from pipeline.compliance.measures.openings import ball_at_wall, ball_between, ball_under
from pipeline.compliance.measures.setback import nearest_water
from pipeline.compliance.nearness import nearest_of_segment
from pipeline.compliance.standing import Post
from pipeline.geometry.chain import Chain, polyline
from pipeline.model.site import LevelSurface
from tests.made_sites import round_ended
from tests.unit.compliance.made_fences import fence_along, line_of, plane, scene_with, site_with

HALF_MILLIMETRE = 0.0005
RADIUS, TOP = 0.0127, 1.2319


def post(x: float, y: float, lean: float = 0.0, toward: float = 0.0, level: float = 0.0) -> Post:
    """A post that leans by `lean` [rad] toward the direction `toward` [rad] in plan."""
    axis = (math.sin(lean) * math.cos(toward), math.sin(lean) * math.sin(toward), math.cos(lean))
    return Post(name="H", foot=(x, y), level=level, axis=axis, sigma=0.0)


def carried_through(first: Post, last: Post, top: float) -> float:
    """Diameter of the largest ball that can be carried from one side of two posts to the other, on a grid in space.

    The room between the axes is a slab of cells that follows the posts' lean; a ball passes when cells in which its
    centre has room enough join the near side to the far one.
    """
    z = np.linspace(max(first.level, last.level), top, 121)
    axes = [np.array([one.at((level - one.level) / one.axis[2]) for level in z]) for one in (first, last)]
    share, across = np.linspace(0.0, 1.0, 201), np.linspace(-0.05, 0.05, 51)
    cells = axes[0][:, None, :] + share[None, :, None] * (axes[1] - axes[0])[:, None, :]
    cells = cells[:, :, None, :] + across[None, None, :, None] * np.array([0.0, 1.0, 0.0])
    room = np.minimum(from_axis(first, *np.moveaxis(cells, -1, 0)), from_axis(last, *np.moveaxis(cells, -1, 0))) - RADIUS
    low, high = 0.0, 0.3
    for _ in range(11):
        middle = (low + high) / 2
        names, _ = ndimage.label(room >= middle)
        passes = set(names[:, :, 0].ravel()) & set(names[:, :, -1].ravel()) - {0}
        low, high = (middle, high) if passes else (low, middle)
    return 2 * low


def from_axis(one: Post, x, y, z):
    """Distance of points from a post's axis."""
    away = np.stack([x - one.foot[0], y - one.foot[1], z - one.level], axis=-1)
    return np.linalg.norm(np.cross(away, np.asarray(one.axis)), axis=-1)


LEANS = [
    (0.0, 0.0, 0.0, 0.0),
    (0.05, -math.pi / 2, 0.05, -math.pi / 2),
    (0.05, math.pi, 0.05, 0.0),
    (0.05, 0.0, 0.05, math.pi),
    (0.05, -math.pi / 2 - 0.4, 0.05, -math.pi / 2 + 0.4),
    (0.035, 2.0, 0.052, 0.5),
    (0.0, 0.0, 0.052, -1.0),
]


@pytest.mark.parametrize("leans", LEANS)
@pytest.mark.parametrize("gap", [0.0762, 0.12, 0.2])
@pytest.mark.parametrize("step", [0.0, 0.15])
def test_ball_between_posts_against_every_place_between_their_axes(leans, gap, step):
    first, last = post(0.0, 0.0, leans[0], leans[1]), post(gap, 0.0, leans[2], leans[3], level=step)
    top = min(first.at(TOP)[2], last.at(TOP)[2])
    assert ball_between(first, last, RADIUS, TOP)[0] == pytest.approx(largest_between(first, last, step, top), abs=HALF_MILLIMETRE)


@pytest.mark.parametrize("leans", [LEANS[0], LEANS[2], LEANS[4]])
@pytest.mark.parametrize("step", [0.0, 0.15])
def test_ball_between_posts_against_a_ball_carried_through_on_a_grid(leans, step):
    """Cells of 0.4 mm along the opening: a ball found on them is too small by half a cell's diameter at most; level joints and stepped ones."""
    first, last = post(0.0, 0.0, leans[0], leans[1]), post(0.0762, 0.0, leans[2], leans[3], level=step)
    top = min(first.at(TOP)[2], last.at(TOP)[2])
    assert ball_between(first, last, RADIUS, TOP)[0] == pytest.approx(carried_through(first, last, top), abs=HALF_MILLIMETRE)


def largest_between(first: Post, last: Post, low: float, high: float) -> float:
    """Diameter of the largest ball whose centre passes the surface between the two axes, by brute force over that surface."""
    best = 0.0
    z = np.linspace(low, high, 201)
    for share in np.linspace(0.4, 0.6, 81):
        points = [np.array([one.at((level - one.level) / one.axis[2]) for level in z]) for one in (first, last)]
        centre = points[0] + share * (points[1] - points[0])
        free = np.minimum(from_axis(first, *centre.T), from_axis(last, *centre.T)) - RADIUS
        best = max(best, float(free.max()))
    return 2 * best


def test_ball_between_plumb_posts_is_their_clear_width():
    diameter, _ = ball_between(post(0.0, 0.0), post(0.0762, 0.0), RADIUS, TOP)
    assert pytest.approx(diameter, abs=1e-12) == 0.0762 - 2 * RADIUS


def test_ball_between_a_fan_is_widest_at_the_top():
    lean = math.radians(3)
    diameter, height = ball_between(post(0.0, 0.0, lean, math.pi), post(0.0762, 0.0, lean, 0.0), RADIUS, TOP)
    top = TOP * math.cos(lean)
    assert height == pytest.approx(top, abs=1e-9)
    assert diameter == pytest.approx((0.0762 + 2 * top * math.tan(lean)) * math.cos(lean) - 2 * RADIUS, abs=1e-9)


@pytest.mark.parametrize("lean", [0.0, 0.03, 0.052])
@pytest.mark.parametrize("toward", [0.0, math.pi, 1.0, -math.pi / 2])
def test_ball_at_a_wall_against_a_grid(lean, toward):
    one = post(0.11, 0.0, lean, toward)
    diameter, _ = ball_at_wall(one, (0.0, 0.0), RADIUS, TOP)
    best = 0.0
    for height in np.linspace(0.0, TOP, 801):
        axis = one.at(height / 1.0)
        x = np.linspace(0.0, axis[0], 4001)
        free = np.minimum(x, from_axis(one, x, np.full_like(x, axis[1]), np.full_like(x, axis[2])) - RADIUS)
        best = max(best, float(free.max()))
    assert diameter == pytest.approx(2 * best, abs=HALF_MILLIMETRE)


def test_ball_at_a_wall_beside_a_plumb_post_is_the_clear_width():
    diameter, _ = ball_at_wall(post(0.0381, 0.0), (0.0, 0.0), RADIUS, TOP)
    assert diameter == pytest.approx(0.0381 - RADIUS, abs=1e-12)


def hem_over(stations: list[float], gaps: list[float], rise: float = 0.0) -> Hem:
    heights = [rise * station / stations[-1] for station in stations]
    zeros = (0.0,) * len(stations)
    return Hem(stations=tuple(stations), gaps=tuple(gaps), sigmas=zeros, heights=tuple(heights), places=((0.0, 0.0),) * len(stations))


HEMS = [
    hem_over([0.0, 0.9144], [0.0127, 0.0127]),
    hem_over([0.0, 0.9144], [0.0127, 0.0127], rise=0.05),
    hem_over([0.0, 0.4, 0.9144], [0.0127, 0.06, 0.0127]),
    hem_over([0.0, 0.45, 0.450001, 0.9144], [0.0127, 0.0127, 0.13, 0.13]),
    hem_over([0.0, 0.2, 0.25, 0.3, 0.9144], [0.0127, 0.02, 0.12, 0.02, 0.0127], rise=-0.03),
]


@pytest.mark.parametrize("hem", HEMS)
def test_ball_under_a_hem_against_a_grid(hem):
    """The ball's centre over a grid of 0.25 mm in the hem's plane: as far from the hem as from the ground, ground sampled every 0.2 mm."""
    diameter, _ = ball_under(hem)
    stations, heights = np.asarray(hem.stations), np.asarray(hem.heights)
    along = np.linspace(stations[0], stations[-1], int((stations[-1] - stations[0]) / 0.0002) + 1)
    ground = np.column_stack([along, np.interp(along, stations, heights - np.asarray(hem.gaps))])
    steps = [np.column_stack([np.full(200, s), np.linspace(*sorted((h0 - g0, h1 - g1)), 200)])
             for s, s1, h0, g0, h1, g1 in zip(stations, stations[1:], heights, hem.gaps, heights[1:], hem.gaps[1:], strict=False) if abs(g0 - g1) > 0.05 and s1 - s < 1e-3]  # fmt: skip
    tree = cKDTree(np.vstack([ground, *steps]))
    direction = np.array([stations[-1] - stations[0], heights[-1] - heights[0]])
    direction /= np.linalg.norm(direction)
    x, z = np.meshgrid(np.arange(0.0, stations[-1], 0.001), np.arange((heights - np.asarray(hem.gaps)).min(), heights.max(), 0.00025))
    centres = np.column_stack([x.ravel(), z.ravel()])
    below_hem = -(centres[:, 1] - heights[0]) * direction[0] + (centres[:, 0] - stations[0]) * direction[1]
    above = centres[:, 1] > np.interp(centres[:, 0], stations, heights - np.asarray(hem.gaps))
    centres, below_hem = centres[above & (below_hem > 0)], below_hem[above & (below_hem > 0)]
    free = np.minimum(tree.query(centres)[0], below_hem)
    assert diameter == pytest.approx(2 * float(free.max()), abs=HALF_MILLIMETRE)


def test_ball_under_a_level_hem_over_a_plane_is_the_gap_square_to_the_plane():
    hem = hem_over([0.0, 0.9144], [0.05, 0.05], rise=0.09144)
    assert ball_under(hem)[0] == pytest.approx(0.05 * math.cos(math.atan(0.1)), abs=1e-9)


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.02, -0.03), (-0.05, 0.08)])
def test_ball_under_a_bay_against_a_ball_in_space(slope):
    """A deck that falls along and across the fence; the ball's centre over a grid of the fence's plane, its room taken in space."""
    scene = scene_with(site=site_with(levels=LevelSurface(patches=(plane(0.0, slope),))))
    bay = scene.fence.bays[1]
    hem, (x0, x1) = hem_of(scene, bay), (bay.first.foot[0], bay.last.foot[0])
    ends = [np.array(end.at(0.0127)) for end in (bay.first, bay.last)]
    x, z = np.meshgrid(np.linspace(x0, x1, 401), np.linspace(-0.2, 0.2, 8001))
    centres = np.stack([x, np.full_like(x, -0.762), z], axis=-1)
    over_deck = (z - slope[0] * x - slope[1] * -0.762) / math.sqrt(1 + slope[0] ** 2 + slope[1] ** 2)
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    under_hem = np.linalg.norm(np.cross(centres - ends[0], along), axis=-1)
    below = z < ends[0][2] + (x - x0) / (x1 - x0) * (ends[1][2] - ends[0][2])
    room = np.where(below, np.minimum(over_deck, under_hem), 0.0)
    assert ball_under(hem)[0] == pytest.approx(2 * float(room.max()), abs=HALF_MILLIMETRE)


def broken_deck() -> LevelSurface:
    """A deck that falls from the pool, breaks at a slanting joint, and steps up beyond another."""
    far = 40.0
    left = ((-far, -far), (0.5, -far), (1.6, far), (-far, far))
    middle = ((0.5, -far), (2.2, -far), (2.2, far), (1.6, far))
    return LevelSurface(
        patches=(
            plane(0.010, (0.012, 0.02), left),
            plane(0.000, (-0.015, 0.01), middle),
            plane(0.120, (0.004, -0.02)),
        )
    )


def deck_level(surface: LevelSurface, x: float, y: float) -> float:
    return surface.level((x, y))[0]


@pytest.mark.parametrize("strip", [0.0, 0.9144])
def test_height_over_a_broken_deck_against_a_grid(strip):
    """A grid of 1 mm along and 20 mm across the strip outside each bay."""
    surface = broken_deck()
    scene = scene_with(site=site_with(levels=surface))
    for bay in scene.fence.bays[:3]:
        least = min(reading.value for reading in heights_of(scene, bay, strip))
        x0, x1 = bay.first.foot[0], bay.last.foot[0]
        z0, z1 = deck_level(surface, *bay.first.foot), deck_level(surface, *bay.last.foot)
        found = math.inf
        for x in np.linspace(x0, x1, 915):
            top = bay.height + z0 + (x - x0) / (x1 - x0) * (z1 - z0)
            for out in np.linspace(0.0, strip, 46 if strip else 1):
                found = min(found, top - deck_level(surface, float(x), -0.762 - float(out)))
        assert least == pytest.approx(found, abs=HALF_MILLIMETRE)


def test_gap_over_a_broken_deck_against_a_grid():
    surface = broken_deck()
    scene = scene_with(site=site_with(levels=surface))
    for bay in scene.fence.bays[:3]:
        x0, x1 = bay.first.foot[0], bay.last.foot[0]
        z0, z1 = (deck_level(surface, *end.foot) + 0.0127 for end in (bay.first, bay.last))
        found = max(z0 + (x - x0) / (x1 - x0) * (z1 - z0) - deck_level(surface, float(x), -0.762) for x in np.linspace(x0, x1, 9145))
        assert max(reading.value for reading in gaps_of(scene, bay)) == pytest.approx(found, abs=HALF_MILLIMETRE)


def test_height_and_gap_on_one_plane_in_closed_form():
    """Along a plane the gap is the hem's own; outside, a rise of 1 in 50 takes 36 in / 50 off the height."""
    scene = scene_with(site=site_with(levels=LevelSurface(patches=(plane(0.0, (0.01, -0.02)),))))
    bay = scene.fence.bays[0]
    assert max(hem_of(scene, bay).gaps) == pytest.approx(0.0127, abs=1e-9)
    least = min(reading.value for reading in heights_of(scene, bay, 0.9144))
    assert least == pytest.approx(1.2192 + 0.0127 - 0.02 * 0.9144, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_shortest_way_to_lines_and_arcs_against_dense_points(seed):
    random = np.random.default_rng(seed)
    chain = round_ended(4.0, 1.5)
    start, end = (tuple(random.uniform(-4, 8, 2)) for _ in range(2))
    distance, along, station = nearest_of_segment(start, end, chain)
    segment = np.linspace(start, end, 4001)
    points = chain.densified(1e-7)
    edge = np.concatenate([np.linspace(a, b, max(2, math.ceil(math.dist(a, b) / 0.0005)), endpoint=False) for a, b in itertools.pairwise(points)])
    assert distance == pytest.approx(float(cKDTree(edge).query(segment)[0].min()), abs=HALF_MILLIMETRE)
    place = np.array(start) + along / math.dist(start, end) * (np.array(end) - np.array(start))
    assert math.dist(place, chain.point_at(station)) == pytest.approx(distance, abs=1e-9)


def test_fabric_on_an_outward_curve_is_nearer_by_the_sagitta():
    """Posts on a circle of radius R about the pool's round end, chords of c: the middle is nearer by R - sqrt(R² - c²/4)."""
    pool = Chain(((-2.0, 0.0), (2.0, 0.0)), (1.0, 1.0), True)
    radius, chord = 2.762, 0.9144
    half = math.asin(chord / 2 / radius)
    places = [(radius * math.sin(turn), -radius * math.cos(turn)) for turn in (-half, half)]
    layout = fence_along(panels=(2,))
    holes = tuple(msgspec.structs.replace(hole, east=x, north=y) for hole, (x, y) in zip(layout.holes, places, strict=True))
    scene = scene_with(site=site_with(waters=(line_of("WATER", pool),)), layout=msgspec.structs.replace(layout, holes=holes))
    assert nearest_water(scene, scene.fence.bays[0]).value == pytest.approx(math.sqrt(radius**2 - chord**2 / 4) - 2.0, abs=1e-9)


def test_segment_that_crosses_the_edge_is_no_distance_away():
    assert nearest_of_segment((0.0, -1.0), (0.0, 1.0), polyline([(-1.0, 0.0), (1.0, 0.0)]))[0] == pytest.approx(0.0, abs=1e-12)
    assert nearest_of_segment((-3.0, 0.1), (3.0, 0.1), round_ended(1.0, 1.0))[0] == pytest.approx(0.0, abs=1e-12)


def test_a_corner_is_as_uncertain_in_a_direction_as_the_two_sides_that_meet_there():
    """Sides known to 1 mm and 3 mm meet square: across either it is that side's, half-way between them sqrt((1 + 9) / 2) mm; against 100,000 throws."""
    corner = polyline([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)], closed=True)
    line = msgspec.structs.replace(
        line_of("WATER", corner), sigma_stations=(0.0, 1.0, 2.0, 3.0, 4.0), sigma_normals=(0.001, 0.001, 0.003, 0.003, 0.001)
    )
    diagonal = (math.sqrt(0.5), -math.sqrt(0.5))
    assert line.sigma_toward(2.0, (0.0, -1.0)) == pytest.approx(0.001, rel=1e-3)
    assert line.sigma_toward(2.0, (1.0, 0.0)) == pytest.approx(0.003, rel=1e-3)
    assert line.sigma_toward(1.0, diagonal) == pytest.approx(0.001, rel=1e-3)
    thrown = np.random.default_rng(8).normal(size=(100_000, 2)) * (0.003, 0.001)
    assert line.sigma_toward(2.0, diagonal) == pytest.approx(float(np.std(thrown @ np.array(diagonal))), rel=0.01)
