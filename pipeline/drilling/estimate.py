"""The holes as they are: least squares from plan, survey and measurements together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipeline.drilling.network import Network, Vector

ITERATIONS: Final = 60
CONVERGED: Final = 1e-10  # [m]
STEP_MOST: Final = 0.2  # [m] of one iteration, so that a hole hardly known does not leap
STILL: Final = 1e-8  # [m] a hole moved by less stands where the plan has it
DIGITS: Final = 9  # of a place [m]: a nanometre, so that the bytes do not hang on the order of sums
DIGITS_SQUARED: Final = 12  # of a covariance [m²]


@dataclass(frozen=True)
class Estimate:
    """The unknowns, their covariance, and how each reading lies to them.

    `residuals` are value less estimate, `scaled` the same over their own standard deviation [-]; both for the followed
    readings, None for the others.
    """

    state: Vector
    covariance: Vector
    residuals: Vector
    scaled: tuple[float | None, ...]
    iterations: int
    variance_factor: float


def estimated(network: Network, prior: Vector, followed: Vector) -> Estimate:
    """Adjust the unknowns to the followed readings.

    Parameters
    ----------
    network, prior, followed
        Unknowns and readings; covariance of the unknowns beforehand, shape (unknowns, unknowns) [m²]; which readings count, shape (readings,).

    Notes
    -----
    Gauss-Newton on the readings with the plan as an observation: with x0, S the plan and its covariance, l the values, A the derivatives at x and
    R the readings' variances, x' = x0 + S Aᵀ (A S Aᵀ + R)⁻¹ (l - f(x) + A (x - x0)), until nothing moves; the covariance is S - S Aᵀ (A S Aᵀ + R)⁻¹ A S
    (the observation form of least squares with prior information; from memory: A. Tarantola, Inverse Problem Theory, chapter 3).
    """
    values = np.array([one.value for one in network.observed])
    variances = np.array([one.sigma**2 for one in network.observed])
    state, moved, iterations = network.start.copy(), np.inf, 0
    while moved > CONVERGED and iterations < ITERATIONS:
        computed, slopes = network.computed(state)
        slopes = slopes[followed]
        misclosure = (values - computed)[followed] + slopes @ (state - network.start)
        reach = prior @ slopes.T
        gain = np.linalg.solve(slopes @ reach + np.diag(variances[followed]), reach.T).T if followed.any() else reach
        step = network.start + gain @ misclosure - state
        longest = float(np.abs(step).max()) if len(step) else 0.0
        state = state + step * min(1.0, STEP_MOST / longest) if longest > 0 else state
        moved, iterations = longest, iterations + 1
    covariance = prior - gain @ reach.T
    computed, slopes = network.computed(state)
    residuals = values - computed
    spread = slopes @ covariance @ slopes.T
    own = np.sqrt(np.maximum(variances - np.diag(spread), 1e-14))
    scaled = tuple(float(residuals[i] / own[i]) if followed[i] and own[i] > 1e-6 else None for i in range(len(values)))
    return Estimate(
        state=state,
        covariance=covariance,
        residuals=residuals,
        scaled=scaled,
        iterations=iterations,
        variance_factor=_variance_factor(network, prior, state, residuals, variances, followed),
    )


def place_of(network: Network, estimate: Estimate, name: str) -> tuple[float, float]:
    """Return where a hole is [m]: bit for bit where the plan has it, when nothing moves it."""
    at = network.at(name)
    before, after = network.start[at], estimate.state[at]
    if np.abs(after - before).max() < STILL:
        return float(before[0]), float(before[1])
    return round(float(after[0]), DIGITS), round(float(after[1]), DIGITS)


def _variance_factor(network: Network, prior: Vector, state: Vector, residuals: Vector, variances: Vector, followed: Vector) -> float:
    """Return the weighted squares of readings and plan over the number of readings [-]; 1 without any."""
    if not followed.any():
        return 1.0
    off = state - network.start
    loose = np.diag(prior) > 0
    plan = off[loose] @ np.linalg.solve(prior[np.ix_(loose, loose)], off[loose])
    return round(float((residuals[followed] ** 2 / variances[followed]).sum() + plan) / int(followed.sum()), 6)
