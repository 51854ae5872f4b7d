"""One hole drilled again: the nearest place and the reach of places against trying a fine grid, the costs, the words."""

import math

import msgspec
import numpy as np
import pytest

from pipeline.drilling.cures import Ring, cures_of, nearest_place
from pipeline.drilling.ground import may_be_drilled
from pipeline.drilling.lineup import line_up
from pipeline.drilling.misfits import misfits_of, spans_of
from pipeline.drilling.prices import custom_price, extra_for_custom, stock_price
from pipeline.drilling.standing import standing_layout
from pipeline.geometry.chain import polyline
from tests.unit.compliance.made_fences import line_of
from tests.unit.drilling.drilled_fences import JOB, SITE, distances, followed, places_of, plan_of

SHOP = JOB.shop
PLAN = plan_of(5, 4, 4)
TOLERANCE = float(SHOP.setting_out.fit_tolerance)


def cured(plan=PLAN, shop=SHOP, site=SITE, filled=(), **moved):
    lineup = line_up(plan, {}, {hole.name: 0.0028 for hole in plan.holes})
    stands = standing_layout(plan, lineup, places_of(plan, **moved), SITE)
    misfits = misfits_of(plan, stands, shop)
    return stands, misfits, cures_of(plan, stands, misfits, filled, site, shop, "mm")


def fits(plan, places):
    return {
        span.carries
        for span in spans_of(plan)
        if span.carries and abs(math.dist(places[span.first], places[span.last]) - span.planned) > TOLERANCE + 1e-9
    }


@pytest.mark.parametrize("seed", range(12))
def test_the_nearest_place_is_the_nearest_of_a_fine_grid(seed):
    """Two rings round neighbours in any position: no point of a 0.5 mm grid that lies in both is nearer than the place found."""
    rng = np.random.default_rng(seed)
    start = (0.0, 0.0)
    rings = []
    for angle in (rng.uniform(0, 6.28), rng.uniform(0, 6.28)):
        far = rng.uniform(0.3, 1.0)
        middle = far + rng.uniform(-0.03, 0.03)
        rings.append(Ring((far * math.cos(angle), far * math.sin(angle)), middle - 0.012, middle + 0.012))
    found = nearest_place(start, rings)
    axis = np.arange(-0.12, 0.12, 0.0005)
    x, y = np.meshgrid(axis, axis)
    inside = np.ones_like(x, dtype=bool)
    for ring in rings:
        far = np.hypot(x - ring.centre[0], y - ring.centre[1])
        inside &= (far >= ring.least) & (far <= ring.most)
    tried = np.hypot(x, y)[inside].min(initial=np.inf)
    if found is None:
        assert not np.isfinite(tried)
    else:
        assert all(ring.holds(found) for ring in rings)
        assert math.dist(start, found) <= tried + 1e-9
        assert tried == np.inf or math.dist(start, found) >= tried - 0.0015 or math.dist(start, found) > 0.11


def test_a_hole_off_by_20_mm_costs_a_panel_or_one_hole():
    stands, misfits, cures = cured(H003=(0.020, 0.0))
    assert [misfit.panel for misfit in misfits] == ["P01"]
    assert misfits[0].extra == extra_for_custom(SHOP, stands.panels[0].length, PLAN.panels[0])
    best = cures[0]
    assert (best.hole, best.saves, best.toward) == ("H003", ("P01",), "toward H002")
    assert best.range == pytest.approx((0.020 - TOLERANCE, 0.020 + TOLERANCE))
    assert best.move == pytest.approx(0.020)
    assert "cuts into the old one" in best.note
    assert (best.cost, best.cost_as_is) == (SHOP.setting_out.redrill_price, misfits[0].extra)


@pytest.mark.parametrize("code", ["JOINT", "DRAIN", "UTILITY", "DECK"])
def test_a_hole_is_not_drilled_again_onto_a_joint_a_drain_a_pipe_or_an_edge(code):
    """The hole would go 20 mm westward; a line across the fence 60 mm west of it forbids that, one where it stood as near before does not."""
    field = {"JOINT": "joints", "DRAIN": "drains", "UTILITY": "utilities", "DECK": "decks"}[code]
    here = places_of(PLAN, H003=(0.020, 0.0))["H003"]
    for off, offered in ((-0.06, False), (0.06, True)):
        line = line_of(code, polyline([(here[0] + off, -3.0), (here[0] + off, 1.0)]))
        site = msgspec.structs.replace(SITE, **{field: (line,)})
        assert bool(cured(site=site, H003=(0.020, 0.0))[2]) == offered


def test_a_hole_is_not_drilled_again_into_one_that_was_given_up():
    planned = PLAN.holes[2].place
    assert cured(H003=(0.10, 0.0))[2]
    assert not cured(H003=(0.10, 0.0), filled=(planned,))[2]
    assert cured(H003=(0.10, 0.0), filled=((planned[0], planned[1] + 0.08),))[2]


def test_no_cure_bends_the_line_the_fence_stands_in():
    """H008a stands 4 in on: H009 and H007 at their distances from it would stand a hand's breadth and more beside the line."""
    line = {("H008a" if name == "H008" else name): (place[0] + 0.1, place[1]) if name == "H008" else place for name, place in places_of(PLAN).items()}
    drilling = followed(PLAN, distances(line) + "H008,,hit steel\n")
    planned = {one.name: one.place for one in PLAN.holes}
    assert [one.panel for one in drilling.misfits] == ["P02"]
    assert all(math.dist(cure.place, planned[cure.hole[:4]]) <= 0.08 for cure in drilling.cures)


@pytest.mark.parametrize(("least", "allowed"), [(0.508, True), (0.712, True), (0.713, False), (0.80, False)])
def test_no_fabric_is_brought_nearer_to_the_water_than_the_codes_ask(least, allowed):
    """50 mm toward the water leave 712 mm; where even the place it has is too near, it may go no nearer."""
    here, neighbours = PLAN.holes[2].place, [PLAN.holes[1].place, PLAN.holes[3].place]
    nearer, farther = (here[0], here[1] + 0.050), (here[0], here[1] - 0.050)
    assert may_be_drilled(nearer, here, neighbours, SITE, SHOP, least) == allowed
    assert may_be_drilled(farther, here, neighbours, SITE, SHOP, least)


def test_only_a_hole_that_mends_all_that_is_off_is_a_cure():
    _, misfits, cures = cured(H002=(0.020, 0.0), H004=(-0.020, 0.0))
    assert [misfit.panel for misfit in misfits] == ["P01"]
    assert cures == ()


def test_the_end_hole_of_a_panel_keeps_its_joint():
    _, misfits, cures = cured(H005=(0.020, 0.0))
    assert [misfit.panel for misfit in misfits] == ["P01"]
    places = places_of(PLAN, H005=(0.020, 0.0))
    for cure in cures:
        after = {**places, cure.hole: cure.place}
        assert fits(PLAN, after) == set()
        assert abs(math.dist(after["H005"], after["H006"]) - 0.0762) <= 0.020


def test_two_panels_off_cost_two_and_the_cheapest_single_hole_leaves_one():
    _, misfits, cures = cured(H003=(0.030, 0.0), H008=(0.0, 0.25))
    assert [misfit.panel for misfit in misfits] == ["P01", "P02"]
    dearer = max(misfits, key=lambda one: one.extra)
    assert cures[0].cost == pytest.approx(SHOP.setting_out.redrill_price + sum(one.extra for one in misfits if one.panel not in cures[0].saves))
    assert cures[0].cost == min(cure.cost for cure in cures)
    assert cures[0].cost_as_is == pytest.approx(sum(one.extra for one in misfits))
    assert dearer.panel in cures[0].saves or dearer.extra == min(one.extra for one in misfits)


@pytest.mark.parametrize("seed", range(6))
def test_every_cure_does_what_it_says_over_its_whole_range(seed):
    rng = np.random.default_rng(seed)
    moved = {hole.name: tuple(rng.normal(0.0, 0.005, 2)) for hole in PLAN.holes} | {"H007": tuple(rng.normal(0.0, 0.02, 2))}
    places = places_of(PLAN, **moved)
    _, misfits, cures = cured(**moved)
    assert {misfit.panel for misfit in misfits} == fits(PLAN, places)
    for cure in cures:
        start = places[cure.hole]
        way = ((cure.place[0] - start[0]) / cure.move, (cure.place[1] - start[1]) / cure.move)
        for move in np.linspace(*cure.range, 7):
            after = {**places, cure.hole: (start[0] + move * way[0], start[1] + move * way[1])}
            assert fits(PLAN, after) == fits(PLAN, places) - set(cure.saves)


def test_a_panel_costs_more_as_custom_by_its_work_at_least():
    panel = PLAN.panels[1]
    assert stock_price(SHOP, panel) == min(
        item.price / item.pack
        for item in SHOP.stock.values()
        if item.kind == "stock-panel" and item.posts == 4 and abs(item.height - panel.height) < 0.001
    )
    assert custom_price(SHOP, panel.length, panel) > SHOP.panel.custom_work
    assert extra_for_custom(SHOP, panel.length, panel) >= SHOP.panel.custom_work
    assert custom_price(SHOP, 400.0, panel) == SHOP.panel.custom_work  # no stock so long: nothing to price it by
