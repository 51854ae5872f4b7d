"""Turn, shift, mirror, renumber or reorder a survey, and the same fence comes out, hole by hole; in a mirrored one gates hinge on their other hole.

The places are compared hole by hole in the first survey's frame.  Tolerance 1 mm: the transformed coordinates
are written with 0.3 µm, the rest is what an iterated fit may differ by.
"""

from __future__ import annotations

import dataclasses
import math

import pytest

from tests.truth import outlines
from tests.truth.sites import freeform, l_shape_spa, rectangle_open
from tests.truth.stress_sites import begun_elsewhere, seen_otherwise, shot_the_other_way
from tests.truth.through_line import fence_of

SAME = 0.001  # [m]
SITES = {"freeform": freeform, "rectangle": rectangle_open, "two waters": l_shape_spa}


@pytest.fixture(scope="module")
def fences(tmp_path_factory):
    """The samples' surveys and their fences as shot, each laid out once."""
    made = {}

    def first(name):
        if name not in made:
            site = SITES[name]()
            made[name] = (site, fence_of(site.shots, tmp_path_factory.mktemp("first") / "job")[1])
        return made[name]

    return first


def same_fence(layout, other, back=lambda point: point, *, pockets=True):
    """Both have the same panels, gates and objective, and every hole of one stands where one of the other stands."""
    assert sorted((panel.kind, panel.posts) for panel in layout.panels) == sorted((panel.kind, panel.posts) for panel in other.panels)
    assert len(layout.gates) == len(other.gates)
    assert other.certificate.objective == layout.certificate.objective
    found = [back(hole.place) for hole in other.holes if pockets or hole.role != "pocket"]
    wanted = [hole for hole in layout.holes if pockets or hole.role != "pocket"]
    assert len(found) == len(wanted)
    for hole in wanted:
        assert min(math.dist(hole.place, place) for place in found) <= SAME, hole.name


@pytest.mark.parametrize(("name", "angle"), [("freeform", 2.1), ("rectangle", 2.1), ("rectangle", -0.4), ("two waters", 2.1), ("two waters", -0.4)])
def test_turned_and_shifted(name, angle, fences, tmp_path):
    site, layout = fences(name)
    east, north = 1234.5, -987.6

    def there(place):
        return (*outlines.moved_point(place[:2], angle, east, north), place[2])

    def back(point):
        return outlines.moved_point((point[0] - east, point[1] - north), -angle)

    _, other = fence_of(seen_otherwise(site, there).shots, tmp_path / "job")
    same_fence(layout, other, back)


@pytest.mark.parametrize("name", ["rectangle", "two waters"])
def test_mirrored(name, fences, tmp_path):
    """Hole by hole but for the pockets: a gate hinges on the hole that is met first with the water on the left, so its mirror image hinges on the other one."""
    site, layout = fences(name)
    _, other = fence_of(seen_otherwise(site, lambda place: (-place[0], place[1], place[2])).shots, tmp_path / "job")
    same_fence(layout, other, lambda point: (-point[0], point[1]), pockets=False)


@pytest.mark.parametrize("name", ["freeform"])
def test_begun_elsewhere(name, fences, tmp_path):
    site, layout = fences(name)
    code = next(shot.description for shot in site.shots if shot.description.startswith("WATER"))
    _, other = fence_of(begun_elsewhere(site.shots, code, 7), tmp_path / "job")
    same_fence(layout, other)


@pytest.mark.parametrize("name", ["freeform"])
def test_shot_the_other_way_round(name, fences, tmp_path):
    site, layout = fences(name)
    code = next(shot.description for shot in site.shots if shot.description.startswith("WATER"))
    _, other = fence_of(shot_the_other_way(site.shots, code), tmp_path / "job")
    same_fence(layout, other)


@pytest.mark.parametrize("name", ["two waters"])
def test_renumbered_with_levels_first(name, fences, tmp_path):
    site, layout = fences(name)
    spots = [shot for shot in site.shots if shot.description == "SPOT"]
    rest = [shot for shot in site.shots if shot.description != "SPOT"]
    renumbered = tuple(dataclasses.replace(shot, number=f"K{index}") for index, shot in enumerate(spots + rest, 5000))
    _, other = fence_of(renumbered, tmp_path / "job")
    same_fence(layout, other)


@pytest.mark.parametrize("name", ["freeform"])
def test_twice_the_same(name, fences, tmp_path):
    site, layout = fences(name)
    _, other = fence_of(site.shots, tmp_path / "job")
    assert other == layout


@pytest.mark.parametrize("name", ["rectangle"])
def test_raised_by_a_hundred_metres(name, fences, tmp_path):
    """Where zero height is must not matter."""
    site, layout = fences(name)
    _, other = fence_of(seen_otherwise(site, lambda place: (place[0], place[1], place[2] + 100.0)).shots, tmp_path / "job")
    same_fence(layout, other)
