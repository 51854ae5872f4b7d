"""What is released by which sheet: custom panels by distances from hole to hole, stock panels unless the readings leave open whether they hang."""

import math

import msgspec
import pytest

from tests.unit.drilling.drilled_fences import JOB, MARKS, distances, followed, places_of, plan_of, shot, tied

PLAN = plan_of()
CUSTOM = msgspec.structs.replace(PLAN, panels=(msgspec.structs.replace(PLAN.panels[0], kind="custom", stock_posts=None), *PLAN.panels[1:]))
SPANS = (("H001", "H002"), ("H002", "H003"), ("H003", "H004"), ("H004", "H005"))


def told(drilling):
    return " ".join(f"{reason.what}; {reason.why}; {reason.do}" for reason in drilling.warnings)


def tied_and_taped(places, *holes):
    """The sheet of ties with the distances to next of some holes beside them [mm]."""
    names = list(places)
    rows = []
    for name, place in places.items():
        ties = [f"{math.dist(mark.place, place) * 1000:.0f}" for mark in MARKS]
        after = names[names.index(name) + 1] if name in holes else None
        rows.append(",".join([name, f"{math.dist(place, places[after]) * 1000:.0f}" if after else "", *ties]))
    return "hole,to_next,tie_a,tie_b\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize("form", [tied, shot])
def test_a_custom_panel_waits_for_a_tape_where_ties_or_shots_alone_tell_of_it(form):
    drilling = followed(CUSTOM, form(places_of(CUSTOM)))
    assert [(one.panel, one.spans) for one in drilling.to_tape] == [("P01", SPANS)]
    assert [reason.ref for reason in drilling.warnings] == ["panel-to-tape"]
    assert drilling.waits("P01") is not None and drilling.waits("P02") is None
    assert "tape H001 to H005, every hole to the next" in told(drilling)
    assert "P01 is not cut before" in told(drilling)


def test_a_custom_panel_is_released_by_its_distances():
    assert followed(CUSTOM, distances(places_of(CUSTOM))).to_tape == ()


def test_what_was_asked_for_releases_the_panel():
    places = places_of(CUSTOM, H003=(0.004, 0.0))
    asked = followed(CUSTOM, tied(places)).to_tape
    sheet = tied_and_taped(places, *(first for one in asked for first, _ in one.spans))
    drilling = followed(CUSTOM, sheet)
    assert drilling.to_tape == ()
    assert drilling.layout.panels[0].length == pytest.approx(4 * 0.9144, abs=0.002)


def test_only_the_distances_that_nobody_taped_are_asked_for():
    drilling = followed(CUSTOM, tied_and_taped(places_of(CUSTOM), "H002"))
    assert [one.spans for one in drilling.to_tape] == [(SPANS[0], *SPANS[2:])]
    assert "tape H001 to H002, H003 to H005, every hole to the next" in told(drilling)


def test_holes_nobody_measured_release_nothing_however_well_the_shop_says_it_drills():
    """Half a millimetre of setting out and drilling would let a plan pass for a measurement."""
    setting_out = msgspec.structs.replace(JOB.shop.setting_out, mark_sigma=0.0003, drill_sigma=0.0003)
    job = msgspec.structs.replace(JOB, shop=msgspec.structs.replace(JOB.shop, setting_out=setting_out))
    plan = msgspec.structs.replace(CUSTOM, holes=tuple(msgspec.structs.replace(hole, tie_sigma=0.0003) for hole in CUSTOM.holes))
    some = {name: place for name, place in places_of(plan).items() if name in ("H001", "H002")}
    drilling = followed(plan, distances(some), job=job)
    assert [one.spans for one in drilling.to_tape] == [SPANS[1:]]


def test_a_reading_that_is_not_followed_releases_nothing():
    drilling = followed(CUSTOM, distances(places_of(CUSTOM), H003=1914))
    assert [one.spans for one in drilling.to_tape] == [(SPANS[2],)]


def test_a_hole_that_is_not_drilled_keeps_its_panel_waiting_though_the_tape_went_past_it():
    left = {name: place for name, place in places_of(CUSTOM).items() if name != "H003"}
    drilling = followed(CUSTOM, distances(left) + "H003,,not drilled\n")
    assert [one.spans for one in drilling.to_tape] == [SPANS[1:3]]


@pytest.mark.parametrize(("off", "waits"), [(0.008, False), (0.016, True)])
def test_a_stock_panel_near_what_it_takes_waits_where_ties_alone_tell_of_it(off, waits):
    places = places_of(PLAN, H003=(off, 0.0))
    drilling = followed(PLAN, tied(places))
    assert [one.panel for one in drilling.to_tape] == (["P01"] if waits else [])
    assert followed(PLAN, distances(places)).to_tape == ()


def test_no_hole_is_drilled_again_on_ties_that_leave_open_whether_the_panel_hangs():
    """By ties the distance is 14 mm too wide, give or take 7: the tape says."""
    places = places_of(PLAN, H003=(-0.0135, 0.0), H004=(0.0135, 0.0))
    drilling = followed(PLAN, tied(places))
    assert [(one.panel, one.first) for one in drilling.misfits] == [("P01", "H003")]
    assert drilling.misfits[0].cure is None and drilling.cures == ()
    assert "tape it before anything is made or drilled" in told(drilling)
    assert "no single hole drilled again would save it" in told(followed(PLAN, distances(places)))


def test_a_hole_60_mm_off_is_certain_by_ties_too_and_has_its_cure():
    drilling = followed(PLAN, tied(places_of(PLAN, H003=(0.060, 0.0))))
    assert drilling.misfits[0].cure is not None
    assert drilling.misfits[0].cure.hole == "H003"
    assert drilling.waits("P01") is not None  # should it be made custom: not by ties


def test_a_gate_waits_where_ties_leave_open_whether_its_leaf_fits():
    plan = plan_of(5, 4, gate_after=0)
    places = places_of(plan, H005=(-0.012, 0.0), H006=(0.012, 0.0))
    drilling = followed(plan, tied(places))
    assert [one.spans for one in drilling.to_tape if one.panel == "G1"] == [(("H005", "H006"),)]
    assert "tape H005 to H006" in told(drilling)


def test_a_post_more_is_told_as_what_it_is():
    places = places_of(PLAN)
    middle = ((places["H002"][0] + places["H003"][0]) / 2, places["H002"][1])
    line = {name: place for at, place in places.items() for name, place in ([(at, place), ("H002a", middle)] if at == "H002" else [(at, place)])}
    drilling = followed(PLAN, distances(line))
    assert [(one.panel, one.posts, one.cure) for one in drilling.misfits] == [("P01", 1, None)]
    assert "from H001 to H005 it has 1 post more than the stock panel" in told(drilling)
    assert drilling.to_tape == ()


def test_distances_read_as_planned_release_everything_and_ties_read_as_planned_do_not():
    exact = followed(CUSTOM, tied(places_of(CUSTOM)))
    assert exact.layout == CUSTOM
    assert [one.panel for one in exact.to_tape] == ["P01"]
