"""Circles, lines and curves with published answers, and the same by a second method."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry.chain import Chain, Piece
from pipeline.geometry.chain_adjustment import Sightings, adjust_chain
from pipeline.geometry.fitting import fit_circle, fit_line, fit_slope, taubin_circle

GANDER_POINTS = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
FOUR_POINTS = np.array([[11.88, 0.08], [10.34, 8.59], [2.58, 9.54], [-0.29, 1.95]])
PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
YORK_WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])


@pytest.mark.outside(
    source="Gander, Golub, Strebel, BIT 34 (1994) 558-578 (answer from memory, recomputed)",
    compares="geometric circle through six points",
    tolerance="5e-5",
)
def test_gander_golub_strebel_circle():
    """Points (1,7)(2,6)(5,8)(7,7)(9,5)(3,7): geometric centre (4.7398, 2.9835), radius 4.7142; algebraic 3.0370, Kasa 4.11, Taubin 4.88."""
    fit = fit_circle(GANDER_POINTS)
    assert fit.converged
    assert fit.centre == pytest.approx((4.7398, 2.9835), abs=5e-5)
    assert fit.radius == pytest.approx(4.7142, abs=5e-5)
    assert fit.residual_norm == pytest.approx(1.1079707, abs=5e-7)


@pytest.mark.outside(
    source="circle-fit 0.2.1 on the points of Gander, Golub, Strebel (recomputed)",
    compares="Taubin's circle, and that it is not the answer",
    tolerance="1e-6",
)
def test_taubin_circle_is_another_one():
    """Taubin 4.6139327, 2.7952093, r 4.8792128."""
    x, y, radius = taubin_circle(GANDER_POINTS, np.ones(6))
    assert (x, y, radius) == pytest.approx((4.6139327, 2.7952093, 4.8792128), abs=1e-6)
    assert abs(radius - fit_circle(GANDER_POINTS).radius) > 0.1


@pytest.mark.outside(
    source="OSGeoLab tutorials, circle.rst (points read; answer recomputed)", compares="geometric circle through four points", tolerance="1e-6"
)
def test_four_points_circle():
    fit = fit_circle(FOUR_POINTS)
    assert fit.centre == pytest.approx((6.0811315, 3.6299512), abs=1e-6)
    assert fit.radius == pytest.approx(6.6987317, abs=1e-6)
    assert fit.residual_norm == pytest.approx(0.2778498, abs=1e-6)


@pytest.mark.outside(source="a public unit test of a 3-point circle (read)", compares="circle through three points", tolerance="1e-6")
def test_three_points_circle():
    fit = fit_circle(np.array([[184.938, 180], [178.163, 183.181], [178.163, 176.819]]))
    assert fit.centre == pytest.approx((180.80372797, 180.0), abs=1e-6)


@pytest.mark.outside(
    source="Pearson's data with York's weights (York 1966; Cantrell 2008), as in a public test (read)",
    compares="slope, intercept, chi-square",
    tolerance="1e-8",
)
def test_pearson_york_line():
    """a 5.47991022403286, b -0.48053340744620, chi-square 11.866353."""
    fit = fit_slope(PEARSON_X, PEARSON_Y, 1 / np.sqrt(YORK_WX), 1 / np.sqrt(YORK_WY))
    assert fit.intercept == pytest.approx(5.47991022403286, abs=1e-8)
    assert fit.slope == pytest.approx(-0.48053340744620, abs=1e-8)
    assert fit.chi_square == pytest.approx(11.866353, abs=1e-6)


@pytest.mark.outside(
    source="Pearson's data with York's weights (York 1966; Cantrell 2008), as in a public test (read)",
    compares="standard deviations of the line",
    tolerance="1 %",
)
def test_pearson_york_sigmas():
    """The stored 0.35925, 0.07062 are scaled by the root of chi-square / 8."""
    fit = fit_slope(PEARSON_X, PEARSON_Y, 1 / np.sqrt(YORK_WX), 1 / np.sqrt(YORK_WY))
    scale = math.sqrt(fit.chi_square / 8)
    assert scale == pytest.approx(1.217905640539398, rel=1e-7)
    assert fit.sigma_intercept * scale == pytest.approx(0.359246522551112, rel=0.01)
    assert fit.sigma_slope * scale == pytest.approx(0.070620269528771, rel=0.01)


@pytest.mark.outside(source="Pearson 1901 data (recomputed)", compares="unweighted orthogonal line", tolerance="1e-9")
def test_pearson_orthogonal_line():
    fit = fit_line(np.column_stack((PEARSON_X, PEARSON_Y)))
    slope = math.tan(fit.direction)
    assert slope == pytest.approx(-0.5455611975, abs=1e-9)
    assert fit.centre[1] - slope * fit.centre[0] == pytest.approx(5.7840437745, abs=1e-9)


@pytest.mark.outside(source="exact: a quarter circle of radius 10", compares="length of an arc piece", tolerance="1e-12")
def test_quarter_arc_length():
    assert Piece((10.0, 0.0), (0.0, 10.0), math.tan(math.pi / 8)).length == pytest.approx(15.707963267949, abs=1e-12)


@pytest.mark.outside(
    source="cubic Bezier (0,0)(0,55.2285)(44.7715,100)(100,100): scipy quad = svgpathtools = fontTools (recomputed)",
    compares="length of 40 chained arcs through it",
    tolerance="1e-6 relative",
)
def test_bezier_length_by_arcs():
    """Length 157.1016806704616; each arc passes three points of the curve, so the error falls with the fourth power."""
    t = np.linspace(0, 1, 81)[:, None]
    p = np.array([[0, 0], [0, 55.2285], [44.7715, 100], [100, 100]])
    curve = (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
    bulges = []
    for a, b, c in zip(curve[:-1:2], curve[1::2], curve[2::2], strict=True):
        into, out = b - a, c - b
        bulges.append(math.tan(math.atan2(into[0] * out[1] - into[1] * out[0], float(into @ out)) / 2))
    chain = Chain(tuple((float(x), float(y)) for x, y in curve[::2]), tuple(bulges), False)
    assert chain.length == pytest.approx(157.1016806704616, rel=1e-6)


@pytest.mark.outside(
    source="scipy.optimize.least_squares as second method", compares="weighted arc of a chain: radius and chi-square", tolerance="1e-6"
)
def test_one_arc_by_a_second_method():
    """The chain's own parameters (ends and bulge) give the same circle as centre and radius."""
    from scipy.optimize import least_squares

    random = np.random.default_rng(5)
    angles = np.linspace(0.3, 2.4, 12)
    points = np.column_stack((1 + 3 * np.cos(angles), 2 + 3 * np.sin(angles))) + random.normal(0, 0.01, (12, 2))
    chain = Chain((tuple(points[0]), tuple(points[-1])), (0.5,), False)
    sightings = Sightings(
        points=points,
        covariances=np.tile(np.eye(2) * 0.01**2, (12, 1, 1)),
        pieces=np.zeros(12, dtype=np.intp),
        corners=np.full(12, -1, dtype=np.intp),
    )
    fit = adjust_chain(chain, [True], sightings)
    other = least_squares(lambda x: (np.hypot(points[:, 0] - x[0], points[:, 1] - x[1]) - x[2]) / 0.01, [0.0, 0.0, 1.0], xtol=1e-14, ftol=1e-14)
    assert fit.chain.piece(0).radius == pytest.approx(other.x[2], abs=1e-6)
    assert fit.chi_square == pytest.approx(2 * other.cost, abs=1e-4)


@pytest.mark.outside(source="numpy.linalg.lstsq as second method", compares="plane patch coefficients", tolerance="1e-9")
def test_level_plane_by_a_second_method():
    from pipeline.edge.levels import Heights, patches_of

    random = np.random.default_rng(8)
    places = random.uniform(-5, 5, (20, 2))
    levels = 30 + 0.012 * places[:, 0] - 0.008 * places[:, 1] + random.normal(0, 0.004, 20)
    heights = Heights(places=places, levels=levels, sigmas=np.full(20, 0.004), names=tuple(map(str, range(20))))
    (patch,) = patches_of(heights, []).patches
    rows = np.column_stack((np.ones(20), places - np.asarray(patch.origin)))
    assert patch.coefficients == pytest.approx(tuple(np.linalg.lstsq(rows, levels, rcond=None)[0]), abs=1e-9)
