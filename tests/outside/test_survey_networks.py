"""Twelve networks from textbooks (F. Krumm, "Geodetic Network Adjustment Examples", Univ. Stuttgart 2020, citing each book's page), as solved by GNU Gama and again by numpy.

Coordinates in metres or feet as in the book; the stored standard deviations, residuals, redundancies and statistics carry four or five decimals.
"""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from pipeline.survey.adjustment import adjusted, baarda_critical, detectable, point_covariances, pope_critical
from pipeline.survey.network import Network, NetworkPoint, Observation
from pipeline.survey.snooping import snooped
from tests.outside.survey_networks import NETWORKS, SECOND, published, stored_unit

LAST_DIGIT = 5.1e-5  # half a unit of it: the stored residuals and statistics have four decimals
KRUMM = "Krumm 2020, Geodetic Network Adjustment Examples"


@pytest.fixture(params=NETWORKS)
def network(request, checks_folder):
    stored, inputs = published(checks_folder, request.param)
    return stored, inputs, adjusted(inputs, free=request.param.endswith("_free"))


@pytest.mark.outside(source=KRUMM, compares="adjusted coordinates", tolerance="1e-11 (numpy); GNU Gama as near as numpy is to it")
def test_coordinates(network):
    """GNU Gama ends its iterations up to 0.75 micrometre away from the minimum (its sum of squares is the larger one); how far, the file says itself."""
    stored, _, found = network
    for name, place in stored["recomputed_here"]["adjusted"].items():
        assert found.place(name)[:2] == pytest.approx(tuple(place), abs=1e-11)
    short = stored["recomputed_here"]["max_abs_diff_to_published_m"]
    assert short < 1e-6
    for name, place in stored["published_adjusted"].items():
        assert found.place(name)[:2] == pytest.approx((place["x"], place["y"]), abs=short + 1e-11)
    assert found.sum_of_squares * stored["published_summary"]["apriori"] ** 2 == pytest.approx(
        stored["published_summary"]["sum-of-squares"], rel=4e-7
    )


@pytest.mark.outside(source=KRUMM, compares="standard deviations of coordinates", tolerance="2e-8 mm")
def test_standard_deviations(network):
    stored, _, found = network
    spread = point_covariances(found) * found.variance_factor
    for name, sigmas in stored["recomputed_here"]["stdev_xy_mm_aposteriori"].items():
        mine = np.sqrt(np.diag(spread[found.design.names.index(name)])[:2]) * 1000
        assert mine == pytest.approx(sigmas, abs=2e-8)


@pytest.mark.outside(source=KRUMM, compares="residuals, redundancy, w, tau, s0, degrees of freedom", tolerance="last stored digit")
def test_residuals_and_statistics(network):
    stored, _, found = network
    rows = stored["observations"]
    assert [row["v"] for row in rows] == pytest.approx([v / stored_unit(row) for v, row in zip(found.residuals, rows, strict=True)], abs=LAST_DIGIT)
    assert [row["redundancy"] for row in rows] == pytest.approx(list(found.redundancy), abs=5.1e-6)
    assert [row["w_baarda_apriori_sigma0_1"] for row in rows] == pytest.approx(list(found.w), abs=LAST_DIGIT)
    assert [row["tau_pope"] for row in rows] == pytest.approx(list(found.tau), abs=LAST_DIGIT)
    assert found.degrees_of_freedom == stored["published_summary"]["degrees-of-freedom"]
    assert found.sigma0 == pytest.approx(stored["recomputed_here"]["s0"], abs=1e-10)


@pytest.mark.outside(source=KRUMM, compares="covariance of a free network: its trace is the least of all frames", tolerance="1e-12 m²")
def test_a_free_network_has_the_smallest_trace(checks_folder):
    _, inputs = published(checks_folder, "StrangBorre_Distance_free")
    free = np.trace(point_covariances(adjusted(inputs, free=True)).sum(axis=0))
    for held in ({"1": "EN", "2": "E"}, {"2": "EN", "3": "N"}, {"1": "EN", "P": "E"}):
        points = tuple(NetworkPoint(name=p.name, east=p.east, north=p.north, held=held.get(p.name, "")) for p in inputs.points)
        assert np.trace(point_covariances(adjusted(Network(points=points, observations=inputs.observations))).sum(axis=0)) > free - 1e-12


@pytest.mark.outside(source="Ghilani 2010, Ex. 21.10", compares="one angle rejected, its size, s0 and coordinates after", tolerance="printed digits")
def test_ghilani_21_10_rejects_its_one_angle(checks_folder):
    _, inputs = published(checks_folder, "Ghilani21_10_DistanceAngle_fix")
    first = adjusted(inputs)
    assert first.sigma0 == pytest.approx(9.28980, abs=5e-6)
    assert first.sum_of_squares == pytest.approx(863.004, abs=5e-4)
    assert np.abs(first.tau).max() == pytest.approx(3.1425, abs=5e-5)
    found = snooped(inputs, criterion="pope", separation=0)
    assert [rejected.observation.label for rejected in found.rejected] == ["D(A,B)"]
    for settings in ({"criterion": "pope"}, {}):  # as the field uses it, by either criterion
        field = snooped(inputs, **settings)
        assert [rejected.observation.label for rejected in field.rejected] == ["D(A,B)"] and field.unlocated == ()
    assert found.rejected[0].size / SECOND == pytest.approx(62.4, abs=0.05)
    assert found.solution.degrees_of_freedom == 9
    assert found.solution.sigma0 == pytest.approx(1.0930, abs=5e-5)
    assert found.solution.place("C")[:2] == pytest.approx((9787.8386, 8038.4862), abs=6e-5)
    assert found.solution.place("D")[:2] == pytest.approx((9260.8829, 4843.8755), abs=6e-5)
    assert np.abs(found.solution.tau).max() == pytest.approx(1.72, abs=5e-3)


@pytest.mark.outside(source="Weiss et al. 2010", compares="two distances rejected, in order, with statistics", tolerance="printed digits")
@pytest.mark.parametrize("settings", [{}, {"separation": 0}], ids=["as the field uses it", "as the textbook does"])
def test_weiss_rejects_its_two_distances_in_order(checks_folder, settings):
    _, inputs = published(checks_folder, "WeissEtAl_Distance_fix")
    found = snooped(inputs, criterion="pope", **settings)
    assert [rejected.observation.label for rejected in found.rejected] == ["1-4", "2-6"]
    assert found.unlocated == ()
    assert [round(rejected.statistic, 3) for rejected in found.rejected] == [3.146, 3.323]
    assert [round(rejected.critical, 3) for rejected in found.rejected] == [2.720, 2.687]
    assert round(found.rejected[0].size * 1000, 1) == 49.5
    assert found.solution.degrees_of_freedom == 12
    assert round(found.solution.sigma0, 5) == 0.00311
    assert round(float(np.abs(found.solution.tau).max()), 3) == 1.973


@pytest.mark.outside(source="Weiss et al. 2010", compares="the same two by Baarda, with sigmas as a crew states them", tolerance="exact")
def test_weiss_rejects_the_same_two_by_baarda(checks_folder):
    """The book's sigmas are relative weights; its clean network has s0 = 0.00311, so a crew would state 3 mm of the unit."""
    _, inputs = published(checks_folder, "WeissEtAl_Distance_fix")
    stated = tuple(msgspec.structs.replace(o, sigma=0.003 * o.sigma) for o in inputs.observations)
    found = snooped(Network(points=inputs.points, observations=stated))
    assert [rejected.observation.label for rejected in found.rejected] == ["1-4", "2-6"]
    assert found.unlocated == ()


@pytest.mark.outside(source="Ghilani & Wolf 2012 §16.9.5; Grossmann 1969", compares="near misses reject nothing", tolerance="exact")
@pytest.mark.parametrize(("name", "largest", "critical"), [("Ghilani_Wolf_Distance_Angle", 2.500, 2.546), ("Grossmann_Direction_fix", 1.958, 2.406)])
def test_near_misses_reject_nothing(checks_folder, name, largest, critical):
    _, inputs = published(checks_folder, name)
    for settings in ({"criterion": "pope"}, {"criterion": "pope", "separation": 0}, {}):
        assert snooped(inputs, **settings).rejected == snooped(inputs, **settings).unlocated == ()
    found = snooped(inputs, criterion="pope")
    assert np.abs(found.solution.tau).max() == pytest.approx(largest, abs=5e-4)
    assert pope_critical(len(inputs.observations), found.solution.degrees_of_freedom) == pytest.approx(critical, abs=5e-4)


@pytest.mark.outside(
    source="Benning 2011, Ex. 8-2; Strang & Borre 1997, Ex. 10.1", compares="one spare tie detects, and cannot locate", tolerance="exact"
)
def test_one_spare_tie_can_detect_and_not_locate(checks_folder):
    _, inputs = published(checks_folder, "StrangBorre_Distance_fix")
    sharp = Network(
        points=inputs.points, observations=tuple(Observation(kind=o.kind, at=o.at, to=o.to, value=o.value, sigma=0.003) for o in inputs.observations)
    )
    found = snooped(sharp)
    assert found.rejected == ()
    assert len(found.unlocated) == len(inputs.observations)
    assert np.abs(found.solution.tau) == pytest.approx(np.ones(3))


@pytest.mark.outside(source="Wolf 1979 p. 87 (Krumm, Wolf_3D_Distance_fix)", compares="3-D intersection of slope distances", tolerance="1e-7 m")
def test_wolf_3d_slope_distances():
    marks = {"1": (1200, 900, 900), "2": (900, 600, 900), "3": (600, 900, 900), "4": (900, 1200, 900)}
    points = [NetworkPoint(name=name, east=e, north=n, up=u, held="ENU") for name, (e, n, u) in marks.items()]
    slopes = [
        Observation(kind="slope", at=name, to="P", value=value, sigma=0.01)
        for name, value in zip(marks, (499.99, 500.00, 500.01, 500.02), strict=True)
    ]
    found = adjusted(Network(points=(*points, NetworkPoint(name="P", east=905, north=890, up=1290)), observations=tuple(slopes)))
    assert found.place("P") == pytest.approx((900.0166670, 899.9833333, 1300.0062494), abs=1e-7)


@pytest.mark.outside(
    source="OSGeoLabBp level_net.rst (Z. Siki)", compares="level network: heights, sigmas, residuals, tests, redundancy", tolerance="printed digits"
)
def test_level_network():
    rows = [
        ("1", "2", -0.749, 1.1),
        ("1", "3", -1.274, 1.8),
        ("1", "4", -2.890, 1.4),
        ("2", "3", -0.530, 1.5),
        ("2", "4", -2.141, 1.9),
        ("3", "4", -1.614, 0.9),
    ]
    points = tuple(NetworkPoint(name=name, east=0, north=0, up=101.345 if name == "4" else 103, held="U" if name == "4" else "") for name in "1234")
    rises = tuple(Observation(kind="rise", at=a, to=b, value=dh, sigma=0.7e-3 * km) for a, b, dh, km in rows)
    found = adjusted(Network(points=points, observations=rises))
    heights = [found.place(name)[2] for name in "123"]
    assert [f"{height:.4f}" for height in heights] == ["104.2350", "103.4868", "102.9588"]
    assert heights == pytest.approx([104.23500, 103.48681, 102.95882], abs=5e-6)
    spread = np.sqrt(point_covariances(found)[:3, 2, 2] * found.variance_factor) * 1000
    assert [f"{sigma:.2f}" for sigma in spread] == ["1.13", "1.19", "0.91"]
    assert f"{found.sigma0:.2f} {found.sum_of_squares:.3f}" == "1.65 8.217"
    assert [f"{v * 1000 + 0.0:.2f}".replace("-0.00", "0.00") for v in found.residuals] == ["0.81", "-2.18", "0.00", "2.01", "-0.81", "0.18"]
    assert [f"{abs(t):.1f}" for t in found.tau] == ["1.1", "1.3", "0.0", "1.6", "0.4", "0.4"]
    assert [f"{abs(w):.1f}" for w in found.w] == ["1.9", "2.1", "0.0", "2.6", "0.7", "0.6"]
    assert [f"{r:.1f}" for r in found.redundancy] == ["0.3", "0.7", "0.5", "0.5", "0.7", "0.2"]
    assert np.abs(found.tau) == pytest.approx([1.136, 1.260, 0.003, 1.566, 0.436, 0.357], abs=5e-4)
    assert found.redundancy == pytest.approx([0.314, 0.686, 0.511, 0.547, 0.707, 0.234], abs=5e-4)


@pytest.mark.outside(source="critical values of Baarda and Pope, recomputed with scipy", compares="k, delta0, tau", tolerance="4 decimals")
def test_critical_values(checks_folder):
    assert baarda_critical(0.001) == pytest.approx(3.2905, abs=5e-5)
    cases = {(14, 10): 2.5049, (24, 14): 2.7202, (27, 14): 2.7408, (27, 9): 2.5464, (18, 12): 2.6156, (6, 3): 1.7173}
    assert [pope_critical(n, f) for n, f in cases] == pytest.approx(list(cases.values()), abs=6e-5)
    _, inputs = published(checks_folder, "Ghilani_Wolf_Distance_Angle")
    found = adjusted(inputs)
    checked = found.redundancy > 1e-6
    assert detectable(found)[checked] == pytest.approx(
        4.1321 * (found.design.sigmas / np.sqrt(np.maximum(found.redundancy, 1e-9)))[checked], rel=2e-5
    )
    assert np.all(np.isinf(detectable(found)[~checked]))
