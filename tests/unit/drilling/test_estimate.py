"""The estimate against a general least-squares solver, its covariance against many crews."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from pipeline.drilling.estimate import estimated, place_of
from pipeline.drilling.lineup import line_up
from pipeline.drilling.network import Sigmas, network_of
from pipeline.drilling.sheet import read_sheet
from pipeline.model.survey import Frame
from tests.unit.drilling.drilled_fences import MARKS, distances, places_of, plan_of, shot, tied

PLAN = plan_of(4, 4)
SIGMAS = Sigmas(to_next=0.001, tie=0.003, coordinate=0.003)
OFF = {"H002": (0.006, -0.004), "H004": (-0.005, 0.007), "H007": (0.003, 0.009)}


def network(sheet: str):
    rows = read_sheet(sheet.encode(), [hole.name for hole in PLAN.holes], {mark.name: mark.place for mark in MARKS}, "mm", Frame())
    lineup = line_up(PLAN, {row.hole: row for row in rows}, {hole.name: 0.0028 for hole in PLAN.holes})
    return network_of(lineup, rows, {mark.name: mark for mark in MARKS}, SIGMAS)


def mixed() -> str:
    """Distances of all holes, ties and coordinates of some, marks shot again."""
    ties = {line.split(",")[0]: line.split(",", 1)[1] for line in tied(places_of(PLAN, **OFF)).splitlines()[1:]}
    shots = {line.split(",")[0]: line.split(",")[1:3] for line in shot(places_of(PLAN, **OFF), also_marks=True, shift=(0.02, 0.01)).splitlines()[1:]}
    rows = ["hole,to_next,tie_a,tie_b,n,e"]
    for line in distances(places_of(PLAN, **OFF)).splitlines()[1:]:
        name, to_next, _ = line.split(",")
        rows.append(
            ",".join(
                [name, to_next, *(ties[name].split(",") if name in ("H002", "H004") else ("", "")), *(shots[name] if name > "H005" else ("", ""))]
            )
        )
    return "\n".join([*rows, *(f"{mark.name},,,,{shots[mark.name][0]},{shots[mark.name][1]}" for mark in MARKS)]) + "\n"


@pytest.mark.outside(source="scipy.optimize.least_squares, trust region", compares="estimated places of holes, marks and frame", tolerance="1e-7 m")
@pytest.mark.parametrize("sheet", [distances(places_of(PLAN, **OFF)), tied(places_of(PLAN, **OFF)), shot(places_of(PLAN, **OFF)), mixed()])
def test_the_estimate_is_the_least_of_the_weighted_squares(sheet):
    net = network(sheet)
    estimate = estimated(net, net.prior, np.ones(len(net.observed), dtype=bool))
    values, sigmas = np.array([one.value for one in net.observed]), np.array([one.sigma for one in net.observed])
    root = np.linalg.cholesky(np.linalg.inv(net.prior)).T

    def weighted(off):
        return np.concatenate([(values - net.computed(net.start + off)[0]) / sigmas, root @ off])

    best = least_squares(weighted, np.zeros(len(net.start)), xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale=np.sqrt(np.diag(net.prior)))
    assert np.abs(net.start + best.x - estimate.state).max() < 1e-7
    jacobian = np.linalg.inv(best.jac.T @ best.jac)
    assert np.sqrt(np.diag(estimate.covariance)) == pytest.approx(np.sqrt(np.diag(jacobian)), rel=1e-3)


def test_derivatives_are_those_of_the_computed_values():
    net = network(mixed())
    rng = np.random.default_rng(1)
    state = net.start + rng.normal(0.0, 0.01, len(net.start))
    _, slopes = net.computed(state)
    for index in range(len(state)):
        step = np.zeros(len(state))
        step[index] = 1e-6
        central = (net.computed(state + step)[0] - net.computed(state - step)[0]) / 2e-6
        assert slopes[:, index] == pytest.approx(central, abs=1e-6)


def test_with_nothing_read_everything_stays_planned():
    net = network("hole,remark\nH002,by the drain\n")
    estimate = estimated(net, net.prior, np.ones(0, dtype=bool))
    assert [place_of(net, estimate, hole.name) for hole in PLAN.holes] == [hole.place for hole in PLAN.holes]
    assert estimate.variance_factor == 1.0


def test_many_crews_are_off_by_what_the_covariance_says():
    """200 fences drilled and taped: the squares of the errors, each over its variance, average one."""
    rng = np.random.default_rng(7)
    squares = []
    for _ in range(200):
        off = {hole.name: tuple(rng.normal(0.0, 0.0028, 2)) for hole in PLAN.holes}
        true = places_of(PLAN, **off)
        read = distances(true, **{name: round(1000 * (float(np.hypot(*np.subtract(true[name], true[after]))) + rng.normal(0.0, 0.001)), 1)
                                  for name, after in zip(list(true)[:-1], list(true)[1:], strict=True)})  # fmt: skip
        net = network(read)
        estimate = estimated(net, net.prior, np.ones(len(net.observed), dtype=bool))
        for name in true:
            at = net.at(name)
            error = estimate.state[at] - np.array(true[name])
            squares.append(float(error @ np.linalg.solve(estimate.covariance[at, at], error)) / 2)
    assert np.mean(squares) == pytest.approx(1.0, abs=4 / np.sqrt(len(squares)))
