"""How long a large network takes: 2,000 points with 6,000 observations, and 500 points against a dense solution.

Run by hand for figures: ``pytest -n 0 -s -m long tests/benchmarks/test_survey_speed.py``; time is that of the processor, so that a busy
machine does not count.
"""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from pipeline.survey.adjustment import adjusted, point_covariances
from pipeline.survey.design import design_of, jacobian, misclosures
from pipeline.survey.network import Network, NetworkPoint, Observation


def made_network(points: int, distances: int, directions: int, seed: int = 1) -> Network:
    """Points all over a field, each tied to its neighbours; every hundredth is held."""
    source = np.random.default_rng(seed)
    places = source.uniform(0, 300 * math.sqrt(points / 2000), (points, 2))
    near = cKDTree(places).query(places, k=12)[1]
    pairs = sorted(
        {(min(i, int(j)), max(i, int(j))) for column in range(1, 12) for i, j in enumerate(near[:, column])},
        key=lambda p: math.dist(places[p[0]], places[p[1]]),
    )
    ties = pairs[:distances]
    observations = [
        Observation(kind="distance", at=str(i), to=str(j), value=math.dist(places[i], places[j]) + source.normal(0, 0.003), sigma=0.003)
        for i, j in ties
    ]
    zeros = source.uniform(0, 6, points)
    for i, j in pairs[: directions * 2 : 2]:
        azimuth = math.atan2(*(places[j] - places[i]))
        observations.append(
            Observation(kind="direction", at=str(i), to=str(j), group=f"g{i}", value=azimuth - zeros[i] + source.normal(0, 3e-5), sigma=3e-5)
        )
    held = dict.fromkeys(range(0, points, 100), "EN")
    start = places + np.where([[number in held] for number in range(points)], 0.0, source.normal(0, 0.05, places.shape))
    tied = {name for o in observations for name in (o.at, o.to)}
    degree = dict.fromkeys(tied, 0)
    for o in observations:
        degree[o.at] += 1
        degree[o.to] += 1
    for number in range(points):
        if degree.get(str(number), 0) < 4 and number not in held:
            for j in near[number, 1:6]:
                observations.append(Observation(kind="distance", at=str(number), to=str(j), value=math.dist(places[number], places[j]), sigma=0.003))
    nodes = tuple(NetworkPoint(name=str(number), east=float(e), north=float(n), held=held.get(number, "")) for number, (e, n) in enumerate(start))
    return Network(points=nodes, observations=tuple(observations))


def processor_seconds(work) -> tuple[float, object]:
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def dense_solution(network: Network) -> np.ndarray:
    """The same network by scipy's dense least squares with the same derivatives; places of all points [m]."""
    design = design_of(network)
    free = design.columns >= 0

    def places_at(unknowns):
        places = design.places.copy()
        places[free] = unknowns[design.columns[free]]
        return places

    def residuals(unknowns):
        return -misclosures(design, places_at(unknowns), unknowns[design.orientations]) / design.sigmas

    def slopes(unknowns):
        return jacobian(design, places_at(unknowns)).toarray() / design.sigmas[:, None]

    start = np.zeros(design.unknowns)
    start[design.columns[free]] = design.places[free]
    found = least_squares(residuals, start, slopes, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    return places_at(found.x) + design.centre


def test_two_thousand_points_in_two_seconds():
    network = made_network(2000, 6000, 0)
    assert len(network.observations) >= 6000
    seconds, found = processor_seconds(lambda: adjusted(network))
    assert found.converged
    print(f"{len(network.points)} points, {len(network.observations)} observations: {seconds:.2f} s")
    assert seconds <= 2.0
    assert np.isfinite(point_covariances(found)).all()


def compared(points: int) -> float:
    network = made_network(points, 3 * points, 0)
    mine, found = processor_seconds(lambda: adjusted(network))
    theirs, places = processor_seconds(lambda: dense_solution(network))
    assert np.abs(found.places - places)[:, :2].max() < 1e-7
    print(f"{points} points: {mine:.2f} s, dense {theirs:.2f} s, {theirs / mine:.0f} times")
    return theirs / mine


def test_same_digits_as_a_dense_solution_and_faster():
    assert compared(150) > 1


@pytest.mark.long
def test_five_times_faster_than_a_dense_solution():
    assert compared(500) >= 5


def test_a_star_of_detail_points_is_linear():
    """4,000 detail points round a station, each with a direction and a distance: eliminated one by one."""
    source = np.random.default_rng(3)
    spots = source.uniform(-40, 40, (4000, 2))
    nodes = [NetworkPoint(name="A", east=0, north=0, held="EN"), NetworkPoint(name="B", east=0, north=60, held="E")]
    observations = [
        Observation(kind="distance", at="A", to="B", value=60, sigma=0.002),
        Observation(kind="direction", at="A", to="B", group="a", value=0, sigma=2e-5),
    ]
    for number, (east, north) in enumerate(spots):
        name = f"p{number}"
        nodes.append(NetworkPoint(name=name, east=east, north=north))
        observations += [
            Observation(kind="direction", at="A", to=name, group="a", value=math.atan2(east, north), sigma=2e-5),
            Observation(kind="distance", at="A", to=name, value=math.hypot(east, north), sigma=0.002),
        ]
    seconds, found = processor_seconds(lambda: adjusted(Network(points=tuple(nodes), observations=tuple(observations))))
    assert found.converged and seconds <= 2.0
