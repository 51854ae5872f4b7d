"""Differences of levels over a network of facets: as uncertain as the one adjustment behind all facets says, and as they truly scatter."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.artifacts import encode
from pipeline.compliance.ground import Ground
from pipeline.edge.deck_levels import deck_levels
from pipeline.geometry.planes import PlanePatch
from pipeline.model.site import LevelSurface, Site, joint_levels
from tests.made_sites import rectangle, site_of
from tests.unit.compliance.made_fences import plane
from tests.unit.edge.test_levels_follow import D, W, falling, heights_of, shot

WATER = rectangle(W, D)
BAYS = [  # two posts and a place outside between them [m]
    ((2.0, -0.76), (2.9, -0.76), (2.45, -0.76)),
    ((2.0, -0.76), (2.9, -0.76), (2.45, -1.67)),
    ((W + 0.76, 2.0), (W + 0.76, 2.9), (W + 1.2, 2.3)),
    ((-0.76, -0.3), (-0.3, -0.76), (-0.9, -0.9)),
]


def surface_of(seed: int) -> LevelSurface:
    places, levels, coping = shot(WATER, falling(WATER), np.random.default_rng(seed))
    patched = deck_levels(heights_of(places, levels), coping, [], [WATER], []).patched
    return LevelSurface(patches=patched.patches, joint=patched.joint)


SURFACE = surface_of(0)


def without_roughness(surface: LevelSurface) -> LevelSurface:
    return msgspec.structs.replace(surface, patches=tuple(msgspec.structs.replace(patch, sigma=0.0) for patch in surface.patches))


def nodes_row(surface: LevelSurface, place) -> np.ndarray:
    """Weights of the nodes' levels at a place, by areas: independent of how the compliance stage has them."""
    patch = next(patch for patch in surface.patches if patch.contains(place))
    a, b, c = (np.array(corner) for corner in patch.region)
    area = lambda p, q, r: (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])  # noqa: E731  # one line of arithmetic
    p, row = np.array(place), np.zeros(surface.joint.count)
    row[list(patch.nodes)] = np.array([area(p, b, c), area(a, p, c), area(a, b, p)]) / area(a, b, c)
    return row


@pytest.mark.parametrize("bay", BAYS)
def test_variance_of_a_difference_is_that_of_the_whole_adjustment(bay):
    surface = without_roughness(SURFACE)
    factor = surface.joint.rows()
    row = (nodes_row(surface, bay[0]) + nodes_row(surface, bay[1])) / 2 - nodes_row(surface, bay[2])
    _, sigma = Ground(surface).weighted([(0.5, bay[0]), (0.5, bay[1]), (-1.0, bay[2])])
    assert sigma == pytest.approx(math.sqrt(row @ factor @ factor.T @ row), abs=2e-6)


def test_one_place_is_as_uncertain_as_its_own_patch_says():
    ground = Ground(SURFACE)
    for _, _, place in BAYS:
        assert ground.weighted([(1.0, place)]) == pytest.approx(SURFACE.level(place), abs=2e-5)


def test_neighbouring_facets_are_not_independent():
    """Across the border of two facets nothing jumps, so that a difference over it is nearly sure; taken by themselves they would leave 2 mm."""
    surface = without_roughness(SURFACE)
    alone = LevelSurface(patches=tuple(msgspec.structs.replace(patch, nodes=()) for patch in surface.patches))
    patch = next(patch for patch in surface.patches if patch.contains((2.45, -1.2)))
    (x0, y0), (x1, y1) = patch.region[0], patch.region[1]
    middle, across = ((x0 + x1) / 2, (y0 + y1) / 2), math.atan2(x1 - x0, y0 - y1)
    pair = [(middle[0] + side * 1e-4 * math.cos(across), middle[1] + side * 1e-4 * math.sin(across)) for side in (-1, 1)]
    terms = [(1.0, pair[0]), (-1.0, pair[1])]
    assert Ground(surface).weighted(terms)[1] < 5e-5
    assert Ground(alone).weighted(terms)[1] > 5e-4


def test_stated_sigma_of_height_differences_is_their_scatter_about_the_truth():
    """30 surveys of a deck that falls away from the pool: the errors of the differences over their stated sigmas, all together."""
    level, found = falling(WATER), []
    for seed in range(30):
        ground = Ground(without_roughness(surface_of(seed)))
        for first, last, place in BAYS:
            value, sigma = ground.weighted([(0.5, first), (0.5, last), (-1.0, place)])
            found.append((value - (level(first) + level(last)) / 2 + level(place), sigma))
    errors, sigmas = np.array(found).T
    assert np.sqrt(np.mean(errors**2)) < 0.0015
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(np.sqrt(np.mean(sigmas**2)), abs=0.0006)


def test_the_joint_record_survives_the_artifact_and_is_small():
    site = site_of(WATER, levels=SURFACE)
    written = encode(site)
    assert msgspec.json.decode(written, type=Site) == site
    assert len(written) - len(encode(site_of(WATER, levels=msgspec.structs.replace(SURFACE, joint=None)))) < 20_000


def test_a_covariance_stiff_but_for_rounding_has_a_factor():
    row = np.array([1.0, 1.0, 1.0])
    stiff = 1e-6 * np.outer(row, row)
    factor = joint_levels(stiff).rows()
    assert factor @ factor.T == pytest.approx(stiff, abs=1e-9)


def test_patches_of_one_plane_share_its_errors():
    """The patch without limits that repeats a cell's plane is as sure against that cell as the cell against itself."""
    half = ((-9.0, -9.0), (0.0, -9.0), (0.0, 9.0), (-9.0, 9.0))
    ground = Ground(LevelSurface(patches=(plane(1.0, (0.01, 0.0), half, roughness=0.0), plane(1.0, (0.01, 0.0), roughness=0.0))))
    other = Ground(LevelSurface(patches=(plane(1.0, (0.01, 0.0), half, roughness=0.0), plane(1.1, (0.01, 0.0), roughness=0.0))))
    terms = [(1.0, (-1.0, 0.0)), (-1.0, (1.0, 0.0))]
    assert ground.weighted(terms)[1] == pytest.approx(2e-4, rel=1e-6)
    assert other.weighted(terms)[1] > 1e-3


def test_places_are_found_on_the_patch_that_holds_them_first():
    low = PlanePatch(
        region=((0.0, 0.0), (3.0, 0.0), (3.0, 3.0), (0.0, 3.0)), origin=(0.0, 0.0), coefficients=(1.0, 0.0, 0.0), covariance=(0.0,) * 9, sigma=0.0
    )
    wide = msgspec.structs.replace(low, region=(), coefficients=(2.0, 0.0, 0.0))
    surface = LevelSurface(patches=(low, wide))
    ground = Ground(surface)
    for place in [(x / 2 - 1.25, y / 2 - 1.25) for x in range(12) for y in range(12)]:
        assert ground.level(place) == surface.level(place)[0]
