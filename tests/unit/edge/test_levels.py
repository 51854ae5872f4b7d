"""The deck's level as plane patches."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.edge.levels import Cut, Heights, patches_of
from pipeline.model.site import LevelSurface


def heights(places, levels, noise=0.004, seed=0):
    places = np.asarray(places, dtype=float)
    return Heights(
        places=places,
        levels=np.asarray(levels, dtype=float) + np.random.default_rng(seed).normal(0, noise, len(places)),
        sigmas=np.full(len(places), max(noise, 1e-4)),
        names=tuple(str(101 + k) for k in range(len(places))),
    )


def scattered(count, seed=1, box=5.0):
    return np.random.default_rng(seed).uniform(-box, box, (count, 2))


def surface(found):
    return LevelSurface(patches=found.patches)


def test_one_plane_comes_back_with_its_slopes():
    places = scattered(25)
    found = patches_of(heights(places, 30 + 0.015 * places[:, 0] - 0.01 * places[:, 1]), [])
    level, sigma = surface(found).level((1.0, 2.0))
    assert level == pytest.approx(30 + 0.015 - 0.02, abs=0.006)
    assert 0.001 < sigma < 0.006
    assert found.patches[-1].region == ()


def test_no_heights_no_patches():
    assert patches_of(heights(np.zeros((0, 2)), []), []).patches == ()


def test_one_height_is_a_level_with_a_wide_slope():
    found = surface(patches_of(heights([[0, 0]], [12.0], noise=1e-4), []))
    near, far = found.level((0.0, 0.0)), found.level((10.0, 0.0))
    assert near[0] == pytest.approx(12.0, abs=0.001)
    assert far[1] > 0.15  # two per cent of ten metres, not known


def test_a_riser_parts_two_planes_and_no_plane_runs_over_it():
    places = scattered(40)
    high = places[:, 0] > 1
    found = patches_of(heights(places, np.where(high, 30.18, 30.0)), [Cut(place=(1.0, 0.0), direction=-math.pi / 2, always=True)])
    assert surface(found).level((0.9, 0.0))[0] == pytest.approx(30.0, abs=0.008)
    assert surface(found).level((1.1, 0.0))[0] == pytest.approx(30.18, abs=0.008)


def test_three_treads_with_two_heights_each_share_the_slope():
    places, levels = [], []
    for tread in range(4):
        for y in (-2.0, 2.0):
            places.append((tread * 0.35 + 0.17, y))
            levels.append(30 + 0.15 * tread + 0.01 * y)
    cuts = [Cut(place=(0.35 * k, 0.0), direction=-math.pi / 2, always=True) for k in (1, 2, 3)]
    found = surface(patches_of(heights(places, levels, noise=0.002), cuts))
    for tread in range(4):
        assert found.level((tread * 0.35 + 0.1, 1.0))[0] == pytest.approx(30 + 0.15 * tread + 0.01, abs=0.012)


def test_a_joint_parts_planes_only_where_heights_say_so():
    places = scattered(40)
    joint = Cut(place=(0.0, 0.0), direction=math.pi / 2, always=False)
    flat = patches_of(heights(places, np.full(40, 30.0)), [joint])
    roof = patches_of(heights(places, 30 - 0.02 * np.abs(places[:, 0])), [joint])
    assert len(flat.patches) == 1
    assert len(roof.patches) == 3  # both sides, and the one without limits
    assert surface(roof).level((3.0, 0.0))[0] == pytest.approx(30 - 0.06, abs=0.008)


def test_a_height_off_the_plane_is_set_aside_and_named():
    places = scattered(15)
    levels = np.full(15, 30.0)
    levels[4] += 0.30  # a rod height read wrong
    found = patches_of(heights(places, levels), [])
    assert found.set_aside == ("105",)
    assert surface(found).level((0.0, 0.0))[0] == pytest.approx(30.0, abs=0.006)


def test_stated_sigma_of_a_level_is_the_scatter_of_one_place():
    """Level of the deck at a place, roughness included, over many surveys with 4 mm heights."""
    places = scattered(12)
    found, sigmas = [], []
    for seed in range(150):
        level, sigma = surface(patches_of(heights(places, np.full(12, 30.0), seed=seed), [])).level((4.0, 4.0))
        found.append(level)
        sigmas.append(sigma)
    assert np.std(found) < np.mean(sigmas) < 2.2 * np.std(found)
