"""Circles, lines, arcs of a chain and curves against other programs' fits, and exact curves against their printed figures."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.geometry.biarcs import arcs_through
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import Sightings, adjust_chain
from pipeline.geometry.fitting import fit_circle, fit_slope
from tests.benchmarks.edge_truth import kidney, round_ends, shoot

GANDER_POINTS = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
FOUR_POINTS = np.array([[11.88, 0.08], [10.34, 8.59], [2.58, 9.54], [-0.29, 1.95]])
PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])  # weights in x and y (York 1966)
YORK_WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


def odr_circle(points):
    """Centre and radius by odrpack's implicit orthogonal distances, their covariance for unit sigmas, and the sum of squares.

    odrpack holds an implicit curve by a penalty it raises step by step.  Written as a difference of squares and with weights of 1 / (10 mm)²
    the penalty drowns in rounding (it stops with "numerical error", or 0.8 mm off); as a distance with unit weights it settles to a micrometre.
    The sum is taken from its circle: its own deltas stop where the penalty does, up to 2e-4 short of the circle.
    """
    odrpack = pytest.importorskip("odrpack")
    start = np.array([*points.mean(axis=0), np.hypot(*(points - points.mean(axis=0)).T).mean()])

    def implicit(x, beta):
        return np.hypot(x[0] - beta[0], x[1] - beta[1]) - beta[2]

    result = odrpack.odr_fit(
        implicit, points.T.copy(), np.zeros(len(points)), start, task="implicit-ODR", maxit=5000, partol=1e-14, sstol=1e-14, diff_scheme="central"
    )
    assert result.success
    x, y, radius = result.beta
    return result.beta, result.cov_beta, float(((np.hypot(*(points - (x, y)).T) - radius) ** 2).sum())


@pytest.mark.outside(
    source="odrpack 0.7 (implicit orthogonal distances)",
    compares="geometric circle of the six points of Gander, Golub and Strebel and of the four of OSGeoLab",
    tolerance="1e-6 m, 1e-9 of the sum of squares",
)
@pytest.mark.parametrize("points", [GANDER_POINTS, FOUR_POINTS])
def test_circles_by_orthogonal_distance_regression(points):
    beta, _, squares = odr_circle(points)
    fit = fit_circle(points)
    assert (*fit.centre, fit.radius) == pytest.approx(tuple(beta), abs=1e-6)
    assert fit.residual_norm**2 == pytest.approx(squares, rel=1e-9)


@pytest.mark.outside(
    source="odrpack 0.7 (explicit orthogonal distances, central differences)",
    compares="Pearson's line with York's weights: intercept, slope, chi-square, standard deviations",
    tolerance="1e-8; standard deviations 1 % (York's formula and odrpack's differ in second order)",
)
def test_the_line_of_pearson_and_york_by_orthogonal_distance_regression():
    """By odrpack's own default (forward differences, loose stops) the slope differs by 5e-6: that is its stopping, not another minimum."""
    odrpack = pytest.importorskip("odrpack")
    result = odrpack.odr_fit(
        lambda x, beta: beta[0] + beta[1] * x,
        PEARSON_X,
        PEARSON_Y,
        np.array([5.0, -0.5]),
        weight_x=YORK_WX,
        weight_y=YORK_WY,
        maxit=5000,
        partol=1e-16,
        sstol=1e-16,
        diff_scheme="central",
    )
    fit = fit_slope(PEARSON_X, PEARSON_Y, 1 / np.sqrt(YORK_WX), 1 / np.sqrt(YORK_WY))
    assert (fit.intercept, fit.slope) == pytest.approx(tuple(result.beta), abs=1e-8)
    assert fit.chi_square == pytest.approx(result.sum_square, rel=1e-12)
    scale = math.sqrt(fit.chi_square / 8)
    assert (fit.sigma_intercept * scale, fit.sigma_slope * scale) == pytest.approx(tuple(result.sd_beta), rel=0.01)


@pytest.mark.outside(
    source="odrpack 0.7 (implicit orthogonal distances)",
    compares="one arc of a chain: centre, radius, chi-square, standard deviations of the three",
    tolerance="1e-6 m, 1e-6, 1e-4 relative",
)
def test_one_arc_of_a_chain_by_orthogonal_distance_regression():
    """The chain's numbers are ends and a bulge: its circle and that circle's covariance are carried over by differences."""
    sigma = 0.01
    random = np.random.default_rng(5)
    angles = np.linspace(0.3, 2.4, 12)
    points = np.column_stack((1 + 3 * np.cos(angles), 2 + 3 * np.sin(angles))) + random.normal(0, sigma, (12, 2))
    sightings = Sightings(
        points=points,
        covariances=np.tile(np.eye(2) * sigma**2, (12, 1, 1)),
        pieces=np.zeros(12, dtype=np.intp),
        corners=np.full(12, -1, dtype=np.intp),
    )
    fit = adjust_chain(Chain((tuple(points[0]), tuple(points[-1])), (0.5,), False), (True,), sightings)
    beta, covariance, squares = odr_circle(points)
    numbers = np.array([*fit.chain.vertices[0], *fit.chain.vertices[1], fit.chain.bulges[0]])
    columns = [(_circle_of(numbers + step) - _circle_of(numbers - step)) / 2e-6 for step in np.eye(5) * 1e-6]
    own = np.column_stack(columns) @ fit.covariance @ np.column_stack(columns).T
    assert tuple(_circle_of(numbers)) == pytest.approx(tuple(beta), abs=1e-6)
    assert fit.chi_square == pytest.approx(squares / sigma**2, rel=1e-6)
    assert np.sqrt(np.diag(own)) == pytest.approx(np.sqrt(np.diag(covariance)) * sigma, rel=1e-4)


def _circle_of(numbers):
    """Centre and radius of an arc by its ends and bulge."""
    piece = Chain(((numbers[0], numbers[1]), (numbers[2], numbers[3])), (numbers[4],), False).piece(0)
    return np.array([*piece.centre, piece.radius])


@pytest.mark.outside(source="circle-fit 0.2.1 (standardLSQ, geometric to 4e-5)", compares="geometric circle of six points", tolerance="1e-4")
def test_six_points_by_a_second_program():
    circle_fit = pytest.importorskip("circle_fit")
    x, y, radius, _ = circle_fit.standardLSQ(GANDER_POINTS)
    fit = fit_circle(GANDER_POINTS)
    assert (*fit.centre, fit.radius) == pytest.approx((x, y, radius), abs=1e-4)


@pytest.mark.outside(
    source="scikit-image 0.26 (CircleModel, an algebraic fit) on six points", compares="that the geometric circle lies nearer", tolerance="none"
)
def test_an_algebraic_circle_lies_farther_from_its_points():
    measure = pytest.importorskip("skimage.measure")
    model = measure.CircleModel.from_estimate(GANDER_POINTS)
    fit = fit_circle(GANDER_POINTS)
    algebraic = math.sqrt(float((model.residuals(GANDER_POINTS) ** 2).sum()))
    assert model.radius == pytest.approx(4.1087615, abs=1e-6)  # the figure published for this fit
    assert fit.residual_norm < 0.99 * algebraic


@pytest.mark.outside(
    source="scipy.optimize.least_squares on lines' and circles' own numbers",
    compares="two shapes as fitted: chi-square of the whole chain",
    tolerance="1e-3",
)
@pytest.mark.parametrize("shape", [round_ends, kidney])
def test_a_whole_chain_by_a_second_method(shape):
    """Smooth chains as circles whose centres and radii obey the touching conditions, weighted a thousandfold: the same least squares."""
    from scipy.optimize import least_squares

    shots = shoot(shape(), 0.5, 0.005, np.random.default_rng(3)).shots
    fit = as_built(shots, closed=True, arcs=True).shape.fit
    ties = [tie for tie in fit.ties if tie.kind == "tangent"]
    free = adjust_chain(fit.chain, fit.curved, as_built(shots, closed=True, arcs=True).shape.sightings, ties)
    carriers = []
    for piece in free.chain.pieces():
        if piece.is_arc:
            carriers.append(("arc", math.copysign(1.0, piece.bulge), [*piece.centre, piece.radius]))
        else:
            bearing = piece.direction_at(0.0)
            carriers.append(("line", 1.0, [bearing, -math.sin(bearing) * piece.start[0] + math.cos(bearing) * piece.start[1]]))
    sizes = np.cumsum([0, *(len(numbers) for _, _, numbers in carriers)])

    def misfit(x):
        own = [x[a:b] for a, b in itertools.pairwise(sizes)]
        found = []
        for shot, piece in zip(shots.points[order], pieces, strict=True):
            kind, _, _ = carriers[piece]
            numbers = own[piece]
            if kind == "arc":
                found.append((np.hypot(*(shot - numbers[:2])) - numbers[2]) / 0.005)
            else:
                found.append((-math.sin(numbers[0]) * shot[0] + math.cos(numbers[0]) * shot[1] - numbers[1]) / 0.005)
        for k, (kind, side, _) in enumerate(carriers):
            other, other_side, _ = carriers[(k + 1) % len(carriers)]
            a, b = own[k], own[(k + 1) % len(carriers)]
            if kind == other == "arc":
                found.append((np.hypot(*(a[:2] - b[:2])) - abs(a[2] - side * other_side * b[2])) * 1e6)
            else:
                line, arc, sense = (a, b, other_side) if kind == "line" else (b, a, side)
                found.append((-math.sin(line[0]) * arc[0] + math.cos(line[0]) * arc[1] - line[1] - sense * arc[2]) * 1e6)
        return np.array(found)

    sightings = as_built(shots, closed=True, arcs=True).shape
    order = [shots.names.index(name) for name in sightings.shots.names]
    pieces = sightings.sightings.pieces
    start = np.concatenate([numbers for _, _, numbers in carriers])
    other = least_squares(misfit, start + np.random.default_rng(1).normal(0, 0.002, len(start)), xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac")
    assert len(ties) == len(free.chain)
    assert free.chi_square == pytest.approx(2 * other.cost, abs=1e-3)


@pytest.mark.outside(
    source="pyclothoids 0.2: G1 clothoid from (0, 0) eastward to (10, 5) northward (printed length and curvatures; integrated here by scipy)",
    compares="length, ends and curvatures of the arcs put through it",
    tolerance="1e-6 of the length; 0.1 mm; the curvature's own rise over an arc",
)
def test_a_clothoid_by_arcs():
    """L 12.528259584093544, curvature -0.0221186946 at the start and 0.2728791958 at the end."""
    from scipy.integrate import quad

    length, first, last = 12.528259584093544, -0.0221186946, 0.2728791958

    def direction(s):
        return first * s + (last - first) * s * s / (2 * length)

    def curve(t):
        s = np.asarray(t) * length
        places = np.array([[quad(lambda v, f=f: f(direction(v)), 0, one, epsabs=1e-13)[0] for f in (math.cos, math.sin)] for one in s])
        return places, np.column_stack((np.cos(direction(s)), np.sin(direction(s))))

    assert curve(np.array([1.0]))[0][0] == pytest.approx((10.0, 5.0), abs=1e-8)
    chain = arcs_through(curve, np.linspace(0, 1, 33), 0.001, closed=False)
    assert chain.length == pytest.approx(length, rel=1e-6)
    assert chain.vertices[-1] == pytest.approx((10.0, 5.0), abs=1e-4)
    assert chain.direction_at(chain.length) == pytest.approx(math.pi / 2, abs=1e-6)
    rise = (last - first) / len(chain)
    for piece, s in zip(chain.pieces(), np.cumsum([0, *(piece.length for piece in chain.pieces())]), strict=False):
        middle = first + (last - first) * (s + piece.length / 2) / length
        assert piece.curvature == pytest.approx(middle, abs=rise)


@pytest.mark.outside(
    source="exact: parallel of a convex closed curve (Steiner)", compares="area and length of the parallel of a rectangle", tolerance="1e-7"
)
def test_the_parallel_of_a_rectangle_is_exact():
    """10 x 6, 1.5 out: area A + P d + pi d squared = 115.0685835, length P + 2 pi d = 41.4247780; drawn here by the chain's own pieces."""
    d, quarter = 1.5, math.tan(math.pi / 8)
    chain = Chain(((0, -d), (10, -d), (10 + d, 0), (10 + d, 6), (10, 6 + d), (0, 6 + d), (-d, 6), (-d, 0)), (0.0, quarter) * 4, True)
    assert chain.area() == pytest.approx(115.0685835, abs=1e-7)
    assert chain.length == pytest.approx(41.4247780, abs=1e-7)
