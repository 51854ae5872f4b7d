"""The covariance between points that the artifact carries is the adjustment's own."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from pipeline.intake.resolve import default_job
from pipeline.model.survey import CommonErrors, Survey
from pipeline.survey import common_errors as module
from pipeline.survey import station_network, tape_network
from pipeline.survey.adjustment import adjusted, covariance
from pipeline.survey.answer import answer
from pipeline.survey.common_errors import common_errors
from pipeline.survey.network import Network, NetworkPoint, Observation
from pipeline.survey.summary import scale_of_sigmas
from tests.unit.survey.made_surveys import errors, made_site, point_file, shots_file, tape_file

JOB = default_job("made", survey={"unit": "metre"})
SQUARE_ROUNDING = 2e-11  # [m²] a nanometre's rounding of factors of some millimetres


def network_behind(monkeypatch, where, content) -> tuple[Survey, object]:
    """The survey of a file, and the adjustment it came from."""
    kept = []
    plain = where.snooped_beside
    monkeypatch.setattr(where, "snooped_beside", lambda network, aside: kept.append(plain(network, aside)) or kept[-1])
    survey = answer(JOB, {"survey.csv": content.encode()}).survey
    return survey, kept[0].solution


@pytest.mark.parametrize(
    ("where", "content"),
    [
        (tape_network, tape_file(made_site(3), errors(3))),
        (station_network, shots_file(made_site(4, base="station"), errors(4))),
        (station_network, shots_file(made_site(6, count=60, base="station"), errors(6))),
    ],
    ids=["tape", "station", "large station"],
)
def test_every_pair_has_the_covariance_of_the_adjustment(monkeypatch, where, content):
    survey, found = network_behind(monkeypatch, where, content)
    names = survey.common_errors.points
    full = covariance(found, names) * scale_of_sigmas(found)
    axes = slice(0, 2) if where is tape_network else slice(0, 3)
    for number, name in enumerate(names):
        for other in range(number):
            block = full[3 * number : 3 * number + 3, 3 * other : 3 * other + 3][axes, axes]
            mine = np.array(survey.common_errors.covariance(name, names[other]))[axes, axes]
            assert mine == pytest.approx(block, abs=SQUARE_ROUNDING)
    assert survey.common_errors.left_out == 0.0


def test_a_point_has_at_least_its_share_of_the_common_errors():
    survey = answer(JOB, {"survey.csv": shots_file(made_site(4, base="station"), errors(4)).encode()}).survey
    common = survey.common_errors
    for place, name in enumerate(common.points):
        point = next(point for point in survey.points if point.point == name)
        shared = sum(factor[3 * place] ** 2 for factor in common.factors)
        assert point.sigma_east**2 >= shared - SQUARE_ROUNDING
    assert len(common.factors) == 5  # both setups' orientations; east, north and up of the second


def test_it_is_small_and_survives_the_artifact():
    survey = answer(JOB, {"survey.csv": shots_file(made_site(4, count=100, base="station"), errors(4)).encode()}).survey
    text = msgspec.json.encode(survey.common_errors)
    assert len(text) < 60_000
    assert msgspec.json.decode(text, type=CommonErrors) == survey.common_errors


def test_points_that_came_as_coordinates_have_none():
    assert answer(JOB, {"points.csv": point_file(made_site(1)).encode()}).survey.common_errors is None
    assert CommonErrors(points=("A",), factors=()).covariance("A", "B") == ((0.0, 0.0, 0.0),) * 3


def chain(count: int) -> Network:
    """Points in a row, each tied to its neighbours and theirs: half of them hubs."""
    points = [NetworkPoint(name=f"P{n}", east=3.0 * n, north=2.0 * (n % 2), held="EN" if n < 2 else "") for n in range(count)]
    ties = [(a, b) for a in range(count) for b in (a + 1, a + 2, a + 3) if b < count]
    return Network(
        points=tuple(points),
        observations=tuple(
            Observation(kind="distance", at=f"P{a}", to=f"P{b}", value=float(np.hypot(3 * (b - a), 2 * ((a + b) % 2))), sigma=0.003) for a, b in ties
        ),
    )


def test_more_than_fits_is_left_out_and_said(monkeypatch):
    found = adjusted(chain(40))
    names = [f"P{n}" for n in range(40)]
    whole = common_errors(found, names)
    assert whole.left_out == 0.0 or len(whole.factors) == module.MOST_FACTORS
    monkeypatch.setattr(module, "MOST_FACTORS", 10)
    part = common_errors(found, names)
    assert len(part.factors) == 10 and part.left_out > 0
    full = covariance(found, names)
    largest = np.sqrt(np.diag(full).max())
    assert part.left_out < 0.2 * largest  # the first factors carry what matters: the far end swings as one
    assert part.covariance("P39", "P38")[1][1] == pytest.approx(full[3 * 39 + 1, 3 * 38 + 1], rel=0.05)


def test_a_free_network_has_its_frame_in_common():
    points = tuple(NetworkPoint(name=n, east=e, north=u) for n, e, u in (("A", 0, 0), ("B", 6, 0), ("C", 3, 4)))
    ties = tuple(Observation(kind="distance", at=a, to=b, value=v, sigma=0.003) for a, b, v in (("A", "B", 6), ("B", "C", 5), ("A", "C", 5)))
    found = adjusted(Network(points=points, observations=ties), free=True)
    common, full = common_errors(found, "ABC"), covariance(found, "ABC")
    assert np.array(common.covariance("A", "B")) == pytest.approx(full[:3, 3:6], abs=SQUARE_ROUNDING)
