"""The benchmarks of the edge run once in small, so that they never rot; full size by their own command."""

from __future__ import annotations

import pytest

from tests.benchmarks import edge_accuracy, edge_blunders, edge_speed


@pytest.mark.parametrize("name", ["round ends", "kidney"])
def test_accuracy_table(name):
    row = edge_accuracy.measure(name, 3)
    assert row["right"] >= 2 / 3
    assert row["ratio"] < 1.4  # three seeds scatter; the full table holds 1.1
    assert 0.6 < row["honesty"] < 1.5


@pytest.mark.long
def test_accuracy_of_a_free_form():
    row = edge_accuracy.measure(edge_accuracy.FREE, 1)
    assert row["right"] == 1.0
    assert row["ratio"] < 2.2


@pytest.mark.parametrize("plain", [False, True])
def test_accuracy_of_a_free_stretch(plain):
    fit = edge_accuracy.fitted("free side", 4, plain=plain)
    assert fit.right or plain
    assert fit.square < 2.2**2 * fit.bound or fit.held


def test_a_plainly_shot_survey_tells_what_it_shows():
    fit = edge_accuracy.fitted("rectangle", 1, plain=True)
    assert fit.shown
    assert edge_accuracy.plain_row_of([fit])["shown"] == 1.0


@pytest.mark.parametrize("kind", edge_blunders.KINDS)
def test_blunder_table(kind):
    rows = edge_blunders.measure("rectangle", 2, (kind,))
    assert [row.outcome for row in rows] == ["clean", "named"] * 2
    assert not any(row.harmed for row in rows)


def test_five_thousand_shots_in_five_seconds():
    count, took = edge_speed.seconds("lagoon", 5000)
    assert count > 4900
    assert took < 5.0


def test_time_does_not_grow_with_the_square_of_the_shots():
    """Beyond the search on means the time is shots times pieces, with a constant before it."""
    few, many = edge_speed.seconds("rectangle", 1000)[1], edge_speed.seconds("rectangle", 4000)[1]
    assert many < 4 * few + 0.3  # a clock's jitter


@pytest.mark.long
@pytest.mark.parametrize("name", edge_accuracy.NAMES)
def test_accuracy_full_size(name):
    row = edge_accuracy.measure(name, 200)
    assert row["right"] >= 0.95
    assert row["ratio"] <= 1.1
    assert row["honesty of right"] == pytest.approx(1.0, abs=0.05)
