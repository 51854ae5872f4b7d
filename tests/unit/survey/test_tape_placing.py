import math

import pytest

from pipeline.survey.tape_placing import Line, circles_meet, placed_by_ties

POINTS = {"A": (0.0, 0.0), "B": (12.0, 0.0), "C": (11.0, 8.0), **{f"W{n}": (6 + 3 * math.cos(n), 4 + 2 * math.sin(n)) for n in range(6)}}
BASE = ((0.0, 0.0), (12.0, 0.0))
RING = [Line(tuple(f"W{n}" for n in range(6)), True)]


def placing(ties, sides=None, lines=(), known=("A", "B")):
    lengths = {(a, b): math.dist(POINTS[a], POINTS[b]) for a, b in ties}
    return placed_by_ties(lengths, {name: POINTS[name] for name in known}, BASE, sides or {}, lines, 0.003)


def assert_placed(found, names):
    for name in names:
        assert found.places[name] == pytest.approx(POINTS[name], abs=1e-6), name


def every(marks, names):
    return [(mark, name) for name in names for mark in marks]


def test_a_third_tie_settles_the_mirror():
    ties = [("A", "C"), ("B", "C"), *every("ABC", POINTS.keys() - set("ABC"))]
    found = placing(ties, {"W1": "left"})
    assert_placed(found, POINTS)
    assert not (found.mirrored or found.two_sided or found.short or found.against)


def test_without_any_side_the_whole_may_be_a_mirror_image():
    assert placing([("A", "C"), ("B", "C"), *every("ABC", ["W1", "W2"])]).mirrored


def test_right_of_the_base_line_turns_the_whole_over():
    found = placing([("A", "C"), ("B", "C"), *every("ABC", ["W1", "W2"])], {"W2": "right"})
    assert found.places["C"] == pytest.approx((11.0, -8.0), abs=1e-6)


def test_the_order_of_the_line_settles_points_with_two_ties():
    found = placing(every("AB", [f"W{n}" for n in range(6)]), {"W0": "left"}, RING)
    assert_placed(found, [f"W{n}" for n in range(6)])
    assert not found.two_sided


def test_a_single_point_with_two_ties_and_no_side_is_named():
    found = placing([*every("AB", ["W1"]), *every("AB", ["C"])], {"W1": "left"})
    assert found.two_sided == ("C",)


def test_a_side_that_contradicts_the_ties_is_named():
    ties = [("A", "C"), ("B", "C"), *every("ABC", ["W1", "W2", "W3"])]
    assert placing(ties, {"W1": "left", "W2": "left", "W3": "right"}).against == ("W3",)


def test_one_tie_is_too_few():
    assert placing([("A", "W1"), ("B", "W1"), ("A", "W2")], {"W1": "left"}).short == ("W2",)


def test_known_marks_off_the_line_need_no_side():
    found = placing(every("ABC", ["W1", "W2"]), known=("A", "B", "C"))
    assert_placed(found, ["W1", "W2"])
    assert not found.mirrored


def test_circles_that_miss_by_a_little_meet_between():
    first, second = circles_meet((0, 0), 4.999, (10, 0), 4.999)
    assert first == second == pytest.approx((5.0, 0.0))
