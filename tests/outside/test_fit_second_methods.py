"""Circles, lines, arcs of a chain and curves against other programs' fits, and exact curves against their printed figures."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.geometry.biarcs import arcs_through
from pipeline.geometry.chain import Chain
from pipeline.geometry.chain_adjustment import adjust_chain
from pipeline.geometry.fitting import fit_circle
from tests.benchmarks.edge_truth import kidney, round_ends, shoot

GANDER_POINTS = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)


def odr_circle(points, sigma=1.0):
    """Centre and radius by odrpack's implicit orthogonal distances, their covariance from a-priori sigmas, and the sum of squares."""
    odrpack = pytest.importorskip("odrpack")
    start = np.array([*points.mean(axis=0), np.hypot(*(points - points.mean(axis=0)).T).mean()])

    def implicit(x, beta):
        return (x[0] - beta[0]) ** 2 + (x[1] - beta[1]) ** 2 - beta[2] ** 2

    result = odrpack.odr_fit(
        implicit,
        points.T.copy(),
        np.zeros(len(points)),
        start,
        task="implicit-ODR",
        weight_x=1 / sigma**2,
        maxit=5000,
        partol=1e-14,
        sstol=1e-14,
        diff_scheme="central",
    )
    return result.beta, float((result.delta**2).sum() / sigma**2)


@pytest.mark.outside(source="odrpack 0.7 (implicit orthogonal distances)", compares="geometric circle of six points", tolerance="1e-4")
def test_six_points_by_orthogonal_distance_regression():
    (x, y, radius), squares = odr_circle(GANDER_POINTS)
    fit = fit_circle(GANDER_POINTS)
    assert (*fit.centre, fit.radius) == pytest.approx((x, y, radius), abs=1e-4)
    assert fit.residual_norm**2 == pytest.approx(squares, rel=1e-6)


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
