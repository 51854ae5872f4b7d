"""From a sheet to the fence as it stands: what moved, what is missing, added or given up, what is not followed, and what holds the job."""

import math

import msgspec
import pytest

from pipeline.errors import JobError, SurveyError
from pipeline.model.site import Mark
from tests.unit.drilling.drilled_fences import JOB, MARKS, SITE, distances, followed, places_of, plan_of, shot, tied

PLAN = plan_of()
BAY = 0.9144
READ = 0.0015  # [m] a bay read to whole millimetres is known to this, and the plan pulls a little


def hole(drilling, name):
    return next(one for one in drilling.layout.holes if one.name == name)


def told(drilling):
    return " ".join(f"{reason.what} {reason.why} {reason.do}" for reason in drilling.warnings)


def held(sheet, kind=SurveyError, plan=PLAN, **more):
    with pytest.raises(kind) as caught:
        followed(plan, sheet, **more)
    return caught.value.reasons[0]


@pytest.mark.parametrize("form", [distances, tied, shot])
def test_what_reads_as_planned_moves_nothing(form):
    drilling = followed(PLAN, form(places_of(PLAN)))
    assert drilling.layout == PLAN
    assert {one.state for one in drilling.holes} == {"measured"}
    assert (drilling.misfits, drilling.cures, drilling.not_followed, drilling.warnings) == ((), (), (), ())


@pytest.mark.parametrize("form", [distances, tied, shot])
def test_holes_off_by_millimetres_are_followed(form):
    true = places_of(PLAN, H003=(0.004, 0.0), H007=(-0.005, 0.003), H011=(0.002, -0.004))
    drilling = followed(PLAN, form(true))
    assert drilling.not_followed == ()
    for name in ("H002", "H003", "H006", "H007", "H010", "H011"):
        here, there = hole(drilling, name), hole(drilling, f"H{int(name[1:]) + 1:03d}")
        true_bay = math.dist(true[here.name], true[there.name])
        assert here.to_next == pytest.approx(math.dist(here.place, there.place), abs=1e-12)
        assert here.to_next == pytest.approx(true_bay, abs=READ if form is distances else 0.003)


def test_panels_joints_and_ties_are_those_of_the_holes():
    true = places_of(PLAN, H005=(0.006, 0.0), H006=(0.004, 0.0))
    drilling = followed(PLAN, distances(true))
    panel, joint = drilling.layout.panels[0], drilling.layout.joints[0]
    assert panel.length == pytest.approx(sum(hole(drilling, name).to_next for name in panel.holes[:-1]))
    assert panel.length == pytest.approx(4 * BAY + 0.006, abs=2 * READ)
    assert joint.gap == pytest.approx(0.0762 - 0.002, abs=READ)
    moved = hole(drilling, "H005")
    assert [tie.distance for tie in moved.ties] == pytest.approx([math.dist(mark.place, moved.place) for mark in MARKS])
    assert moved.station == pytest.approx(PLAN.holes[4].station + moved.east - PLAN.holes[4].east)


def test_a_custom_panel_placed_by_ties_alone_is_taped_before_it_is_cut():
    plan = msgspec.structs.replace(PLAN, panels=(msgspec.structs.replace(PLAN.panels[0], kind="custom", stock_posts=None), *PLAN.panels[1:]))
    assert "tape H001 to H005" in told(followed(plan, tied(places_of(plan))))
    assert followed(plan, distances(places_of(plan))).warnings == ()


def test_what_was_not_measured_stays_planned():
    some = {name: place for name, place in places_of(PLAN).items() if name in ("H002", "H003", "H004")}
    drilling = followed(PLAN, distances(some))
    states = {one.hole: one.state for one in drilling.holes}
    assert [states[name] for name in ("H002", "H003", "H004", "H001", "H009")] == ["measured"] * 3 + ["planned"] * 2
    assert "not measured" in told(drilling)


def test_a_reading_a_metre_too_much_is_named_and_not_followed():
    drilling = followed(PLAN, distances(places_of(PLAN), H003=1914))
    (reading,) = drilling.not_followed
    assert (reading.hole, reading.to, reading.cause) == ("H003", "H004", "a metre too much")
    assert "1000 mm more" in reading.why
    assert drilling.layout == PLAN
    assert "H003 to H004 reads 1914 mm: not followed, a metre too much" in told(drilling)


def test_digits_exchanged_and_a_hole_skipped_are_told_apart():
    drilling = followed(PLAN, distances(places_of(PLAN), H002=941, H007=1829))
    assert [(one.hole, one.cause) for one in drilling.not_followed if one.hole == "H007"] == [("H007", "measured to H009, past H008")]
    two = followed(PLAN, distances(places_of(PLAN), H002=194))
    assert "digits exchanged, 194 for 914" in two.not_followed[0].cause


def test_two_rows_swapped_are_named():
    places = places_of(PLAN)
    drilling = followed(PLAN, distances(places, H004=76, H005=914))
    assert {one.hole for one in drilling.not_followed} == {"H004", "H005"}
    assert drilling.not_followed[0].cause == "the rows H004 and H005 are swapped"
    assert drilling.layout == PLAN


def test_a_hole_60_mm_off_is_followed_its_panel_becomes_custom_and_the_cure_is_named():
    drilling = followed(PLAN, distances(places_of(PLAN, H003=(0.060, 0.0))))
    assert [one.hole for one in drilling.holes if one.state == "moved"] == ["H003"]
    assert hole(drilling, "H002").to_next == pytest.approx(BAY + 0.060, abs=READ)
    assert [(one.panel, one.cure.hole) for one in drilling.misfits] == [("P01", "H003")]
    assert (drilling.layout.panels[0].kind, drilling.layout.panels[0].stock_posts) == ("custom", None)
    cure = drilling.cures[0]
    assert (cure.hole, cure.saves, cure.toward) == ("H003", ("P01",), "toward H002")
    assert cure.range == pytest.approx((0.060 - 0.0127, 0.060 + 0.0127), abs=2 * READ)
    assert cure.cost == JOB.shop.setting_out.redrill_price < cure.cost_as_is == drilling.misfits[0].extra
    assert "drill H003 again" in told(drilling)
    assert "known to" in told(drilling)


@pytest.mark.parametrize("off", [0.021, 0.040, 0.100])
def test_a_hole_off_along_is_taken_to_be_off_across_by_no_more(off):
    """Distances leave the place across loose: as much as it is off along, and the true place lies well within."""
    one = followed(PLAN, distances(places_of(PLAN, H003=(off, 0.0)))).of("H003")
    assert one.state == "moved"
    assert off / 2 < one.sigma < 1.6 * off
    assert abs(one.place[1] - one.planned[1]) < one.sigma
    assert one.place[0] - one.planned[0] == pytest.approx(off, abs=0.004)


def test_what_one_tie_alone_says_holds_the_job_and_names_both():
    sheet = tied(places_of(PLAN)).replace(f"\nH003,{_tie('H003', 0)},", f"\nH003,{_tie('H003', 0) + 57},")
    reason = held(sheet)
    assert reason.ref == "reading-or-hole"
    assert "H003 to mark A" in reason.what and "H003 stands elsewhere" in reason.what
    assert "measure H003 again" in reason.do
    assert reason.line == 4


def _tie(name, mark):
    return round(math.dist(MARKS[mark].place, places_of(PLAN)[name]) * 1000)


def test_a_hole_moved_by_its_remark_is_followed_however_far():
    true = places_of(PLAN, H008=(0.200, 0.0))
    sheet = [line + "moved: rebar" if line.startswith("H008,") else line for line in distances(true).splitlines()]
    drilling = followed(PLAN, "\n".join(sheet))
    one = drilling.of("H008")
    assert (one.state, one.remark) == ("moved", "moved: rebar")
    assert one.off_plan == pytest.approx(0.200, abs=0.004)
    assert drilling.not_followed == ()


def test_a_hole_not_drilled_stays_planned_and_the_tape_passes_it():
    places = places_of(PLAN)
    left = {name: place for name, place in places.items() if name != "H008"}
    drilling = followed(PLAN, distances(left) + "H008,,not drilled\n")
    assert drilling.of("H008").state == "missing"
    assert hole(drilling, "H008").place == PLAN.holes[7].place
    assert drilling.not_followed == ()
    assert drilling.layout == PLAN
    assert "drill H008 by its ties" in told(drilling)


def test_a_hole_given_up_for_one_beside_it():
    places = places_of(PLAN)
    line = [("H008a" if name == "H008" else name, (place[0] + 0.1, place[1]) if name == "H008" else place) for name, place in places.items()]
    drilling = followed(PLAN, distances(dict(line)) + "H008,,hit steel\n")
    assert [one.name for one in drilling.layout.holes] == [name for name, _ in line]
    assert drilling.layout.panels[1].holes == ("H006", "H007", "H008a", "H009")
    assert (drilling.of("H008").state, drilling.of("H008a").state, drilling.of("H008a").instead_of) == ("abandoned", "added", "H008")
    assert hole(drilling, "H007").to_next == pytest.approx(BAY + 0.1, abs=READ)
    assert [one.panel for one in drilling.misfits] == ["P02"]


def test_a_post_more_makes_its_panel_custom():
    places = places_of(PLAN)
    middle = (places["H002"][0] + BAY / 2, places["H002"][1])
    line = {name: place for at, place in places.items() for name, place in ([(at, place), ("H002a", middle)] if at == "H002" else [(at, place)])}
    drilling = followed(PLAN, distances(line))
    panel = drilling.layout.panels[0]
    assert (panel.holes, panel.kind, panel.posts) == (("H001", "H002", "H002a", "H003", "H004", "H005"), "custom", 6)
    assert panel.length == pytest.approx(4 * BAY, abs=2 * READ)
    assert drilling.of("H002a").state == "added"


def test_an_end_post_given_up_for_one_before_it_keeps_its_joint():
    places = places_of(PLAN)
    line = {("H005a" if name == "H005" else name): (place[0] - 0.06, place[1]) if name == "H005" else place for name, place in places.items()}
    drilling = followed(PLAN, distances(line) + "H005,,filled\n")
    assert drilling.layout.joints[0].before == "H005a"
    assert drilling.layout.joints[0].gap == pytest.approx(0.0762 + 0.06, abs=READ)
    assert drilling.layout.panels[0].holes[-1] == "H005a"
    assert hole(drilling, "H005a").role == "end"


def test_a_hole_given_up_with_none_in_its_place_holds_the_job():
    left = {name: place for name, place in places_of(PLAN).items() if name != "H008"}
    reason = held(distances(left) + "H008,,abandoned\n")
    assert reason.ref == "hole-given-up"
    assert "between H007 and H009, 1829 mm apart" in reason.what
    assert "H008a" in reason.do


def test_what_was_read_of_a_hole_given_up_is_shown_and_not_followed():
    places = places_of(PLAN)
    line = {("H008a" if name == "H008" else name): (place[0] + 0.1, place[1]) if name == "H008" else place for name, place in places.items()}
    drilling = followed(PLAN, distances(line) + "H008,914,filled\n")
    assert [(one.hole, one.followed) for one in drilling.not_followed] == [("H008", False)]
    assert "given up" in drilling.not_followed[0].why


def test_a_gate_that_does_not_fit_its_holes_holds_the_job_with_the_cure():
    plan = plan_of(5, 4, gate_after=0)
    assert followed(plan, distances(places_of(plan, H005=(-0.010, 0.0)))).layout.gates[0].leaf == pytest.approx(BAY + 0.010, abs=READ)
    reason = held(distances(places_of(plan, H005=(-0.040, 0.0))), JobError, plan)
    assert reason.ref == "gate-does-not-fit"
    assert "too far apart" in reason.what
    assert "drill H005 again, 28 mm toward H006" in reason.do


def test_a_gate_the_readings_hardly_tell_of_is_taped_and_holds_nothing():
    plan = plan_of(5, 4, gate_after=0)
    places = places_of(plan, H005=(-0.019, 0.0))
    drilling = followed(plan, tied(places))
    assert 0.0127 < drilling.layout.gates[0].leaf - BAY < 0.019
    assert "tape H005 to H006" in told(drilling)
    assert held(distances(places), JobError, plan).ref == "gate-does-not-fit"


def test_a_reading_to_the_mark_of_a_hole_that_is_not_there_is_named():
    left = {name: place for name, place in places_of(PLAN).items() if name != "H008"}
    drilling = followed(PLAN, distances(left, H007=914) + "H008,,not drilled\n")
    assert [(one.hole, one.cause) for one in drilling.not_followed] == [("H007", "measured to the mark of H008, which is not there")]


def test_a_second_frame_is_brought_onto_the_first_by_marks_shot_again():
    true = places_of(PLAN, H003=(0.005, 0.004))
    drilling = followed(PLAN, shot(true, also_marks=True, shift=(0.040, -0.025)))
    assert drilling.not_followed == ()
    assert drilling.of("H003").state == "measured"
    assert max(one.off_plan for one in drilling.holes if one.hole != "H003") < 0.003
    assert 0.002 < drilling.of("H003").off_plan < 0.0064


@pytest.mark.parametrize(
    ("sheet", "ref", "words"),
    [
        (distances(places_of(PLAN)).replace("914", "36").replace("76", "3"), "sheet-unit", "inches"),
        (distances(places_of(PLAN)).replace("914", "91.4").replace("76", "7.6"), "sheet-unit", "centimetres"),
        (shot(places_of(PLAN), shift=(300.0, 0.0)), "sheet-frame", "another frame"),
        (shot(places_of(PLAN)).replace("P,N,E", "P,E,N"), "sheet-frame", "exchanged"),
    ],
)
def test_a_sheet_in_another_unit_or_frame_is_refused_as_a_whole(sheet, ref, words):
    reason = held(sheet, JobError)
    assert reason.ref == ref
    assert words in f"{reason.what} {reason.why} {reason.do}"


def test_a_sheet_of_other_holes_is_refused():
    plan = plan_of(*[4] * 9)
    sheet = "hole,to_next\n" + "".join(f"{one.name},{500 + 37 * (number % 7)}\n" for number, one in enumerate(plan.holes[:-1]))
    assert held(sheet, SurveyError, plan).ref in ("sheet-of-other-holes", "reading-or-hole")


@pytest.mark.parametrize(
    ("sheet", "words"),
    [("hole,tie_a\nH003,4000\n", "has no ties"), ("hole,to_next,remark\nH003a,914,missing\n", "is not there either")],
)
def test_cells_no_hole_can_have_are_refused(sheet, words):
    plan = msgspec.structs.replace(PLAN, holes=tuple(msgspec.structs.replace(one, ties=()) for one in PLAN.holes))
    reason = held(sheet, JobError, plan)
    assert words in reason.what and reason.line == 2


def test_what_is_cut_alone_changes_no_hole():
    drilling = followed(PLAN, cut="panel,length\nP01,3658\n")
    assert not drilling.as_drilled
    assert drilling.layout == PLAN
    assert [one.panel for one in drilling.cut] == ["P01"]


def test_the_marks_own_error_is_common_to_all_ties_from_it():
    """A mark off by 6 mm moves every hole tied from it alike: spacings stay, and a better survey of the mark makes the holes better known."""
    coarse = msgspec.structs.replace(SITE, marks=tuple(Mark(name=one.name, kind="mark", place=one.place, sigma=0.010) for one in MARKS))
    sheet = tied(places_of(PLAN, H003=(0.004, 0.0)))
    fine, rough = followed(PLAN, sheet), followed(PLAN, sheet, site=coarse)
    assert fine.of("H008").sigma < rough.of("H008").sigma
    assert rough.of("H007").to_next_sigma == pytest.approx(fine.of("H007").to_next_sigma, rel=0.15)
