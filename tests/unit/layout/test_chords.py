"""Chords, arcs, offsets and leans against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry.chain import Chain, polyline
from pipeline.geometry.offset import contains, offset_inward, offset_outward, with_bays_rounded
from pipeline.intake.resolve import default_job
from pipeline.layout.chords import fan_opening, hole_setback, lean_for, post_rotation, post_stiffness, sagitta
from pipeline.layout.grid import step_for
from pipeline.layout.line import fitted_chain
from pipeline.layout.nearness import chord_clearances, distances_to
from pipeline.layout.records import latch_height
from pipeline.layout.walk import walk_of
from tests.made_sites import rectangle, round_ended
from tests.truth.distances import chord_to_chain, point_to_chain

POST = default_job().shop.post
CIRCLE = Chain(((-3.0, 0.0), (3.0, 0.0)), (1.0, 1.0), True)
KIDNEY = Chain(((0.0, 0.0), (2.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)), (0.3, -0.5, 1.0, 0.0, 1.0), True)


@pytest.mark.parametrize(("radius", "chord"), [(2.0, 0.9144), (5.0, 0.9144), (3.0, 3.0)])
def test_sagitta_of_a_chord_on_its_circle(radius, chord):
    half_angle = math.asin(chord / 2 / radius)
    assert sagitta(chord, radius) == pytest.approx(radius * (1 - math.cos(half_angle)), abs=1e-12)
    assert sagitta(chord, radius) == pytest.approx(chord**2 / 8 / radius, rel=0.1)


@pytest.mark.parametrize("radius", [0.0, 0.5, 3.0, 40.0])
def test_a_chord_between_holes_at_the_hole_setback_keeps_the_fabrics(radius):
    away = radius + hole_setback(0.762, 0.9144, radius)
    assert away - sagitta(0.9144, away) == pytest.approx(radius + 0.762, abs=1e-12)


def test_opening_of_a_fan_of_posts_is_the_mean_over_the_height():
    height, lean, radius = 1.2192, math.radians(2.5), 3.0
    heights = (np.arange(1000) + 0.5) / 1000 * height
    mean = np.mean((radius + heights * math.sin(lean)) / radius) - 1
    assert fan_opening(height, lean, radius) == pytest.approx(mean, rel=1e-6)


def test_a_post_under_load_by_integrating_its_bending_line():
    """Euler-Bernoulli cantilever under an even load, integrated in 2000 steps: tip deflection over height."""
    height, turn = 1.2192, math.radians(30.0)
    load = 2 * POST.tension * math.sin(turn / 2) / height
    z = (np.arange(2000) + 0.5) / 2000 * height
    curvature = load * (height - z) ** 2 / 2 / post_stiffness(POST)
    slope = np.cumsum(curvature) * height / 2000
    assert float(post_rotation(turn, height, POST)) == pytest.approx(slope.sum() * height / 2000 / height, rel=1e-3)


def test_lean_is_plumb_then_continuous_then_within_the_shops_limits():
    turns = np.radians(np.linspace(0.0, 60.0, 6001))
    leans = np.degrees(lean_for(turns, 1.2192, POST))
    assert (leans[turns <= math.radians(1.0)] == 0.0).all()
    assert np.abs(np.diff(leans)).max() < 0.02  # 0.01 degree of turn never moves the lean by more
    assert leans[turns >= math.radians(4.0)].min() >= 2.0 - 1e-9
    assert leans.max() <= 3.0 + 1e-9


@pytest.mark.parametrize("distance", [0.1, 0.762, 2.0])
def test_a_parallel_is_longer_by_two_pi_times_its_distance(distance):
    for outline in (CIRCLE, round_ended(6.0, 2.0), rectangle(8.0, 4.0)):
        (found,) = offset_outward([outline], distance)
        assert found.length == pytest.approx(outline.length + 2 * math.pi * distance, abs=1e-9)
        assert found.area() == pytest.approx(outline.area() + outline.length * distance + math.pi * distance**2, abs=1e-9)


def test_inward_undoes_outward_on_a_round_outline():
    (outer,) = offset_outward([round_ended(6.0, 2.0)], 0.5)
    (inner,) = offset_inward(outer, 0.5)
    assert inner.length == pytest.approx(round_ended(6.0, 2.0).length, abs=1e-9)


def test_every_place_of_a_parallel_lies_at_its_distance():
    for outline in (KIDNEY, rectangle(8.0, 4.0)):
        (found,) = offset_outward([outline], 0.762)
        for station in np.linspace(0.0, found.length, 200, endpoint=False):
            assert outline.nearest(found.point_at(float(station)))[1] == pytest.approx(0.762, abs=1e-6)


def test_bays_are_rounded_and_the_rest_left():
    ell = polyline([(0, 0), (10, 0), (10, 4), (5, 4), (5, 8), (0, 8)], closed=True)
    rounded = with_bays_rounded(ell, 0.5)
    assert ell.length - rounded.length == pytest.approx(2 * 0.5 - 0.5 * math.pi / 2, abs=1e-6)  # one corner cut by an arc
    assert with_bays_rounded(rectangle(8.0, 4.0), 0.5) == rectangle(8.0, 4.0)


def test_inside_of_arcs():
    assert contains(KIDNEY, (2.0, 2.0))
    assert not contains(KIDNEY, (3.0, 0.1))  # in the inward bend's hollow
    assert contains(KIDNEY, (5.9, 2.0))
    assert not contains(KIDNEY, (6.1, 2.0))


def test_a_walk_is_its_chain():
    walk = walk_of(KIDNEY)
    stations = np.linspace(-5.0, 2 * KIDNEY.length, 300)
    places = walk.places(stations)
    for station, place in zip(stations, places, strict=True):
        assert math.dist(place, KIDNEY.point_at(float(station))) < 1e-9
    assert walk.lap_turn == pytest.approx(2 * math.pi)
    ahead = walk.station_at_chord(stations, 0.9144, ahead=True)
    assert walk.chord(stations, ahead) == pytest.approx(np.full(300, 0.9144), abs=1e-8)


def test_distances_by_a_second_method():
    source = np.random.default_rng(4)
    starts, ends = source.uniform(-3, 8, (60, 2)), source.uniform(-3, 8, (60, 2))
    assert distances_to(starts, KIDNEY) == pytest.approx([point_to_chain(tuple(point), KIDNEY) for point in starts], abs=1e-12)
    clear = chord_clearances(starts, ends, KIDNEY)
    exact = [chord_to_chain(tuple(one), tuple(other), KIDNEY) for one, other in zip(starts, ends, strict=True)]
    apart = np.array(exact) > 0.05  # a chord that crosses the edge is no fabric
    assert clear[apart] == pytest.approx(np.array(exact)[apart], abs=2e-3)


def test_a_chain_is_fitted_to_its_own_samples():
    walk = walk_of(round_ended(6.0, 2.0))
    samples = walk.places(np.concatenate([walk.starts[k] + np.arange(80) / 80 * (walk.starts[k + 1] - walk.starts[k]) for k in range(4)]))
    found = fitted_chain(samples, closed=True)
    assert found.length == pytest.approx(walk.length, abs=2e-5)  # pieces end at samples, a hair beside the chain's own joints
    assert len(found) <= 8


def test_the_grids_step_divides_spacing_and_joint():
    for spacing, joint in ((0.9144, 0.0762), (0.9, 0.075), (1.0, 0.08)):
        step = step_for(spacing, joint)
        assert spacing / step == pytest.approx(round(spacing / step), abs=1e-6)
        assert joint / step == pytest.approx(round(joint / step), abs=1e-6)
        assert 0.0007 < step <= 0.0254 / 16 + 1e-9


@pytest.mark.parametrize(("rise", "height"), [(0.0, 46.0), (6.0, 46.0), (7.0, 45.0), (-7.5, 45.5)])
def test_latch_of_a_stepped_joint_hangs_in_the_two_highest_level_holes(rise, height):
    """By hand, in inches: holes every 2 in from 46 in down; a step of 7 in puts the other post's at 53, 51 ... 47 and 45."""
    inch = 0.0254
    assert latch_height(46 * inch, 2 * inch, rise * inch) / inch == pytest.approx(height, abs=1e-9)
