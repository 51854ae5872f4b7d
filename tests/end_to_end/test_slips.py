"""Slips a crew makes, one at a time, in a survey that is sound otherwise: each is held, or mended with a warning that names the point.

What is asked is what an office needs: nobody drills by a wrong survey, and the message says which shot it was.
"""

from __future__ import annotations

import dataclasses

import pytest

from pipeline import artifacts
from pipeline.errors import SleevelineError
from pipeline.model.site import Site
from pipeline.model.survey import Survey
from tests.truth.distances import point_to_chain
from tests.truth.outlines import FOOT
from tests.truth.sites import long_round_ends, rectangle_open
from tests.truth.through_line import take_through

SITES = {"rectangle": rectangle_open, "round ends": long_round_ends}


@pytest.fixture(params=sorted(SITES))
def site(request):
    return SITES[request.param]()


def said(shots, folder, **options) -> tuple[str, Site | None]:
    """Everything the survey and edge stages say, in one text, and the site if they built one."""
    try:
        place = take_through(tuple(shots), folder / "job", last="edge", **options)
    except SleevelineError as held:
        return " ".join(f"{reason.what} {reason.why} {reason.do}" for reason in held.reasons), None
    survey, edge = artifacts.read(place, "survey", Survey), artifacts.read(place, "edge", Site)
    return " ".join(f"{reason.what} {reason.why} {reason.do}" for reason in (*survey.warnings, *survey.quarantined, *edge.warnings)), edge


def slip(shots, number, *, east=0.0, north=0.0, elev=0.0):
    """The shots with one measured place off [m]."""
    off = (east, north, elev)

    def moved(shot):
        return dataclasses.replace(shot, measured=tuple(value + by for value, by in zip(shot.measured, off, strict=True)))

    return [moved(shot) if shot.number == number else shot for shot in shots]


def sound_or_held(edge, site, most=0.012):
    """The fitted water is the true one within `most` [m], or there is none."""
    return edge is None or max(point_to_chain(tuple(p), site.waters[0]) for p in edge.waters[0].chain.densified(0.01)) <= most


def test_a_sound_survey_says_nothing_of_its_shots(site, tmp_path):
    text, edge = said(site.shots, tmp_path)
    assert edge is not None
    assert not [shot.number for shot in site.shots if f" {shot.number} " in f" {text} " and shot.description.startswith(("WATER", "SPOT", "MARK"))]


@pytest.mark.parametrize("off", [0.9 * FOOT, 1.0 * FOOT, 10 * FOOT])
def test_a_water_shot_off_its_line_is_named(site, tmp_path, off):
    """Two digits swapped, a shot on the coping's outer edge, ten feet misread."""
    text, edge = said(slip(site.shots, "123", east=off * 0.6, north=off * 0.8), tmp_path)
    assert "123" in text
    assert sound_or_held(edge, site)


def test_a_rod_height_bust_is_named(site, tmp_path):
    """One water shot a foot too high: the coping is level, so is the water."""
    text, edge = said(slip(site.shots, "120", elev=FOOT), tmp_path)
    assert "120" in text
    assert sound_or_held(edge, site)


def test_one_number_for_two_places_is_named(site, tmp_path):
    shots = [dataclasses.replace(shot, number="110") if shot.number == "125" else shot for shot in site.shots]
    text, edge = said(shots, tmp_path)
    assert "110" in text
    assert sound_or_held(edge, site)


def test_two_points_out_of_order_are_named_or_put_right(site, tmp_path):
    """Shot 108 came after 118: joined as shot, the edge would run across the pool."""
    moved = next(shot for shot in site.shots if shot.number == "108")
    shots = [shot for shot in site.shots if shot is not moved]
    shots.insert(next(index for index, shot in enumerate(shots) if shot.number == "118") + 1, moved)
    text, edge = said(shots, tmp_path)
    assert "108" in text
    assert sound_or_held(edge, site)


def test_metres_taken_for_feet_are_named(tmp_path):
    """The job says metre, the file is in feet: the pool would be 100 ft long."""
    site = rectangle_open()
    text, edge = said(site.shots, tmp_path, survey={"unit": "metre"})
    assert edge is None or "foot" in text
    assert "unit" in text


def test_feet_taken_for_metres_are_named(tmp_path):
    """The job says millimetre, the file is in feet: a pool of 30 mm."""
    text, edge = said(rectangle_open().shots, tmp_path, survey={"unit": "millimetre"})
    assert edge is None
    assert "unit" in text


def test_a_long_gap_in_a_curve_is_named(tmp_path):
    """Twelve of the fourteen shots of a round end are missing: nobody can know how it runs, and the message says between which two."""
    site = long_round_ends()
    water = [shot for shot in site.shots if shot.description.startswith("WATER")]
    text, edge = said([shot for shot in site.shots if shot not in water[3:15]], tmp_path)
    assert edge is None or {water[2].number, water[15].number} <= set(text.replace(",", " ").split())


def test_no_marks_is_said(site, tmp_path):
    text, _ = said([shot for shot in site.shots if not shot.description.startswith("MARK")], tmp_path)
    assert "MARK" in text
