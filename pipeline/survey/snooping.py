"""Blunders found one at a time: the observation with the largest test statistic goes, the rest are adjusted again, until none stands out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal, NamedTuple

import msgspec
import numpy as np

from pipeline.survey.adjustment import REDUNDANCY_LEAST, Solution, adjusted, baarda_critical, blunder_sizes, covariance, pope_critical
from pipeline.survey.design import Floats, design_of, misclosures
from pipeline.survey.elimination import solution
from pipeline.survey.network import Network, NetworkPoint, Observation

Criterion = Literal["baarda", "pope"]

ROUNDING: Final = 1e-6  # share by which two statistics differ for no other reason
TIED_HEIGHTS: Final = 0.9  # correlation of the test statistics of two zenith angles from which a rod height may show in both
SEPARATION: Final = 2.6  # sigmas by which an explanation has to beat the next best: the wrong one of two is then taken less than once in 200
SHARE_OF_BLUNDERS: Final = 0.1  # of all observations; beyond it the survey as a whole does not fit
SCATTER_MOST: Final = 3.0  # times the sigmas: beyond it good shots are no explanation
SCATTER_FREEDOM: Final = 6  # degrees of freedom from which the shots themselves tell how good they are
MOST_BLUNDERS: Final = 10
UNSETTLED_ROUNDS: Final = 2  # blunders taken out of a network that does not settle, in the hope that it then does


class Rejected(NamedTuple):
    """An observation taken out.

    Parameters
    ----------
    observation : Observation
    size, sigma_size : float
        By how much it is off as judged when it went, in the network with whatever went after it [m] or [rad], and how well that is known.
    statistic, critical : float
        What it was rejected by [-].
    final_size : float
        By how much it is off against the network without any of the rejected, however far off it is [m] or [rad].
    """

    observation: Observation
    size: float
    sigma_size: float
    statistic: float
    critical: float
    final_size: float


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


def snooped(network: Network, *, criterion: Criterion = "baarda", free: bool = False, separation: float = SEPARATION) -> Snooped:
    """Adjust a network and take out blunders one by one.

    Parameters
    ----------
    network : Network
        With approximate coordinates.
    criterion : {"baarda", "pope"}
        Baarda tests with the a-priori sigmas (right where the instrument's are known), unless by Pope's test nothing stands
        apart from a general scatter; Pope tests with the a-posteriori sigma alone.
    free : bool
        As in `adjusted`.
    separation : float
        Sigmas by which the wrong observation has to lead those that geometry ties to it; 0 is the textbooks' procedure, which takes the
        largest statistic and asks no further.

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
            return Snooped(found, _sized(rejected, found))
        alike = _alike(found, leader, criterion, separation)
        if len(alike) > 1:
            return Snooped(found, tuple(rejected), tuple(network.observations[row] for row in alike))
        if len(rejected) == most or (not found.converged and len(rejected) >= UNSETTLED_ROUNDS):
            return Snooped(found, tuple(rejected), exhausted=True)
        rejected.append(_rejected(found, leader, statistic, critical))
        network = _without(network, leader, found)


def snooped_beside(network: Network, aside: Sequence[Observation]) -> Snooped:
    """Adjust a network without distances so far off that they would drag their points away, then hold them against it.

    Parameters
    ----------
    network : Network
        Without those in doubt.
    aside : sequence of Observation
        Distances in plan; they are rejected where they miss the adjusted network, else everything is adjusted together.
    """
    found = snooped(network)
    if not aside:
        return found
    critical = critical_value(found.solution, "baarda")
    tested = [_against(found.solution, o, critical) for o in aside]
    if any(one.statistic <= critical for one in tested):
        return snooped(Network(points=network.points, observations=(*network.observations, *aside)))
    return found._replace(rejected=(*tested, *found.rejected))


def _against(found: Solution, o: Observation, critical: float) -> Rejected:
    """Return a distance that took no part in an adjustment as rejected by it: observed less predicted, in sigmas of both."""
    start, end = found.place(o.at)[:2], found.place(o.to)[:2]
    level = math.dist(start, end)
    along = np.array([start[0] - end[0], start[1] - end[1], 0.0, end[0] - start[0], end[1] - start[1], 0.0]) / level
    sigma = math.sqrt(o.sigma**2 + float(along @ covariance(found, [o.at, o.to]) @ along))
    return Rejected(o, o.value - level, sigma, abs(o.value - level) / sigma, critical, o.value - level)


def _sized(rejected: Sequence[Rejected], found: Solution) -> tuple[Rejected, ...]:
    """Return the rejected with their sizes against the network without them: observed less what it predicts, however large they are."""
    if not rejected:
        return ()
    groups = list(dict.fromkeys(o.group for o in found.network.observations if o.kind == "direction"))
    points = _points_at(found)
    sizes = []
    for one in rejected:
        o = one.observation
        if o.kind == "direction" and o.group not in groups:
            sizes.append(one.size)  # the last direction of its occupation: nothing predicts it
            continue
        design = design_of(Network(points=points, observations=(o,)))
        turn = found.orientations[[groups.index(o.group)]] if o.kind == "direction" else np.zeros(0)
        sizes.append(float(misclosures(design, design.places, turn)[0]))
    return tuple(one._replace(final_size=size) for one, size in zip(rejected, sizes, strict=True))


def first_largest(statistics: Floats) -> int:
    """Return where the largest statistic stands; of several that are the same but for rounding, the first, so that every machine names the same."""
    return int(np.argmax(statistics >= statistics.max() * (1 - ROUNDING)))


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
    leader = first_largest(statistics)
    critical = critical_value(found, criterion)
    if criterion == "baarda" and _is_scatter(found):
        return None, 0.0, critical
    if criterion == "pope" and found.degrees_of_freedom == 1:
        return None, 0.0, critical  # every tau is 1 then
    return leader, float(statistics[leader]), critical


def _is_scatter(found: Solution) -> bool:
    """All observations somewhat worse than their sigmas, and none apart from the rest: that is a careless crew and no blunder."""
    if found.degrees_of_freedom < SCATTER_FREEDOM or not 1 < found.sigma0 < SCATTER_MOST:
        return False
    return float(np.abs(found.tau).max()) <= pope_critical(len(found.residuals), found.degrees_of_freedom)


def _alike(found: Solution, leader: int, criterion: Criterion, separation: float) -> list[int]:
    """Return the observations that may be the wrong one as well as the leader, the leader included.

    An observation is another explanation when the network without it leaves the leader unsuspected, and when that network fits nearly
    as well as the one without the leader.  How much better the leader explains the misfit is twice the logarithm of the likelihoods'
    ratio: ``w_i² − w_j²`` with known sigmas, ``(f − 1) ln((f − tau_j²) / (f − tau_i²))`` with sigmas out of the residuals.

    Notes
    -----
    Where j is wrong by δ (in sigmas of w) and ρ > 0 is the correlation of the two statistics, ``w_i − w_j`` is normal about
    ``−(1 − ρ) δ`` with variance ``2 (1 − ρ)``, and ``w_i + w_j`` is about ``(1 + ρ) δ``.  So ``w_i² − w_j²`` exceeds k² by chance
    when a standard normal deviate exceeds ``((1 − ρ) δ + k² / ((1 + ρ) δ)) / √(2 (1 − ρ))``, which is no less than
    ``k √(2 / (1 + ρ)) ≥ k`` whatever the geometry and the blunder's size: at k = 2.6, once in 200.
    """
    correlation = _correlation(found, leader)
    ahead = _log_likelihood_lead(found, leader, criterion)
    left = _leader_without(found, leader, criterion, correlation)
    alike = (found.redundancy > REDUNDANCY_LEAST) & (ahead <= separation**2 + ROUNDING * found.tau[leader] ** 2)
    alike &= left <= critical_value(found, criterion)
    if separation and found.network.observations[leader].kind == "zenith":
        # a rod height that was mistaken is no error of the zenith angle alone: it leans on the slope distance too, and the lead says little
        zeniths = np.array([o.kind == "zenith" for o in found.network.observations])
        alike |= zeniths & (np.abs(correlation) > TIED_HEIGHTS) & (found.redundancy > REDUNDANCY_LEAST)
    alike[leader] = True
    return [int(row) for row in np.flatnonzero(alike)]


def _correlation(found: Solution, leader: int) -> Floats:
    """Return the correlation of every observation's test statistic with the leader's, −1 to 1 [-]."""
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
    return np.asarray(np.clip(np.nan_to_num(correlation), -1.0, 1.0))


def _log_likelihood_lead(found: Solution, leader: int, criterion: Criterion) -> Floats:
    """Return twice the logarithm of how much likelier the residuals are with the leader wrong than with each other one [-]."""
    if criterion == "baarda":
        lead: Floats = found.w[leader] ** 2 - found.w**2
        return lead
    freedom = found.degrees_of_freedom
    left = np.maximum(freedom - found.tau**2, 1e-12 * freedom)  # what the misfit is without each, in shares of the variance factor
    return np.asarray((freedom - 1) * np.log(left / left[leader]))


def _leader_without(found: Solution, leader: int, criterion: Criterion, correlation: Floats) -> Floats:
    """Return the leader's statistic in the network without each other observation; 0 where both are one and the same.

    ``(w_i − ρ w_j) / √(1 − ρ²)``, and for tau in the variance factor of that network, ``(f − tau_j²) / (f − 1)``.
    """
    signed, freedom = (found.w if criterion == "baarda" else found.tau), found.degrees_of_freedom
    rest = np.abs(signed[leader] - correlation * signed) / np.sqrt(np.maximum(1 - correlation**2, ROUNDING))
    if criterion == "pope":
        rest *= np.sqrt((freedom - 1) / np.maximum(freedom - found.tau**2, 1e-12 * freedom))
    return np.where(np.abs(correlation) < 1 - ROUNDING, rest, 0.0)


def _rejected(found: Solution, row: int, statistic: float, critical: float) -> Rejected:
    sigma = float(found.design.sigmas[row] / np.sqrt(found.redundancy[row]))
    size = float(blunder_sizes(found)[row])
    return Rejected(found.network.observations[row], size, sigma, statistic, critical, size)


def _without(network: Network, row: int, found: Solution) -> Network:
    """Return the network less one observation, starting from where it stands now."""
    return Network(points=_points_at(found), observations=network.observations[:row] + network.observations[row + 1 :])


def _points_at(found: Solution) -> tuple[NetworkPoint, ...]:
    """Return the network's points where the adjustment put them."""
    return tuple(
        msgspec.structs.replace(point, east=float(place[0]), north=float(place[1]), up=float(place[2]))
        for point, place in zip(found.network.points, found.places, strict=True)
    )
