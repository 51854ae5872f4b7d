"""The night's overhead in reduced form, on toy stages, so that the benchmark never rots; in full: see night_overhead.py."""

from __future__ import annotations

import pytest

from tests.benchmarks.night_overhead import growth, measure

# By computing time, which a busy machine hardly changes; the full limits are by the clock on a quiet one.
NIGHT_WITHOUT_CHANGE = 1.0  # [s]
ONE_CHANGED = 6.0  # [s] ten processes, the engine's import among them
HEAD = 300.0  # [MB]


def test_a_night_without_change_only_looks_and_one_changed_job_costs_one_job():
    found = measure(48, toy=True, keep_bare=False)
    assert found["again cpu"] < NIGHT_WITHOUT_CHANGE
    assert found["one changed cpu"] < ONE_CHANGED
    assert found["head MB"] < HEAD


def test_growth_is_told_as_an_exponent():
    assert growth({"jobs": 10, "night cpu": 2.0}, {"jobs": 1000, "night cpu": 200.0}) == pytest.approx(1.0)


@pytest.mark.long
def test_five_hundred_jobs():
    found = measure(500, toy=True, keep_bare=False)
    assert found["again s"] <= 1.5
    assert found["one changed s"] <= 4.0
    assert found["head MB"] < HEAD
