"""Free curves: a closed spline through shots that no few lines and arcs explain, handed on as arcs within a millimetre.

Two curves are fitted.  A spline through few free nodes (`node_spline`) is the better one where so few do: what it states is the plain
covariance of its numbers.  Else a periodic cubic B-spline smooths: the sum of squared distances square to it, weighted, plus a price
on its bending is least; the price is chosen by generalised cross-validation.  Its stated uncertainty is the posterior one of that
smoothing, which covers the true curve on the average over its length.  The one of the shorter description is taken.

References
----------
P. Craven, G. Wahba, "Smoothing noisy data with spline functions", Numerische Mathematik 31 (1979), 377-403 (from memory).
G. Wahba, "Bayesian confidence intervals for the cross-validated smoothing spline", Journal of the Royal Statistical
Society B 45 (1983), 133-150 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.edge.fit import Shape
from pipeline.edge.mixed_line import MixedFit
from pipeline.edge.node_spline import NodeSpline, node_spline
from pipeline.edge.shots import Shots
from pipeline.geometry.biarcs import arcs_through
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import ChainFit, Sightings
from pipeline.geometry.projection import project
from pipeline.geometry.propagation import propagated

Array = NDArray[np.float64]

LEAST_SHOTS: Final = 12
KNOTS: Final = (10, 13, 17, 22, 30, 40)  # of the spline; cross-validation chooses, and never more than
KNOTS_PER_SHOT: Final = 0.6  # [-]
AS_ARCS: Final = 0.0008  # [m] from the spline to its arcs, under the millimetre asked for
ROUNDS: Final = 8
PROVING_ROUNDS: Final = 3
PRICES: Final = tuple(10.0**power for power in np.arange(-1.0, -5.1, -0.5))  # of bending, with 24 knots, in units of the mean information
PRICED_KNOTS: Final = 24
MOST_NUMBERS: Final = 0.55  # [-] numbers spent per shot, beyond which nothing is smoothed
SIGMA_PLACES: Final = 160  # at which the standard deviation is stated, evenly by the parameter
STARTS: Final = 20  # places of a knot's span at which the feet of shots are first sought
STEADY: Final = 1e-6  # weight that keeps control points from drifting along the curve, of the mean information


class FreeFit(ChainFit, frozen=True, kw_only=True):
    """A free curve as arcs, with its uncertainty stated at stations instead of by a covariance of its many arcs.

    Parameters
    ----------
    free_stations, free_sigmas : (n,) arrays
        [m]
    numbers : float
        How many numbers the smoothing spent (its effective degrees of freedom) [-].
    curve : _Smoothed, NodeSpline or MixedFit
        The curve the arcs were put through; a line with sides beside free stretches is the last.
    """

    free_stations: Array
    free_sigmas: Array
    numbers: float
    curve: _Smoothed | NodeSpline | MixedFit

    def normal_sigmas(self, stations: Sequence[float]) -> Array:
        """Return the standard deviation of the curve square to itself [m] at stations [m]."""
        return np.asarray(np.interp(np.asarray(stations), self.free_stations, self.free_sigmas, period=self.chain.length))


def free_shape(shots: Shots, below: float = math.inf) -> Shape | None:
    """Fit a closed free curve; None with too few shots for one.

    Parameters
    ----------
    shots : Shots
        In order, counter-clockwise.
    below : float
        Description length [half nats] it has to undercut to be of use.
    """
    if len(shots) < LEAST_SHOTS:
        return None
    nodes = node_spline(shots, below)
    smooth = None if nodes is not None and nodes.chi_square < len(shots) else _smoothest(shots)
    if nodes is None or (smooth is not None and _length(smooth, shots) < _length(nodes, shots)):
        return None if smooth is None else _as_shape(shots, smooth)
    return _as_shape(shots, nodes)


def on_all(shape: Shape, shots: Shots, limit: float) -> tuple[Shape, list[int]]:
    """Fit a free curve found on few shots to all of them; returns it with the indices of those set aside.

    Parameters
    ----------
    shape : Shape
        Of a free curve.
    shots : Shots
        In order.
    limit : float
        Standardised residual beyond which a shot is set aside [-].
    """
    if not isinstance(shape.fit, FreeFit) or isinstance(shape.fit.curve, MixedFit):
        raise TypeError("no free curve")
    curve, aside = shape.fit.curve, np.zeros(len(shots), dtype=bool)
    for _ in range(PROVING_ROUNDS):
        curve = curve.on(shots.taken(np.flatnonzero(~aside).tolist()))
        fitted = _as_shape(shots.taken(np.flatnonzero(~aside).tolist()), curve)
        off = np.abs(project(fitted.chain, shots.points)[1]) > limit * shots.sigmas
        if np.array_equal(off, aside):
            break
        aside = off
    return fitted, np.flatnonzero(aside).tolist()


def _length(curve: _Smoothed | NodeSpline, shots: Shots) -> float:
    """Return the description length of a curve [half nats]."""
    return curve.chi_square + curve.numbers * math.log(len(shots))


def _smoothest(shots: Shots) -> _Smoothed | None:
    """Return the smoothing spline of the best cross-validation score."""
    count = len(shots)
    best: _Smoothed | None = None
    for knots in KNOTS:
        if knots > KNOTS_PER_SHOT * count:
            break
        spline = _Spline(knots)
        start = _started(spline, shots.points)
        for price in PRICES:
            fitted = _smoothed(spline, shots, price * (knots / PRICED_KNOTS) ** 5, start)
            if fitted is None:
                break
            start = (fitted.control, fitted.t)
            if best is None or fitted.score < best.score:
                best = fitted
    return best


class _Spline:
    """The basis of a periodic cubic B-spline over even knots, parameters from 0 to 1."""

    def __init__(self, knots: int) -> None:
        self.knots = knots
        bending = np.zeros((knots, knots))
        # integral of the product of second derivatives of uniform cubic B-splines: 8/3, -3/2, 0, 1/6 (exact)
        for step, value in ((0, 8 / 3), (1, -3 / 2), (2, 0.0), (3, 1 / 6)):
            for sign in (1, -1) if step else (1,):
                bending[np.arange(knots), (np.arange(knots) + sign * step) % knots] += value
        self.bending = np.kron(bending, np.eye(2))

    def basis(self, t: Array, derivative: int = 0) -> Array:
        """Return the basis (n, knots) at parameters, or its first derivative."""
        place = (t % 1.0) * self.knots
        span = np.floor(place).astype(np.intp) % self.knots
        u = place - np.floor(place)
        if derivative == 0:
            values = ((1 - u) ** 3 / 6, (3 * u**3 - 6 * u**2 + 4) / 6, (-3 * u**3 + 3 * u**2 + 3 * u + 1) / 6, u**3 / 6)
        else:
            scale = self.knots
            values = (
                -((1 - u) ** 2) / 2 * scale,
                (9 * u**2 - 12 * u) / 6 * scale,
                (-9 * u**2 + 6 * u + 3) / 6 * scale,
                u**2 / 2 * scale,
            )
        rows = np.zeros((len(t), self.knots))
        for step, value in enumerate(values):
            np.add.at(rows, (np.arange(len(t)), (span + step - 1) % self.knots), value)
        return rows


class _Smoothed(msgspec.Struct, frozen=True, kw_only=True):
    """A smoothed curve: its cross-validation score, the price of its bending, control points, the shots' parameters, rows, misfits, numbers spent, covariance."""

    score: float
    price: float
    spline: _Spline
    control: Array
    t: Array
    rows: Array
    misfit: Array
    numbers: float
    covariance: Array

    @property
    def chi_square(self) -> float:
        return float(self.misfit @ self.misfit)

    @property
    def pieces(self) -> int:
        """How many cubics the curve is made of, evenly by the parameter."""
        return self.spline.knots

    def on(self, shots: Shots) -> _Smoothed:
        """Return the curve at the same price through other shots, begun from this one."""
        t = np.arange(STARTS * self.pieces) / (STARTS * self.pieces)
        nearest = np.argmin(((shots.points[:, None] - self.places(t)[0][None]) ** 2).sum(axis=2), axis=1)
        return _smoothed(self.spline, shots, self.price, (self.control, t[nearest])) or self

    def places(self, t: Array) -> tuple[Array, Array]:
        """Return places [m] and directions of travel (not of unit length) at parameters, a lap of 1."""
        return self.spline.basis(t) @ self.control, self.spline.basis(t, 1) @ self.control

    def sigmas(self, t: Array) -> Array:
        """Return standard deviations [m] square to the curve at parameters."""
        basis, slope = self.spline.basis(t), self.spline.basis(t, 1) @ self.control
        normal = np.column_stack((-slope[:, 1], slope[:, 0])) / np.hypot(slope[:, 0], slope[:, 1])[:, None]
        rows = (basis[:, :, None] * normal[:, None, :]).reshape(len(t), -1)
        return np.asarray(np.sqrt(np.maximum(propagated(rows, self.covariance), 0.0)))


def _started(spline: _Spline, points: Array) -> tuple[Array, Array]:
    """Return first control points and the shots' parameters, by their chords."""
    steps = np.hypot(*np.diff(np.vstack((points, points[:1])), axis=0).T)
    t = np.concatenate(([0.0], np.cumsum(steps)[:-1])) / steps.sum()
    even = np.arange(spline.knots) / spline.knots
    places = [np.interp(even, np.append(t, 1.0), np.append(points[:, axis], points[0, axis])) for axis in range(2)]
    rows = np.vstack((spline.basis(t), 1e-2 * np.eye(spline.knots)))
    control = np.linalg.lstsq(rows, np.vstack((points, 1e-2 * np.column_stack(places))), rcond=None)[0]
    return np.asarray(control, dtype=np.float64), np.asarray(t, dtype=np.float64)


def _smoothed(spline: _Spline, shots: Shots, price: float, start: tuple[Array, Array]) -> _Smoothed | None:
    """Return the curve at one price of bending; None where it spends nearly as many numbers as there are shots."""
    control, t = start
    for _ in range(ROUNDS):
        t = _reprojected(spline, control, shots.points, t)
        rows, misfit = _rows(spline, control, shots, t)
        information = rows.T @ rows
        scale = float(np.trace(information)) / len(information)
        penalty = price * scale * spline.bending
        inverse = np.asarray(np.linalg.inv(information + penalty + STEADY * scale * np.eye(len(information))), dtype=np.float64)
        control = control - (inverse @ (rows.T @ misfit + penalty @ control.ravel())).reshape(-1, 2)
    t = _reprojected(spline, control, shots.points, t)
    rows, misfit = _rows(spline, control, shots, t)
    numbers, count = float(propagated(rows, inverse).sum()), len(shots)
    if numbers > MOST_NUMBERS * count or not np.isfinite(control).all():
        return None
    score = float(misfit @ misfit) * count / (count - numbers) ** 2
    return _Smoothed(score=score, price=price, spline=spline, control=control, t=t, rows=rows, misfit=misfit, numbers=numbers, covariance=inverse)


def _rows(spline: _Spline, control: Array, shots: Shots, t: Array) -> tuple[Array, Array]:
    """Return whitened rows (n, 2 knots) and misfits (n,) of the distances square to the curve."""
    basis = spline.basis(t)
    slope = spline.basis(t, 1) @ control
    slope = slope / np.hypot(slope[:, 0], slope[:, 1])[:, None]
    normal = np.column_stack((-slope[:, 1], slope[:, 0]))
    sigma = np.sqrt(np.einsum("ij,ijk,ik->i", normal, shots.covariances, normal))
    rows = (basis[:, :, None] * normal[:, None, :]).reshape(len(t), -1) / sigma[:, None]
    misfit = ((basis @ control - shots.points) * normal).sum(axis=1) / sigma
    return rows, misfit


def _reprojected(spline: _Spline, control: Array, points: Array, t: Array) -> Array:
    """Return parameters moved to the feet of the shots, one Newton step."""
    away = points - spline.basis(t) @ control
    slope = spline.basis(t, 1) @ control
    step = (away * slope).sum(axis=1) / (slope * slope).sum(axis=1)
    return np.asarray((t + np.clip(step, -0.3 / spline.knots, 0.3 / spline.knots)) % 1.0)


def _as_shape(shots: Shots, best: _Smoothed | NodeSpline) -> Shape:
    # from cubic to cubic: so the arcs are the same whichever shot the row begins at, or whichever way it runs
    chain = arcs_through(best.places, np.arange(best.pieces) / best.pieces, AS_ARCS)
    stations, sigmas = _sigmas(best, chain)
    at, offsets = project(chain, shots.points)
    fit = FreeFit(
        chain=chain,
        curved=(True,) * len(chain),
        ties=(),
        covariance=np.zeros((0, 0)),
        offsets=offsets,
        sigmas=shots.sigmas,
        redundancies=np.clip(1 - propagated(best.rows, best.covariance), 0.0, 1.0),
        chi_square=best.chi_square,
        degrees_of_freedom=max(round(len(shots) - best.numbers), 0),
        iterations=ROUNDS,
        converged=True,
        free_stations=stations,
        free_sigmas=sigmas,
        numbers=best.numbers,
        curve=best,
    )
    pieces = np.array([piece for piece, _ in chain.locate_all(at.tolist())], dtype=np.intp)
    sightings = Sightings(points=shots.points, covariances=shots.covariances, pieces=pieces, corners=np.full(len(shots), -1, dtype=np.intp))
    return Shape(fit=fit, sightings=sightings, shots=shots)


def _sigmas(best: _Smoothed | NodeSpline, chain: Chain) -> tuple[Array, Array]:
    """Return stations [m] on the arcs, rising, and the curve's standard deviation square to itself there [m]."""
    t = np.arange(SIGMA_PLACES) / SIGMA_PLACES
    stations = project(chain, best.places(t)[0])[0]
    order = np.argsort(stations, kind="stable")
    return stations[order], best.sigmas(t)[order]


def description_of_free(shape: Shape, noise: float) -> float:
    """Return the description length [half nats] of a free curve: its misfit and the numbers it spent."""
    fit = shape.fit
    numbers = fit.numbers if isinstance(fit, FreeFit) else math.inf
    return fit.chi_square / noise + numbers * math.log(max(len(shape.shots), 3))
