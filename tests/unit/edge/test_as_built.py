"""One line as built: pieces, blunders, hypotheses, dense lines."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.edge.search import costs_of, noise_of
from pipeline.geometry.chain import polyline
from tests.benchmarks.edge_truth import SHAPES, errors, even_stations, octagon, rectangle, rounded, shoot, shots_at


def surveyed(name, seed=1, spacing=0.7, noise=0.004):
    return shoot(SHAPES[name](), spacing, noise, np.random.default_rng(seed)).shots


def kinds(chain):
    return [piece.is_arc for piece in chain.pieces()]


def same_ring(first, second):
    return len(first) == len(second) and any(first == second[k:] + second[:k] for k in range(len(second)))


@pytest.mark.parametrize("name", SHAPES)
def test_pieces_are_those_of_the_truth(name):
    built = as_built(surveyed(name), closed=True, arcs=True)
    assert same_ring(kinds(SHAPES[name]()), kinds(built.shape.chain))
    assert built.shape.fit.converged
    assert built.set_aside == ()
    off = errors(SHAPES[name](), built.shape.chain, even_stations(SHAPES[name](), 60))
    assert np.sqrt(np.mean(off**2)) < 0.004  # better than one shot


def test_a_rectangle_shot_at_its_corners_only():
    built = as_built(shots_at([[0, 0], [5, 0], [5, 3], [0, 3.0]], 0.003), closed=True, arcs=True)
    assert kinds(built.shape.chain) == [False] * 4
    assert np.allclose(sorted(built.shape.chain.vertices), [(0, 0), (0, 3), (5, 0), (5, 3)], atol=1e-6)


def test_a_corner_no_shot_lies_at_is_where_the_sides_meet():
    shots = shots_at([[1, 0], [3, 0], [4, 0], [5, 1], [5, 2], [5, 3.5], [4, 4], [2, 4], [1, 4], [0, 3], [0, 2], [0, 1.0]], 0.003)
    corners = sorted((round(x, 6), round(y, 6)) for x, y in as_built(shots, closed=True, arcs=True).shape.chain.vertices)
    assert np.allclose(corners, [(0, 0), (0, 4), (5, 0), (5, 4)], atol=1e-6)


def test_a_round_pool_is_one_circle():
    angles = np.linspace(0, 2 * math.pi, 25)[:-1]
    random = np.random.default_rng(0)
    points = np.column_stack((2.4 * np.cos(angles), 2.4 * np.sin(angles))) + random.normal(0, 0.003, (24, 2))
    chain = as_built(shots_at(points, 0.003), closed=True, arcs=True).shape.chain
    assert kinds(chain) == [True, True]
    assert chain.piece(0).radius == pytest.approx(chain.piece(1).radius, rel=1e-6)
    assert chain.area() == pytest.approx(math.pi * 2.4**2, rel=0.002)


def test_rounded_corners_are_found():
    shots = shoot(rounded(6.0, 3.0, 0.3), 0.7, 0.003, np.random.default_rng(4)).shots
    chain = as_built(shots, closed=True, arcs=True).shape.chain
    radii = [piece.radius for piece in chain.pieces() if piece.is_arc]
    assert radii == pytest.approx([0.3] * 4, abs=0.05)


def test_one_shot_off_its_side_is_set_aside_and_named():
    shots = surveyed("rectangle")
    points = shots.points.copy()
    points[7] += [0.0, -0.25]
    built = as_built(msgspec.structs.replace(shots, points=points), closed=True, arcs=True)
    assert [one.name for one in built.set_aside] == [shots.names[7]]
    assert built.set_aside[0].offset == pytest.approx(-0.25, abs=0.02)
    assert len(built.shape.chain) == 4


def test_three_shots_of_the_coping_are_set_aside():
    shots = surveyed("rectangle", spacing=0.6)
    points = shots.points.copy()
    points[6:9] += [0.0, -0.30]
    built = as_built(msgspec.structs.replace(shots, points=points), closed=True, arcs=True)
    assert [one.name for one in built.set_aside] == list(shots.names[6:9])


def test_a_corner_cut_off_with_few_shots_is_no_blunder():
    outline = [[0, 0], [2, 0], [4, 0], [6, 0], [6, 1], [6, 2], [6, 3], [5.5, 3.5], [5, 4], [4, 4], [2, 4], [0, 4], [0, 2.7], [0, 1.3]]
    built = as_built(shots_at(np.array(outline, dtype=float), 0.003), closed=True, arcs=True)
    assert built.set_aside == ()
    assert built.shape.chain.nearest((5.5, 3.5))[1] < 0.004


def test_more_noise_than_stated_widens_the_stated_uncertainty_and_adds_no_pieces():
    noisy = shoot(rectangle(), 0.4, 0.012, np.random.default_rng(3)).shots
    shots = msgspec.structs.replace(noisy, covariances=np.tile(np.eye(2) * 0.003**2, (len(noisy), 1, 1)))
    built = as_built(shots, closed=True, arcs=True)
    assert len(built.shape.chain) == 4
    assert built.scale == pytest.approx(16, rel=0.5)
    assert noise_of(costs_of(shots, closed=True, arcs=True)) > 4


def test_a_pool_not_quite_square_stays_so():
    """Half a degree off square: far more than builders' error, so the shots are believed."""
    skew = polyline([(0, 0), (10, 0), (10 - 5 * math.tan(math.radians(0.6)), 5), (-5 * math.tan(math.radians(0.6)), 5)], closed=True)
    built = as_built(shoot(skew, 0.5, 0.003, np.random.default_rng(2)).shots, closed=True, arcs=True)
    off = errors(skew, built.shape.chain, even_stations(skew, 80))
    assert np.abs(off).max() < 0.006
    assert any("not taken" in note for note in built.notes)


def test_hypotheses_are_reported_with_their_test():
    notes = as_built(surveyed("rectangle"), closed=True, arcs=True).notes
    assert len(notes) == 3
    assert all("taken: test" in note for note in notes)


def test_an_open_wall_keeps_its_order_and_its_ends():
    wall = shots_at([[8, 1], [6, 1], [4, 1], [2, 1], [2, 3], [2, 5.0]], 0.003)
    chain = as_built(wall, closed=False, arcs=False).shape.chain
    assert np.allclose(chain.vertices, [(8, 1), (2, 1), (2, 5)], atol=1e-6)


def test_a_dense_scan_gives_the_same_edge_with_its_blunders_named():
    dense = shoot(octagon(), octagon().length / 1500, 0.005, np.random.default_rng(1)).shots
    points = dense.points.copy()
    points[400] += [0.0, 0.4]
    points[401] += [0.3, 0.0]
    built = as_built(msgspec.structs.replace(dense, points=points), closed=True, arcs=True)
    assert len(built.shape.chain) == 8
    assert {dense.names[400], dense.names[401]} <= {one.name for one in built.set_aside}
    assert len(built.set_aside) <= 4
    assert np.abs(errors(octagon(), built.shape.chain, even_stations(octagon(), 80))).max() < 0.003


def test_shots_in_one_place_make_no_line():
    with pytest.raises((ValueError, np.linalg.LinAlgError)):
        as_built(shots_at([[1, 1], [1, 1], [1, 1], [1, 1.0]], 0.003), closed=True, arcs=True)


def test_curve_coded_pc_to_pt_is_an_arc_even_where_it_is_flat():
    along = np.linspace(0, 4, 7)
    points = np.column_stack((along, 0.002 * along * (4 - along)))
    plain = shots_at(points, 0.01)
    coded = msgspec.structs.replace(plain, curved=np.array([2, 1, 1, 1, 1, 1, 2]))
    assert kinds(as_built(plain, closed=False, arcs=True).shape.chain) == [False]
    assert True in kinds(as_built(coded, closed=False, arcs=True).shape.chain)
