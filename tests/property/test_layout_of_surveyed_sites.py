"""Surveys taken through the first stages: sites that cannot be fenced are held with the right reason, fences that end at marks, and fences against the true water."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from pipeline.errors import LayoutError
from tests.truth.distances import chord_to_chain
from tests.truth.outlines import rectangle
from tests.truth.sites import INCH, FieldBook, Placement, falling_deck
from tests.truth.stress_sites import random_sites
from tests.truth.through_line import fence_of
from tests.unit.layout.readings import line_of

PLACE = Placement(math.radians(23.0), 120.0, 340.0)
WATER = rectangle(9.0, 4.5)
ROUND = [(-3.0, -3.0), (12.0, -3.0), (12.0, 7.5), (-3.0, 7.5)]


def surveyed(*, deck=ROUND, gate=(4.0, -0.8), more=(), level=None):
    """Shots of the pool with open deck all round and three marks; `more` are (code, points) of further lines and points, `level` the deck's own height."""
    book = FieldBook(77, level or falling_deck([WATER], 20.0, 0.015), PLACE)
    for number, mark in enumerate([(-4.0, -3.7), (12.8, -4.0), (12.6, 8.4)], 1):
        book.take("MARK / nail", mark, number=str(number))
    book.line("WATER", WATER, straight=0.8)
    book.each("DECK", deck, last="C")
    for point in [(-1.1, 0.5), (-1.1, 4.0), (4.5, -1.1), (10.1, 1.0), (10.1, 3.8), (4.5, 5.6), (1.0, 5.6), (8.0, -1.2)]:
        book.take("SPOT", point)
    if gate:
        book.take("GATE", gate)
    for code, points in more:
        book.each(code, points)
    return tuple(book.shots)


def box(x: float, y: float, wide: float, deep: float):
    return [(x, y), (x + wide, y), (x + wide, y + deep), (x, y + deep)]


def held(shots, folder, **options):
    with pytest.raises(LayoutError) as fault:
        fence_of(shots, folder / "job", **options)
    return fault.value.reasons[0]


HOUSE = ("WALL", [(-5.0, 5.1), (0.0, 5.1), (5.0, 5.1), (10.0, 5.1), (14.0, 5.1)])


def test_deck_400_mm_wide(tmp_path):
    reason = held(surveyed(deck=box(-0.4, -0.4, 9.8, 5.3)), tmp_path)
    assert reason.ref == "no-room-for-the-line"
    assert "the deck ends" in reason.what
    assert '"' in reason.what  # the shortfall in the job's own unit
    assert "widen the deck" in reason.do


def test_wall_with_a_window_in_the_loops_only_way(tmp_path):
    shots = surveyed(more=(HOUSE, ("WINDOW", [(3.0, 5.1), (4.2, 5.1)])))
    reason = held(shots, tmp_path, fence={"ends": "loop"})
    assert reason.ref == "wall-in-the-loop"
    assert "WINDOW" in reason.what


@pytest.mark.parametrize("kind", ["WINDOW", "DOOR"])
def test_a_fence_does_not_end_at_an_opening(kind, tmp_path):
    """The line runs straight on to the wall 30 in beside the pool: there is the opening."""
    shots = surveyed(more=(HOUSE, (kind, [(-1.2, 5.1), (-0.3, 5.1)])))
    reason = held(shots, tmp_path)
    assert reason.ref == {"WINDOW": "end-at-opening", "DOOR": "no-room-for-the-line"}[kind]  # a door's swing stands in the line's way first
    assert kind in reason.what.upper()


def test_gate_wider_than_the_free_side(tmp_path):
    hedges = tuple((f"OBJECT{number}", [*box(x, -1.7, 0.5, 0.5), (x, -1.7)]) for number, x in enumerate((0.2, 1.6, 3.0, 4.4, 5.8, 7.2), 1))
    shots = surveyed(more=hedges)
    reason = held(shots, tmp_path, gate=[{"near": next(shot.number for shot in shots if shot.description == "GATE"), "leaf": "13 ft"}])
    assert reason.ref == "no-place-for-gate"
    assert "13" in reason.what


def test_risers_deeper_than_a_hole_can_be_set_from(tmp_path):
    """Two risers 130 mm apart: between the holes beside them no panel stands."""
    flat = falling_deck([WATER], 20.0, 0.015)

    def level(point):
        return flat(point) + 0.15 * ((point[0] > 4.0) + (point[0] > 4.13)) * (point[1] > 4.5)

    steps = tuple((f"STEP{number}", [(x + 1e-4, 4.55), (x + 1e-4, 6.0), (x + 1e-4, 7.5)]) for number, x in enumerate((4.0, 4.13), 1))
    feet = tuple((f"STEP{number} / foot", [(x - 0.008, 4.55), (x - 0.008, 6.0), (x - 0.008, 7.5)]) for number, x in enumerate((4.0, 4.13), 1))
    shots = surveyed(more=(*steps, *feet), level=level)
    reason = held(shots, tmp_path)
    assert reason.ref == "tread-too-short"
    assert "STEP" in reason.what


def test_an_island_pool_with_two_waters_edges(tmp_path):
    shots = surveyed(
        more=(("WATER2", [point for corner, after in pairwise([*box(3.5, 1.5, 1.6, 1.4), (3.5, 1.5)]) for point in _along(corner, after)]),)
    )
    reason = held(shots, tmp_path)
    assert reason.ref == "island"
    assert "WATER2" in reason.what


def _along(corner, after):
    return [(corner[0] + ratio * (after[0] - corner[0]), corner[1] + ratio * (after[1] - corner[1])) for ratio in (0.1, 0.5, 0.9)]


@pytest.mark.parametrize("swapped", [False, True])
def test_a_fence_between_marks_without_a_wall_ends_free_and_says_so(swapped, tmp_path):
    """Whichever mark is shot as START: the fence takes the way the gate is on."""
    ends = ((10.0, 5.3), (-1.0, 5.3))[:: -1 if swapped else 1]
    shots = surveyed(more=(("START", [ends[0]]), ("END", [ends[1]])))
    _, layout = fence_of(shots, tmp_path / "job", fence={"ends": "marks"})
    assert not layout.closed
    assert [end.wall for end in layout.ends] == ["", ""]
    assert "fence-ends-free" in [warning.ref for warning in layout.warnings]
    first, last = (PLACE.designed(hole.place) for hole in (line_of(layout)[0], line_of(layout)[-1]))
    assert first[0] < 0.5  # down the west side, past the gate in the south, up the east side
    assert last[0] > 8.5
    assert len(layout.gates) == 1


def test_a_fence_between_marks_at_a_wall_closes_the_barrier(tmp_path):
    shots = surveyed(more=(HOUSE, ("START", [(-0.8, 5.05)]), ("END", [(9.8, 5.05)])))
    _, layout = fence_of(shots, tmp_path / "job", fence={"ends": "marks"})
    assert all(end.wall for end in layout.ends)
    assert "fence-ends-free" not in [warning.ref for warning in layout.warnings]


def nearest_to_the_true_water(site, folder) -> tuple[float, float]:
    """(least distance of the fabric to the true water's edge, what the fit says the edge may be off there) [m]."""
    fitted, layout = fence_of(site.shots, folder / "job")
    line = line_of(layout)
    pairs = list(pairwise([*line, line[0]]))
    nearest = min((chord_to_chain(one.place, other.place, water), one.place) for one, other in pairs for water in site.waters)
    edge = min(fitted.waters, key=lambda water: water.chain.nearest(nearest[1])[1])
    return nearest[0], edge.sigma_at(edge.chain.nearest(nearest[1])[0])


def check_against_truth(index: int, folder) -> None:
    """Never nearer than the setback less three standard deviations of the fitted edge and the 2 mm a crew's shots may hide of its shape."""
    nearest, sigma = nearest_to_the_true_water(random_sites(38)[index], folder)
    assert nearest >= 30 * INCH - 3 * sigma - 0.002, (nearest, sigma)
    assert sigma < 0.010  # the uncertainty it is measured by is itself small


@pytest.mark.parametrize("index", [0, 13])
def test_fabric_against_the_true_water_round_some_random_outlines(index, tmp_path):
    check_against_truth(index, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("index", range(38))
def test_fabric_against_the_true_water_round_every_random_outline(index, tmp_path):
    check_against_truth(index, tmp_path)
