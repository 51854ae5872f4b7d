"""Conditions that may not hold, corner shots, and the standard deviation beside corners."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.edge.fit import stations_of
from pipeline.edge.hypotheses import _meant
from pipeline.edge.lines import record
from pipeline.edge.shots import Line
from pipeline.geometry.chain import polyline
from pipeline.geometry.chain_adjustment import Tie
from tests.benchmarks.edge_truth import SHAPES, errors, even_stations, shoot, shots_at


def fitted(shots):
    built = as_built(shots, closed=True, arcs=True)
    return built, record(Line(code="WATER", line="", points=(), closed=True), built)


@pytest.mark.parametrize("off", [0.0, 0.7])
def test_sigmas_hold_on_square_pools_and_on_pools_not_quite_square(off):
    """A short side 0 or 0.7 degrees off square, four shots on it: over 20 surveys the normalised errors stay about one (eight numbers each: +- 0.05)."""
    lean = 1.2 * math.tan(math.radians(off))
    truth = polyline([(0, 0), (6, 0), (6 + lean, 1.2), (0, 1.2)], closed=True)
    stations, normed = even_stations(truth, 80), []
    for seed in range(20):
        built, line = fitted(shoot(truth, 0.6, 0.004, np.random.default_rng([seed, 3])).shots)
        if len(built.shape.chain) == 4:
            sigmas = np.array([line.sigma_at(line.chain.nearest(truth.point_at(station))[0]) for station in stations])
            normed.append(np.mean((errors(truth, line.chain, stations) / sigmas) ** 2))
    assert len(normed) >= 18
    assert math.sqrt(np.mean(normed)) == pytest.approx(1.0, abs=0.2)


def test_a_likely_condition_is_told_with_its_test():
    built, _ = fitted(shoot(polyline([(0, 0), (8, 0), (8, 4), (0, 4)], closed=True), 0.6, 0.004, np.random.default_rng(1)).shots)
    assert all("taken: test" in note or "not taken" in note for note in built.notes)
    assert all(0 < tie.doubt < 0.05 for tie in built.shape.fit.ties)


def with_shot_near_corner(turn: float, away: float, noise: float):
    """A polygon with one corner that turns by `turn` [degrees], and a shot `away` [m] before it along its side."""
    t = math.radians(turn)
    corners = [(0, 0), (5, 0), (5 + 5 * math.cos(t), 5 * math.sin(t)), (5 + 5 * math.cos(t), 8), (0, 8)]
    truth = polyline(corners, closed=True)
    stations = [s for s in np.arange(0.25, truth.length, 0.5) if abs(s - 5) > 0.3]
    points = np.array([truth.point_at(s) for s in sorted([*stations, 5 - away])])
    return shots_at(points + np.random.default_rng(4).normal(0, noise, points.shape), noise)


def test_a_shot_at_a_clear_corner_holds_both_sides():
    built, _ = fitted(with_shot_near_corner(70, 0.0, 0.001))
    assert (built.shape.sightings.corners >= 0).sum() == 1


def test_a_shot_beside_a_blunt_corner_is_no_corner_shot():
    """Where the sides meet at 17 degrees the corner is known along them to centimetres: a shot 3 cm before it may be anywhere there."""
    built, _ = fitted(with_shot_near_corner(17, 0.03, 0.003))
    assert (built.shape.sightings.corners >= 0).sum() == 0


def test_the_standard_deviation_is_told_from_both_sides_of_a_corner():
    truth = polyline([(0, 0), (8, 0), (8, 1), (0, 1)], closed=True)
    built, line = fitted(shoot(truth, 0.6, 0.004, np.random.default_rng(2)).shots)
    marks = line.chain.piece_stations()
    for mark in marks[1:]:
        before = [station for station in stations_of(line.chain) if 0 < mark - station < 1e-5]
        assert len(before) == 1
        assert line.sigma_at(before[0]) == pytest.approx(float(built.shape.fit.normal_sigmas(before)[0]), rel=1e-9)


def test_equal_sweeps_are_offered_only_where_equal_radii_were_taken():
    """Two bays of the lagoon turn by 190 degrees both, at radii of 2.2 and 2.4 m: they are no symmetric ends."""
    built, _ = fitted(shoot(SHAPES["lagoon"](), 0.4, 0.004, np.random.default_rng(3)).shots)
    radii = {(tie.first, tie.second) for tie in built.shape.fit.ties if tie.kind == "equal-radius"}
    assert {(tie.first, tie.second) for tie in built.shape.fit.ties if tie.kind == "equal-sweep"} <= radii
    assert not any("equal sweep" in note for note in built.notes)


def test_the_symmetric_ends_of_a_pool_still_are():
    built, _ = fitted(shoot(SHAPES["round ends"](), 0.6, 0.004, np.random.default_rng(3)).shots)
    assert {tie.kind for tie in built.shape.fit.ties} >= {"equal-radius", "equal-sweep"}


def test_among_many_arcs_two_of_nearly_one_radius_are_sooner_chance():
    """Of the lagoon's seven arcs two come within 1 %: of 21 pairs 0.6 come within 5 % by chance.  Four corners alike are meant."""
    few, _ = fitted(shoot(SHAPES["round ends"](), 0.6, 0.004, np.random.default_rng(3)).shots)
    many, _ = fitted(shoot(SHAPES["lagoon"](), 0.4, 0.004, np.random.default_rng(3)).shots)
    corners, _ = fitted(shoot(SHAPES["50 m large"](), 0.8, 0.004, np.random.default_rng(3)).shots)
    assert _meant(Tie("equal-radius", 1, 3), few.shape) == pytest.approx(0.9)
    assert _meant(Tie("equal-radius", 1, 3), many.shape) == pytest.approx(1 - 21 * 0.1 / math.log(10 / 0.3))
    assert _meant(Tie("equal-radius", 1, 3), corners.shape) == pytest.approx(0.9)
    assert _meant(Tie("parallel", 0, 2), few.shape) == pytest.approx(0.9)
