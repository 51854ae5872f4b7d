"""Turn, shift, renumber or reorder a survey, and the same fence comes out; mirror it, and one of the same panels does.

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


def same_fence(layout, other, back=lambda point: point):
    """Both have the same panels in number and kind, and every hole of one stands where one of the other stands."""
    assert sorted(panel.kind for panel in layout.panels) == sorted(panel.kind for panel in other.panels)
    assert len(layout.gates) == len(other.gates)
    found = [back(hole.place) for hole in other.holes]
    assert len(found) == len(layout.holes)
    for hole in layout.holes:
        assert min(math.dist(hole.place, place) for place in found) <= SAME, hole.name


def same_panels(layout, other):
    """Both have the same panels at the same cost, and the same gates; where they stand may differ."""
    assert sorted(panel.posts for panel in other.panels) == sorted(panel.posts for panel in layout.panels)
    assert other.certificate.objective[:2] == pytest.approx(layout.certificate.objective[:2])
    assert [gate.leaf for gate in other.gates] == pytest.approx([gate.leaf for gate in layout.gates], abs=SAME)


@pytest.mark.parametrize("name", ["freeform", "rectangle", "two waters"])
def test_turned_and_shifted(name, fences, tmp_path):
    site, layout = fences(name)
    angle, east, north = 2.1, 1234.5, -987.6

    def there(place):
        return (*outlines.moved_point(place[:2], angle, east, north), place[2])

    def back(point):
        return outlines.moved_point((point[0] - east, point[1] - north), -angle)

    _, other = fence_of(seen_otherwise(site, there).shots, tmp_path / "job")
    if (
        name == "two waters"
    ):  # the line round both begins on another straight, so its stations are others, and with them the nearest gate place that closes
        same_panels(layout, other)
    else:
        same_fence(layout, other, back)


@pytest.mark.parametrize("name", ["freeform", "rectangle"])
def test_mirrored(name, fences, tmp_path):
    """The same panels at the same cost.  Not hole by hole: a gate hinges on the first hole met, so its mirror image hinges on the other side."""
    site, layout = fences(name)
    _, other = fence_of(seen_otherwise(site, lambda place: (-place[0], place[1], place[2])).shots, tmp_path / "job")
    same_panels(layout, other)


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
