"""Whatever is to be labelled, what is placed lies on nothing; told by polygons, not by the placing code's own test."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon, intersection

from pipeline.drawings.ink import Words
from pipeline.drawings.label_placing import Candidate, Obstacles, overlap, place_labels, words_box

AREA = (0.0, 0.0, 120.0, 120.0)
numbers = st.floats(-30, 150, allow_nan=False)
boxes = st.tuples(st.floats(-20, 20), st.floats(-20, 20), st.floats(0.1, 12), st.floats(0.0, 6), st.floats(-4, 4))


def polygon(box):
    x, y, half_width, half_height, turn = box
    cosine, sine = math.cos(turn), math.sin(turn)
    corners = ((-half_width, -half_height), (half_width, -half_height), (half_width, half_height), (-half_width, half_height))
    return Polygon([(x + a * cosine - b * sine, y + a * sine + b * cosine) for a, b in corners])


@given(boxes, boxes)
@settings(max_examples=400, deadline=None)
def test_separating_axes_agree_with_polygons(first, second):
    shared = intersection(polygon(first), polygon(second)).area
    if second[3] > 0.01 and first[3] > 0.01:
        if shared > 1e-6:
            assert overlap(first, second)
        if not overlap(first, second):
            assert shared < 1e-6
        assert overlap(first, second) == overlap(second, first)


wishes = st.lists(st.tuples(st.floats(5, 115), st.floats(5, 115), st.floats(-math.pi / 2, math.pi / 2)), min_size=1, max_size=40)
fences = st.lists(st.tuples(numbers, numbers, numbers, numbers), max_size=6)


@given(wishes, fences)
@settings(max_examples=60, deadline=None)
def test_what_is_placed_lies_on_no_line_and_on_no_other(asked, fence):
    hard, soft = Obstacles(AREA), Obstacles(AREA)
    for x0, y0, x1, y1 in fence:
        hard.add_line((x0, y0), (x1, y1))
    wanted = []
    for index, (x, y, turn) in enumerate(asked):
        places = [(x + dx, y + dy) for dx, dy in ((0, 0), (6, 3), (-6, -3), (3, 9), (-12, 5))]
        words = [Words(text=f"H{index:03d}", at=at, cap=2.3, bold=True, turn=turn, middle=True) for at in places]
        wanted.append((f"H{index:03d}", [Candidate(words=each, leader=((x, y), each.at)) for each in words]))
    placed = place_labels(wanted, hard, soft, AREA)
    shapes = [polygon(words_box(each.candidate.words)) for each in placed if each.free]
    lines = [LineString([(x0, y0), (x1, y1)]) for x0, y0, x1, y1 in fence]
    for index, shape in enumerate(shapes):
        assert all(intersection(shape, other).area < 1e-6 for other in shapes[index + 1 :])
        assert all(intersection(shape, line).length < 1e-6 for line in lines)
        left, bottom, right, top = shape.bounds
        assert AREA[0] <= left
        assert AREA[1] <= bottom
        assert right <= AREA[2]
        assert top <= AREA[3]
    assert place_labels(wanted, _again(fence), Obstacles(AREA), AREA) == placed


def _again(fence):
    hard = Obstacles(AREA)
    for x0, y0, x1, y1 in fence:
        hard.add_line((x0, y0), (x1, y1))
    return hard
