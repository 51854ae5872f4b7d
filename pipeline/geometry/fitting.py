"""Single lines and circles fitted to points, by distances measured square to the curve.

References
----------
W. Gander, G. H. Golub, R. Strebel, "Least-squares fitting of circles and ellipses", BIT 34 (1994), 558-578.
G. Taubin, "Estimation of planar curves...", IEEE PAMI 13 (1991), 1115-1138 (from memory).
D. York and others, "Unified equations for the slope, intercept, and standard errors of the best straight line",
American Journal of Physics 72 (2004), 367-375 (from memory).
"""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.chain import Point

Array = NDArray[np.float64]

MOST_STEPS: Final = 100
STEP_DONE: Final = 1e-12  # relative step at which an iteration has converged


class LineFit(msgspec.Struct, frozen=True, kw_only=True):
    """A straight line by orthogonal least squares: a point on it, its direction [rad], and the sum of squares."""

    centre: Point
    direction: float
    sum_of_squares: float


class CircleFit(msgspec.Struct, frozen=True, kw_only=True):
    """A circle by geometric least squares.

    Parameters
    ----------
    centre : Point
    radius : float
        [m]
    residual_norm : float
        Root of the sum of squared distances [m], weighted if weights were given.
    iterations : int
    converged : bool
    """

    centre: Point
    radius: float
    residual_norm: float
    iterations: int
    converged: bool


class SlopeFit(msgspec.Struct, frozen=True, kw_only=True):
    """The line y = intercept + slope x with errors in both coordinates, with chi-square at the minimum."""

    intercept: float
    slope: float
    sigma_intercept: float
    sigma_slope: float
    chi_square: float
    iterations: int


def fit_line(points: Array, weights: Array | None = None) -> LineFit:
    """Fit a straight line to points (n, 2) [m] by orthogonal least squares, weighted by `weights` (n,) [1/m²]."""
    w = np.ones(len(points)) if weights is None else weights
    centre = w @ points / w.sum()
    offsets = points - centre
    moments = (offsets * w[:, None]).T @ offsets
    values, vectors = np.linalg.eigh(moments)
    along = vectors[:, 1] if vectors[:, 1] @ (points[-1] - points[0]) >= 0 else -vectors[:, 1]
    return LineFit(centre=(float(centre[0]), float(centre[1])), direction=math.atan2(along[1], along[0]), sum_of_squares=max(float(values[0]), 0.0))


def fit_circle(points: Array, weights: Array | None = None) -> CircleFit:
    """Fit a circle to points (n, 2) [m] by its geometric distances: Gauss-Newton from the algebraic fit of Taubin.

    Raises
    ------
    ValueError
        With fewer than three points, or when all lie on a straight line.

    Examples
    --------
    The six points of Gander, Golub and Strebel:

    >>> fit = fit_circle(np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float))
    >>> round(fit.radius, 4)
    4.7142
    """
    w = np.ones(len(points)) if weights is None else weights
    cx, cy, radius = taubin_circle(points, w)
    x = np.array([cx, cy, radius])
    root = np.sqrt(w)
    best = _circle_cost(points, w, x)
    damping = 0.0
    for step in range(1, MOST_STEPS + 1):
        offsets = points - x[:2]
        distances = np.hypot(offsets[:, 0], offsets[:, 1])
        jacobian = np.column_stack((-offsets / distances[:, None], -np.ones(len(points)))) * root[:, None]
        residuals = (distances - x[2]) * root
        normal = jacobian.T @ jacobian
        move = np.linalg.solve(normal + damping * np.diag(np.diag(normal)) + 1e-300 * np.eye(3), -jacobian.T @ residuals)
        cost = _circle_cost(points, w, x + move)
        if cost > best * (1 + 1e-14):
            damping = max(4 * damping, 1e-3)
            continue
        x, best, damping = x + move, cost, damping / 4 if damping > 1e-9 else 0.0
        if np.abs(move).max() <= STEP_DONE * max(1.0, abs(float(x[2]))):
            return CircleFit(centre=(float(x[0]), float(x[1])), radius=float(x[2]), residual_norm=math.sqrt(best), iterations=step, converged=True)
    return CircleFit(centre=(float(x[0]), float(x[1])), radius=float(x[2]), residual_norm=math.sqrt(best), iterations=MOST_STEPS, converged=False)


def _circle_cost(points: Array, weights: Array, x: Array) -> float:
    distances = np.hypot(points[:, 0] - x[0], points[:, 1] - x[1])
    return float(weights @ (distances - x[2]) ** 2)


def taubin_circle(points: Array, weights: Array) -> tuple[float, float, float]:
    """Return (centre x, centre y, radius) [m] of Taubin's algebraic circle; a start for the geometric one.

    Raises
    ------
    ValueError
        With fewer than three points, or when all lie on a straight line.
    """
    if len(points) < 3:
        raise ValueError(f"a circle needs three points, got {len(points)}")
    centre = weights @ points / weights.sum()
    offsets = points - centre
    z = (offsets**2).sum(axis=1)
    mean = float(weights @ z / weights.sum())
    scaled = np.column_stack(((z - mean) / (2 * math.sqrt(mean)), offsets)) * np.sqrt(weights)[:, None]
    a, b, c = np.linalg.svd(scaled, full_matrices=False)[2][2]
    if abs(a) < 1e-12:
        raise ValueError("the points lie on a straight line: no circle through them")
    a0, a3 = a / (2 * math.sqrt(mean)), -math.sqrt(mean) * a / 2
    return (
        float(centre[0] - b / (2 * a0)),
        float(centre[1] - c / (2 * a0)),
        math.sqrt(b * b + c * c - 4 * a0 * a3) / abs(2 * a0),
    )


def fit_slope(x: Array, y: Array, sigma_x: Array, sigma_y: Array) -> SlopeFit:
    """Fit y = a + b x with independent errors in both coordinates (York's method).

    Notes
    -----
    Each point weighs 1 / (sigma_y² + b² sigma_x²); slope and weights are iterated until they agree.
    The standard deviations are scaled by nothing: they rest on the sigmas given.
    """
    slope = float(np.polyfit(x, y, 1)[0])
    step = 0
    while step < MOST_STEPS:
        step += 1
        w = 1 / (sigma_y**2 + (slope * sigma_x) ** 2)
        xm, ym = float(w @ x / w.sum()), float(w @ y / w.sum())
        u, v = x - xm, y - ym
        beta = w * (u * sigma_y**2 + slope * v * sigma_x**2)
        new = float((w * beta) @ v / ((w * beta) @ u))
        done = abs(new - slope) <= 1e-15 * max(1.0, abs(new))
        slope = new
        if done:
            break
    adjusted = xm + beta
    mean = float(w @ adjusted / w.sum())
    sigma_slope = 1 / math.sqrt(float(w @ (adjusted - mean) ** 2))
    intercept = ym - slope * xm
    return SlopeFit(
        intercept=intercept,
        slope=slope,
        sigma_intercept=math.sqrt(1 / float(w.sum()) + (mean * sigma_slope) ** 2),
        sigma_slope=sigma_slope,
        chi_square=float(w @ (y - intercept - slope * x) ** 2),
        iterations=step,
    )
