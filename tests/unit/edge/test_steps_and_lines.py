"""Risers, the code grammar of lines, remarks, warnings of the lines."""

from __future__ import annotations

import math

import pytest

from pipeline.edge.remarks import length_in
from pipeline.edge.shots import lines_of
from pipeline.edge.site import fit_site
from pipeline.errors import SurveyError
from pipeline.intake.resolve import default_job
from tests.made_sites import round_ended
from tests.unit.edge.test_site import Field


def watered(field=None, spacing=36):
    field = field or Field()
    water = round_ended(6.0, 2.0)
    for step in range(spacing):
        field.shoot("WATER", *water.point_at(water.length * step / spacing), 30.0)
    return field


def refs(site):
    return [warning.ref for warning in site.warnings]


@pytest.mark.parametrize("upward", [True, False])
@pytest.mark.parametrize("turned", [True, False])
def test_the_high_side_is_on_the_left_however_the_nosing_was_shot(upward, turned):
    field = watered()
    for x, y in [(7.6, 0), (8.2, 3), (8.4, -3), (10, 1), (10.5, -2), (11, 3)]:
        field.shoot("SPOT", x, y, 30.0 if (x < 9) == upward else 30.15)
    ends = [-4, 4] if turned else [4, -4]
    for y in ends:
        field.shoot("STEP", 9, y, 30.15, line="1")
    for y in (-3, 3):
        field.shoot("STEP", 9, y, 30.0, line="1", remark="foot")
    (riser,) = fit_site(default_job(), field.survey()).risers
    assert riser.nosing.direction_at(0.0) == pytest.approx(-math.pi / 2 if upward else math.pi / 2, abs=0.02)
    assert riser.height == pytest.approx(0.15, abs=0.012)


def test_a_riser_without_foot_takes_the_levels_beside_it():
    field = watered()
    for x, y in [(8.0, 0), (8.2, 3), (8.4, -3)]:
        field.shoot("SPOT", x, y, 30.0)
    for y in (4, -4):
        field.shoot("STEP", 9, y, 30.16, line="1")
    (riser,) = fit_site(default_job(), field.survey()).risers
    assert riser.height == pytest.approx(0.16, abs=0.015)


def test_a_riser_nobody_measured_is_left_out_with_a_warning():
    field = watered()
    for y in (4, -4):
        field.shoot("STEP", 9, y, line="1")
    site = fit_site(default_job(), field.survey())
    assert site.risers == ()
    assert "step-without-height" in refs(site)


def test_begin_end_and_close_part_lines():
    field = Field()
    for x, modifiers in ((0, ("B",)), (1, ()), (2, ("E",)), (5, ("B",)), (6, ()), (6, ("C",))):
        field.shoot("JOINT", x, 0 if modifiers != ("C",) else 1, modifiers=modifiers)
    first, second = lines_of(field.survey(), "JOINT")
    assert [len(first.points), len(second.points)] == [3, 3]
    assert [first.closed, second.closed] == [False, True]
    assert first.line != second.line


def test_water_closes_by_itself_and_two_waters_are_two_lines():
    field = watered()
    for step in range(16):
        angle = 2 * math.pi * step / 16
        field.shoot("WATER", -4 + 1.2 * math.cos(angle), 1.2 * math.sin(angle), line="2")
    site = fit_site(default_job(), field.survey())
    assert [water.chain.closed for water in site.waters] == [True, True]
    assert site.waters[1].chain.area() == pytest.approx(math.pi * 1.2**2, rel=0.01)


def test_a_shot_off_the_water_is_named_with_its_line_in_the_file():
    field = watered(spacing=44)
    field.points[5] = type(field.points[5])(
        **{**{f: getattr(field.points[5], f) for f in field.points[5].__struct_fields__}, "north": field.points[5].north - 0.3, "row": 6}
    )
    site = fit_site(default_job(), field.survey())
    (warning,) = [one for one in site.warnings if one.ref == "shot-off-line"]
    assert field.points[5].point in warning.what
    assert "outside" in warning.what
    assert warning.line == 6
    (off,) = [row for row in site.waters[0].residuals if not row.used]
    assert off.point == field.points[5].point
    assert off.offset == pytest.approx(-0.3, abs=0.02)


def test_crossing_water_is_held_with_the_place():
    field = Field()
    for x, y in [(0, 0), (4, 0), (4, 4), (2, -3), (0, 4)]:
        field.shoot("WATER", x, y)
    try:
        site = fit_site(default_job(), field.survey())
    except SurveyError as fault:
        assert {reason.ref for reason in fault.reasons} <= {"line-crosses-itself", "line-in-doubt", "edge-not-shown"}
    else:  # a tour that crosses nowhere may exist; then it has to be told
        assert "order-mended" in refs(site)


@pytest.mark.parametrize("corners", [((0, 0), (6, 4), (6, 0), (0, 4)), ((0, 0), (4, 0), (4, 4), (2, -3), (0, 4))])
def test_water_that_crosses_itself_is_held_however_well_it_is_shot(corners):
    """Six shots a side: then it is not for want of shots."""
    field = Field()
    for (x, y), (to_x, to_y) in zip(corners, (*corners[1:], corners[0]), strict=True):
        for step in range(6):
            field.shoot("WATER", x + (to_x - x) * step / 6, y + (to_y - y) * step / 6)
    with pytest.raises(SurveyError) as held:
        fit_site(default_job(), field.survey())
    assert {reason.ref for reason in held.value.reasons} <= {"line-crosses-itself", "edge-in-doubt"}


def test_feet_taken_for_metres_are_held():
    field = Field()
    for x, y in [(0, 0), (120, 0), (240, 0), (240, 130), (120, 130), (0, 130)]:
        field.shoot("WATER", x, y)
    with pytest.raises(SurveyError, match="across") as caught:
        fit_site(default_job(), field.survey())
    assert caught.value.reasons[0].ref == "pool-extent"


def test_water_of_two_shots_and_water_on_one_line_are_held():
    field = Field()
    for x in (0, 4):
        field.shoot("WATER", x, 0)
    with pytest.raises(SurveyError) as caught:
        fit_site(default_job(), field.survey())
    assert caught.value.reasons[0].ref == "water-too-short"


def test_a_long_gap_in_a_curve_is_told():
    field = Field()
    water = round_ended(6.0, 2.0)
    for step in range(40):
        station = water.length * step / 40
        if not 6.6 < station < 10.2:
            field.shoot("WATER", *water.point_at(station), 30.0)
    assert "gap-in-curve" in refs(fit_site(default_job(), field.survey()))


@pytest.mark.parametrize(
    ("remark", "name", "inches"),
    [
        ("r=18in h=30in", "h", 30),
        ("pump r=1 ft 6 in, h=30 in", "r", 18),
        ("h=22in bench stool", "h", 22),
        ("H = 2 ft", "h", 24),
        ("planter", "h", None),
    ],
)
def test_lengths_in_remarks(remark, name, inches):
    found = length_in(remark, name)
    assert found is None if inches is None else found == pytest.approx(inches * 0.0254)


def test_a_remark_without_unit_is_refused():
    with pytest.raises(ValueError, match="unit"):
        length_in("r=18", "r")


def test_an_object_without_radius_is_warned_of():
    field = watered()
    field.shoot("OBJECT", -4, -4, 30.0, remark="pump")
    site = fit_site(default_job(), field.survey())
    assert "object-without-radius" in refs(site)
    assert len(site.objects) == 1


def test_a_gate_the_job_asks_for_stands_near_its_point():
    field = watered()
    job = default_job(gate=[{"near": "103", "leaf": "42 in"}, {"near": "999"}])
    site = fit_site(job, field.survey())
    assert [(gate.name, gate.leaf) for gate in site.gates] == [("103", pytest.approx(42 * 0.0254))]
    assert "gate-point-unknown" in refs(site)
