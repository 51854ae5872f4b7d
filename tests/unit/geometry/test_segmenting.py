"""Cutting a row of points into lines and arcs."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from pipeline.geometry.fitting import fit_circle, fit_line
from pipeline.geometry.segmenting import Prices, Stretch, cut, cut_length, piece_costs


def noisy_corner(seed=0, count=10, noise=0.003):
    random = np.random.default_rng(seed)
    along = np.linspace(0.2, 3.8, count)
    first = np.column_stack((along, np.zeros(count)))
    second = np.column_stack((np.full(count, 4.0), along))
    return np.vstack((first, second)) + random.normal(0, noise, (2 * count, 2))


def test_costs_are_the_sums_of_squared_distances():
    random = np.random.default_rng(4)
    angles = np.linspace(0.0, 2.0, 14)
    points = np.column_stack((2 * np.cos(angles), 2 * np.sin(angles))) + random.normal(0, 0.004, (14, 2))
    costs = piece_costs(points, np.full(14, 0.004), closed=False)
    for first, last in ((0, 13), (2, 7), (5, 13)):
        own = points[first : last + 1]
        assert costs.line[first, last - first] == pytest.approx(fit_line(own).sum_of_squares / 0.004**2, rel=1e-6)
        # Taubin's root is the geometric sum to first order in noise / radius: 0.004 / 2
        assert costs.arc[first, last - first] == pytest.approx(fit_circle(own).residual_norm ** 2 / 0.004**2, rel=0.01)


def test_costs_do_not_care_where_the_site_lies():
    points = noisy_corner()
    here = piece_costs(points, np.full(20, 0.003), closed=False)
    there = piece_costs(points + np.array([5000.0, -3000.0]), np.full(20, 0.003), closed=False)
    finite = np.isfinite(here.line)
    assert np.allclose(here.line[finite], there.line[finite], rtol=1e-4, atol=1e-3)


def test_two_sides_are_two_lines_broken_at_the_corner():
    costs = piece_costs(noisy_corner(), np.full(20, 0.003), closed=False)
    assert cut(costs, Prices.for_points(20)) == (Stretch(first=0, last=9, is_arc=False), Stretch(first=10, last=19, is_arc=False))


def test_the_cut_is_the_best_of_all_cuts():
    """Every cut of eight points into disjoint pieces, tried one by one."""
    random = np.random.default_rng(2)
    points = np.vstack((noisy_corner(count=3), [[3.4, 4.3], [2.6, 4.5]])) + random.normal(0, 0.02, (8, 2))
    costs = piece_costs(points, np.full(8, 0.02), closed=False)
    prices = Prices.for_points(8)
    best = math.inf
    for size in range(4):
        for breaks in itertools.combinations(range(1, 8), size):
            edges = (0, *breaks, 8)
            for kinds in itertools.product((False, True), repeat=size + 1):
                pieces = [Stretch(first=a, last=b - 1, is_arc=kind) for a, b, kind in zip(edges, edges[1:], kinds, strict=False)]
                best = min(best, cut_length(costs, pieces, prices))
    assert cut_length(costs, cut(costs, prices, shared=False), prices) == pytest.approx(best)


def test_a_loop_is_cut_alike_from_every_start():
    random = np.random.default_rng(7)
    corners = np.array([[0, 0], [6, 0], [6, 3], [0, 3.0]])
    sides = [corners[k] + (corners[(k + 1) % 4] - corners[k]) * t for k in range(4) for t in (0.1, 0.3, 0.5, 0.7, 0.9)]
    points = np.array(sides) + random.normal(0, 0.003, (20, 2))
    breaks = set()
    for start in range(20):
        costs = piece_costs(np.roll(points, -start, axis=0), np.full(20, 0.003), closed=True)
        breaks.add(frozenset((one.first + start) % 20 for one in cut(costs, Prices.for_points(20))))
    assert breaks == {frozenset({0, 5, 10, 15})}


def test_barred_gaps_make_pieces_meet_at_a_point():
    corners = np.array([[0, 0], [5, 0], [5, 3], [0, 3.0]])
    costs = piece_costs(corners, np.full(4, 0.003), closed=True)
    found = cut(costs, Prices.for_points(4), barred=[0, 1, 2, 3])
    assert [one.shared for one in found] == [True] * 4


def test_an_arc_passes_no_sharp_corner():
    costs = piece_costs(np.array([[0, 0], [5, 0], [5, 5], [0, 5.0]]), np.full(4, 0.003), closed=False)
    assert math.isinf(costs.arc[0, 3])
