"""What is ordered and cut for a job whose holes are drilled: the difference to its plan, among those that are drilled."""

from __future__ import annotations

import json

import msgspec
import pytest

from pipeline.batch.order import pooled_order
from pipeline.batch.pooled_cutting import pooled_cutting
from pipeline.drawings.further_order import further, left_over, ordered_with, read_ordered
from pipeline.fabrication.fabricate import fabricate
from pipeline.model.succession import Ordered, Succession
from pipeline.package.tables import order_csv
from tests.unit.fabrication.made_nights import named_job
from tests.unit.fabrication.straight_fences import straight_fence

PLANNED = [("stock", [36.0] * 4), ("custom", [28.0, 28.0]), ("stock", [36.0] * 4)]
DRILLED = [("stock", [36.0] * 4), ("custom", [28.0, 28.0]), ("custom", [36.0, 36.6, 36.0, 36.0])]


def made(name, parts):
    job = named_job(name)
    return job, fabricate(job, straight_fence(parts))


def follows(planned, drilled):
    """The succession of a drilled revision whose plan ordered everything."""
    before = ordered_with(planned.order, planned.order)
    lines = further(drilled.order, before)
    return Succession(
        revision=2, since=1, as_drilled=True, further=True, order=lines, before=before, ordered=ordered_with(drilled.order, lines, before),
        left_over=left_over(drilled.order, before),
    )  # fmt: skip


def test_the_same_fence_orders_nothing():
    _, planned = made("one", PLANNED)
    after = follows(planned, planned)
    assert after.order == ()
    assert after.left_over == {}
    assert after.ordered == after.before


def test_what_a_plan_ordered_is_read_from_its_manifest_or_its_table():
    _, planned = made("one", PLANNED)
    ordered = ordered_with(planned.order, planned.order)
    assert read_ordered(msgspec.json.encode({"job": "one", "ordered": ordered}), b"") == ordered
    table = read_ordered(json.dumps({"job": "one"}).encode(), order_csv(planned.order))
    assert table.had == ordered.had
    assert table.needed == pytest.approx(ordered.needed, rel=1e-5)


def test_more_is_ordered_only_beyond_what_is_in_the_packs():
    _, planned = made("one", PLANNED)
    _, drilled = made("one", DRILLED)
    after = follows(planned, drilled)
    had = after.before.had
    for line in drilled.order:
        more = next((one for one in after.order if one.item == line.item), None)
        bought = more.packs * more.pack if more else 0.0
        assert had.get(line.item, 0.0) + bought >= line.needed - 1e-4
        assert more is None or had.get(line.item, 0.0) + bought - more.pack < line.needed
    assert after.ordered.had == {
        item: had.get(item, 0.0) + sum(one.packs * one.pack for one in after.order if one.item == item) for item in after.ordered.had
    }


def test_what_is_not_needed_any_more_is_named():
    assert left_over((), Ordered(needed={"gate-set": 1.0}, had={"gate-set": 1.0})) == {"gate-set": 1.0}


def test_a_third_revision_orders_beyond_both():
    _, planned = made("one", PLANNED)
    _, drilled = made("one", DRILLED)
    second = follows(planned, drilled)
    assert further(drilled.order, second.ordered) == ()


def test_the_night_orders_a_drilled_job_beyond_its_plan_and_the_others_whole():
    one, two = made("one", PLANNED), made("two", PLANNED)
    again = {"one": follows(one[1], one[1])}
    cutting = pooled_cutting([one, two], drilled={"one"})
    order = pooled_order([one, two], cutting, again)
    alone = pooled_order([two], pooled_cutting([two]))
    assert order.totals["one"] == 0.0
    assert order.totals["two"] == order.total == alone.total
    assert order.beyond == {"one": 1}
    assert order.saving >= 0


def test_drilled_jobs_are_cut_first_and_among_themselves_and_no_number_is_given_twice():
    jobs = [made(name, [("custom", [28.0, 28.0]), ("custom", [20.0, 20.0])]) for name in ("one", "two", "three")]
    cutting = pooled_cutting(jobs, drilled={"two"})
    assert [group.as_drilled for group in cutting.groups] == [True, False]
    assert {cut.job for ticket in cutting.groups[0].tickets for cut in ticket.cuts} == {"two"}
    assert len({cut.cut for cut in cutting.cuts}) == len(cutting.cuts) == 6
    sources = [ticket.source for ticket in cutting.tickets]
    assert len(set(sources)) == len(sources)
