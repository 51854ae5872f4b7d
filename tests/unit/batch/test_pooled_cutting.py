"""Pooled cutting: what a night takes, gives back and leaves alone."""

from __future__ import annotations

import csv
import io

import pytest

from pipeline.batch import pooled_cutting as pooling
from pipeline.batch.pooled_cutting import cutting_csv, offcuts_csv, pooled_cutting, read_offcuts
from pipeline.fabrication.fabricate import fabricate
from pipeline.model.night import Offcut
from pipeline.model.succession import Ordered, Succession
from pipeline.units import INCH
from tests.unit.fabrication.made_nights import made_night, named_job
from tests.unit.fabrication.straight_fences import straight_fence


def job_with(name: str, *customs: list[float]):
    job = named_job(name)
    return job, fabricate(job, straight_fence([("custom", list(spacings)) for spacings in customs]))


def offcut(number: int, length: float, **more: object) -> Offcut:
    return Offcut(**{"id": f"A{number}", "length": length * INCH, "posts": 2, "height": 48 * INCH, "colour": "black", "where": "rack", **more})


def test_an_offcut_that_fits_is_used_before_new_stock():
    cutting = pooled_cutting([job_with("one", [28.0, 28.0])], [offcut(1, 62.0)])
    assert cutting.used_offcuts == ("A1",)
    assert [ticket.source for ticket in cutting.tickets] == ["A1"]
    assert cutting.cost < pooled_cutting([job_with("one", [28.0, 28.0])]).cost
    assert cutting.shelf_next == ()  # 1-1/2 in are left: not worth keeping


def test_an_offcut_of_another_height_or_colour_is_left_alone():
    shelf = [offcut(1, 62.0, height=60 * INCH), offcut(2, 62.0, colour="sand")]
    cutting = pooled_cutting([job_with("one", [28.0, 28.0])], shelf)
    assert cutting.used_offcuts == ()
    assert {"A1", "A2"} <= {one.id for one in cutting.shelf_next}


def test_two_jobs_share_a_stock_panel():
    # 28 + 28 and 20 + 20 in: alone each opens a stock panel of four posts, together they fit one of five
    jobs = [job_with("one", [28.0, 28.0]), job_with("two", [20.0, 20.0])]
    cutting = pooled_cutting(jobs)
    assert len(cutting.tickets) == 1
    assert {cut.job for cut in cutting.cuts} == {"one", "two"}
    assert cutting.cost < cutting.alone_cost
    assert cutting.gap == 0


def test_the_same_night_again_uses_the_shelf_the_same_way():
    jobs, offcuts = made_night(seed=11, jobs=5, pieces=9, offcuts=5)
    assert pooled_cutting(jobs, offcuts) == pooled_cutting(jobs, offcuts)


def test_a_job_held_tonight_gives_back_what_it_had():
    jobs = [job_with("one", [28.0, 28.0]), job_with("two", [28.0, 28.0])]
    shelf = [offcut(1, 62.0), offcut(2, 63.0)]
    assert pooled_cutting(jobs, shelf).used_offcuts == ("A1", "A2")
    without = pooled_cutting(jobs[:1], shelf)
    assert len(without.used_offcuts) == 1
    assert {one.id for one in without.shelf_next} == {"A1", "A2"} - set(without.used_offcuts)


def test_the_proposed_shelf_can_be_the_next_nights_shelf():
    jobs, offcuts = made_night(seed=2, jobs=6, pieces=10, offcuts=4)
    first = pooled_cutting(jobs, offcuts)
    shelf = read_offcuts(offcuts_csv(first.shelf_next), most=100)
    assert [one.id for one in shelf] == [one.id for one in first.shelf_next]
    second = pooled_cutting(jobs, shelf)
    assert not set(first.used_offcuts) & set(second.used_offcuts)
    new = {one.id for one in second.shelf_next} - {one.id for one in shelf}
    assert not new & {one.id for one in first.shelf_next}


def test_no_jobs_leave_the_shelf_as_it_is():
    cutting = pooled_cutting([], [offcut(2, 50.0), offcut(1, 40.0)])
    assert [one.id for one in cutting.shelf_next] == ["A1", "A2"]
    assert (cutting.cost, cutting.saving, cutting.groups) == (0.0, 0.0, ())


def test_the_table_names_every_cut_once_and_adds_up():
    jobs, offcuts = made_night(seed=4, jobs=5, pieces=8, offcuts=3)
    cutting = pooled_cutting(jobs, offcuts)
    rows = list(csv.DictReader(io.StringIO(cutting_csv(cutting))))
    assert [row["cut"] for row in rows] == [cut.cut for cut in cutting.cuts]
    wanted = sorted((job.name, demand.panel) for job, fabrication in jobs for demand in fabrication.demands)
    assert sorted((row["job"], row["panel"]) for row in rows) == wanted
    for ticket in cutting.tickets:
        own = [row for row in rows if row["source"] == ticket.source]
        pieces = sum(float(row["to_mm"]) - float(row["from_mm"]) for row in own)
        kerfs = ticket.length * 1000 - pieces - float(own[-1]["left_over_mm"])
        between = (len(own) - 1) * ticket.kerf * 1000
        assert between - 0.1 * (len(own) + 1) <= kerfs <= between + ticket.kerf * 1000 + 0.1 * (len(own) + 1)


def test_the_table_says_what_may_be_cut_already():
    drilled = Succession(revision=2, since=1, as_drilled=True, ordered=Ordered(needed={}, had={}), waits=("P02",))
    cutting = pooled_cutting([job_with("one", [28.0], [28.0]), job_with("two", [28.0])], drilled={"one"})
    rows = list(csv.DictReader(io.StringIO(cutting_csv(cutting, {"one": drilled}))))
    assert {(row["job"], row["panel"]): row["release"] for row in rows} == {
        ("one", "P01"): "cut",
        ("one", "P02"): "tape first",
        ("two", "P01"): "not drilled",
    }


def test_a_place_on_the_shelf_is_no_formula_in_the_table():
    cutting = pooled_cutting([job_with("one", [28.0, 28.0])], [offcut(1, 62.0, where="=rack")])
    assert ",'=rack" in cutting_csv(cutting)


@pytest.mark.parametrize("seed", range(3))
def test_pooling_never_costs_or_wastes_more_than_each_job_alone(seed):
    jobs, offcuts = made_night(seed, jobs=8, pieces=20, offcuts=8)
    cutting = pooled_cutting(jobs, offcuts)
    assert cutting.cost <= cutting.alone_cost + 1e-6
    assert cutting.waste <= cutting.alone_waste + 0.0016 * len(cutting.tickets)  # a tape mark each: stock is rounded down to them
    assert cutting.bound <= cutting.cost + 1e-6


@pytest.mark.parametrize("offcuts", [0, 2, 8])
@pytest.mark.parametrize("seed", range(3))
def test_what_a_job_costs_alone_is_the_same_known_from_the_job_or_cut_again(monkeypatch, seed, offcuts):
    jobs, shelf = made_night(seed, jobs=8, pieces=20, offcuts=offcuts)
    known, taken = pooling._known_alone, []
    monkeypatch.setattr(pooling, "_known_alone", lambda own, fabrication: taken.append(known(own, fabrication)) or taken[-1])
    short = pooled_cutting(jobs, shelf)
    assert any(taken)
    monkeypatch.setattr(pooling, "_known_alone", lambda own, fabrication: None)
    assert pooled_cutting(jobs, shelf) == short
