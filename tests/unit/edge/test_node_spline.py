"""The spline through few free nodes."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.edge import node_solver
from pipeline.edge.node_spline import NodeSpline, node_spline
from tests.benchmarks.edge_truth import FreeForm, shots_at


def surveyed(seed, spacing=0.5, noise=0.005):
    return FreeForm().shoot(spacing, noise, np.random.default_rng(seed))[1]


def test_as_many_nodes_are_found_as_the_curve_has():
    found = [len(node_spline(surveyed(seed)).nodes) for seed in range(3)]
    assert sorted(found)[:2] == [8, 8]


def test_without_noise_the_curve_itself_comes_back():
    truth = FreeForm()
    stations = np.arange(60) * truth.length / 60
    spline = node_spline(shots_at(truth.places(stations), 0.003))
    assert spline.chi_square < 1e-3
    assert np.abs(spline.misfit).max() * 0.003 < 5e-5


def test_derivatives_agree_with_differences():
    spline = node_spline(surveyed(5))
    t = np.linspace(0, 1, 13, endpoint=False)
    places, slopes = spline.places(t)
    ahead = spline.places(t + 1e-7)[0]
    assert np.allclose((ahead - places) / 1e-7, slopes * np.hypot(*(ahead - places).T)[:, None] / 1e-7 / np.hypot(*slopes.T)[:, None], atol=1e-4)


def test_rows_are_the_curves_own_differences():
    """The curve square to itself by each node's coordinates, parameters fixed: against nodes moved by a hair."""
    nodes, hair = node_spline(surveyed(5)).nodes, 1e-6
    span, share = np.arange(40) % len(nodes), np.linspace(0.0, 1.0, 40)
    slopes = node_solver.at(node_solver.through(nodes), span, share)[1]
    normals = np.column_stack((-slopes[:, 1], slopes[:, 0])) / np.hypot(*slopes.T)[:, None]
    for number, row in enumerate(node_solver.rows(node_solver.through(nodes), span, share, normals).T):
        move = hair * np.eye(nodes.size)[number].reshape(-1, 2)
        ahead, behind = (node_solver.at(node_solver.through(nodes + side), span, share)[0] for side in (move, -move))
        difference = (ahead - behind) / (2 * hair)
        assert np.allclose((difference * normals).sum(axis=1), row, atol=1e-7)


def test_the_stated_sigma_is_that_of_repeated_surveys():
    """Over eight surveys and the whole curve: rms error over stated sigma (16 numbers each: chance makes it 1 +- 0.06)."""
    truth = FreeForm()
    places = truth.places((np.arange(80) + 0.5) * truth.length / 80)
    normed = []
    for seed in range(8):
        spline: NodeSpline = node_spline(surveyed(seed))
        t = np.arange(2000) / 2000
        curve, slopes = spline.places(t)
        near = np.argmin(((curve[None] - places[:, None]) ** 2).sum(axis=2), axis=1)
        normals = np.column_stack((-slopes[near, 1], slopes[near, 0])) / np.hypot(*slopes[near].T)[:, None]
        normed.append(((curve[near] - places) * normals).sum(axis=1) / spline.sigmas(t[near]))
    assert np.sqrt(np.mean(np.square(normed))) == pytest.approx(1.0, abs=0.2)


def test_too_few_shots_for_the_fewest_nodes():
    assert node_spline(surveyed(1).taken(range(12))) is None
