import math

import numpy as np
import pytest

from pipeline.errors import SurveyError
from pipeline.survey import elimination
from pipeline.survey.adjustment import adjusted, covariance, point_covariances, variance_factor_limits
from pipeline.survey.design import design_of, first_orientations, jacobian, misclosures
from pipeline.survey.network import Network, NetworkPoint, Observation


def every_kind() -> Network:
    """Four points in space with at least one observation of each kind."""
    points = (
        NetworkPoint(name="A", east=0, north=0, up=10, held="ENU"),
        NetworkPoint(name="B", east=30, north=5, up=11, held="U"),
        NetworkPoint(name="C", east=12, north=25, up=12),
        NetworkPoint(name="D", east=-8, north=14, up=9),
    )
    rows = [("A", "B"), ("A", "C"), ("A", "D"), ("B", "C"), ("B", "D"), ("C", "D")]
    place = {p.name: (p.east, p.north, p.up) for p in points}
    observations = []
    for number, (a, b) in enumerate(rows):
        (x, y, z), (u, v, w) = place[a], place[b]
        level, rise = math.hypot(u - x, v - y), w - z + 1.6 - 1.5
        observations += [
            Observation(kind="distance", at=a, to=b, value=level + 0.001 * number, sigma=0.003),
            Observation(kind="slope", at=a, to=b, value=math.hypot(level, rise), sigma=0.002, hi=1.5, ht=1.6),
            Observation(kind="zenith", at=a, to=b, value=math.atan2(level, rise) + 1e-5, sigma=2e-5, hi=1.5, ht=1.6),
            Observation(kind="direction", at=a, to=b, value=math.atan2(u - x, v - y) - 1.1, sigma=2e-5, group=a),
            Observation(kind="rise", at=a, to=b, value=w - z, sigma=0.005),
        ]
    observations += [
        Observation(kind="azimuth", at="A", to="B", value=math.atan2(30, 5), sigma=1e-5),
        Observation(kind="angle", at="C", to="A", fore="B", value=math.atan2(18, -20) - math.atan2(-12, -25), sigma=3e-5),
        Observation(kind="east", at="B", value=30.002, sigma=0.003),
        Observation(kind="north", at="B", value=5.001, sigma=0.003),
        Observation(kind="up", at="D", value=9.0, sigma=0.005),
    ]
    return Network(points=points, observations=tuple(observations))


def test_derivatives_agree_with_differences_of_the_computed_values():
    design = design_of(every_kind())
    places, zeros = design.places, first_orientations(design, design.places)
    analytic = jacobian(design, places).toarray()
    step = 1e-6
    for point, axis in zip(*np.nonzero(design.columns >= 0), strict=True):
        moved, back = places.copy(), places.copy()
        moved[point, axis] += step
        back[point, axis] -= step
        slope = (misclosures(design, back, zeros) - misclosures(design, moved, zeros)) / (2 * step)
        assert analytic[:, design.columns[point, axis]] == pytest.approx(slope, abs=1e-7)
    for group, column in enumerate(design.orientations):
        turned = zeros.copy()
        turned[group] += step
        slope = (misclosures(design, places, zeros) - misclosures(design, places, turned)) / step
        assert analytic[:, column] == pytest.approx(slope, abs=1e-7)


def test_every_kind_together_fits_and_redundancy_sums_to_the_degrees_of_freedom():
    found = adjusted(every_kind())
    assert found.converged
    assert found.redundancy.sum() == pytest.approx(found.degrees_of_freedom, abs=1e-8)
    assert found.place("C") == pytest.approx((12, 25, 12), abs=0.01)


def test_covariance_of_asked_points_is_the_inverse_of_the_normal_equations():
    found = adjusted(every_kind())
    normal = (found.jacobian.T @ found.jacobian).toarray()
    full = np.linalg.inv(normal)
    columns = found.design.columns[[2, 3]].ravel()
    assert covariance(found, ["C", "D"]) == pytest.approx(full[np.ix_(columns, columns)], rel=1e-9)
    assert covariance(found, ["A"]) == pytest.approx(np.zeros((3, 3)))
    assert point_covariances(found)[2] == pytest.approx(full[np.ix_(columns[:3], columns[:3])], rel=1e-9)


def test_blocks_and_one_dense_matrix_give_the_same(monkeypatch):
    """A large network goes by levels and leaves; the same one as a single block has to give every digit."""
    source = np.random.default_rng(5)
    places = source.uniform(0, 60, (120, 2))
    pairs = {(min(i, int(j)), max(i, int(j))) for i in range(120) for j in np.argsort(np.hypot(*(places - places[i]).T))[1:6]}
    pairs |= {(0, 119), (3, 77)}
    points = tuple(NetworkPoint(name=str(i), east=float(e), north=float(n), held="EN" if i in (0, 60) else "") for i, (e, n) in enumerate(places))
    observations = tuple(
        Observation(kind="distance", at=str(i), to=str(j), value=math.dist(places[i], places[j]) + source.normal(0, 0.003), sigma=0.003)
        for i, j in sorted(pairs)
    )
    network = Network(points=points, observations=observations)
    by_levels = adjusted(network)
    assert by_levels.factor is not None and len(by_levels.factor.levels) > 3 and len(by_levels.factor.leaves)
    monkeypatch.setattr(elimination, "DENSE_UNKNOWNS", 10_000)
    whole = adjusted(network)
    assert len(whole.factor.levels) == 1
    assert by_levels.places == pytest.approx(whole.places, abs=1e-9)
    assert by_levels.redundancy == pytest.approx(whole.redundancy, abs=1e-9)
    assert point_covariances(by_levels) == pytest.approx(point_covariances(whole), rel=1e-6, abs=1e-14)
    assert covariance(by_levels, ["5", "99"]) == pytest.approx(covariance(whole, ["5", "99"]), rel=1e-6, abs=1e-14)


@pytest.mark.parametrize(
    ("ties", "named"),
    [
        ([("A", "P"), ("A", "B")], "P"),  # one tie
        ([("A", "P"), ("B", "P"), ("Q", "R")], "Q"),  # an island
    ],
)
def test_a_rank_defect_names_its_points(ties, named):
    place = {"A": (0, 0), "B": (10, 0), "P": (4, 5), "Q": (40, 40), "R": (50, 40)}
    used = sorted({name for tie in ties for name in tie})
    points = tuple(NetworkPoint(name=n, east=place[n][0], north=place[n][1], held="EN" if n in "AB" else "") for n in used)
    observations = tuple(Observation(kind="distance", at=a, to=b, value=math.dist(place[a], place[b]), sigma=0.003) for a, b in ties)
    with pytest.raises(SurveyError) as refused:
        adjusted(Network(points=points, observations=observations))
    assert refused.value.reasons[0].ref == "not-determined"
    assert named in refused.value.reasons[0].what


def test_the_danger_circle_is_a_rank_defect_of_the_adjustment_too():
    circle = {name: (10 * math.sin(turn), 10 * math.cos(turn)) for name, turn in (("A", 0.1), ("B", 1.4), ("C", 2.9), ("P", 4.5))}
    points = tuple(NetworkPoint(name=n, east=e, north=u, held="" if n == "P" else "EN") for n, (e, u) in circle.items())
    sights = tuple(
        Observation(
            kind="direction", at="P", to=n, group="P", sigma=2e-5, value=math.atan2(circle[n][0] - circle["P"][0], circle[n][1] - circle["P"][1])
        )
        for n in "ABC"
    )
    with pytest.raises(SurveyError, match="do not determine point P"):
        adjusted(Network(points=points, observations=sights))


def test_far_approximations_still_settle():
    points = (
        NetworkPoint(name="A", east=0, north=0, held="EN"),
        NetworkPoint(name="B", east=10, north=0, held="EN"),
        NetworkPoint(name="P", east=9, north=1),
    )
    ties = tuple(Observation(kind="distance", at=a, to="P", value=8.0, sigma=0.003) for a in "AB")
    assert adjusted(Network(points=points, observations=ties)).place("P")[:2] == pytest.approx((5, math.sqrt(39)), abs=1e-9)


def test_limits_of_the_variance_factor():
    assert variance_factor_limits(10) == pytest.approx((0.3247, 2.0483), abs=1e-4)  # chi-square tables, 3.247 and 20.483 over 10
    assert variance_factor_limits(0) == (0.0, math.inf)
