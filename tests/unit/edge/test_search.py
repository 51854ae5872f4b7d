"""The exchange search: what a cut is."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from pipeline import artifacts
from pipeline.edge.search import _normal
from pipeline.geometry.projection import project
from pipeline.geometry.segmenting import Stretch
from pipeline.model.site import Site
from pipeline.model.survey import Survey
from tests.truth.outlines import random_outlines
from tests.truth.stress_sites import open_site
from tests.truth.through_line import take_through


@pytest.mark.parametrize("turned", range(4))
@pytest.mark.parametrize("laps", [-1, 0, 2])
def test_the_same_pieces_are_the_same_cut_whatever_led_to_them(turned, laps):
    whole = tuple(
        Stretch(first=first, last=last, is_arc=False, smooth=False) for first, last in ((3, 9), (10, 15), (16, 21), (22, 26))
    )  # of 24 shots
    moved = (*whole[turned:], *(msgspec.structs.replace(one, first=one.first + 24, last=one.last + 24) for one in whole[:turned]))
    moved = tuple(msgspec.structs.replace(one, first=one.first + 24 * laps, last=one.last + 24 * laps) for one in moved)
    assert _normal(moved, 24) == whole


def test_a_flat_arc_of_three_shots_is_found_where_two_sides_meet_badly(tmp_path):
    """An arc of 15 degrees, 0.8 m long, between sides of 3.6 and 2.6 m: read as a corner it was 19 mm off, its shots 9 and 7 mm beside the sides."""
    site = open_site("flat", random_outlines(38)[6], 5044)
    place = take_through(site.shots, tmp_path, last="edge")
    (edge,) = artifacts.read(place, "edge", Site).waters
    frame = artifacts.read(place, "survey", Survey).frame
    true = np.array([frame.to_plan(*site.waters[0].point_at(station)) for station in np.arange(0.0, site.waters[0].length, 0.05)])
    stations, offsets = project(edge.chain, true)
    assert len(edge.chain) == len(site.waters[0])
    assert np.abs(offsets).max() < 0.006
    assert (np.abs(offsets) < 4 * np.array([edge.sigma_at(float(station)) for station in stations])).all()
