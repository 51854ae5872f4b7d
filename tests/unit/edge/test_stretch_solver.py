"""The open spline through free nodes."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.edge import stretch_solver

WAVE = np.column_stack((np.arange(7.0), np.sin(np.arange(7.0)) + 0.1 * np.cos(5 * np.arange(7.0))))


def by_chords(nodes):
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(nodes, axis=0).T))))


@pytest.mark.outside(
    source="scipy.interpolate.CubicSpline, bc_type 'not-a-knot', as second method", compares="places and slopes of a spline", tolerance="1e-12"
)
@pytest.mark.parametrize("spans", [3, 4, 6])
def test_the_spline_is_the_one_of_the_library(spans):
    from scipy.interpolate import CubicSpline

    nodes = np.ascontiguousarray(WAVE[: spans + 1])
    knots = by_chords(nodes)
    places = np.linspace(0, spans, 41)
    parameters = np.interp(places, np.arange(spans + 1), knots)
    points, slopes = stretch_solver.at(nodes, places)
    assert np.allclose(points, CubicSpline(knots, nodes)(parameters), atol=1e-12)
    assert np.allclose(slopes, CubicSpline(knots, nodes)(parameters, 1), atol=1e-12)


@pytest.mark.parametrize("spans", [1, 2, 3, 4, 6])
def test_derivatives_agree_with_differences(spans):
    nodes, hair = np.ascontiguousarray(WAVE[: spans + 1]), 1e-6
    places = np.linspace(-0.3, spans + 0.3, 17)
    of_points, of_slopes = stretch_solver.derivatives(nodes, places)
    for number in range(nodes.size):
        move = hair * np.eye(nodes.size)[number].reshape(-1, 2)
        ahead, behind = stretch_solver.at(nodes + move, places), stretch_solver.at(nodes - move, places)
        assert np.allclose((ahead[0] - behind[0]) / (2 * hair), of_points[:, :, number], atol=1e-8)
        assert np.allclose((ahead[1] - behind[1]) / (2 * hair), of_slopes[:, :, number], atol=1e-8)


def test_two_spans_make_a_parabola_and_one_a_line():
    nodes = np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 0.0]])
    points = stretch_solver.at(nodes, np.linspace(0, 2, 9))[0]
    assert np.allclose(points[:, 1], points[:, 0] * (2 - points[:, 0]), atol=1e-12)
    assert np.allclose(stretch_solver.at(nodes[:2].copy(), np.linspace(0, 1, 5))[0], np.linspace(0, 1, 5)[:, None])


def test_feet_are_the_nearest_places():
    points = np.array([[0.4, 0.9], [2.6, -0.2], [5.1, -1.6]])
    feet = stretch_solver.feet(WAVE, points, stretch_solver.nearest(WAVE, points), 6)
    there, slopes = stretch_solver.at(WAVE, feet)
    assert np.allclose(((points - there) * slopes).sum(axis=1), 0.0, atol=1e-4)  # so far off a bend each step leaves a tenth of the way
    fine = stretch_solver.at(WAVE, np.linspace(0, 6, 20001))[0]
    assert np.allclose(np.hypot(*(points - there).T), np.hypot(*(points[:, None] - fine[None]).transpose(2, 0, 1)).min(axis=1), atol=1e-6)


def test_without_noise_the_spline_itself_comes_back():
    points = stretch_solver.at(WAVE, np.linspace(0, 6, 40))[0]
    nodes, places = stretch_solver.divided(points, 6, 0.0)
    chi_square, found = stretch_solver.fitted_alone(points, np.full(40, 0.005), nodes, places, np.inf)
    assert chi_square < 0.05
    assert np.abs(stretch_solver.at(found, stretch_solver.feet(found, points, stretch_solver.nearest(found, points), 6))[0] - points).max() < 0.001


def test_a_hopeless_fit_is_given_up():
    corner = np.array([[x, 0.0] for x in np.linspace(0, 4, 20)] + [[4.0, y] for y in np.linspace(0.2, 4, 20)])
    chi_square, _ = stretch_solver.fitted_alone(corner, np.full(40, 0.005), *stretch_solver.divided(corner, 3, 0.0), 50.0)
    assert chi_square > 1000
