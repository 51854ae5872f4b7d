from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.chain import Chain
from pipeline.geometry.projection import project


def test_projection_agrees_with_the_chain_point_by_point():
    chain = Chain(((0.0, -2.0), (6.0, -2.0), (6.0, 2.0), (2.0, 1.0), (0.0, 2.0)), (0.0, 1.0, -0.4, 0.2, 1.3), True)
    points = np.random.default_rng(5).uniform(-5, 10, (300, 2))
    stations, offsets = project(chain, points)
    for place, station, offset in zip(points, stations, offsets, strict=True):
        there, distance = chain.nearest(tuple(place))
        assert abs(offset) == pytest.approx(distance, abs=1e-9)
        assert np.hypot(*(np.subtract(chain.point_at(station), chain.point_at(there)))) < 1e-6 or abs(offset) == pytest.approx(distance)


def test_left_is_positive():
    chain = Chain(((0.0, 0.0), (4.0, 0.0)), (0.5,), False)
    inside = project(chain, np.array([[2.0, -0.5], [2.0, -1.5]]))[1]
    assert inside[0] == pytest.approx(0.5)
    assert inside[1] == pytest.approx(-0.5)
