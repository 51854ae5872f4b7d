"""Single lines and circles."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry.fitting import fit_circle, fit_line, fit_slope, taubin_circle


def test_exact_circle_comes_back():
    angles = np.linspace(0.2, 1.4, 9)
    points = np.column_stack((3 + 2.5 * np.cos(angles), -1 + 2.5 * np.sin(angles)))
    fit = fit_circle(points)
    assert fit.converged
    assert fit.centre == pytest.approx((3, -1), abs=1e-9)
    assert fit.radius == pytest.approx(2.5, abs=1e-9)


def test_circle_far_from_the_origin_keeps_its_digits():
    angles = np.linspace(0, 5, 30)
    points = np.column_stack((600_000 + 2 * np.cos(angles), 4_000_000 + 2 * np.sin(angles)))
    assert fit_circle(points).radius == pytest.approx(2.0, abs=1e-7)  # double precision leaves 1e-9 at four million


def test_no_circle_through_a_straight_line_or_two_points():
    with pytest.raises(ValueError, match="straight line"):
        taubin_circle(np.array([[0.0, 0], [1, 1], [2, 2], [3, 3]]), np.ones(4))
    with pytest.raises(ValueError, match="three points"):
        fit_circle(np.array([[0.0, 0], [1, 1]]))


def test_line_by_orthogonal_distances_turns_with_its_points():
    points = np.array([[0, 0.1], [1, -0.1], [2, 0.2], [3, -0.2]])
    turned = points @ np.array([[0, 1], [-1, 0]])  # a quarter turn
    assert fit_line(turned).direction == pytest.approx(fit_line(points).direction + math.pi / 2)
    assert fit_line(turned).sum_of_squares == pytest.approx(fit_line(points).sum_of_squares)


def test_weight_moves_a_line_like_repeating_its_point():
    points = np.array([[0, 0.0], [1, 0.3], [2, 0.0], [3, 0.1]])
    heavy = fit_line(points, np.array([1, 3.0, 1, 1]))
    repeated = fit_line(np.vstack((points, points[[1, 1]])), None)
    assert heavy.centre == pytest.approx(repeated.centre)
    assert abs(math.sin(heavy.direction - repeated.direction)) < 1e-12  # a line has no sense of its own


def test_slope_with_exact_x_is_ordinary_regression():
    x, y = np.array([0.0, 1, 2, 3, 4]), np.array([1.0, 2.9, 5.2, 6.8, 9.1])
    fit = fit_slope(x, y, np.full(5, 1e-9), np.ones(5))
    slope, intercept = np.polyfit(x, y, 1)
    assert fit.slope == pytest.approx(slope, rel=1e-9)
    assert fit.intercept == pytest.approx(intercept, rel=1e-9)
