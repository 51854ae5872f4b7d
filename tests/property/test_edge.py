"""Turn, shift, mirror, reverse or start elsewhere: the same edge."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.edge.as_built import as_built
from pipeline.edge.shots import Shots
from tests.benchmarks.edge_truth import SHAPES, shoot

SAME = 2e-5  # [m] the adjustment stops when chi-square moves by less than 1e-5: a hundredth of a millimetre of a sliding join

KINDS = ("rectangle", "L", "round ends", "kidney", "Roman ends", "with spa", "lagoon")


def surveyed(name: str, seed: int) -> Shots:
    return shoot(SHAPES[name](), 0.8, 0.004, np.random.default_rng(seed)).shots


def edge(shots: Shots) -> np.ndarray:
    """Places of the fitted edge square to each shot, in the shots' order."""
    chain = as_built(shots, closed=True, arcs=True).shape.chain
    return np.array([chain.point_at(chain.nearest(tuple(place))[0]) for place in shots.points])


def at(shots: Shots, points: np.ndarray, turn: np.ndarray | None = None) -> Shots:
    covariances = shots.covariances if turn is None else turn @ shots.covariances @ turn.T
    return msgspec.structs.replace(shots, points=points, covariances=covariances)


@pytest.mark.parametrize("name", KINDS)
def test_the_edge_is_the_same_wherever_the_crew_began_and_whichever_way_it_went(name):
    shots = surveyed(name, 5)
    plain = edge(shots)
    order = [(7 - k) % len(shots) for k in range(len(shots))]
    assert np.abs(edge(shots.taken(order)) - plain[order]).max() < SAME


@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(KINDS),
    seed=st.integers(0, 50),
    angle=st.floats(0, 2 * math.pi),
    east=st.floats(-900, 900),
    north=st.floats(-900, 900),
)
def test_a_turned_and_shifted_site_has_the_turned_and_shifted_edge(name, seed, angle, east, north):
    shots = surveyed(name, seed)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    moved = at(shots, shots.points @ turn.T + (east, north), turn)
    assert np.abs(edge(moved) - (edge(shots) @ turn.T + (east, north))).max() < SAME


@pytest.mark.parametrize("name", KINDS)
def test_a_mirrored_site_has_the_mirrored_edge(name):
    shots = surveyed(name, 6)
    mirrored = at(shots, shots.points * (-1.0, 1.0))
    assert np.abs(edge(mirrored) - edge(shots) * (-1.0, 1.0)).max() < SAME


@settings(max_examples=8, deadline=None, derandomize=True)
@given(name=st.sampled_from(KINDS), factor=st.floats(0.4, 3.0))
def test_a_scaled_site_has_the_scaled_uncertainty(name, factor):
    """Everything scaled, noise too: the same pieces (limits of the search are angles and standard deviations, not lengths)."""
    shots = surveyed(name, 7)
    scaled = msgspec.structs.replace(shots, points=shots.points * factor, covariances=shots.covariances * factor**2)
    plain, large = as_built(shots, closed=True, arcs=True), as_built(scaled, closed=True, arcs=True)
    assert len(plain.shape.chain) == len(large.shape.chain)
    assert large.shape.chain.length == pytest.approx(plain.shape.chain.length * factor, rel=1e-4)
