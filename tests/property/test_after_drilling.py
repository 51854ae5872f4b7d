"""Drilled by simulation: panels fit the true holes, slips are named and not followed, the cure is the cheapest, the plan measured as drawn changes nothing.

The plans are those of the random outlines of `tests.truth`; by default the first two, with `-m long` all thirty-eight.  Seeds are the outlines' numbers.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import msgspec
import pytest

from pipeline.errors import SleevelineError, SurveyError
from pipeline.model.drilling import Drilling
from tests.truth.after_drilling import Planned, cheapest_by_trying, fits, followed, misfits, planned_on
from tests.truth.drilling import Drilled, Sheet, added, along, drill, measured, not_drilled, put_off, with_rows_swapped, with_slip, written
from tests.truth.stress_sites import random_sites

FEW, ALL = range(2), range(38)
WITHIN = 0.003  # [m] panels have to fit their true holes
FOOT, DIGIT = 0.3048, 0.1524  # [m] a foot too much; an inch figure six too high
SEEDS = range(4)


@cache
def outline(number: int) -> Planned:
    """A random outline planned, once a run; one whose survey is held, as it truly is."""
    return planned_on(random_sites(38)[number], Path(mkdtemp(prefix="plan")))[0]


def pytest_generate_tests(metafunc):
    """Run every test that takes an outline on a few, and on all of them in a long run."""
    if "number" in metafunc.fixturenames:
        metafunc.parametrize("number", [pytest.param(one, marks=() if one in FEW else pytest.mark.long) for one in ALL])


@pytest.fixture
def plan(number) -> Planned:
    return outline(number)


def sheet_of(plan: Planned, sheet: Sheet) -> str:
    return written(sheet, plan.job.options.report_units, frame=plan.survey.frame)


def read(plan: Planned, truth: Drilled, form: str = "to_next", seed: int = 1) -> Sheet:
    return measured(truth, form, seed, marks=plan.marks)


def bays(plan: Planned) -> list[str]:
    """Inner holes of stock panels with a hole of the same panel on both sides, spread along the fence."""
    inner = [hole for panel in plan.layout.panels if panel.kind == "stock" for hole in panel.holes[1:-2]]
    return inner[:: max(1, len(inner) // 4)]


def test_panels_made_from_the_sheet_fit_the_true_holes(plan, number):
    """Every panel to the distances recorded, and every custom panel as made, within 3 mm in 99 %: each post, and each spacing.

    A stock panel is as it was made: it is kept only where it hangs by the shop's tolerance.
    """
    tolerance = float(plan.job.shop.setting_out.fit_tolerance)
    found = []
    for seed in SEEDS:
        truth = drill(plan.layout, 100 * number + seed)
        drilling = followed(plan, sheet_of(plan, read(plan, truth, seed=7000 + 100 * number + seed)))
        found += list(fits(plan, drilling, truth))
    assert len(found) >= 4 * 5
    assert sum(max(fit.told, fit.chord) <= WITHIN for fit in found) >= 0.99 * len(found)
    custom = [fit for fit in found if fit.kind == "custom"]
    assert sum(max(fit.posts, fit.spacing) <= WITHIN for fit in custom) >= 0.99 * len(custom)
    assert all(fit.spacing <= tolerance + WITHIN for fit in found if fit.kind == "stock")


def test_a_foot_too_much_is_named_and_not_followed(plan, number):
    truth = drill(plan.layout, number)
    for hole in bays(plan):
        for slip in (FOOT, -FOOT):
            drilling = followed(plan, sheet_of(plan, with_slip(read(plan, truth), hole, "to_next", slip)))
            assert [one.hole for one in drilling.not_followed] == [hole]
            assert "foot" in drilling.not_followed[0].cause
            assert f"{hole} to " in " ".join(reason.what for reason in drilling.warnings)
            assert all(max(fit.told, fit.chord) <= WITHIN for fit in fits(plan, drilling, truth) if hole not in _holes(plan, fit.panel))


def _holes(plan: Planned, panel: str) -> tuple[str, ...]:
    return next(one.holes for one in plan.layout.panels if one.name == panel)


@pytest.mark.parametrize("form", ["ties", "total station"])
def test_rows_swapped_are_named_whatever_they_are_of(plan, number, form):
    truth = drill(plan.layout, number)
    line = truth.line
    for first in (2, len(line) // 2):
        one, other = line[first], line[first + 3]
        drilling = followed(plan, sheet_of(plan, with_rows_swapped(read(plan, truth, form), one, other)))
        assert {reading.hole for reading in drilling.not_followed} == {one, other}
        assert "swap" in drilling.not_followed[0].cause
        assert near_the_plan(plan, drilling, (one, other))


def near_the_plan(plan: Planned, drilling: Drilling, holes: tuple[str, ...]) -> bool:
    """Holes whose readings were set aside stand where they were planned, by setting out."""
    return all((drilling.of(hole).off_plan or 0.0) < 0.015 for hole in holes)


def test_swapped_distances_are_named_where_they_differ(plan, number):
    """A joint of 3 in and a spacing of 36 in change lines."""
    truth = drill(plan.layout, number)
    for joint in plan.layout.joints[:3]:
        before = truth.line[truth.line.index(joint.before) - 1]
        drilling = followed(plan, sheet_of(plan, with_rows_swapped(read(plan, truth), before, joint.before)))
        assert {reading.hole for reading in drilling.not_followed} == {before, joint.before}
        assert "swap" in drilling.not_followed[0].cause


def test_a_hole_60_mm_off_along_the_line_is_found_by_distances(plan, number):
    for hole in bays(plan):
        for distance in (0.060, -0.060):
            truth = put_off(drill(plan.layout, number), hole, distance)
            drilling = followed(plan, sheet_of(plan, read(plan, truth)))
            assert [one.hole for one in drilling.holes if one.state == "moved"] == [hole]
            assert apart(drilling, truth, hole) < 4
            assert drilling.not_followed == ()
            assert all(max(fit.told, fit.chord) <= WITHIN for fit in fits(plan, drilling, truth))
            assert hole in " ".join(reason.what for reason in drilling.warnings)


def apart(drilling: Drilling, truth: Drilled, hole: str) -> float:
    """How far a hole as estimated is from the true one, in standard deviations of its own covariance: across a bend distances tell little."""
    one = drilling.of(hole)
    east, north = one.place[0] - truth.places[hole][0], one.place[1] - truth.places[hole][1]
    determinant = one.variance_east * one.variance_north - one.covariance**2
    return math.sqrt((east**2 * one.variance_north - 2 * east * north * one.covariance + north**2 * one.variance_east) / determinant)


@pytest.mark.parametrize("form", ["ties", "total station"])
@pytest.mark.parametrize("turn", [0.0, math.pi / 2, math.pi])
def test_a_hole_60_mm_off_to_any_side_is_found_by_ties_and_shots(plan, number, form, turn):
    """Two ties have nothing to spare: where one alone says it, a misreading is as likely, and the job is held with both named."""
    hole = bays(plan)[1]
    truth = put_off(drill(plan.layout, number), hole, 0.060, turn)
    try:
        drilling = followed(plan, sheet_of(plan, read(plan, truth, form)))
    except SurveyError as held:
        assert form == "ties"
        assert f"{hole} stands elsewhere" in str(held)
        assert "is misread" in str(held)
        return
    assert [one.hole for one in drilling.holes if one.state == "moved"] == [hole]
    assert math.dist(drilling.of(hole).place, truth.places[hole]) < 0.010


def test_a_hole_not_drilled_is_named_and_stays_planned(plan, number):
    hole = bays(plan)[1]
    truth = not_drilled(drill(plan.layout, number), hole, "not drilled")
    drilling = followed(plan, sheet_of(plan, read(plan, truth)))
    assert [one.hole for one in drilling.holes if one.state == "missing"] == [hole]
    assert hole in [one.name for one in drilling.layout.holes]
    assert hole in " ".join(reason.what for reason in drilling.warnings)


def test_a_hole_given_up_for_one_beside_it(plan, number):
    """Steel: filled, and H0xxa drilled 5 in on; the panel stands in the new hole."""
    hole = bays(plan)[1]
    first = drill(plan.layout, number)
    east, north = along(first, hole)
    place = (first.places[hole][0] + 0.127 * east, first.places[hole][1] + 0.127 * north)
    before = first.line[first.line.index(hole) - 1]
    truth = added(not_drilled(first, hole, "hit steel, filled"), before, f"{hole}a", place, "added")
    drilling = followed(plan, sheet_of(plan, read(plan, truth)))
    assert drilling.of(hole).state == "abandoned"
    assert drilling.of(f"{hole}a").state == "added"
    assert [one.name for one in drilling.layout.holes if one.role != "pocket"] == list(truth.line)
    assert all(max(fit.told, fit.chord) <= WITHIN for fit in fits(plan, drilling, truth))


def test_a_sheet_of_a_few_holes_leaves_the_others_planned(plan, number):
    truth = drill(plan.layout, number)
    chosen = truth.line[4:12]
    drilling = followed(plan, sheet_of(plan, measured(truth, "to_next", 1, only=chosen)))
    states = {one.hole: one.state for one in drilling.holes}
    assert all(states[name] == "measured" for name in chosen)
    assert states[truth.line[20]] == "planned"
    for hole in plan.layout.holes[20:]:
        assert drilling.of(hole.name).place == hole.place


@pytest.mark.parametrize("units", ["inch", "mm"])
def test_measuring_exactly_what_was_designed_moves_nothing(plan, units):
    """The schedule's own figures, as printed, come back: every place, chord, panel and tie is the plan's, bit for bit."""
    job = msgspec.structs.replace(plan.job, options=msgspec.structs.replace(plan.job.options, report_units=units))
    plan = Planned(job, plan.survey, plan.site, plan.layout)
    for form in ("to_next", "ties", "total station"):
        truth = drill(plan.layout, 0, scatter=0.0)
        drilling = followed(plan, sheet_of(plan, measured(truth, form, 1, marks=plan.marks, held=0.0)))
        assert drilling.layout == plan.layout, form
        assert drilling.as_drilled
        assert drilling.misfits == drilling.not_followed == drilling.cures == ()


def test_the_cure_offered_is_the_cheapest_of_all_single_holes(plan, number):
    """Against every hole tried on a grid of 1 mm: no cheaper one, and the one offered does what it says."""
    setting_out = plan.job.shop.setting_out
    tolerance, redrill = float(setting_out.fit_tolerance), float(setting_out.redrill_price)
    seen = 0
    for seed in range(3):
        truth = drill(plan.layout, 50 + number + seed)
        for hole in bays(plan)[seed : seed + 2]:
            truth = put_off(truth, hole, 0.017 if seed % 2 else -0.021, turn=0.3 * seed)
        try:
            drilling = followed(plan, sheet_of(plan, read(plan, truth)))
        except SleevelineError:
            continue
        places = {hole.name: hole.place for hole in drilling.layout.holes}
        extras = {one.panel: one.extra for one in drilling.misfits}
        assert set(extras) == misfits(plan.layout, places, tolerance)
        tried = cheapest_by_trying(plan, places, extras, tolerance=tolerance, redrill=redrill)
        offered = drilling.cures[0] if drilling.cures else None
        assert (tried is None) or (offered is not None and offered.cost <= tried.cost + 0.005)
        if offered is not None:
            seen += 1
            healed = {**places, offered.hole: offered.place}
            left = misfits(plan.layout, healed, tolerance)
            assert left == set(extras) - set(offered.saves)
            assert offered.cost == pytest.approx(redrill + sum(extras[name] for name in left), abs=0.005)
            assert offered.cost < offered.cost_as_is
    assert seen
