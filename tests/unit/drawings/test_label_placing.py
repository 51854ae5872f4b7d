from __future__ import annotations

import math

import pytest

from pipeline.drawings.ink import Words
from pipeline.drawings.label_placing import Candidate, Obstacles, inside, line_box, overlap, place_labels, upright, words_box

AREA = (0.0, 0.0, 100.0, 100.0)


def at(x: float, y: float, text: str = "H001", **more) -> Candidate:
    return Candidate(words=Words(text=text, at=(x, y), cap=2.0, align="centre", middle=True), **more)


def test_boxes_that_touch_do_not_overlap():
    assert not overlap((0, 0, 1, 1, 0), (2, 0, 1, 1, 0))
    assert overlap((0, 0, 1, 1, 0), (1.999, 0, 1, 1, 0))


def test_turned_boxes_are_told_apart_where_their_upright_hulls_meet():
    slender = (0.0, 0.0, 10.0, 0.5, math.radians(45))
    assert not overlap(slender, (5.0, -5.0, 2.0, 2.0, 0.0))
    assert overlap(slender, (5.0, 5.0, 2.0, 2.0, 0.0))


def test_a_line_overlaps_a_box_it_runs_through_and_none_it_passes():
    assert overlap(line_box((-5, 0), (5, 0)), (0, 0, 1, 1, 0.3))
    assert not overlap(line_box((-5, 3), (5, 3)), (0, 0, 1, 1, 0.3))


def test_the_second_label_takes_its_next_place():
    placed = place_labels([("a", [at(50, 50)]), ("b", [at(50, 50), at(50, 60)])], Obstacles(AREA), Obstacles(AREA), AREA)
    assert [each.free for each in placed] == [True, True]
    assert placed[1].candidate.words.at == (50, 60)


def test_a_label_without_a_free_place_is_left_away_and_blocks_nothing():
    placed = place_labels([("a", [at(50, 50)]), ("b", [at(50, 50)]), ("c", [at(50, 53)])], Obstacles(AREA), Obstacles(AREA), AREA)
    assert [each.free for each in placed] == [True, False, True]


def test_a_leader_may_not_cross_a_label():
    blocker = ("a", [at(50, 50)])
    crossing = at(60, 50, leader=((40.0, 50.0), (57.0, 50.0)))
    round_about = at(50, 60, leader=((40.0, 50.0), (46.0, 60.0)))
    placed = place_labels([blocker, ("b", [crossing, round_about])], Obstacles(AREA), Obstacles(AREA), AREA)
    assert placed[1].candidate == round_about


def test_soft_edges_give_way_where_nothing_better_is_near():
    soft = Obstacles(AREA)
    soft.add_line((0.0, 50.0), (100.0, 50.0))
    near = at(50, 50, leader=((50.0, 48.0), (50.0, 49.0)))
    free = at(50, 56, leader=((50.0, 48.0), (50.0, 51.5)))
    assert place_labels([("a", [near, free])], Obstacles(AREA), soft, AREA)[0].candidate == free
    far = at(50, 80, leader=((50.0, 48.0), (50.0, 78.0)))
    assert place_labels([("a", [near, far])], Obstacles(AREA), soft, AREA)[0].candidate == near


def test_firm_lines_are_written_over_only_where_nothing_else_is_free():
    firm = Obstacles(AREA)
    firm.add_line((0.0, 50.0), (100.0, 50.0))
    near = at(50, 50, leader=((50.0, 48.0), (50.0, 49.0)))
    far = at(50, 80, leader=((50.0, 48.0), (50.0, 78.0)))
    assert place_labels([("a", [near, far])], Obstacles(AREA), Obstacles(AREA), AREA, firm=firm)[0].candidate == far
    assert place_labels([("a", [near])], Obstacles(AREA), Obstacles(AREA), AREA, firm=firm)[0].free


def test_labels_stay_on_the_sheet():
    assert not place_labels([("a", [at(1, 1)])], Obstacles(AREA), Obstacles(AREA), AREA)[0].free
    assert inside(words_box(at(50, 50).words), AREA)


@pytest.mark.parametrize(
    ("degrees", "expected", "reversed_"),
    [(0, 0, False), (90, 90, False), (91, 91, False), (99, -81, True), (180, 0, True), (-90, 90, True), (-89, 91, True), (-81, -81, False)],
)
def test_text_never_stands_on_its_head(degrees, expected, reversed_):
    turn, was = upright(math.radians(degrees))
    assert math.degrees(turn) == pytest.approx(expected)
    assert was == reversed_
