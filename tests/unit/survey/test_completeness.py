import math

from lxml import etree

from pipeline.intake.resolve import default_job
from pipeline.survey.field_check import field_check
from pipeline.survey.picture import survey_picture
from tests.unit.survey.made_surveys import made_site, point_file

SITE = made_site(5, count=24)
JOB = default_job("made", survey={"unit": "metre"})


def checked(text):
    return field_check(JOB, {"p.csv": text.encode()})


def refs(text):
    return {reason.ref for reason in checked(text).reasons}


def test_a_whole_survey_is_good_to_leave():
    found = checked(point_file(SITE) + "90,0,20,0,DECK\n91,20,20,0,DECK\n")
    assert found.good_to_leave, found.lines
    assert found.lines[0].startswith("31 points (points): WATER 24, DECK 2, SPOT 1, MARK 4")
    assert found.lines[-1] == "Good to leave."


def test_a_gap_where_the_edge_bends_is_named_by_its_ends():
    lines = [line for line in point_file(SITE).splitlines() if line.split(",")[0] not in ("W5", "W6", "W7")]
    found = checked("\n".join(lines))
    assert not found.good_to_leave
    assert any("between W4 and W8" in line for line in found.lines)


def test_a_shot_that_sticks_out_is_named():
    lines = []
    for line in point_file(made_site(5, count=60)).splitlines():
        cells = line.split(",")
        if cells[0] == "W9":
            cells[1], cells[2] = f"{float(cells[1]) + 0.25:.4f}", f"{float(cells[2]) - 0.1:.4f}"
        lines.append(",".join(cells))
    found = checked("\n".join(lines))
    assert [reason.what.split()[0] for reason in found.reasons if reason.ref == "sticks-out"] == ["W9"]


def test_one_shot_on_a_curve_is_said():
    text = point_file(SITE).replace("WATER", "WATER PC", 1)
    lines = text.splitlines()
    third = next(n for n, line in enumerate(lines) if line.startswith("W3,"))
    lines[third] += " PT"
    assert "one-shot-on-curve" in refs("\n".join(lines))


def test_a_riser_without_a_level_at_its_foot_and_one_with():
    risers = "70,20,0,0.5,STEP1\n71,20,3,0.5,STEP1\n"
    assert "no-level-at-riser" in refs(point_file(SITE) + risers)
    assert "no-level-at-riser" not in refs(point_file(SITE) + risers + "72,20.02,0,0.3,STEP1 / foot\n")
    assert "no-level-at-riser" in refs(point_file(SITE) + "70,20,0,,STEP1\n71,20,3,,STEP1\n72,20,1,0.3,SPOT\n")


def test_one_jamb_and_a_wall_of_one_shot():
    assert {"one-jamb", "one-shot-line"} <= refs(point_file(SITE) + "70,20,0,0,DOOR\n71,21,0,0,WALL\n")


def test_no_marks_and_no_water_are_not_yet():
    lines = [line for line in point_file(SITE).splitlines() if "MARK" not in line]
    assert not checked("\n".join(lines)).good_to_leave
    none = checked("1,2,3,4,SPOT\n")
    assert not none.good_to_leave and any("no water's edge" in line for line in none.lines)


def test_a_corner_is_no_shot_that_sticks_out():
    corners = [(0, 0), (4, 0), (8, 0), (8, 2.5), (8, 5), (4, 5), (0, 5), (0, 2.5)]
    text = "".join(f"W{n},{north},{east},0,WATER\n" for n, (east, north) in enumerate(corners)) + "M1,-2,-2,0,MARK\nM2,-2,10,0,MARK\n"
    assert not {"sticks-out", "sparse-curve", "water-gap"} & refs(text)


def test_the_picture_shows_numbers_and_escapes_what_was_typed():
    found = checked(point_file(SITE) + '<b>&"1",20,3,0,SPOT\n')
    assert "&lt;b&gt;" in found.svg and "<b>" not in found.svg
    assert found.svg.count("<circle") >= 30
    assert etree.fromstring(found.svg.encode()).tag.endswith("svg")
    assert math.isfinite(float(found.svg.split('width="')[1].split('"')[0]))
    assert "no points" in survey_picture((), "empty")
