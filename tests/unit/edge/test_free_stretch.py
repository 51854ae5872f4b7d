"""Free stretches between corners: found, fitted with the sides, their uncertainty, what lies off them."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.edge.as_built import as_built
from pipeline.edge.dense import thinned
from pipeline.edge.free_form import FreeFit
from pipeline.edge.free_stretch import mixed, mixed_as, parts_in_order
from pipeline.edge.left_out import left_out
from pipeline.edge.lines import record
from pipeline.edge.mixed_line import MixedFit, MixedLine, adjusted, distances, turn_at
from pipeline.edge.mixed_shape import mixed_chain, mixed_shape, said
from pipeline.edge.off_stretch import off_mixed
from pipeline.edge.shots import Line
from pipeline.edge.stretch_solver import at
from pipeline.edge.weighing import Told
from pipeline.geometry.projection import project
from tests.benchmarks.edge_accuracy import fitted, parts_of
from tests.benchmarks.edge_blunders import one_survey
from tests.benchmarks.edge_truth import SHAPES, STRETCHES, FreeStretch, shoot, shots_at, uneven
from tests.unit.edge.test_blunders import moved


def surveyed(name, seed, spacing=0.6, noise=0.005):
    truth = STRETCHES[name]()
    stations, shots = truth.shoot(spacing, noise, np.random.default_rng([seed, 5]))
    return truth, stations, shots


def even(truth, count=200):
    return truth.places((np.arange(count) + 0.5) * truth.length / count)


def true_line(truth: FreeStretch) -> MixedLine:
    """The true line, its free stretch the first part."""
    last = truth.corners - 1
    return MixedLine(
        vertices=np.vstack((truth.points[last], truth.points[:last])),
        bulges=(0.0,) * truth.corners,
        curved=(False,) * truth.corners,
        inner=(truth.points[truth.corners :], *(None,) * last),
        smooth=(False,) * truth.corners,
    )


def test_without_one_mean_a_dense_line_is_the_same():
    truth = STRETCHES["free end"]()
    _, shots = truth.shoot(truth.length / 3200, 0.005, np.random.default_rng(1))
    means = thinned(shots)
    found = mixed(means, likely=True)
    assert found is not None
    worst = int(np.argmax(np.abs(found.best.seen.offsets / found.best.seen.sigmas)))
    again = mixed_as(found.best, means.without({worst}))
    assert again is not None and len(again.best.shots) == len(means) - 1
    assert (again.best.line.curved, again.best.line.smooth) == (found.best.line.curved, found.best.line.smooth)
    assert 4 < found.best.chi_square - again.best.chi_square < 40
    assert mixed_as(again.best, means) is None  # of a shot it never had nothing is known


def test_a_dense_line_with_a_mean_that_lies_off_keeps_every_shot():
    truth = STRETCHES["free end"]()
    _, shots = truth.shoot(truth.length / 3200, 0.005, np.random.default_rng(1))
    built = as_built(shots, closed=True, arcs=True)
    assert sorted(parts_of(built)) == ["free", "side", "side"]
    assert not built.set_aside and not built.doubtful
    assert np.abs(project(built.shape.chain, even(truth))[1]).max() < 0.002


@pytest.mark.parametrize("name", STRETCHES)
def test_a_free_stretch_between_corners_is_found_beside_its_sides(name):
    truth, _, shots = surveyed(name, 2)
    built = as_built(shots, closed=True, arcs=True)
    assert sorted(parts_of(built)) == sorted(("free", *("side",) * (truth.corners - 1)))
    assert any("a free stretch of" in note and "handed on as" in note for note in built.notes)
    assert not built.set_aside and not built.doubtful and not built.unshown


@pytest.mark.parametrize("name", STRETCHES)
def test_its_corners_stand_where_they_are(name):
    """Lines and arcs alone, or one free curve, were 20 to 340 mm off there."""
    truth, _, shots = surveyed(name, 2)
    chain = as_built(shots, closed=True, arcs=True).shape.chain
    for corner in truth.points[: truth.corners]:
        nearest = min(np.hypot(*(np.array(vertex) - corner)) for vertex in chain.vertices)
        assert nearest < 0.03


def test_the_stated_sigma_is_that_of_repeated_surveys():
    """Over eight surveys and the whole edge: rms error over stated sigma (18 numbers each: chance makes it 1 +- 0.06)."""
    normed = []
    for seed in range(8):
        truth, _, shots = surveyed("free side", seed)
        built = as_built(shots, closed=True, arcs=True)
        line = record(Line(code="WATER", line="", points=(), closed=True), built)
        there, off = project(line.chain, even(truth))
        normed.append(off / np.array([line.sigma_at(float(station)) for station in there]))
    assert np.sqrt(np.mean(np.square(normed))) == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("name", SHAPES)
def test_lines_and_arcs_are_no_free_stretches(name):
    shots = shoot(SHAPES[name](), 0.7, 0.004, np.random.default_rng(8)).shots
    assert mixed(shots) is None


def test_the_arcs_keep_within_a_millimetre_of_the_curve():
    _, _, shots = surveyed("free end", 4)
    fit = mixed(shots).best
    chain = mixed_chain(fit)
    for part, inner in enumerate(fit.line.inner):
        if inner is not None:
            curve = at(fit.line.nodes(part), np.linspace(0, len(inner) + 1, 500))[0]
            assert np.abs(project(chain, curve)[1]).max() < 0.001
    assert "2 sides or arcs and a free stretch of" in said(fit)
    shape = mixed_shape(fit)
    assert np.allclose(np.abs(project(chain, shots.points)[1]), np.abs(shape.fit.offsets), atol=0.001)


def test_the_adjustment_s_covariance_is_that_of_many_surveys():
    """The true model, two hundred draws: a corner's coordinates scatter as stated (chi-square of 200 draws: 1 +- 0.1)."""
    truth, stations, _ = surveyed("free side", 1)
    parts = (truth.parts(stations) + 1) % truth.corners
    rng, noise = np.random.default_rng(17), 0.005
    off, stated = [], None
    for _ in range(200):
        shots = shots_at(truth.places(stations) + rng.normal(0, noise, (len(stations), 2)), noise)
        fit = adjusted(true_line(truth), shots, parts)
        off.append((fit.line.vertices[:2] - truth.points[[truth.corners - 1, 0]]).ravel())
        stated = np.diag(fit.covariance)[:4] if stated is None else stated
    assert np.sqrt(np.mean(np.square(off), axis=0) / stated) == pytest.approx(np.ones(4), abs=0.2)


def test_a_smooth_join_is_smooth_and_a_side_given_away_is_gone():
    truth, stations, shots = surveyed("free end", 3)
    line = true_line(truth)
    parts = (truth.parts(stations) + 1) % truth.corners
    smooth = adjusted(msgspec.structs.replace(line, smooth=(True, False, False)), shots, parts)
    assert abs(turn_at(smooth.line, 0)) < 1e-5
    assert abs(turn_at(adjusted(line, shots, parts).line, 0)) > 0.05
    fewer = line.without(1)
    assert len(fewer) == 2
    assert np.allclose(fewer.vertices, line.vertices[[0, 2]])


def test_parts_come_in_order_round_the_line():
    _, _, shots = surveyed("free end", 3)
    fit = mixed(shots).best
    rows = [row for some, _ in parts_in_order(fit) for row in some]
    assert sorted(rows) == list(range(len(shots)))
    turned = np.roll(rows, -rows.index(0))
    assert np.array_equal(turned, np.arange(len(shots)))


def spoiled(truth, stations, shots, rows, by):
    points = shots.points.copy()
    points[rows] += truth.outwards(stations[rows]) * by
    return msgspec.structs.replace(shots, points=points)


@pytest.mark.parametrize("part", ["side", "curve"])
@pytest.mark.parametrize(("count", "by"), [(1, -0.4), (3, 0.3)])
def test_shots_off_it_are_named_or_hold_the_line(part, count, by):
    truth, stations, shots = surveyed("free side", 6, spacing=0.45)
    own = np.flatnonzero((truth.parts(stations) == truth.corners - 1) == (part == "curve"))
    rows = own[len(own) // 2 : len(own) // 2 + count]
    built = as_built(spoiled(truth, stations, shots, rows, by), closed=True, arcs=True)
    told = {one.name for one in built.set_aside} | set(built.doubtful) | set(built.unshown)
    assert {shots.names[row] for row in rows} <= told
    if not (built.doubtful or built.unshown):
        bare = as_built(shots.without(rows.tolist()), closed=True, arcs=True)  # fewer shots tell less, whatever found them
        worse = [np.sqrt(np.mean(project(one.shape.chain, even(truth))[1] ** 2)) for one in (built, bare)]
        assert worse[0] < 1.3 * worse[1]


def test_nothing_is_told_of_a_clean_stretch():
    for seed in range(3):
        _, _, shots = surveyed("free end", seed)
        told = off_mixed(mixed(shots).best)
        assert not told.aside and not told.doubtful


def test_a_stretch_of_very_many_shots_is_found_on_means_and_fitted_to_all():
    truth = STRETCHES["free side"]()
    stations, shots = truth.shoot(truth.length / 900, 0.005, np.random.default_rng(1))
    row = np.array([300])
    built = as_built(spoiled(truth, stations, shots, row, -0.2), closed=True, arcs=True)
    assert "free" in parts_of(built)
    assert [one.name for one in built.set_aside] == [shots.names[300]]
    assert np.sqrt(np.mean(project(built.shape.chain, even(truth))[1] ** 2)) < 0.002


def test_another_likely_reading_far_off_puts_the_line_in_doubt():
    """A crew that leaves the corner's neighbourhood out: a corner there, or a curve about it, explain the shots alike."""
    truth = STRETCHES["free end"]()
    _, shots = truth.shoot(1.6, 0.007, np.random.default_rng([13, 13]))
    built = as_built(shots, closed=True, arcs=True)
    off = np.abs(project(built.shape.chain, even(truth))[1]).max()
    assert built.doubtful or built.unshown or off < 0.06


def bank(*points):
    from scipy.interpolate import CubicSpline

    knots = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(np.array(points), axis=0).T))))
    return CubicSpline(knots, np.array(points)), knots[-1]


@pytest.mark.parametrize("seed", [0, 3])
def test_two_free_banks_between_two_walls(seed):
    """As one free curve the four corners were up to 97 mm off, and the line went on; so it did as one stretch about the corners between (seed 0)."""
    rng, noise = np.random.default_rng(seed), 0.005
    (low, across), (top, back) = bank((0, 0), (2.5, -1.1), (5, -0.2), (7.5, -1.2), (10, 0)), bank((10, 5), (7.6, 6.2), (5, 5.3), (2.4, 6.3), (0, 5))
    walls = [uneven(8, rng) * 5 for _ in range(2)]
    east, west = np.column_stack((np.full(8, 10.0), walls[0])), np.column_stack((np.zeros(8), 5 - walls[1]))
    places = np.vstack((low(uneven(26, rng) * across), east, top(uneven(26, rng) * back), west))
    built = as_built(shots_at(places + rng.normal(0, noise, places.shape), noise), closed=True, arcs=True)
    assert parts_of(built) == ("free", "side", "free", "side")
    fine = np.vstack((low(np.linspace(0, across, 200)), top(np.linspace(0, back, 200))))
    assert np.abs(project(built.shape.chain, fine)[1]).max() < 0.015


def test_a_lone_vertex_has_both_ends_of_its_stretch():
    """A drop: one corner, one free stretch all round."""
    angle = np.linspace(0.5, 2 * np.pi - 0.5, 60)
    drop = np.vstack(([[-3.2, 0.0]], np.column_stack((-2 * np.cos(angle), -2 * np.sin(angle) * (1.0 - 0.2 * np.cos(angle)))), [[-3.2, 0.0]]))
    steps = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(drop, axis=0).T))))
    at_ = (np.arange(70) + 0.5) * steps[-1] / 70
    places = np.column_stack([np.interp(at_, steps, drop[:, axis]) for axis in range(2)])
    nodes = places[::10]
    line = MixedLine(vertices=drop[:1], bulges=(0.0,), curved=(False,), inner=(nodes,), smooth=(False,))
    fit = adjusted(line, shots_at(places, 0.01), np.zeros(70, dtype=np.intp))
    assert isinstance(fit, MixedFit)
    assert line.size == 2 + nodes.size
    assert distances(fit.line, fit.line.vertices, 0)[0] < 1e-9
    assert isinstance(mixed_shape(fit).fit, FreeFit)


@pytest.mark.parametrize("seed", range(3))
def test_shots_of_the_coping_that_part_a_free_stretch_are_named(seed):
    """Three shots of the coping make arcs and corners of a stretch; these went on for an edge 50 to 90 mm off, nothing told."""
    truth, stations, shots = surveyed("free end", seed)
    own = np.flatnonzero(truth.parts(stations) == truth.corners - 1)
    rows = own[len(own) // 3 : len(own) // 3 + 3]
    built = as_built(spoiled(truth, stations, shots, rows, 0.3), closed=True, arcs=True)
    told = {one.name for one in built.set_aside} | set(built.doubtful) | set(built.unshown)
    assert {shots.names[row] for row in rows} <= told
    assert np.sqrt(np.mean(project(built.shape.chain, even(truth))[1] ** 2)) < 0.012


def test_nothing_is_left_out_of_a_clean_line_with_a_free_stretch():
    for seed in range(2):
        _, _, shots = surveyed("free side", seed)
        found = mixed(shots)
        told = left_out(shots, found, math.inf, "any").told
        assert not told.aside and not told.doubtful


def test_what_is_left_out_is_the_run_that_is_off():
    truth, stations, shots = surveyed("free side", 6)
    own = np.flatnonzero(truth.parts(stations) == truth.corners - 1)
    rows = own[len(own) // 2 : len(own) // 2 + 2]
    bad = spoiled(truth, stations, shots, rows, 0.3)
    left = left_out(bad, mixed(bad), 1000.0, "any")
    assert {shots.names[row] for row in rows} == {bad.names[row] for row in left.told.aside}
    assert left.found is not None and len(left.found.best.shots) == len(shots) - 2
    assert left_out(bad, None, 1000.0, "none").told == Told()


@pytest.mark.parametrize("many", [250, 500])
def test_a_stretch_of_many_shots_is_found_on_some_of_them_and_fitted_to_all(many):
    truth = STRETCHES["free end"]()
    stations, shots = truth.shoot(truth.length / many, 0.005, np.random.default_rng(2))
    rows = np.array([many // 3, many // 3 + 1, many // 3 + 2])
    built = as_built(spoiled(truth, stations, shots, rows, 0.3), closed=True, arcs=True)
    assert parts_of(built) == ("free", "side", "side")
    assert {shots.names[row] for row in rows} <= {one.name for one in built.set_aside} | set(built.doubtful)
    assert np.sqrt(np.mean(project(built.shape.chain, even(truth))[1] ** 2)) < 0.003


def test_nodes_do_not_run_together_where_a_line_is_adjusted_to_its_last_digits():
    """A node came to lie on the corner before it, and the sigma was told seven times too small: error / sigma 5.9."""
    assert fitted("free end", 84).normed < 4.0


def test_no_shot_lies_beyond_an_end_of_its_part():
    """Three shots of the coping beside a corner: four good ones belonged to a side of 0.6 mm that ran on beneath them, up to 51 mm from the line, nothing told."""
    truth, shots, *_ = one_survey("free side", 14)
    rows = [shots.names.index(name) for name in ("122", "123", "124")]
    built = as_built(moved(shots, rows, np.array([0.3 * truth.outward(shots.points[row]) for row in rows])), closed=True, arcs=True)
    assert isinstance(built.shape.fit, FreeFit) and isinstance(built.shape.fit.curve, MixedFit)
    assert built.shape.fit.curve.beyond_parts() < 1.0
    assert {"122", "123", "124"} <= {*built.doubtful, *built.unshown, *(one.name for one in built.set_aside)}
    assert built.doubtful or built.unshown
