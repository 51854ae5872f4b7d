"""The site as built from a small made survey: every kind of thing a survey may hold."""

from __future__ import annotations

import itertools
import math
import re

import msgspec
import numpy as np
import pytest

from pipeline.edge.picture import fit_picture
from pipeline.edge.site import fit_site
from pipeline.errors import SurveyError
from pipeline.intake.resolve import default_job
from pipeline.model.survey import Frame, Survey, SurveyPoint
from tests.made_sites import round_ended


class Field:
    """A crew with an instrument: shots with noise, in order."""

    def __init__(self, seed: int = 3, noise: float = 0.003) -> None:
        self.points: list[SurveyPoint] = []
        self.random = np.random.default_rng(seed)
        self.noise = noise

    def shoot(self, code, x, y, z=None, *, line="", remark="", modifiers=()):
        place = np.array([x, y]) + self.random.normal(0, self.noise, 2)
        level = None if z is None else z + self.random.normal(0, 0.003)
        number = len(self.points)
        self.points.append(
            SurveyPoint(
                point=str(101 + number),
                code=code,
                line=line,
                modifiers=modifiers,
                remark=remark,
                east=float(place[0]),
                north=float(place[1]),
                elev=level,
                sigma_east=self.noise,
                sigma_north=self.noise,
                sigma_elev=0.004,
                order=number,
            )
        )

    def survey(self) -> Survey:
        return Survey(form="points", frame=Frame(), points=tuple(self.points))


@pytest.fixture(scope="module")
def site():
    field = Field()
    water = round_ended(6.0, 2.0)
    for step in range(36):  # shot clockwise: the fit turns it
        field.shoot("WATER", *water.point_at(water.length * (1 - step / 36)), 30.02)
    for x, y in [(-5, -5), (2, -5), (11, -5), (11, 0), (11, 5), (2, 5), (-5, 5), (-5, 0)]:
        field.shoot("DECK", x, y, 30.16 if x > 9 else 30.0)
    for x, y in [(-5, 5.5), (3, 5.5), (11, 5.5), (11, 8.0)]:
        field.shoot("WALL", x, y)
    for x in (2, 3):
        field.shoot("DOOR", x, 5.5, line="1", remark="sill=2 in")
    for y in (-5, 5):
        field.shoot("STEP", 9, y, 30.16, line="1")
    for y in (-4, 4):
        field.shoot("STEP", 9.01, y, 30.0, line="1", remark="foot")
    field.shoot("OBJECT", -4, -4, 30.0, remark="pump r=18in h=30in")
    field.shoot("GATE", 3, -2.9, 30.0)
    for x, y in [(-6, -6), (12, -6)]:
        field.shoot("MARK", x, y, 30.0)
    for x, y in [(-3, -4), (0, -4.2), (4, -4), (8, -4), (-3, 4), (1, 4.1), (7, 4), (10, 0), (10, 3), (10.5, -3)]:
        field.shoot("SPOT", x, y, 30.16 if x > 9 else 30.0)
    field.shoot("DRAIN", -2, -3.5, 30.0)
    return fit_site(default_job(), field.survey())


def test_water_runs_counter_clockwise_with_two_lines_and_two_arcs(site):
    (water,) = site.waters
    assert water.chain.closed
    assert water.chain.area() == pytest.approx(6 * 4 + math.pi * 4, rel=0.002)
    assert sorted(piece.is_arc for piece in water.chain.pieces()) == [False, False, True, True]
    assert all(abs(row.offset) < 0.012 for row in water.residuals)
    assert max(water.sigma_normals) < 0.004


def test_deck_and_wall_are_lines_with_their_corners(site):
    assert len(site.decks[0].chain) == 4
    assert site.decks[0].chain.area() == pytest.approx(160, rel=0.002)
    assert len(site.walls[0].chain) == 2
    assert [mark.kind for mark in site.marks] == ["mark", "mark", "wall-corner"]


def test_riser_has_its_height_and_the_high_side_on_the_left(site):
    (riser,) = site.risers
    assert riser.height == pytest.approx(0.16, abs=0.012)
    assert riser.sigma_height < 0.008
    assert riser.nosing.direction_at(0.0) == pytest.approx(-math.pi / 2, abs=0.01)


def test_levels_step_at_the_riser(site):
    low, high = site.levels.level((8.5, 0.0)), site.levels.level((9.5, 0.0))
    assert low is not None
    assert high is not None
    assert low[0] == pytest.approx(30.0, abs=0.015)
    assert high[0] == pytest.approx(30.16, abs=0.015)
    assert site.levels.patches[-1].region == ()


def test_opening_stands_in_its_wall(site):
    (door,) = site.openings
    assert door.kind == "DOOR"
    assert door.wall == site.walls[0].line
    assert door.sill == pytest.approx(0.0508)


def test_object_gate_hazard(site):
    (pump,) = site.objects
    assert pump.height == pytest.approx(0.762)
    assert pump.outline.area() == pytest.approx(math.pi * 0.4572**2)
    assert [gate.place[0] for gate in site.gates] == [pytest.approx(3, abs=0.02)]
    assert len(site.point_hazards) == 1


def test_picture_is_whole(site):
    picture = fit_picture(site)
    assert picture.count('class="whisker"') == 36
    assert picture == fit_picture(site)
    assert "not to scale" not in picture


def test_picture_says_how_far_off_a_shot_set_aside_lies(site):
    (water,) = site.waters
    row = msgspec.structs.replace(water.residuals[3], offset=-0.304, used=False)
    spoiled = msgspec.structs.replace(water, residuals=(*water.residuals[:3], row, *water.residuals[4:]))
    picture = fit_picture(msgspec.structs.replace(site, waters=(spoiled,)))
    assert f">{row.point}: 0.304 m<" in picture
    assert "not to scale" in picture


def test_labels_of_shots_set_aside_near_each_other_do_not_overlap(site):
    (water,) = site.waters
    rows = tuple(msgspec.structs.replace(row, offset=-0.3, used=False, station=0.3 + 0.02 * index) for index, row in enumerate(water.residuals))
    picture = fit_picture(msgspec.structs.replace(site, waters=(msgspec.structs.replace(water, residuals=rows),)))
    places = [(float(x), float(y)) for x, y in re.findall(r'<text x="([0-9.]+)" y="([0-9.]+)">[^<]* m<', picture)]
    assert len(places) == len(rows)
    assert all(abs(a[1] - b[1]) > 12 or abs(a[0] - b[0]) > 60 for a, b in itertools.combinations(places, 2))


def test_a_survey_without_water_is_held():
    field = Field()
    field.shoot("DECK", 0, 0)
    with pytest.raises(SurveyError, match="no water's edge") as caught:
        fit_site(default_job(), field.survey())
    assert caught.value.reasons[0].ref == "no-water"
    assert "[codes]" in caught.value.reasons[0].do
