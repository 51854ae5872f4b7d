"""The level surface against simulated decks whose every level is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.edge.deck_levels import deck_levels
from pipeline.edge.levels import Heights
from pipeline.geometry.chain import polyline
from pipeline.model.site import LevelSurface
from tests.truth.distances import point_to_chain
from tests.truth.outlines import kidney, rectangle, round_ended

NOISE, ROUGH = 0.003, 0.002  # [m]
W, D, DECK = 10.0, 5.0, 2.2
SEEDS = 25  # per kind of deck


def shot(water, level, random, *, spacing=0.9):
    """Places of a crew's shots round a pool, their heights, and which lie on the water's edge."""
    edge = [water.point_at(water.length * k / round(water.length / spacing)) for k in range(round(water.length / spacing))]
    deck = ring_of(water, DECK, 2.2)
    spots = ring_of(water, 1.1, 3.0)
    places = np.array([*edge, *deck, *spots])
    levels = np.array([level(tuple(place)) for place in places]) + random.normal(0, math.hypot(NOISE, ROUGH), len(places))
    return places, levels, np.arange(len(places)) < len(edge)


def ring_of(water, reach, spacing):
    count = round(water.length / spacing)
    found = []
    for k in range(count):
        (x, y), way = water.point_at(water.length * k / count), water.direction_at(water.length * k / count + 1e-6)
        place = (x + reach * math.sin(way), y - reach * math.cos(way))
        if point_to_chain(place, water) > 0.9 * reach:
            found.append(place)
    return found


def heights_of(places, levels):
    return Heights(places=places, levels=levels, sigmas=np.full(len(levels), NOISE), names=tuple(str(101 + k) for k in range(len(levels))))


def falling(water, fall=0.015, slope=(0.0, 0.0)):
    return lambda place: 30 - fall * point_to_chain(place, water) + slope[0] * place[0] + slope[1] * place[1]


DECKS = {
    "one plane": (rectangle(W, D), lambda water: falling(water, 0.0, (0.012, -0.008))),
    "falls from a rectangle": (rectangle(W, D), falling),
    "falls from round ends": (round_ended(8.0, 2.2), falling),
    "falls from a freeform": (kidney(), falling),
    "falls, and a slope across": (rectangle(W, D), lambda water: falling(water, 0.015, (0.01, 0.006))),
}


def errors_over(kind, seeds):
    water, made = DECKS[kind]
    level = made(water)
    found = []
    for seed in range(seeds):
        random = np.random.default_rng(seed)
        places, levels, coping = shot(water, level, random)
        followed = deck_levels(heights_of(places, levels), coping, [], [water], [])
        surface = LevelSurface(patches=followed.patched.patches)
        assert not followed.coping_step
        for place in ring_of(water, random.uniform(0.5, 1.5), 2.0):
            stands, sigma = surface.level(place)
            found.append((stands - level(place), sigma, random.normal(0, ROUGH)))
    return np.array(found)


@pytest.mark.parametrize("kind", DECKS)
def test_stated_sigma_is_the_scatter_about_the_true_deck(kind):
    """The true deck has its roughness: a place's own level scatters by it about the smooth one."""
    errors, sigmas, rough = errors_over(kind, SEEDS).T
    assert 0.8 <= np.sqrt(np.mean(((errors - rough) / sigmas) ** 2)) <= 1.2
    assert np.abs(errors).max() < 0.010
    assert np.median(sigmas) < 0.006


def test_a_bust_of_one_height_bends_nothing_and_is_named():
    water = rectangle(W, D)
    level = falling(water)
    for seed, row in ((0, 5), (1, 20), (2, -3)):
        places, levels, coping = shot(water, level, np.random.default_rng(seed))
        levels[row] += 0.06
        heights = heights_of(places, levels)
        followed = deck_levels(heights, coping, [], [water], [])
        assert heights.names[row] in followed.patched.set_aside
        surface = LevelSurface(patches=followed.patched.patches)
        assert max(abs(surface.level(place)[0] - level(place)) for place in ring_of(water, 0.8, 0.5)) < 0.010


def test_a_coping_above_the_deck_is_left_out_and_said():
    water = rectangle(W, D)
    level = falling(water)
    places, levels, coping = shot(water, level, np.random.default_rng(4))
    followed = deck_levels(heights_of(places, levels + 0.03 * coping), coping, [], [water], [])
    assert followed.coping_step == pytest.approx(0.03, abs=0.01)
    surface = LevelSurface(patches=followed.patched.patches)
    assert max(abs(surface.level(place)[0] - level(place)) for place in ring_of(water, 0.8, 1.0)) < 0.012


def test_a_riser_parts_the_deck_on_one_side_only():
    """A step on the south side; round the other way the deck climbs as a ramp along the whole north side."""
    water = rectangle(W, D)
    nosing = polyline([(5.0, 0.0), (5.0, -DECK)]).reversed()  # from the deck's outside to the water: the upper side has to be on the left

    def level(place):
        low = falling(water)(place)
        if place[1] < 0.5:  # the south side, its water's edge included
            return low + (0.15 if place[0] < 5.0 else 0.0)
        return low + 0.15 * min(max((W - place[0]) / W, 0.0), 1.0)

    places, levels, coping = shot(water, level, np.random.default_rng(5))
    risen = np.array([(5.0 + side * 0.01, y) for y in (-0.1, -1.0, -2.1) for side in (-1, 1)])
    risen_levels = np.array([level(tuple(place)) for place in risen])
    keep = np.abs(places[:, 0] - 5.0) > 0.02
    places, levels, coping = np.vstack([places[keep], risen]), np.r_[levels[keep], risen_levels], np.r_[coping[keep], np.zeros(6, dtype=bool)]
    surface = LevelSurface(patches=deck_levels(heights_of(places, levels), coping, [], [water], [nosing]).patched.patches)
    for y in (-0.6, -0.9, -1.5):
        for x in (4.96, 5.04, 4.3, 5.7):
            stands, sigma = surface.level((x, y))
            assert stands == pytest.approx(level((x, y)), abs=0.012)
            assert sigma < 0.008


def test_facets_leave_no_gap():
    """On a line through the network every place lies on a facet, borders included."""
    water = rectangle(W, D)
    places, levels, coping = shot(water, falling(water), np.random.default_rng(6))
    patches = deck_levels(heights_of(places, levels), coping, [], [water], []).patched.patches
    assert len(patches) > 20
    corners = [corner for patch in patches for corner in patch.region if point_to_chain(corner, water) < 1.5 and corner[1] < -0.1]
    assert corners
    for place in [*corners, *ring_of(water, 0.76, 0.1)]:
        assert any(patch.contains(place) for patch in patches[:-1]), place


def test_same_heights_same_surface():
    water = kidney()
    places, levels, coping = shot(water, falling(water), np.random.default_rng(7))
    one, other = (deck_levels(heights_of(places, levels), coping, [], [water], []) for _ in range(2))
    assert one == other
