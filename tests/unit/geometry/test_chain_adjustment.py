"""The whole chain adjusted at once."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.geometry.chain import Chain, Piece
from pipeline.geometry.chain_adjustment import ChainFit, Sightings, Tie, adjust_chain, distances_to_pieces, misses, offsets_and_slopes

STADIUM = Chain(((0.0, -2.0), (6.0, -2.0), (6.0, 2.0), (0.0, 2.0)), (0.0, 1.0, 0.0, 1.0), True)
SMOOTH = [Tie("tangent", k, (k + 1) % 4) for k in range(4)]


def sighted(chain, count=15, noise=0.003, seed=1):
    random = np.random.default_rng(seed)
    points, pieces = [], []
    for index, piece in enumerate(chain.pieces()):
        for step in range(count):
            points.append(piece.point_at(piece.length * (step + 0.5) / count))
            pieces.append(index)
    points = np.array(points) + random.normal(0, noise, (len(points), 2))
    return Sightings(
        points=points,
        covariances=np.tile(np.eye(2) * max(noise, 1e-3) ** 2, (len(points), 1, 1)),
        pieces=np.array(pieces, dtype=np.intp),
        corners=np.full(len(points), -1, dtype=np.intp),
    )


def moved(chain, by=0.05, seed=3):
    random = np.random.default_rng(seed)
    vertices = tuple((x + random.uniform(-by, by), y + random.uniform(-by, by)) for x, y in chain.vertices)
    return Chain(vertices, tuple(b * 0.9 for b in chain.bulges), chain.closed)


@pytest.mark.parametrize("bulge", [0.0, 1e-5, 1e-3, 0.3, -0.3, 1.0, -2.2])
def test_signed_offset_is_the_distance_to_the_carrier(bulge):
    piece = Piece((1.0, 2.0), (4.0, 3.0), bulge)
    for along in (0.1, 0.5, 0.9):
        foot, bearing = piece.point_at(along * piece.length), piece.direction_at(along * piece.length)
        for off in (-0.2, 0.05, 0.3):
            place = (foot[0] - off * math.sin(bearing), foot[1] + off * math.cos(bearing))
            found = offsets_and_slopes(np.array([[*piece.start, *piece.end, bulge]]), np.array([place]))[0][0]
            assert off == pytest.approx(found, abs=1e-9)


def test_slopes_of_the_offsets_are_their_differences():
    """The closed form against central differences of the offsets themselves, of lines, flat and round arcs; over 1e-6 m these are good to some 1e-8."""
    random, step = np.random.default_rng(5), 1e-6
    five, points = random.normal(0, 3, (200, 5)), random.normal(0, 3, (200, 2))
    five[:, 4] = random.choice([0.0, 1e-4, 0.2, -0.7, 1.3], 200)
    _, slopes, normals = offsets_and_slopes(five, points)
    whole, told = np.hstack((five, points)), np.hstack((slopes, normals))
    for number in range(7):
        ahead, behind = (
            offsets_and_slopes(each[:, :5], each[:, 5:])[0] for each in (whole + step * np.eye(7)[number], whole - step * np.eye(7)[number])
        )
        assert (ahead - behind) / (2 * step) == pytest.approx(told[:, number], rel=1e-5, abs=1e-6)


def test_slopes_of_every_condition_are_its_differences():
    """In closed form or by complex steps: against the conditions missed by a chain whose vertices and bulges are moved by a hair."""
    chain = Chain(((0.0, 0.0), (4.0, 0.3), (5.0, 3.0), (0.5, 4.0)), (0.0, 0.4, 0.0, 0.7), True)
    ties = [
        Tie("tangent", 0, 1),
        Tie("tangent", 3, 0),
        Tie("parallel", 0, 2),
        Tie("square", 2, 0),
        Tie("equal-radius", 1, 3),
        Tie("equal-sweep", 3, 1),
    ]
    fit = adjust_chain(chain, (False, True, False, True), sighted(chain, noise=0.0))

    def missed(places, bulges):
        return misses(with_chain(fit, Chain(tuple(map(tuple, places)), tuple(bulges), True)), ties)[0]

    sigmas = misses(fit, ties)[1]
    places, bulges, step = np.array(fit.chain.vertices), np.array(fit.chain.bulges), 1e-6
    rows = []
    for number in range(8):
        hair = step * np.eye(8)[number].reshape(4, 2)
        rows.append((missed(places + hair, bulges) - missed(places - hair, bulges)) / (2 * step))
    for piece in (1, 3):
        hair = step * np.eye(4)[piece]
        rows.append((missed(places, bulges + hair) - missed(places, bulges - hair)) / (2 * step))
    slopes = np.array(rows).T
    assert np.sqrt(np.einsum("ij,jk,ik->i", slopes, fit.covariance, slopes)) == pytest.approx(sigmas, rel=1e-5)


def with_chain(fit: ChainFit, chain: Chain) -> ChainFit:
    return msgspec.structs.replace(fit, chain=chain)


def test_exact_shots_give_the_exact_chain():
    fit = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM, noise=0.0), SMOOTH)
    assert fit.converged
    assert fit.chi_square < 1e-9
    assert np.allclose(fit.chain.vertices, STADIUM.vertices, atol=1e-5)


def test_smooth_joins_are_smooth_and_counted():
    free = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM))
    bound = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM), SMOOTH)
    assert bound.converged
    assert np.abs(misses(bound, SMOOTH)[0]).max() < 1e-8
    assert 60 - 10 <= free.degrees_of_freedom <= 60 - 6  # 4 vertices and 2 bulges; shots hardly hold a vertex where a join is smooth
    assert bound.degrees_of_freedom == 60 - 6
    assert bound.chi_square >= free.chi_square


def test_redundant_conditions_do_no_harm():
    ties = [*SMOOTH, Tie("equal-radius", 1, 3), Tie("parallel", 0, 2)]
    first = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM), SMOOTH)
    fit = adjust_chain(first.chain, [False, True, False, True], sighted(STADIUM), ties)
    assert fit.converged
    assert fit.chain.piece(1).radius == pytest.approx(fit.chain.piece(3).radius, abs=1e-9)
    assert fit.degrees_of_freedom == 60 - 5


def test_a_loose_condition_pulls_only_as_hard_as_its_sigma():
    start = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM), SMOOTH)
    gaps = []
    for sigma in (10.0, 1e-3, 1e-6):
        fit = adjust_chain(start.chain, [False, True, False, True], sighted(STADIUM), [*SMOOTH, Tie("equal-radius", 1, 3, sigma)])
        gaps.append(abs(fit.chain.piece(1).radius - fit.chain.piece(3).radius))
    assert gaps[0] == pytest.approx(abs(start.chain.piece(1).radius - start.chain.piece(3).radius), rel=1e-3)
    assert gaps[0] > gaps[1] > gaps[2]
    assert gaps[2] < 1e-5


def test_a_doubtful_condition_moves_nothing_and_widens_what_it_tells():
    """Weighed by sigma s, its own error has s² + d²: the miss it leaves has v + (v / s²)² d², v its variance without doubt."""
    start = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM), SMOOTH)
    equal = Tie("equal-radius", 1, 3, 1e-3)
    sure = adjust_chain(start.chain, [False, True, False, True], sighted(STADIUM), [*SMOOTH, equal])
    unsure = adjust_chain(start.chain, [False, True, False, True], sighted(STADIUM), [*SMOOTH, Tie("equal-radius", 1, 3, 1e-3, 2e-3)])
    assert np.allclose(sure.chain.vertices, unsure.chain.vertices, atol=1e-12)
    v = float(misses(sure, [equal])[1][0]) ** 2
    assert float(misses(unsure, [equal])[1][0]) ** 2 == pytest.approx(v + (v / 1e-6) ** 2 * 4e-6, rel=1e-6)
    assert unsure.degrees_of_freedom == sure.degrees_of_freedom


def test_redundancies_sum_to_the_degrees_of_freedom():
    fit = adjust_chain(moved(STADIUM), [False, True, False, True], sighted(STADIUM), SMOOTH)
    assert fit.redundancies.sum() == pytest.approx(fit.degrees_of_freedom, abs=0.01)


def test_letting_a_condition_go_lowers_chi_square_as_foretold():
    bent = Chain(((0.0, -2.0), (6.0, -2.0), (6.0, 2.0), (0.0, 2.02)), (0.0, 1.0, 0.0, 0.98), True)
    shots = sighted(bent)
    fit = adjust_chain(moved(STADIUM), [False, True, False, True], shots, SMOOTH)
    worst = int(np.argmax(fit.tie_tests))
    free = adjust_chain(fit.chain, [False, True, False, True], shots, [tie for k, tie in enumerate(SMOOTH) if k != worst])
    assert fit.chi_square - free.chi_square == pytest.approx(fit.tie_tests[worst], rel=0.05)  # first order


def test_stated_sigma_is_the_scatter_over_many_surveys():
    found = []
    for seed in range(200):
        fit = adjust_chain(STADIUM, [False, True, False, True], sighted(STADIUM, seed=seed), SMOOTH)
        found.append(fit.chain.nearest((3.0, -2.0))[1] * (1 if fit.chain.point_at(3.0)[1] < -2 else -1))
    sigma = adjust_chain(STADIUM, [False, True, False, True], sighted(STADIUM), SMOOTH).normal_sigmas([3.0])[0]
    assert np.std(found) == pytest.approx(sigma, rel=0.15)  # the scatter of 200 has 5 % of its own


def test_an_oblong_error_ellipse_weighs_by_direction():
    shots = sighted(STADIUM)
    tilted = np.tile(np.diag([0.02**2, 0.001**2]), (60, 1, 1))
    fit = adjust_chain(
        STADIUM, [False, True, False, True], Sightings(points=shots.points, covariances=tilted, pieces=shots.pieces, corners=shots.corners), SMOOTH
    )
    assert fit.sigmas[shots.pieces == 0] == pytest.approx(0.001, rel=0.05)
    assert fit.sigmas.max() > 0.015


def test_distances_to_pieces_are_those_of_the_chain():
    random = np.random.default_rng(0)
    points = random.uniform(-4, 9, (200, 2))
    for piece in range(4):
        found = distances_to_pieces(STADIUM, points, np.full(200, piece, dtype=np.intp))
        assert found == pytest.approx([STADIUM.piece(piece).nearest(tuple(place))[1] for place in points], abs=1e-9)
