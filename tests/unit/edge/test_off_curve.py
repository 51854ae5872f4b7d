"""Shots off a free curve: told where the curve itself bends after them, held where two runs stand side by side."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.edge.free_form import free_shape
from pipeline.edge.node_spline import node_spline, roughly_fitted
from pipeline.edge.off_curve import least_without, off_the_curve
from pipeline.edge.weighing import Told, in_turn, spanned
from tests.benchmarks.edge_truth import FreeForm

SPACING = 0.68  # [m] where a spline of a few nodes more follows three shots


def surveyed(rows, by, seed=0, noise=0.005):
    """A free curve shot, some shots moved square to it, outward positive; returns the shots and those without the blunder."""
    free = FreeForm()
    stations, shots = free.shoot(SPACING, noise, np.random.default_rng(seed))
    ahead = free.places(stations + 0.001) - free.places(stations)
    outward = np.column_stack((ahead[:, 1], -ahead[:, 0])) / np.hypot(*ahead.T)[:, None]
    points = shots.points.copy()
    points[list(rows)] += by * outward[list(rows)]
    return msgspec.structs.replace(shots, points=points), shots


@pytest.mark.parametrize(("rows", "by"), [((15, 16, 17), 0.3), ((31, 32, 33), 0.3), ((10,), 1.9), ((25,), -0.12)])
def test_just_the_shots_moved_are_told(rows, by):
    shots, _ = surveyed(rows, by)
    told = off_the_curve(shots, free_shape, math.inf)
    assert (set(told.aside), told.doubtful) == (set(rows), ())


def test_nothing_is_told_of_a_clean_curve():
    told = off_the_curve(surveyed((), 0.0)[1], free_shape, math.inf)
    assert told.aside + told.doubtful + told.slender == ()


def test_without_the_run_the_curve_is_as_short_as_without_the_blunder():
    spoilt, clean = surveyed((15, 16, 17), 0.3)
    best = node_spline(clean)
    length = best.chi_square + best.numbers * math.log(len(clean))
    assert least_without(spoilt, math.inf) < length + 6.0  # shots are left out, which shortens it, and its nodes stand where they fall
    assert least_without(spoilt, length / 2) == math.inf


def test_the_rough_curve_tells_distances_to_two_millimetres():
    _, shots = surveyed((), 0.0)
    curve = roughly_fitted(shots, math.inf, (8, 9, 10))
    assert np.abs(curve.offsets(shots.points) + curve.misfit * shots.sigmas).max() < 2e-3  # half a step of 15 cm on a bend of 1.5 m


def test_two_runs_side_by_side_are_in_doubt_with_all_between():
    _, shots = surveyed((), 0.0)
    runs = iter([(5,), (7,), ()])
    told = in_turn(shots, lambda rest, found: Told(aside=next(runs)), near=4)
    assert told.aside == ()
    assert told.doubtful == (5, 6, 7, 8)  # the seventh of those left is the eighth of all


def test_a_stretch_over_the_seam_is_the_short_one():
    assert spanned([39, 1], 41) == [39, 40, 0, 1]
    assert spanned([3, 7, 4], 41) == [3, 4, 5, 6, 7]
    assert spanned([5], 41) == [5]
