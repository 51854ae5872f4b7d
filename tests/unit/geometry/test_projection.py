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


def test_many_places_are_located_as_each_by_itself():
    rows = ((0.0, -2.0), (6.0, -2.0), (6.0, 2.0), (2.0, 1.0), (0.0, 2.0))
    loop, row = Chain(rows, (0.0, 1.0, -0.4, 0.2, 1.3), True), Chain(rows, (0.0, 1.0, -0.4, 0.2))
    for chain in (loop, row):
        stations = [*chain.piece_stations(), *np.random.default_rng(3).uniform(0, chain.length, 50)]
        for station, (index, distance) in zip(stations, chain.locate_all(stations), strict=True):
            assert (index, distance) == chain.locate(station)
            assert chain.piece(index).point_at(distance) == pytest.approx(chain.point_at(station))
            assert 0 <= distance <= chain.piece(index).length + 1e-9
    assert [index for index, _ in loop.locate_all(loop.piece_stations())] == [0, 1, 2, 3, 4, 0]
    assert [index for index, _ in row.locate_all(row.piece_stations())] == [0, 1, 2, 3, 3]
    assert row.locate(-0.5) == (0, -0.5)
    assert loop.locate(-0.5)[0] == 4
