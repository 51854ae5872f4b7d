"""Whatever the form, unit, order or notation: without errors a survey comes back to a micrometre, and its order and numbers do not matter."""

from __future__ import annotations

import io
import math
import random

import ezdxf
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.intake.resolve import default_job
from pipeline.survey.answer import answer
from pipeline.units import METRES_PER
from tests.unit.survey.made_surveys import Made, errors, made_site, point_file, shots_file, tape_file

MICROMETRE = 1e-6
SLOW = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
seeds = st.integers(min_value=0, max_value=10_000)


def surveyed(name: str, text: str | bytes, **survey):
    content = text.encode() if isinstance(text, str) else text
    found = answer(default_job("made", survey={"unit": "metre", **survey}), {name: content})
    assert found.survey is not None and not found.holds, found.holds
    return {point.point: point for point in found.survey.points}


def both(name: str, one: str, other: str):
    """Points of two surveys that say the same; nothing where both are held for the same: errors drawn at random now and then look like a blunder."""
    found = [answer(default_job("made", survey={"unit": "metre"}), {name: text.encode()}) for text in (one, other)]
    assert [hold.ref for hold in found[0].holds] == [hold.ref for hold in found[1].holds]
    if found[0].holds:
        assert {hold.ref for hold in found[0].holds} == {"blunder-not-located"}
        return {}, {}
    return tuple({point.point: point for point in each.survey.points} for each in found)


def assert_is(points, site: Made, tolerance: float = MICROMETRE, *, heights: bool = True) -> None:
    assert set(points) == set(site.points)
    for name, (code, east, north, up) in site.points.items():
        assert points[name].place == pytest.approx((east, north), abs=tolerance), name
        assert points[name].code == code
        if heights:
            assert points[name].elev == pytest.approx(up, abs=tolerance), name


@SLOW
@given(
    seed=seeds,
    columns=st.permutations("PNEZD"),
    unit=st.sampled_from(sorted(METRES_PER)),
    delimiter=st.sampled_from([";", "\t", ",", " "]),
    comma=st.booleans(),
)
def test_points_in_any_order_unit_and_delimiter(seed, columns, unit, delimiter, comma):
    site = made_site(seed)
    comma = comma and delimiter != ","
    text = point_file(site, unit=METRES_PER[unit], columns="".join(columns), delimiter=delimiter, comma=comma)
    assert_is(surveyed("p.csv", text, unit=unit, columns="".join(columns)), site)


@SLOW
@given(seed=seeds, order=st.permutations(["Point Number", "Northing", "Easting", "Elevation", "Description"]))
def test_points_under_a_header_in_any_order(seed, order):
    site = made_site(seed)
    letters = {"Point Number": "P", "Northing": "N", "Easting": "E", "Elevation": "Z", "Description": "D"}
    text = point_file(site, columns="".join(letters[word] for word in order), header=",".join(order))
    assert_is(surveyed("p.csv", text), site)


@SLOW
@given(seed=seeds)
def test_tape_ties_without_errors(seed):
    assert_is(surveyed("t.csv", tape_file(made_site(seed))), made_site(seed), heights=False)


@SLOW
@given(seed=seeds)
def test_tape_ties_from_two_marks_with_sides(seed):
    """Just two ties a point: the side column settles the mirror, the order of the line what has none."""
    site = made_site(seed)
    text = tape_file(site, marks="AB")
    lines = text.splitlines()
    lines = [
        line.replace(",left,", ",,") if line.split(",")[1] in ("W3", "W4", "W5") else line
        for line in lines
        if ",P1," not in line and line.split(",")[1] not in "CD"
    ]
    points = surveyed("t.csv", "\n".join(lines))
    for name, point in points.items():
        assert point.place == pytest.approx(site.place(name)[:2], abs=MICROMETRE)


@SLOW
@given(seed=seeds, circles=st.tuples(st.floats(0, 6), st.floats(0, 6)))
def test_shots_without_errors_however_the_circle_is_turned(seed, circles):
    site = made_site(seed, base="station")
    assert_is(surveyed("s.csv", shots_file(site, circles=circles)), site)


@SLOW
@given(seed=seeds)
def test_shots_between_marks_with_coordinates(seed):
    """Marks from a points file hold the frame, wherever it lies and however it is turned."""
    site, source = made_site(seed, base="station"), random.Random(seed)
    turn, east, north = source.uniform(0, 6), source.uniform(1000, 9000), source.uniform(1000, 9000)
    there = {
        name: (code, east + x * math.cos(turn) - y * math.sin(turn), north + x * math.sin(turn) + y * math.cos(turn), up + 30)
        for name, (code, x, y, up) in site.points.items()
    }
    marks = Made({name: value for name, value in there.items() if name.startswith("M")})
    found = answer(default_job("made", survey={"unit": "metre"}), {"a_marks.csv": point_file(marks).encode(), "shots.csv": shots_file(site).encode()})
    assert not found.holds, found.holds
    assert_is({point.point: point for point in found.survey.points}, Made(there))


@SLOW
@given(seed=seeds)
def test_landxml_and_dxf_without_errors(seed):
    site = made_site(seed)
    cg = "".join(f'<CgPoint name="{name}" code="{code}">{n:.9f} {e:.9f} {u:.9f}</CgPoint>' for name, (code, e, n, u) in site.points.items())
    text = f'<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2" date="2026-11-24" time="16:05:00"><Units><Metric linearUnit="meter"/></Units><CgPoints>{cg}</CgPoints></LandXML>'
    assert_is(surveyed("p.xml", text), site)
    document = ezdxf.new("R2010", units=6)
    water = [site.place(name)[:2] for name in site.points if name.startswith("W")]
    document.modelspace().add_lwpolyline(water, close=True, dxfattribs={"layer": "WATER"})
    for name in "ABCD":
        document.modelspace().add_point(site.place(name), dxfattribs={"layer": "MARK"})
    out = io.StringIO()
    document.write(out)
    points = surveyed("p.dxf", out.getvalue())
    corners = [point.place for point in points.values() if point.code == "WATER"]
    for place in water:
        assert min(math.dist(place, corner) for corner in corners) < MICROMETRE
    assert sum(point.code == "MARK" for point in points.values()) == 4


@SLOW
@given(seed=seeds)
@example(seed=1048)  # held, in either order
def test_the_order_of_ties_and_the_numbers_do_not_matter(seed):
    """The same ties, shuffled and under other numbers: the same pool, errors and all."""
    text = tape_file(made_site(seed), errors(seed))
    _, base, *ties = text.splitlines()
    random.Random(seed).shuffle(ties)
    renamed = {name: f"{number + 500}" for number, name in enumerate(made_site(seed).points)}
    again = ["from,to,dist,code,remark,side,sigma_mm"]
    for line in (base, *ties):
        start, end, *rest = line.split(",")
        again.append(",".join((renamed[start], renamed[end], *rest)))
    first, second = both("t.csv", text, "\n".join(again))
    for name, point in first.items():
        assert second[renamed[name]].place == pytest.approx(point.place, abs=MICROMETRE)
        assert second[renamed[name]].sigma_east == pytest.approx(point.sigma_east, abs=MICROMETRE)


@SLOW
@given(seed=seeds, turn=st.floats(0, 6))
def test_a_turned_circle_gives_the_same_pool(seed, turn):
    """Errors and all: where the circle's zero lay is nobody's business."""
    site = made_site(seed, base="station")
    first, second = both("s.csv", shots_file(site, errors(seed)), shots_file(site, errors(seed), circles=(0.7 + turn, 2.1 - turn)))
    for name, point in first.items():
        assert second[name].place == pytest.approx(point.place, abs=MICROMETRE)


@SLOW
@given(seed=seeds, turn=st.floats(0, 6.28), east=st.floats(-5000, 5000), north=st.floats(-5000, 5000))
def test_a_shifted_and_turned_point_file_gives_the_pool_shifted_and_turned(seed, turn, east, north):
    site = made_site(seed)
    moved = Made(
        {
            n: (c, east + x * math.cos(turn) - y * math.sin(turn), north + x * math.sin(turn) + y * math.cos(turn), u)
            for n, (c, x, y, u) in site.points.items()
        }
    )
    assert_is(surveyed("p.csv", point_file(moved)), moved)
