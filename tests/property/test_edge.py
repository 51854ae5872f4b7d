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
from pipeline.geometry.chain import polyline
from tests.benchmarks.edge_truth import SHAPES, STRETCHES, FreeForm, shoot
from tests.outside.test_edge_outlines import outlines, shot

SAME = 2e-5  # [m] the adjustment stops when chi-square moves by less than 1e-5: a hundredth of a millimetre of a sliding join

KINDS = ("rectangle", "L", "round ends", "kidney", "Roman ends", "with spa", "lagoon")


def surveyed(name: str, seed: int) -> Shots:
    return shoot(SHAPES[name](), 0.8, 0.004, np.random.default_rng(seed)).shots


FITTED: dict[tuple[tuple[str, ...], bytes, bytes], np.ndarray] = {}  # a survey seen in six ways is fitted once as it is


def edge(shots: Shots) -> np.ndarray:
    """Places of the fitted edge square to each shot, in the shots' order."""
    survey = (shots.names, shots.points.tobytes(), shots.covariances.tobytes())
    if survey not in FITTED:
        FITTED[survey] = _edge(shots)
    return FITTED[survey]


def _edge(shots: Shots) -> np.ndarray:
    chain = as_built(shots, closed=True, arcs=True).shape.chain
    return np.array([chain.point_at(chain.nearest(tuple(place))[0]) for place in shots.points])


def at(shots: Shots, points: np.ndarray, turn: np.ndarray | None = None) -> Shots:
    covariances = shots.covariances if turn is None else turn @ shots.covariances @ turn.T
    return msgspec.structs.replace(shots, points=points, covariances=covariances)


FREE = "free form"
SHIFT = np.array([431.7, -288.1])  # [m]


def any_shape(name: str, seed: int) -> Shots:
    if name == FREE:
        return FreeForm().shoot(0.6, 0.004, np.random.default_rng(seed))[1]
    if name in STRETCHES:
        return STRETCHES[name]().shoot(0.6, 0.004, np.random.default_rng(seed))[1]
    return shoot(SHAPES[name](), 0.7, 0.004, np.random.default_rng(seed)).shots


def turned(shots: Shots, angle: float = 2.1) -> tuple[Shots, np.ndarray]:
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    return at(shots, shots.points @ turn.T, turn), edge(shots) @ turn.T


def shifted(shots: Shots) -> tuple[Shots, np.ndarray]:
    return at(shots, shots.points + SHIFT), edge(shots) + SHIFT


def mirrored(shots: Shots) -> tuple[Shots, np.ndarray]:
    mirror = np.diag([-1.0, 1.0])
    return at(shots, shots.points @ mirror, mirror), edge(shots) @ mirror


def reversed_(shots: Shots) -> tuple[Shots, np.ndarray]:
    return shots.taken(range(len(shots) - 1, -1, -1)), edge(shots)[::-1]


def begun_elsewhere(shots: Shots) -> tuple[Shots, np.ndarray]:
    order = [(index + len(shots) // 3) % len(shots) for index in range(len(shots))]
    return shots.taken(order), edge(shots)[order]


def all_at_once(shots: Shots) -> tuple[Shots, np.ndarray]:
    """Mirrored, turned, shifted, shot the other way from another shot."""
    order = [(len(shots) // 3 - index) % len(shots) for index in range(len(shots))]
    turn = np.array([[math.cos(0.9), -math.sin(0.9)], [math.sin(0.9), math.cos(0.9)]]) @ np.diag([-1.0, 1.0])
    moved = at(shots, shots.points @ turn.T + (-57.3, 1210.9), turn)
    return moved.taken(order), (edge(shots) @ turn.T + (-57.3, 1210.9))[order]


WAYS = (turned, shifted, mirrored, reversed_, begun_elsewhere)


def moved_by(shots: Shots, way) -> float:
    """How far [m] the edge of a survey seen otherwise lies off the edge seen otherwise, at the shots."""
    other, expected = way(shots)
    return float(np.abs(edge(other) - expected).max())


@pytest.mark.parametrize("name", [*SHAPES, FREE, *STRETCHES])
def test_any_shape_seen_otherwise_in_every_way_at_once(name):
    assert moved_by(any_shape(name, 11), all_at_once) < SAME


@pytest.mark.long
@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", [*SHAPES, FREE, *STRETCHES])
def test_any_shape_seen_otherwise(name, way, seed):
    assert moved_by(any_shape(name, seed), way) < SAME


@pytest.mark.long
@pytest.mark.parametrize("way", [*WAYS, all_at_once])
@pytest.mark.parametrize("index", range(19))
def test_any_real_outline_seen_otherwise(index, way, checks_folder):
    outline = outlines(checks_folder)[index]
    assert moved_by(shot(polyline(outline["local_xy_m"][:-1], closed=True), 0), way) < SAME


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
