"""Hygiene of a row of shots."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.edge.order import crossing, shortest_tour, tidied
from tests.benchmarks.edge_truth import lagoon, rectangle, rounded, shoot, shots_at

SHAPES = {"rectangle": rectangle, "lagoon": lagoon}


def survey(name="rectangle", seed=0, spacing=0.7, noise=0.004):
    return shoot(SHAPES[name](), spacing, noise, np.random.default_rng(seed)).shots


def same_loop(first, second):
    return any(first == second[k:] + second[:k] for k in range(len(second)))


@pytest.mark.parametrize("name", SHAPES)
def test_good_linework_is_left_alone(name):
    for seed in range(10):
        shots = survey(name, seed)
        found = tidied(shots, closed=True)
        assert found.shots.names == shots.names
        assert found.doubles == ()
        assert found.moved == ()


@pytest.mark.parametrize("name", SHAPES)
def test_a_swapped_pair_is_put_back_and_named(name):
    shots = survey(name)
    for place in range(2, len(shots) - 2, 7):
        order = list(range(len(shots)))
        order[place], order[place + 1] = order[place + 1], order[place]
        found = tidied(shots.taken(order), closed=True)
        assert same_loop(found.shots.names, shots.names)
        assert set(found.moved) <= {shots.names[place], shots.names[place + 1]}
        assert found.moved
        assert found.shortened > 0.5


def test_doubled_shots_become_their_mean():
    shots = shots_at([[0, 0], [1, 0], [1.004, 0.002], [2, 0], [2, 1], [1, 1], [0, 1.0]], 0.004)
    found = tidied(shots, closed=True)
    assert found.doubles == (("102", "103"),)
    assert found.shots.points[1] == pytest.approx([1.002, 0.001])
    assert found.shots.covariances[1][0, 0] == pytest.approx(0.004**2 / 2)


def test_the_last_shot_on_the_first_is_a_double():
    shots = shots_at([[0, 0], [3, 0], [3, 2], [0, 2], [0.002, 0.003]], 0.003)
    assert tidied(shots, closed=True).doubles == (("101", "105"),)


def test_close_shots_on_a_dense_line_are_no_doubles():
    shots = shots_at([[0.01 * k, 0.0] for k in range(60)], 0.003)
    assert tidied(shots, closed=False).doubles == ()


@pytest.mark.parametrize(("apart", "doubles"), [((0.0, 0.03), (("106", "107"),)), ((0.03, 0.0), ()), ((0.015, 0.03), (("106", "107"),))])
def test_how_far_doubles_lie_apart_along_the_line_parts_them_from_neighbours(apart, doubles):
    """Shots 0.1 m apart with 7 mm of noise: across the line neighbours and doubles differ by noise alone."""
    places = [[0.1 * k, 0.0] for k in range(30)]
    shots = shots_at([*places[:6], [0.5 + apart[0], apart[1]], *places[6:]], 0.007)
    assert tidied(shots, closed=False).doubles == doubles


def test_a_double_of_the_first_shot_or_at_an_end_is_told_along_its_own_line():
    corner = [[0.1 * k, 0.0] for k in range(10)] + [[0.9, 0.1 * k] for k in range(1, 10)]
    loop = [*corner, *([0.9 - 0.1 * k, 0.9] for k in range(1, 10)), *([0.0, 0.9 - 0.1 * k] for k in range(1, 9))]
    assert tidied(shots_at([*loop[5:], *loop[:5], [0.5, 0.03]], 0.007), closed=True).doubles == (("101", "137"),)
    assert tidied(shots_at([*corner, [0.93, 0.9]], 0.007), closed=False).doubles == (("119", "120"),)


def test_shuffled_shots_find_their_tour():
    shots = survey("lagoon", spacing=0.5)
    shuffled = shots.taken(np.random.default_rng(2).permutation(len(shots)).tolist())
    found = tidied(shuffled, closed=True)
    assert crossing(found.shots.points) is None
    numbers = [int(name) for name in found.shots.names]
    steps = {abs(a - b) for a, b in zip(numbers, numbers[1:] + numbers[:1], strict=True)}
    assert steps == {1, len(numbers) - 1}


def test_crossing_names_the_sides():
    assert crossing(np.array([[0, 0], [2, 2], [2, 0], [0, 2.0]])) == (0, 2)
    assert crossing(np.array([[0, 0], [2, 0], [2, 2], [0, 2.0]])) is None
    assert crossing(np.array([[0, 0], [2, 0], [2, 2], [1, -1.0]]), closed=False) == (0, 2)


def test_tour_of_a_circle_is_the_circle():
    angles = np.random.default_rng(3).permutation(24) * 2 * np.pi / 24
    tour = shortest_tour(np.column_stack((np.cos(angles), np.sin(angles))))
    turns = np.diff(np.unwrap(angles[tour]))
    assert np.abs(turns) == pytest.approx(2 * np.pi / 24)


def test_every_tenth_shot_doubled_is_named_in_a_small_pool():
    """Shots 9 cm apart with sigmas of 8 mm: the tolerance follows the spacing, so neighbours are not taken for doubles."""
    for seed in range(5):
        shots = shoot(rounded(3.0, 2.0, 0.35), 0.3, 0.008, np.random.default_rng(seed)).shots
        assert tidied(shots, closed=True).doubles == ()
        again = range(0, len(shots), 10)
        noise = np.random.default_rng(seed + 50).normal(0, 0.004, (len(again), 2))
        points = np.vstack((shots.points, shots.points[list(again)] + noise))
        row = [k for index in range(len(shots)) for k in ((index, len(shots) + index // 10) if index % 10 == 0 else (index,))]
        twice = shots_at(points, 0.008).taken(row)
        assert {first for first, _ in tidied(twice, closed=True).doubles} == {shots.names[k] for k in again}
