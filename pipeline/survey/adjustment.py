"""Least squares for survey networks: coordinates, their covariance, and what every observation has to say about itself.

Parametric adjustment by Gauss-Newton steps, halved where a step makes the sum of squares worse:
``N = AᵀPA``, ``dx = N⁻¹AᵀPl``; a free network is solved under inner constraints, ``N + GGᵀ``.

References
----------
W. Baarda, "A testing procedure for use in geodetic networks", 1968; A. J. Pope, "The statistics of residuals and
the detection of outliers", 1976; C. D. Ghilani, "Adjustment Computations", chapters 14-21 (all from memory; the tests
hold this module against networks published in textbooks).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse, special

from pipeline.survey.design import Design, Floats, Indices, design_of, first_orientations, jacobian, misclosures
from pipeline.survey.elimination import Factor, RankDefectError, columns_of_inverse, factorised, products, solution
from pipeline.survey.network import Network
from pipeline.survey.refusals import refusal

MOST_ITERATIONS: Final = 30
SMALLEST_STEP: Final = 1e-11  # of the network's extent; below it the digits of a double are used up
BAARDA_ALPHA: Final = 0.001  # two-sided, of one test
BAARDA_POWER: Final = 0.80
REDUNDANCY_LEAST: Final = 1e-6  # an observation with less checks nothing


class Solution(NamedTuple):
    """An adjusted network.

    Parameters
    ----------
    network : Network
        What was adjusted.
    places : Floats, shape (points, 3)
        Adjusted east, north, up [m].
    orientations : Floats, shape (groups,)
        [rad]
    residuals : Floats, shape (observations,)
        Adjusted less observed [m] or [rad].
    redundancy : Floats, shape (observations,)
        Share of an error that shows in the observation's own residual, 0 to 1 [-].
    w : Floats
        Baarda's normalised residuals, with the a-priori variance factor [-].
    tau : Floats
        Pope's studentised residuals, with the a-posteriori one [-].
    sum_of_squares : float
        vᵀPv [-]
    degrees_of_freedom, iterations : int
    converged : bool
    """

    network: Network
    design: Design
    places: Floats
    orientations: Floats
    residuals: Floats
    redundancy: Floats
    w: Floats
    tau: Floats
    sum_of_squares: float
    degrees_of_freedom: int
    iterations: int
    converged: bool
    factor: Factor | None
    inverse: Floats | None
    jacobian: Any

    @property
    def variance_factor(self) -> float:
        """A-posteriori over a-priori variance of unit weight; 1 without redundancy."""
        return self.sum_of_squares / self.degrees_of_freedom if self.degrees_of_freedom > 0 else 1.0

    @property
    def sigma0(self) -> float:
        return math.sqrt(self.variance_factor)

    def place(self, name: str) -> tuple[float, float, float]:
        """Return adjusted (east, north, up) of a point [m]."""
        east, north, up = self.places[self.design.names.index(name)]
        return float(east), float(north), float(up)


def adjusted(network: Network, *, free: bool = False) -> Solution:
    """Adjust a network by least squares.

    Parameters
    ----------
    network : Network
        With approximate coordinates.
    free : bool
        Solve for the shape alone, under inner constraints over all points; nothing needs to be held.

    Raises
    ------
    SurveyError
        When the observations do not determine the points; names them.

    Examples
    --------
    >>> from pipeline.survey.network import NetworkPoint, Observation
    >>> marks = [NetworkPoint(name="A", east=0, north=0, held="ENU"), NetworkPoint(name="B", east=6, north=0, held="ENU")]
    >>> ties = [Observation(kind="distance", at=a, to="P", value=5, sigma=0.003) for a in "AB"]
    >>> found = adjusted(Network(points=(*marks, NetworkPoint(name="P", east=2.9, north=4.2)), observations=tuple(ties)))
    >>> [round(value, 9) for value in found.place("P")[:2]]
    [3.0, 4.0]
    """
    design = design_of(network)
    try:
        return _iterated(network, design, free)
    except RankDefectError as defect:
        raise _undetermined(design, defect.direction) from None


def covariance(found: Solution, names: Sequence[str]) -> Floats:
    """Return the full covariance of the asked points [m²], a-priori scale, rows east, north, up of each; zeros for what is held."""
    design = found.design
    index = [design.names.index(name) for name in names]
    columns = design.columns[index].ravel()
    free = columns >= 0
    out = np.zeros((len(columns), len(columns)))
    if found.inverse is not None:
        part = found.inverse[np.ix_(columns[free], columns[free])]
    elif found.factor is not None:
        part = columns_of_inverse(found.factor, columns[free])[columns[free]]
    else:
        return out
    out[np.ix_(free, free)] = part
    return out


def columns_of_cofactors(found: Solution, unknowns: Indices) -> Floats:
    """Return whole columns of the normal equations' inverse, shape (all unknowns, asked unknowns)."""
    if found.inverse is not None:
        return np.asarray(found.inverse[:, unknowns])
    assert found.factor is not None  # a solution with unknowns has one or the other
    return columns_of_inverse(found.factor, unknowns)


def variances_of_unknowns(found: Solution, unknowns: Indices) -> Floats:
    """Return the a-priori variances of single unknowns [m²] or [rad²]."""
    if not len(unknowns):
        return np.zeros(0)
    units = _units(unknowns, found.design.unknowns)
    return _products(found, units, units)


def point_covariances(found: Solution) -> Floats:
    """Return each point's own 3 × 3 covariance [m²], a-priori scale, shape (points, 3, 3)."""
    columns = found.design.columns
    out = np.zeros((len(columns), 3, 3))
    for first in range(3):
        for second in range(first, 3):
            both = np.flatnonzero((columns[:, first] >= 0) & (columns[:, second] >= 0))
            if not len(both):
                continue
            values = _products(found, _units(columns[both, first], found.design.unknowns), _units(columns[both, second], found.design.unknowns))
            out[both, first, second] = out[both, second, first] = values
    return out


def variance_factor_limits(degrees_of_freedom: int, alpha: float = 0.05) -> tuple[float, float]:
    """Return the two-sided limits of the global test of the variance factor [-]."""
    if degrees_of_freedom < 1:
        return (0.0, math.inf)
    low, high = (float(special.chdtri(degrees_of_freedom, above)) for above in (1 - alpha / 2, alpha / 2))
    return (low / degrees_of_freedom, high / degrees_of_freedom)


def baarda_critical(alpha: float = BAARDA_ALPHA) -> float:
    """Return the two-sided critical value of |w| for one test [-]; 3.29 at 0.001."""
    return float(special.ndtri(1 - alpha / 2))


def pope_critical(observations: int, degrees_of_freedom: int, alpha: float = 0.05) -> float:
    """Return Pope's critical value of |tau| at the level `alpha` over all observations together [-].

    With f degrees of freedom, ``a = 1 − (1 − alpha)^(1/n)``, t = Student(1 − a/2, f − 1), ``tau = t √f / √(f − 1 + t²)``;
    with f = 1 every tau is 1 and nothing can be told apart.
    """
    if degrees_of_freedom < 2:
        return 1.0
    single = -math.expm1(math.log1p(-alpha) / observations)
    t = float(special.stdtrit(degrees_of_freedom - 1, 1 - single / 2))
    return t * math.sqrt(degrees_of_freedom) / math.sqrt(degrees_of_freedom - 1 + t * t)


def detectable(found: Solution, alpha: float = BAARDA_ALPHA, power: float = BAARDA_POWER) -> Floats:
    """Return the smallest blunder each observation would show [m] or [rad]: ``δ0 σ / √r``; infinite where nothing checks it."""
    shift = baarda_critical(alpha) + float(special.ndtri(power))
    with np.errstate(divide="ignore"):
        least = shift * found.design.sigmas / np.sqrt(found.redundancy)
    return np.where(found.redundancy > REDUNDANCY_LEAST, least, np.inf)


def blunder_sizes(found: Solution) -> Floats:
    """Return by how much each observation is off, were it the only one: observed less what the rest predict, ``−v / r``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        sizes = -found.residuals / found.redundancy
    return np.where(found.redundancy > REDUNDANCY_LEAST, sizes, 0.0)


def _iterated(network: Network, design: Design, free: bool) -> Solution:
    places, orientations = design.places.copy(), first_orientations(design, design.places)
    weights = 1 / design.sigmas
    extent = max(1.0, float(np.ptp(places, axis=0).max()))
    gaps = misclosures(design, places, orientations)
    iterations, converged = 0, design.unknowns == 0
    inverse: Floats | None = None
    factor: Factor | None = None
    weighted = _weighted(design, places, weights)
    last = math.inf
    while not converged and iterations < MOST_ITERATIONS:
        iterations += 1
        weighted = _weighted(design, places, weights)
        step, factor, inverse = _step(design, places, weighted, weighted.T @ (gaps * weights), free)
        places, orientations, gaps, size = _taken(design, places, orientations, gaps, step, weights)
        converged = size < SMALLEST_STEP * extent or (size < 1e-8 * extent and size >= last)
        last = size
    return _judged(network, design, places, orientations, gaps, weighted, factor, inverse, free, iterations, converged)


def _weighted(design: Design, places: Floats, weights: Floats) -> Any:
    return sparse.csr_array(sparse.diags_array(weights) @ jacobian(design, places))


def _step(design: Design, places: Floats, weighted: Any, right: Floats, free: bool) -> tuple[Floats, Factor | None, Floats | None]:
    normal = weighted.T @ weighted
    if not free:
        factor = factorised(normal, design.owners)
        return solution(factor, right), factor, None
    inverse = _inner_constrained(normal.toarray(), design, places)
    return inverse @ right, None, inverse


def _inner_constrained(normal: Floats, design: Design, places: Floats) -> Floats:
    """Return the pseudo-inverse of a free network's normal equations over the shifts and turn nobody observed."""
    loose = _loose_directions(normal, design, places)
    if not loose.shape[1]:
        return np.asarray(np.linalg.inv(normal))
    weight = np.trace(normal) / max(1, len(normal))
    bordered = normal + weight * (loose @ loose.T)
    if np.linalg.cond(bordered / weight) > 1e13:
        raise RankDefectError(np.linalg.eigh(bordered)[1][:, 0])
    inverse: Floats = np.linalg.inv(bordered) - loose @ loose.T / weight
    return inverse


def _loose_directions(normal: Floats, design: Design, places: Floats) -> Floats:
    """Return an orthonormal basis of shifts, turn and scale that the observations leave free, shape (unknowns, defects)."""
    columns = design.columns
    candidates = []
    for axis in range(3):
        here = columns[:, axis] >= 0
        if here.any():
            shift = np.zeros(design.unknowns)
            shift[columns[here, axis]] = 1.0
            candidates.append(shift)
    plan = (columns[:, 0] >= 0) & (columns[:, 1] >= 0)
    if plan.any():
        about = places - places[plan].mean(axis=0)
        turn, scale = np.zeros(design.unknowns), np.zeros(design.unknowns)
        turn[columns[plan, 0]], turn[columns[plan, 1]] = about[plan, 1], -about[plan, 0]
        turn[design.orientations[design.orientations >= 0]] = 1.0  # clockwise, as azimuths are
        scale[columns[plan, 0]], scale[columns[plan, 1]] = about[plan, 0], about[plan, 1]
        candidates += [turn, scale]
    size = np.trace(normal) / len(normal)
    loose = [c for c in candidates if np.linalg.norm(normal @ c) < 1e-7 * size * np.linalg.norm(c)]
    basis = np.array(loose).reshape(-1, design.unknowns).T
    return np.linalg.qr(basis)[0] if basis.shape[1] else basis


def _taken(design: Design, places: Floats, orientations: Floats, gaps: Floats, step: Floats, weights: Floats) -> tuple[Floats, Floats, Floats, float]:
    """Take a step, halved while it makes the sum of squares worse; returns the new state and the step's size [m]."""
    before = float(np.sum((gaps * weights) ** 2))
    moved = np.where(design.columns >= 0, step[design.columns], 0.0) if len(step) else np.zeros_like(places)
    turned = step[design.orientations] if len(design.orientations) else np.zeros(0)
    share = 1.0
    while True:
        new_places, new_orientations = places + share * moved, orientations + share * turned
        new_gaps = misclosures(design, new_places, new_orientations)
        if share < 1e-3 or float(np.sum((new_gaps * weights) ** 2)) <= before * (1 + 1e-9) + 1e-12:
            return new_places, new_orientations, new_gaps, float(np.abs(share * moved).max(initial=0.0))
        share /= 2


def _judged(
    network: Network,
    design: Design,
    places: Floats,
    orientations: Floats,
    gaps: Floats,
    weighted: Any,
    factor: Factor | None,
    inverse: Floats | None,
    free: bool,
    iterations: int,
    converged: bool,
) -> Solution:
    defects = 0 if not free or inverse is None else round(design.unknowns - float(np.trace(inverse @ (weighted.T @ weighted).toarray())))
    dof = len(gaps) - design.unknowns + defects
    weights = 1 / design.sigmas
    squares = float(np.sum((gaps * weights) ** 2))
    found = Solution(
        network, design, places + design.centre, orientations, -gaps, np.ones(len(gaps)), np.zeros(len(gaps)), np.zeros(len(gaps)),
        squares, dof, iterations, converged, factor, inverse, weighted,
    )  # fmt: skip
    if design.unknowns:
        found = found._replace(redundancy=np.clip(1 - _products(found, weighted, weighted), 0.0, 1.0))
    checked = found.redundancy > REDUNDANCY_LEAST
    w = np.zeros(len(gaps))
    w[checked] = found.residuals[checked] * weights[checked] / np.sqrt(found.redundancy[checked])
    return found._replace(w=w, tau=w / found.sigma0 if dof > 0 and squares > 0 else np.zeros(len(gaps)))


def _products(found: Solution, left: Any, right: Any) -> Floats:
    if found.inverse is not None:
        return np.asarray(sparse.csr_array(right).multiply(left @ found.inverse).sum(axis=1)).ravel()
    assert found.factor is not None  # a solution with unknowns has one or the other
    return products(found.factor, left, right)


def _units(columns: Indices, unknowns: int) -> Any:
    count = len(columns)
    return sparse.csr_array((np.ones(count), (np.arange(count), columns)), shape=(count, unknowns))


def _undetermined(design: Design, direction: NDArray[np.float64]) -> Exception:
    """Return the refusal that names the points which move without any observation noticing."""
    strength = np.zeros(len(design.names))
    np.maximum.at(strength, design.owners, np.abs(direction))
    moving = [design.names[number] for number in np.flatnonzero(strength > 0.3 * strength.max())]
    shown = ", ".join(moving[:12]) + (f" and {len(moving) - 12} more" if len(moving) > 12 else "")
    return refusal(
        "not-determined",
        f"the observations do not determine {'point' if len(moving) == 1 else 'points'} {shown}",
        why="they could move and no observation would notice: too few ties or shots, or all on a line or circle (the danger circle of a resection)",
        do="measure another distance or direction to them, from a point in another direction",
    )
