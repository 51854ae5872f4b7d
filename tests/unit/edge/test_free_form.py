"""Free curves and their arcs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.edge.free_form import AS_ARCS, free_shape
from pipeline.geometry.biarcs import arcs_through
from pipeline.geometry.projection import project
from tests.benchmarks.edge_truth import FreeForm, lagoon, rectangle, shoot, shots_at


def ellipse(t):
    angle = 2 * math.pi * t
    return np.column_stack((4 * np.cos(angle), 2 * np.sin(angle))), 2 * math.pi * np.column_stack((-4 * np.sin(angle), 2 * np.cos(angle)))


def test_arcs_keep_within_their_tolerance_and_join_smoothly():
    chain = arcs_through(ellipse, np.arange(4) / 4, 0.0005)
    probes = ellipse(np.linspace(0, 1, 400, endpoint=False))[0]
    assert np.abs(project(chain, probes)[1]).max() < 0.0006
    turns = [
        math.remainder(chain.piece(k).direction_at(0.0) - chain.piece(k - 1).direction_at(chain.piece(k - 1).length), 2 * math.pi)
        for k in range(1, len(chain))
    ]
    assert np.abs(turns).max() < 1e-9
    assert chain.area() == pytest.approx(math.pi * 8, rel=1e-4)


def test_a_free_curve_is_taken_as_one_and_fits_better_than_a_shot():
    truth = FreeForm()
    _, shots = truth.shoot(0.45, 0.006, np.random.default_rng(3))
    built = as_built(shots, closed=True, arcs=True)
    assert any("free curve" in note for note in built.notes)
    stations = (np.arange(200) + 0.5) * truth.length / 200
    there, off = project(built.shape.chain, truth.places(stations))
    assert np.sqrt(np.mean(off**2)) < 0.006
    assert np.sqrt(np.mean((off / built.shape.fit.normal_sigmas(there)) ** 2)) == pytest.approx(1.0, abs=0.45)  # one draw


def test_a_free_curve_of_very_many_shots_is_one_too_and_a_bad_shot_is_left_out():
    truth = FreeForm()
    at, shots = truth.shoot(truth.length / 900, 0.005, np.random.default_rng(1))
    slope = truth.curve(truth.parameters(at[400:401]), 1)[0]
    points = shots.points.copy()
    points[400] += np.array([slope[1], -slope[0]]) / np.hypot(*slope) * 0.15
    built = as_built(shots_at(points, 0.005), closed=True, arcs=True)
    assert any("free curve" in note for note in built.notes)
    assert [one.name for one in built.set_aside] == [shots.names[400]]
    stations = (np.arange(200) + 0.5) * truth.length / 200
    assert np.sqrt(np.mean(project(built.shape.chain, truth.places(stations))[1] ** 2)) < 0.0015  # 5 mm shots, and arcs within 0.8 mm


def test_arcs_and_lines_are_not_taken_for_a_free_curve():
    for shape in (lagoon(), rectangle()):
        built = as_built(shoot(shape, 0.6, 0.004, np.random.default_rng(2)).shots, closed=True, arcs=True)
        assert not any("free curve" in note for note in built.notes)


@pytest.mark.long
def test_a_blunder_on_a_free_curve_is_set_aside():
    truth = FreeForm()
    at, shots = truth.shoot(0.45, 0.004, np.random.default_rng(5))
    slope = truth.curve(truth.parameters(at[20:21]), 1)[0]
    points = shots.points.copy()
    points[20] += np.array([slope[1], -slope[0]]) / np.hypot(*slope) * 0.15  # square to the edge: along it nothing shows
    built = as_built(shots_at(points, 0.004), closed=True, arcs=True)
    assert shots.names[20] in {one.name for one in built.set_aside}


def test_few_shots_make_no_free_curve():
    assert free_shape(shots_at([[math.cos(a), math.sin(a)] for a in np.linspace(0, 5.5, 8)], 0.003)) is None
    assert AS_ARCS < 0.001
