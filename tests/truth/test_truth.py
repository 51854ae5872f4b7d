"""The truth is held against closed forms and another library, before anything is held against it."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from shapely.geometry import LineString, Polygon

from tests.truth import distances, outlines
from tests.truth.instruments import Noise, degrees_minutes_seconds, feet_and_inches
from tests.truth.sites import all_sites
from tests.truth.survey_files import US_FOOT, grid_to_ground, ground_to_grid


@pytest.mark.outside(source="shapely (GEOS), polygons of 1 µm tolerance", compares="chord to chain, 600 random chords", tolerance="3 µm")
def test_chord_to_chain_agrees_with_another_library():
    source = random.Random(1)
    wide = outlines.belt([(0, 0, 2.0), (4, 0.5, 0.6)])  # one arc of more than half a circle
    for chain in (*outlines.random_outlines(7), outlines.roman_end(9, 4, 1.2), outlines.kidney(), wide):
        edge = LineString(chain.densified(1e-6))
        x0, y0, x1, y1 = edge.bounds
        for _ in range(60):
            start = (source.uniform(x0 - 2, x1 + 2), source.uniform(y0 - 2, y1 + 2))
            heading = source.uniform(0, 2 * math.pi)
            end = (start[0] + math.cos(heading), start[1] + math.sin(heading))
            assert distances.chord_to_chain(start, end, chain) == pytest.approx(edge.distance(LineString([start, end])), abs=3e-6)


def test_a_round_end_has_the_length_and_area_of_the_textbook():
    chain = outlines.round_ended(12.0, 2.25)
    assert chain.length == pytest.approx(24.0 + 2 * math.pi * 2.25, abs=1e-12)
    assert chain.area() == pytest.approx(12.0 * 4.5 + math.pi * 2.25**2, abs=1e-12)


def test_belts_are_smooth_simple_and_counter_clockwise():
    for chain in (*outlines.random_outlines(), outlines.kidney(), outlines.long_line()):
        assert Polygon(chain.densified(1e-3)).is_valid
        assert chain.area() > 0
        for before, after in itertools.pairwise([chain.piece(len(chain) - 1), *chain.pieces()]):
            assert before.end == after.start


def test_the_kidney_bends_inward_once():
    assert sum(bulge < 0 for bulge in outlines.kidney().bulges) == 1


def test_some_random_outlines_have_corners_and_some_inward_bends():
    chains = outlines.random_outlines()
    assert len(chains) == 38
    assert sum(all(bulge == 0 for bulge in chain.bulges) for chain in chains) >= 5
    assert sum(any(bulge < 0 for bulge in chain.bulges) for chain in chains) >= 5


def test_the_long_line_is_long():
    assert outlines.long_line(150.0).length == pytest.approx(150.0, abs=0.1)


def test_noise_has_the_spread_it_was_asked_for():
    """20,000 draws: the standard deviation is known to 1/sqrt(40,000) = 0.5 %, five of those allowed."""
    noise = Noise(3)
    draws = [noise.normal(0.003) for _ in range(20_000)]
    assert math.sqrt(sum(draw**2 for draw in draws) / len(draws)) == pytest.approx(0.003, rel=0.025)


def test_a_tape_is_read_to_sixteenths():
    assert feet_and_inches((12 * 12 + 3.5) * 0.0254) == "12' 3-1/2\""
    assert feet_and_inches(-0.375 * 0.0254) == '-3/8"'
    assert feet_and_inches(24 * 0.0254) == "2' 0\""


def test_angles_are_written_in_degrees_minutes_seconds():
    assert degrees_minutes_seconds(math.radians(-0.5)) == "359-30-00.0"
    assert degrees_minutes_seconds(math.radians(59.9999999)) == "060-00-00.0"


def test_the_grid_and_the_ground_go_to_and_fro():
    to_grid, to_ground = ground_to_grid(), grid_to_ground()
    east, north, height = to_grid(12.3, -7.7, 3106.0)
    assert to_ground(east, north, height * US_FOOT) == pytest.approx((12.3, -7.7), abs=1e-6)


@pytest.mark.parametrize("site", all_sites(), ids=lambda site: site.name)
def test_shots_lie_where_their_instrument_can_have_put_them(site):
    """Noise of 3 mm: nothing but the one blunder lies farther than 5 sigma from its true place, and water shots lie on the true water."""
    for shot in site.shots:
        off = max(abs(one - other) for one, other in zip(shot.true, shot.measured, strict=True))
        assert (off > 0.015) == (shot.number == site.blunder), shot
        if shot.description.split()[0].rstrip("0123456789") in {"WATER", "EW"}:
            assert min(distances.point_to_chain(shot.true[:2], water) for water in site.waters) < 1e-9
