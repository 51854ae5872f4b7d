"""Conservation on random nights: nothing is cut twice, nothing is lost, shares and packs add up."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.batch.order import pooled_order, shared_cents
from pipeline.batch.pooled_cutting import pooled_cutting
from pipeline.cutting.problem import Piece, Problem, Stock
from pipeline.cutting.solve import solve
from pipeline.fabrication.fabricate import fabricate
from pipeline.fabrication.shelf import offcuts_csv, read_offcuts
from pipeline.model.night import Offcut
from pipeline.units import INCH
from tests.unit.cutting.every_plan import cheapest
from tests.unit.fabrication.made_nights import named_job, shop_job
from tests.unit.fabrication.straight_fences import straight_fence

TENTH = 0.0001  # [m] 0.1 mm, the contract's last decimal
CENT = 0.005
GENTLY = settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])

spacings = st.floats(18.0, 36.0)
customs = st.lists(st.tuples(spacings, st.integers(1, 4)), min_size=0, max_size=3)
nights = st.lists(st.tuples(customs, st.sampled_from([48.0, 60.0])), min_size=1, max_size=4)
shelves = st.lists(st.tuples(st.floats(0.3, 12.0), st.integers(0, 4), st.sampled_from([48.0, 60.0])), max_size=5)


def as_night(jobs, shelf):
    night = []
    for number, (panels, height) in enumerate(jobs):
        made = [("stock", [36.0] * 3)] + [("custom", [spacing] * bays) for spacing, bays in panels]
        job = named_job(f"job-{number}")
        night.append((job, fabricate(job, straight_fence(made, height=height))))
    offcuts = [
        Offcut(id=f"A{number}", length=length, posts=posts, height=height * INCH, colour="black")
        for number, (length, posts, height) in enumerate(shelf)
    ]
    return night, offcuts


@GENTLY
@given(nights, shelves)
def test_whatever_the_night_everything_adds_up(jobs, shelf):
    night, offcuts = as_night(jobs, shelf)
    cutting = pooled_cutting(night, offcuts)
    every_panel_is_cut_once(night, cutting)
    for ticket in cutting.tickets:
        pieces_kerfs_and_rest_make_the_source(ticket)
    posts_are_neither_made_nor_lost(night, cutting)
    the_shelf_is_kept(offcuts, cutting)
    the_order_adds_up(night, cutting)
    assert cutting.bound <= cutting.cost + 0.01
    assert cutting.cost <= cutting.alone_cost + 0.01
    assert cutting.waste <= cutting.alone_waste + 2 * shop_job().shop.panel.cut_step * (len(cutting.tickets) + 1)


def every_panel_is_cut_once(night, cutting):
    wanted = {(job.name, demand.panel): demand.length for job, fabrication in night for demand in fabrication.demands}
    assert Counter((cut.job, cut.panel) for cut in cutting.cuts) == Counter(wanted.keys())
    assert {(cut.job, cut.panel): pytest.approx(cut.end - cut.start, abs=TENTH) for cut in cutting.cuts} == wanted
    assert len({cut.cut for cut in cutting.cuts}) == len(cutting.cuts)


def pieces_kerfs_and_rest_make_the_source(ticket):
    at = 0.0
    for cut in ticket.cuts:
        assert cut.start == pytest.approx(at, abs=TENTH)
        at = cut.end + ticket.kerf
    last_kerf = min(ticket.kerf, ticket.length - ticket.cuts[-1].end)  # the last cut may fall off the end
    taken = sum(cut.end - cut.start for cut in ticket.cuts) + ticket.kerf * (len(ticket.cuts) - 1) + last_kerf
    assert taken + ticket.left_over == pytest.approx(ticket.length, abs=TENTH)
    assert last_kerf >= -TENTH
    assert all(cut.left_over == 0.0 for cut in ticket.cuts[:-1])
    assert ticket.cuts[-1].left_over == ticket.left_over


def posts_are_neither_made_nor_lost(night, cutting):
    needed = sum(demand.posts for _, fabrication in night for demand in fabrication.demands)
    on_sources = sum(ticket.posts_on for ticket in cutting.tickets)
    bought = sum(group.posts_bought for group in cutting.groups)
    assert on_sources + bought == needed + sum(ticket.posts_left for ticket in cutting.tickets)
    assert all(ticket.posts_on + ticket.posts_in >= ticket.posts_used for ticket in cutting.tickets)


def the_shelf_is_kept(offcuts, cutting):
    used = Counter(ticket.source for ticket in cutting.tickets if not ticket.item)
    assert set(used) <= {offcut.id for offcut in offcuts}
    assert all(times == 1 for times in used.values())
    kept = {offcut.id: offcut for offcut in cutting.shelf_next}
    assert len(kept) == len(cutting.shelf_next)
    for offcut in offcuts:
        assert (offcut.id in kept) != (offcut.id in used)
    new = [offcut for offcut in cutting.shelf_next if offcut.id not in {one.id for one in offcuts}]
    assert sum(offcut.length for offcut in new) == pytest.approx(sum(ticket.left_over for ticket in cutting.tickets if ticket.usable), abs=TENTH)
    back = read_offcuts(offcuts_csv(cutting.shelf_next), most=1000)
    assert [(one.id, one.posts) for one in back] == [(one.id, one.posts) for one in cutting.shelf_next]


def the_order_adds_up(night, cutting):
    order = pooled_order(night, cutting)
    for line in order.lines:
        assert line.packs * line.pack >= line.needed - 1e-9
        assert sum(share.price for share in line.shares) == pytest.approx(line.price, abs=CENT)
        assert sum(share.needed for share in line.shares) == pytest.approx(line.needed, abs=1e-9)
    assert sum(order.totals.values()) == pytest.approx(order.total, abs=CENT)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.integers(2, 14), min_size=1, max_size=6),
    st.lists(st.tuples(st.integers(14, 30), st.integers(5, 60), st.integers(0, 2), st.integers(0, 4), st.integers(0, 1)), min_size=1, max_size=2),
    st.lists(st.tuples(st.integers(3, 25), st.integers(0, 20), st.integers(0, 3)), max_size=2),
    st.integers(0, 9),
)
def test_the_cheapest_of_all_plans_is_found_and_proven(lengths, new, shelf, post_cost):
    stocks = [
        Stock(name=f"new {number}", length=length, cost=cost, kerf=kerf, posts=posts, rest_least=5, rest_rate=rate)
        for number, (length, cost, kerf, posts, rate) in enumerate(new)
    ]
    stocks += [Stock(name="shelf", length=length, cost=cost, supply=1, posts=posts) for length, cost, posts in shelf]
    problem = Problem(pieces=tuple(map(Piece, lengths)), stocks=tuple(stocks), posts_needed=2 * len(lengths), post_cost=post_cost)
    plan = solve(problem)
    assert plan.cost == cheapest(problem)
    assert (plan.state, plan.bound) == ("optimal", plan.cost)


@given(st.floats(0.01, 1e5).map(lambda money: round(money, 2)), st.dictionaries(st.text(min_size=1), st.floats(1e-3, 1e3), min_size=1, max_size=9))
def test_money_is_shared_to_the_cent(total, needs):
    shares = shared_cents(total, needs)
    assert round(sum(round(share * 100) for share in shares.values())) == round(total * 100)
    assert all(share >= 0 for share in shares.values())
