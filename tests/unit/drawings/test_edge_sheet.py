"""The sheet of the fit: whiskers and band to the scale it states, every shot set aside named, what the fit decided said."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.drawings import edge_sheet
from pipeline.drawings.booklets import draw
from pipeline.drawings.ink import Area, Ring, Stroke
from pipeline.drawings.paper import frame_of
from pipeline.drawings.plan_view import View
from pipeline.geometry.projection import project
from pipeline.model.site import Residual
from tests.made_layouts import made_survey
from tests.unit.drawings.cases import REVISION, case
from tests.unit.drawings.reading import pages_of

NOTE = "sides 1 and 3 parallel taken: test 0.4 < 6.63"


def fitted_line(shots=40, aside=(7,)):
    """The rectangle's edge with shots all round it, 5 mm off by turns, some of them set aside 0.3 m outside."""
    line = case("rectangle").site.waters[0]
    stations = np.linspace(0.2, line.chain.length, shots, endpoint=False)
    offsets = [-0.3 if index in aside else 0.005 * math.sin(index) for index in range(shots)]
    rows = tuple(
        Residual(point=f"{101 + index}", place=line.chain.point_at(float(station)), station=float(station), offset=offset, used=index not in aside)
        for index, (station, offset) in enumerate(zip(stations, offsets, strict=True))
    )
    return msgspec.structs.replace(
        line, residuals=rows, sigma_stations=(0.0, line.chain.length), sigma_normals=(0.002, 0.002), sigma0=0.0032, notes=(NOTE,)
    )


def drawn_with(line):
    it = case("rectangle")
    site = msgspec.structs.replace(it.site, waters=(line,))
    return draw(it.job, made_survey(site, it.layout), site, it.layout, it.fabrication, it.compliance, REVISION)


@pytest.fixture(scope="module")
def made():
    return drawn_with(fitted_line())


def page_of_the_fit(made) -> str:
    return " ".join(pages_of(made.files["inspection.pdf"])[-2].get_text().split())


def test_the_page_names_every_shot_set_aside_and_what_was_decided(made):
    words = page_of_the_fit(made)
    assert '108: 11-13/16"' in words
    assert "WATER: 40 shots, 1 set aside; one shot lies about the line by 0.13 in; the edge is known to 0.08 in to 0.08 in" in words
    assert NOTE in words
    assert "not to scale" in words


def test_whiskers_are_as_long_and_the_band_as_broad_as_is_stated():
    line, frame = fitted_line(), frame_of("a4")
    view = edge_sheet._view([line.chain], (frame.left, frame.bottom, frame.right, frame.top), 0.3, "mm")
    times = edge_sheet._times([line], view)
    assert times in edge_sheet._MAGNIFIED
    for row in line.residuals:
        foot, end = edge_sheet._whisker(line, row, view, times)
        assert math.dist(foot, view.on_sheet(line.chain.point_at(row.station))) < 1e-9
        if row.used:
            assert math.dist(foot, end) == pytest.approx(abs(row.offset) * times * 1000 / view.scale.ratio)
            assert float(project(line.chain, np.array([view.on_site(end)]))[1][0]) * row.offset >= 0
    for band in edge_sheet._band(line, view, times):
        half = len(band.points) // 2
        across = [math.dist(left, right) for left, right in zip(band.points[:half], reversed(band.points[half:]), strict=True)]
        assert across == pytest.approx([4 * 0.002 * times * 1000 / view.scale.ratio] * half)


def test_nothing_stands_outside_the_sheet():
    line, frame = fitted_line(), frame_of("letter")
    area = (frame.left, frame.bottom, frame.right, frame.top)
    view = edge_sheet._view([line.chain], area, 0.0, "inch")
    places = [place for mark in edge_sheet._line(line, view, edge_sheet._times([line], view)) for place in points_of(mark)]
    assert all(area[0] <= x <= area[2] and area[1] <= y <= area[3] for x, y in places)


def points_of(mark):
    if isinstance(mark, Stroke | Area):
        return mark.points
    return (mark.centre,) if isinstance(mark, Ring) else (mark.at,)


def test_of_a_scan_some_shots_are_drawn_and_all_that_were_set_aside():
    line = fitted_line(shots=5000, aside=(7, 8, 4321))
    drawn = edge_sheet._drawn(line)
    assert {row.point for row in drawn if not row.used} == {"108", "109", "4422"}
    assert len(drawn) <= edge_sheet._MOST_DRAWN + 3
    assert "Of very many shots some are drawn" in page_of_the_fit(drawn_with(line))


def test_the_view_shows_the_whole_line_at_a_standard_scale():
    line, frame = fitted_line(), frame_of("a4")
    area = (frame.left, frame.bottom, frame.right, frame.top)
    view = edge_sheet._view([line.chain], area, 1.1, "mm")
    assert isinstance(view, View)
    assert all(view.shows(vertex, edge_sheet._ROOM - 1e-6) for vertex in line.chain.vertices)
