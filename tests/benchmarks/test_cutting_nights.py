"""The benchmark in its small form in every run, in full where long runs are asked for."""

from __future__ import annotations

import pytest

from tests.benchmarks.cutting_nights import timed_night

STOCK_PANEL = 118.0  # the cheapest of the default shop: the gap allowed
FULL_NIGHT = 30.0  # [s] of one core


def holds(cutting) -> None:
    for group in cutting.groups:
        assert 0.0 <= group.proof.gap <= STOCK_PANEL
        assert ("proven best" in group.proof.method) == (group.proof.gap < 0.01)
    assert cutting.waste <= cutting.alone_waste
    assert cutting.saving > 0


def test_a_small_night():
    cutting, _, words = timed_night(1, 12, 30, 8)
    holds(cutting)
    assert "saved by pooling" in words


@pytest.mark.long
def test_a_night_of_120_jobs_500_pieces_and_60_offcuts():
    cutting, seconds, words = timed_night(1, 120, 500, 60)
    print(words)
    holds(cutting)
    assert cutting.gap <= STOCK_PANEL
    assert seconds <= FULL_NIGHT
