"""Surveys whose shots do not show the shape are held with the place; those that show it are not."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.edge.free_form import FreeFit
from pipeline.edge.lines import fitted
from pipeline.errors import SurveyError
from pipeline.geometry.chain import Chain, polyline
from tests.benchmarks.edge_accuracy import drawn
from tests.benchmarks.edge_blunders import one_survey, spoiled
from tests.benchmarks.edge_truth import SHAPES, plainly_shot, shoot, shots_at
from tests.truth.outlines import random_outlines
from tests.truth.stress_sites import open_site
from tests.truth.through_line import take_through
from tests.unit.edge.test_blunders import moved, water


def by_spacing_alone(name: str, seed: int):
    rng, noise, spacing = drawn(seed, len(name))
    return plainly_shot(SHAPES[name](), spacing, noise, rng)


def test_a_spa_of_too_few_shots_is_held_with_its_place():
    """Shot 1.2 m apart the right kinds of pieces come out, 20 mm off (rms of the whole edge), and no residual shows it."""
    shot = by_spacing_alone("with spa", 20)
    row = fitted(water(shot.shots))
    assert row is not None
    fault = next(fault for fault in row.faults if fault.ref == "edge-not-shown")
    beside = [name for name, piece in zip(shot.shots.names, shot.pieces, strict=True) if piece in (0, 1, 2, 3)]
    named = [name for name in shot.shots.names if name in fault.what]
    assert named
    assert set(named) <= set(beside)


def test_a_spa_whose_few_shots_also_contradict_each_other_is_held_at_its_place():
    """Shot 1.8 m apart, 0.17 m off (rms of the whole edge): a shot is far from every chain through the others, and pieces are not shown."""
    built = as_built(by_spacing_alone("with spa", 3).shots, closed=True, arcs=True)
    assert set(built.unshown) & set(built.doubtful)
    row = fitted(water(by_spacing_alone("with spa", 3).shots))
    assert row is not None
    assert [fault.ref for fault in row.faults] == ["edge-in-doubt"]
    assert all(name in row.faults[0].what for name in set(built.unshown) & set(built.doubtful))


@pytest.mark.parametrize(("name", "seed"), [("with spa", 17), ("octagon", 0), ("octagon", 13), ("kidney", 1), ("Roman ends", 5)])
def test_other_shapes_of_too_few_shots_are_held(name, seed):
    """Two sides of two shots side by side, a side between two curves."""
    assert as_built(by_spacing_alone(name, seed).shots, closed=True, arcs=True).unshown


@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_with_two_shots_a_number_is_shown(name):
    shot = shoot(SHAPES[name](), 1.5, 0.006, np.random.default_rng(7))
    assert not as_built(shot.shots, closed=True, arcs=True).unshown


@pytest.mark.parametrize("seed", [0, 6, 7])
def test_a_rectangle_shot_every_two_metres_is_shown(seed):
    """Two or three shots on the short sides; the right angles check them."""
    assert not as_built(by_spacing_alone("rectangle", seed).shots, closed=True, arcs=True).unshown


def test_one_straight_side_of_two_shots_between_well_shot_ones_is_shown():
    """A side of 1.5 m askew to all others: its two shots are all there is, but lie on no other piece."""
    corners = [(0, 0), (8, 0), (8.4, 4.2), (6.6, 6.1), (0.3, 5.2)]
    truth, rng = polyline(corners, closed=True), np.random.default_rng(5)
    stations = [[0.4, 1.1] if k == 2 else np.linspace(0.25, piece.length - 0.25, 7).tolist() for k, piece in enumerate(truth.pieces())]
    places = np.array([piece.point_at(s) for piece, own in zip(truth.pieces(), stations, strict=True) for s in own])
    built = as_built(shots_at(places + rng.normal(0, 0.004, places.shape), 0.004), closed=True, arcs=True)
    assert len(built.shape.chain) == 5
    assert not built.unshown


def test_a_rounded_corner_with_two_shots_on_it_is_found():
    """50 by 25 m with corners of 3 m radius, a shot every 1.84 m: one corner has two, and taken as cut it came out 230 mm off."""
    chain = as_built(by_spacing_alone("50 m large", 5).shots, closed=True, arcs=True).shape.chain
    assert sorted(round(piece.radius) for piece in chain.pieces() if piece.is_arc) == [3, 3, 3, 3]


def test_a_parallel_by_chance_vouches_for_no_side(tmp_path):
    """Two sides of two shots each beside one another, one of them parallel to a far side as it happens: an arc of 0.4 m radius was read as a side, 79 mm off."""
    site = open_site("chance", random_outlines(38)[21], 5059)
    with pytest.raises(SurveyError) as held:
        take_through(site.shots, tmp_path, last="edge")
    assert [reason.ref for reason in held.value.reasons] == ["edge-not-shown"]
    assert "101, 102, 103, 104" in held.value.reasons[0].what


def on_the_coping(seed: int):
    """A free form with three shots in a row on the coping's outer edge."""
    truth, shots, pieces, noise, _ = one_survey("free form", seed)
    return spoiled("coping", shots, pieces, truth, noise, np.random.default_rng([seed, len("free form"), 1]))


@pytest.mark.parametrize(("seed", "beside"), [(14, {"117", "121"}), (16, {"101", "134"})])
def test_a_free_curve_is_held_where_shots_set_aside_leave_it_open(seed, beside):
    """Gaps of 3.4 and 2.7 m: the curve is 58 and 44 mm off in them, and says so by a sigma of 98 and 24 mm.  A corner there is another reading."""
    spoilt = on_the_coping(seed)
    row = fitted(water(spoilt.shots))
    assert row is not None
    fault = next(fault for fault in row.faults if fault.ref in ("edge-not-shown", "edge-in-doubt"))
    assert {name for name in spoilt.shots.names if name in fault.what} >= (beside if fault.ref == "edge-not-shown" else spoilt.wrong)
    told = " ".join(told.what for told in (*row.warnings, *row.faults) if told.ref in ("shot-off-line", "edge-in-doubt"))
    assert all(name in told for name in spoilt.wrong)


def test_a_free_curve_goes_on_where_the_shots_left_show_it():
    spoilt = on_the_coping(6)
    built = as_built(spoilt.shots, closed=True, arcs=True)
    assert {one.name for one in built.set_aside} == spoilt.wrong
    assert isinstance(built.shape.fit, FreeFit)
    assert not built.unshown


def test_a_free_curve_that_bends_round_wrong_shots_one_by_one_is_held_there():
    """Three shots 0.3 m off round an inward corner crossed each other: a curve of 146 arcs went through them, a good shot set aside, up to 225 mm off, nothing told."""
    truth, shots, *_ = one_survey("with spa", 22)
    rows = [shots.names.index(name) for name in ("123", "124", "125")]
    built = as_built(moved(shots, rows, [0.3 * truth.outward(shots.points[row]) for row in rows]), closed=True, arcs=True)
    assert isinstance(built.shape.fit, FreeFit)
    assert {"123", "124"} <= set(built.unshown)


def test_a_side_of_two_shots_from_a_curve_is_held(tmp_path):
    """Three shots on a corner of 0.37 m radius, one on the short side from there to an arc: read as a corner cut by a side of two, 139 mm off and 33 sigma."""
    site = open_site("cut", random_outlines(38)[21], 5135)
    with pytest.raises(SurveyError) as held:
        take_through(site.shots, tmp_path, last="edge")
    assert [reason.ref for reason in held.value.reasons] == ["edge-not-shown"]
    assert "102, 103" in held.value.reasons[0].what


@pytest.mark.parametrize("sides", [5, 6, 7, 8])
def test_a_circle_shot_as_sparsely_as_a_polygon_at_its_corners_is_held(sides):
    """Read as a circle, an octagon of 3 m shot at its corners alone would lie 0.23 m outside the middle of its sides."""
    round_about = np.arange(sides) * 2 * np.pi / sides
    corners = 3 * np.column_stack((np.cos(round_about), np.sin(round_about)))
    noise = np.random.default_rng(sides).normal(0, 0.004, corners.shape)
    built = as_built(shots_at(corners + noise, 0.004), closed=True, arcs=True)
    assert not all(built.shape.curved) or set(built.unshown) == set(built.shape.shots.names)
    row = fitted(water(shots_at(corners + noise, 0.004)))
    assert row is not None
    assert any(fault.ref == "edge-not-shown" for fault in row.faults)


def test_a_circle_with_a_shot_every_36_degrees_is_shown():
    round_about = np.arange(10) * np.pi / 5
    places = 3 * np.column_stack((np.cos(round_about), np.sin(round_about))) + np.random.default_rng(1).normal(0, 0.004, (10, 2))
    built = as_built(shots_at(places, 0.004), closed=True, arcs=True)
    assert all(built.shape.curved)
    assert not built.unshown


def test_a_corner_in_a_gap_may_be_rounded_like_the_others_and_is_held():
    """Three shots of a rounded corner on the coping: without them its sides met in a corner, 67 mm outside the edge, stated to 7 mm."""
    truth, shots, pieces, noise, _ = one_survey("3 m small", 28)
    spoilt = spoiled("coping", shots, pieces, truth, noise, np.random.default_rng([28, len("3 m small"), 1]))
    built = as_built(spoilt.shots, closed=True, arcs=True)
    assert {one.name for one in built.set_aside} == spoilt.wrong == {"116", "117", "118"}
    assert set(built.unshown) == {"115", "119"}


@pytest.mark.parametrize(("nearest", "shown"), [(0.0, True), (0.12, True), (0.34, False)])
def test_a_corner_is_shown_by_shots_where_a_rounded_one_would_not_run(nearest, shown):
    """Three corners of 0.35 m radius and a sharp one, with the nearest shot on either side so far [m] from it: rounded the edge would end there at 0.35 m."""
    bulge, r = np.tan(np.pi / 8), 0.35
    truth = Chain(((r, 0), (6 - r, 0), (6, r), (6, 4), (r, 4), (0, 4 - r), (0, r)), (0.0, bulge, 0.0, 0.0, bulge, 0.0, bulge), True)
    marks, rng = truth.piece_stations(), np.random.default_rng(3)
    stations = [
        station
        for piece, mark in zip(truth.pieces(), marks, strict=False)
        for station in mark + np.linspace(0.04, piece.length - 0.04, 6)
        if abs(station - marks[3]) > 0.5
    ]
    stations = sorted({*stations, marks[3] - nearest, marks[3] + nearest})
    places = np.array([truth.point_at(station) for station in stations])
    built = as_built(shots_at(places + rng.normal(0, 0.004, places.shape), 0.004), closed=True, arcs=True)
    assert len(built.shape.chain) == 7
    assert bool(built.unshown) != shown
    row = fitted(water(built.shape.shots))
    assert row is not None
    assert ["rounded like the others" in fault.what for fault in row.faults] == [True] * (not shown)
