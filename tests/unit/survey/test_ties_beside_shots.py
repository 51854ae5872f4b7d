"""Shots and tape ties of one site in one network: what the instrument could not see is taped from what it saw, and spare ties check the shots."""

from __future__ import annotations

import math

import pytest

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from tests.unit.survey.made_surveys import errors, made_site, no_error, shots_file

JOB = default_job("made", survey={"unit": "metre"})
SITE = made_site(5, base="station")
HIDDEN = ("W4", "W5", "W6")


def shots(error=no_error, *, hidden=HIDDEN) -> str:
    """Everything but the hidden points, which a hedge covers."""
    lines = shots_file(SITE, error).splitlines()
    return "\n".join(line for line in lines if line.split(",")[1] not in hidden) + "\n"


def ties(pairs, error=no_error, *, unit=1.0) -> str:
    lines = ["from,to,dist,code,remark,side,sigma_mm"]
    for start, end in pairs:
        length = math.dist(SITE.place(start)[:2], SITE.place(end)[:2]) + error(0.003)
        lines.append(f"{start},{end},{length / unit:.10f},{SITE.points[end][0]},,,3")
    return "\n".join(lines) + "\n"


TAPED = [("M1", "M2"), *((mark, name) for name in HIDDEN for mark in ("M1", "M2", "M3"))]


def solved(shot_text: str, tie_text: str):
    return answer(JOB, {"shots.csv": shot_text.encode(), "ties.csv": tie_text.encode()})


def test_without_errors_all_points_come_back():
    found = solved(shots(), ties(TAPED))
    assert not found.holds, found.holds
    points = {point.point: point for point in found.survey.points}
    assert set(points) == set(SITE.points)
    for name, (code, east, north, up) in SITE.points.items():
        assert points[name].place == pytest.approx((east, north), abs=1e-6), name
        assert points[name].code == code
        assert points[name].elev is None if name in HIDDEN else points[name].elev == pytest.approx(up, abs=1e-6)
    assert points["W5"].file == "ties.csv" and points["W1"].file == "shots.csv"


def test_one_adjustment_holds_both():
    found = solved(shots(errors(1)), ties(TAPED, errors(2)))
    assert not found.holds, found.holds
    alone = answer(JOB, {"shots.csv": shots(errors(1)).encode()})
    both, shots_only = found.survey.adjustment, alone.survey.adjustment
    assert both.observations == shots_only.observations + len(TAPED)
    assert both.degrees_of_freedom == shots_only.degrees_of_freedom + len(TAPED) - 2 * len(HIDDEN)
    for point in found.survey.points:
        assert math.dist(point.place, SITE.place(point.point)[:2]) < 4 * math.hypot(point.sigma_east, point.sigma_north) + 1e-9
    assert {"W4", "M1"} <= set(found.survey.common_errors.points)


def test_two_ties_and_the_order_of_the_line_are_enough():
    found = solved(shots(), ties([("M1", "M2"), *((mark, name) for name in HIDDEN for mark in ("M1", "M2"))]))
    assert not found.holds, found.holds
    for point in found.survey.points:
        assert point.place == pytest.approx(SITE.place(point.point)[:2], abs=1e-6), point.point
    unchecked = [warning.what for warning in found.survey.warnings if warning.ref == "unchecked"]
    assert unchecked and all(name in unchecked[0] for name in HIDDEN)


def test_a_wrong_tie_is_named_with_its_size():
    lines = ties(TAPED, errors(2)).splitlines()
    cells = lines[-1].split(",")
    cells[2] = f"{float(cells[2]) + 0.3048:.6f}"
    spare = ties([("S1", "W6"), ("S2", "W6"), ("W7", "W6")], errors(3)).splitlines()[1:]
    found = solved(shots(errors(1)), "\n".join([*lines[:-1], ",".join(cells), *spare]))
    assert not found.holds, found.holds
    (blunder,) = [warning for warning in found.survey.warnings if warning.ref == "blunder"]
    assert blunder.what.startswith('tie M3–W6 reads about 11-15/16"') and "long" in blunder.what
    assert "1 ft misread" in blunder.why
    assert (blunder.file, blunder.line) == ("ties.csv", len(lines))


def test_a_tie_checks_a_shot():
    """A shot's distance 0.2 m off shows against three ties to the same point."""
    rows = shots(errors(1), hidden=()).splitlines()
    place = next(number for number, row in enumerate(rows) if row.startswith("S1,W5,"))
    cells = rows[place].split(",")
    cells[7] = f"{float(cells[7]) + 0.2:.6f}"
    rows[place] = ",".join(cells)
    found = solved("\n".join(rows), ties([("M1", "M2"), *((mark, "W5") for mark in ("M1", "M2", "M3", "S2"))], errors(2)))
    named = [warning.what for warning in found.survey.warnings if warning.ref == "blunder"] + [reason.what for reason in found.holds]
    assert any("distance S1→W5" in what for what in named), named


def test_ties_in_another_unit_are_held():
    found = solved(shots(), ties(TAPED, unit=0.3048))
    assert "unit-against-marks" in {reason.ref for reason in found.holds}


def test_ties_without_a_common_point_are_held():
    found = solved(shots(), "from,to,dist,code,remark\nX,Y,5,WATER,\nX,Z,4,WATER,\nY,Z,3,WATER,\n")
    assert "no-common-point" in {reason.ref for reason in found.holds}


def test_a_point_with_a_single_tie_is_held():
    found = solved(shots(), ties([("M1", "M2"), ("M1", "W5")]))
    assert [reason.ref for reason in found.holds] == ["no-second-tie"]


def test_levels_beside_shots_give_heights():
    level = f"M1,W5,{SITE.place('W5')[2] - SITE.place('M1')[2]:.6f},LEVEL,,,\nQ1,Q2,0.2,LEVEL,,,\n"
    found = solved(shots(), ties(TAPED) + level)
    points = {point.point: point for point in found.survey.points}
    assert points["W5"].elev == pytest.approx(SITE.place("W5")[2], abs=1e-6)
    assert points["W4"].elev is None
    assert "levels-not-tied" in {warning.ref for warning in found.survey.warnings}


def test_a_taped_check_of_a_shot_point_is_a_tie_to_it():
    text = ties([("M1", "M2")]) + f"M2,C1,{math.dist(SITE.place('M2')[:2], SITE.place('W1')[:2]):.6f},CHECK,of W1,,\n"
    found = solved(shots(hidden=()), text)
    assert not found.holds, found.holds
    assert "C1" not in {point.point for point in found.survey.points}


def test_sides_without_their_base_line_mean_nothing():
    """The first line is no base line here: its far end was not shot, so that a side written behind it cannot be believed."""
    text = "from,to,dist,code,remark,side\n"
    for start, end, side in (("M1", "W5", ""), ("M2", "W5", "right"), ("M3", "W5", "")):
        text += f"{start},{end},{math.dist(SITE.place(start)[:2], SITE.place(end)[:2]):.6f},WATER,,{side}\n"
    found = solved(shots(hidden=("W5",)), text)
    assert not found.holds, found.holds
    assert next(p for p in found.survey.points if p.point == "W5").place == pytest.approx(SITE.place("W5")[:2], abs=1e-5)


def test_a_levelled_point_that_ties_do_not_place_is_left_out_and_not_a_traceback():
    found = solved(shots(hidden=()), ties([("M1", "M2")]) + "M1,X1,4,WALL,,,\nM1,X1,0.2,LEVEL,,,\n")
    assert "no-second-tie" in {reason.ref for reason in found.holds}
    assert "levels-not-tied" in {warning.ref for warning in found.survey.warnings}
