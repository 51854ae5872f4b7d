"""A second total station's raw shots: setups brought onto the marks, and what is not followed."""

import math

import pytest

from pipeline.errors import JobError, SurveyError
from pipeline.model.site import Mark
from tests.unit.compliance.made_fences import site_with
from tests.unit.drilling.drilled_fences import MARKS, followed, places_of, plan_of

PLAN = plan_of()
THIRD = Mark(name="C", kind="mark", place=(6.0, 4.0), sigma=0.002)
SITE = site_with(marks=(*MARKS, THIRD))
HEAD = "setup,target,face,hi,ht,hz_deg,zenith_deg,slope_dist,code,remark\n"


def seen(setup: str, at: tuple[float, float], turned: float, places, *, dms: bool = True, both: bool = False) -> str:
    """What an instrument reads to seconds and millimetres, 1.5 m above what it shoots at; its circle is `turned` [rad]."""
    rows = []
    for name, place in places.items():
        level = math.dist(at, place)
        slope, zenith = math.hypot(level, 1.5), math.pi / 2 + math.atan2(1.5, level)
        direction = math.degrees(math.atan2(place[0] - at[0], place[1] - at[1]) - turned) % 360
        for face in ("1", "2") if both else ("",):
            hz, z = ((direction + 180) % 360, 360 - math.degrees(zenith)) if face == "2" else (direction, math.degrees(zenith))
            rows.append(f"{setup},{name},{face},1.5,0,{_shown(hz) if dms else f'{hz:.5f}'},{z:.5f},{slope:.3f},,")
    return "\n".join(rows) + "\n"


def _shown(degrees: float) -> str:
    seconds = round(degrees * 3600) % 1296000
    return f"{seconds // 3600}-{seconds // 60 % 60:02d}-{seconds % 60:02d}"


def with_marks(places, *names):
    return {**{mark.name: mark.place for mark in (*MARKS, THIRD) if mark.name in names}, **places}


@pytest.mark.parametrize("dms", [True, False])
@pytest.mark.parametrize("both", [True, False])
def test_the_plan_shot_as_drawn_moves_nothing(dms, both):
    places = with_marks(places_of(PLAN), "A", "B", "C")
    drilling = followed(PLAN, HEAD + seen("S1", (5.0, -9.0), 1.234, places, dms=dms, both=both), site=SITE)
    assert drilling.layout == PLAN
    assert drilling.not_followed == ()


def test_two_setups_one_of_them_on_a_mark_find_a_hole_off():
    true = places_of(PLAN, H009=(0.055, -0.020))
    left = {name: place for name, place in true.items() if name < "H007"}
    right = {name: place for name, place in true.items() if name >= "H007"}
    sheet = HEAD + seen("S1", (2.0, -9.0), 0.3, with_marks(left, "A", "B")) + seen("B", MARKS[1].place, 2.0, with_marks(right, "A"))
    drilling = followed(PLAN, sheet, site=SITE)
    assert [one.hole for one in drilling.holes if one.state == "moved"] == ["H009"]
    assert math.dist(drilling.of("H009").place, true["H009"]) < 0.004


def test_a_remark_may_stand_beside_a_shot_or_alone():
    places = {name: place for name, place in places_of(PLAN).items() if name != "H008"}
    sheet = HEAD + seen("S1", (5.0, -9.0), 0.0, with_marks(places, "A", "B")) + ",H008,,,,,,,,not drilled\n"
    assert followed(PLAN, sheet, site=SITE).of("H008").state == "missing"


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (seen("S1", (5.0, -9.0), 0.0, with_marks(places_of(PLAN), "A")), "sees 1 of the survey's marks"),
        (seen("S1", (5.0, -9.0), 0.0, {**places_of(PLAN), "A": MARKS[0].place, "B": MARKS[1].place, "C": (6.2, 4.0)}), "mark C lies"),
        (
            seen("S1", (5.0, -9.0), 0.0, with_marks(places_of(PLAN), "A", "B")) + seen("S1", (5.0, -9.0), 0.0, {"H003": places_of(PLAN)["H004"]}),
            "H003 was shot at places 0.91",
        ),
    ],
)
def test_shots_that_do_not_fit_hold_the_job(sheet, words):
    with pytest.raises(SurveyError) as held:
        followed(PLAN, HEAD + sheet, site=SITE)
    assert any(words in reason.what for reason in held.value.reasons)


@pytest.mark.parametrize(
    "row",
    [
        "S1,H777,,1.5,0,10,90,5.0,,",
        "S1,H001,,1.5,0,10-61-00,90,5.0,,",
        "S1,H001,,1.5,0,10,90,five,,",
        ",H001,,1.5,0,10,90,5.0,,",
        "S1,H001,,1.5,0,10,90,9e9,,",
    ],
)
def test_lines_that_are_no_shots_are_named(row):
    with pytest.raises(JobError) as held:
        followed(PLAN, HEAD + seen("S1", (5.0, -9.0), 0.0, with_marks({}, "A", "B")) + row + "\n", site=SITE)
    assert held.value.reasons[0].line == 4
