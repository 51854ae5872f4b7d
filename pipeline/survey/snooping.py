"""Blunders found one at a time: the observation with the largest test statistic goes, the rest are adjusted again, until none stands out."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import msgspec
import numpy as np

from pipeline.survey.adjustment import REDUNDANCY_LEAST, Solution, adjusted, baarda_critical, blunder_sizes, pope_critical
from pipeline.survey.elimination import solution
from pipeline.survey.network import Network, Observation

Criterion = Literal["baarda", "pope"]

SAME_STATISTIC: Final = 0.98  # correlation of two test statistics beyond which one error shows in both alike
WEAKEST_CHECK: Final = 0.02  # below this redundancy a blunder hides in the coordinates, and its size is a guess
SHARE_OF_BLUNDERS: Final = 0.1  # of all observations; beyond it the survey as a whole does not fit
MOST_BLUNDERS: Final = 10
UNSETTLED_ROUNDS: Final = 2  # blunders taken out of a network that does not settle, in the hope that it then does


class Rejected(NamedTuple):
    """An observation taken out: by how much it is off [m or rad], and the statistic against its critical value."""

    observation: Observation
    size: float
    sigma_size: float
    statistic: float
    critical: float


class Snooped(NamedTuple):
    """A network without the observations that stood out.

    Parameters
    ----------
    solution : Solution
        Of what was kept.
    rejected : tuple of Rejected
        In the order they went.
    unlocated : tuple of Observation
        One of these is wrong, and nothing tells which; empty when there is no such doubt.
    exhausted : bool
        Whether so many stood out that the survey as a whole does not fit.
    """

    solution: Solution
    rejected: tuple[Rejected, ...] = ()
    unlocated: tuple[Observation, ...] = ()
    exhausted: bool = False


def snooped(network: Network, *, criterion: Criterion = "baarda", free: bool = False) -> Snooped:
    """Adjust a network and take out blunders one by one.

    Parameters
    ----------
    network : Network
        With approximate coordinates.
    criterion : {"baarda", "pope"}
        Baarda tests with the a-priori sigmas (right where the instrument's are known), Pope with the a-posteriori one.
    free : bool
        As in `adjusted`.

    Notes
    -----
    A blunder is located when its statistic leads alone; observations whose statistics are the same by geometry
    (every one of a network with one degree of freedom) are returned together instead.
    """
    rejected: list[Rejected] = []
    most = max(1, min(MOST_BLUNDERS, int(SHARE_OF_BLUNDERS * len(network.observations))))
    while True:
        found = adjusted(network, free=free)
        leader, statistic, critical = _leader(found, criterion)
        if leader is None or statistic <= critical:
            return Snooped(found, tuple(rejected))
        alike = _alike(found, leader)
        if len(alike) > 1:
            return Snooped(found, tuple(rejected), tuple(network.observations[row] for row in alike))
        if len(rejected) == most or (not found.converged and len(rejected) >= UNSETTLED_ROUNDS):
            return Snooped(found, tuple(rejected), exhausted=True)
        rejected.append(_rejected(found, leader, statistic, critical))
        network = _without(network, leader, found)


def critical_value(found: Solution, criterion: Criterion) -> float:
    """Return what a statistic is held against: Baarda's k, raised so that a survey of good shots fails once in a hundred; or Pope's tau."""
    count = len(found.residuals)
    if criterion == "pope":
        return pope_critical(count, found.degrees_of_freedom)
    checked = max(1, int((found.redundancy > REDUNDANCY_LEAST).sum()))
    return max(baarda_critical(), baarda_critical(0.01 / checked))


def _leader(found: Solution, criterion: Criterion) -> tuple[int | None, float, float]:
    if found.degrees_of_freedom < 1:
        return None, 0.0, 0.0
    statistics = np.abs(found.w if criterion == "baarda" else found.tau)
    leader = int(np.argmax(statistics))
    critical = critical_value(found, criterion)
    if criterion == "pope" and found.degrees_of_freedom == 1:
        return None, 0.0, critical  # every tau is 1 then
    return leader, float(statistics[leader]), critical


def _alike(found: Solution, leader: int) -> list[int]:
    """Return the observations whose statistic moves with the leader's, the leader included."""
    weighted = found.jacobian
    row = weighted[[leader]].toarray().ravel()
    if found.inverse is not None:
        spread = weighted @ (found.inverse @ row)
    elif found.factor is not None:
        spread = weighted @ solution(found.factor, row)
    else:
        spread = np.zeros(len(found.residuals))
    shared = -np.asarray(spread)
    shared[leader] += 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = shared / np.sqrt(found.redundancy * found.redundancy[leader])
    correlated = (found.redundancy > REDUNDANCY_LEAST) & (np.abs(np.nan_to_num(correlation)) > SAME_STATISTIC)
    correlated[leader] = True
    return [int(row) for row in np.flatnonzero(correlated)]


def _rejected(found: Solution, row: int, statistic: float, critical: float) -> Rejected:
    sigma = float(found.design.sigmas[row] / np.sqrt(found.redundancy[row]))
    return Rejected(found.network.observations[row], float(blunder_sizes(found)[row]), sigma, statistic, critical)


def _without(network: Network, row: int, found: Solution) -> Network:
    """Return the network less one observation, starting from where it stands now."""
    points = tuple(
        msgspec.structs.replace(point, east=float(place[0]), north=float(place[1]), up=float(place[2]))
        for point, place in zip(network.points, found.places, strict=True)
    )
    return Network(points=points, observations=network.observations[:row] + network.observations[row + 1 :])
