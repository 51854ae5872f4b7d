"""A fence does not care where the survey's axes lie, nor from which hole it is looked at; and no hole can be moved to make it better."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from pipeline.geometry.chain import Chain
from pipeline.intake.resolve import default_job
from pipeline.layout.lay_out import lay_out
from pipeline.model.site import FittedLine, GateWish, Mark
from tests.made_sites import rectangle, round_ended, site_of
from tests.truth.outlines import random_outlines
from tests.unit.layout.readings import broken_rules, give_of, line_of, nearest_fabric, spans

JOB = default_job()
SITES = {
    "rectangle": site_of(rectangle(8.6, 4.3), gates=(GateWish(name="G", place=(3.0, -0.8)),)),
    "round ends": site_of(round_ended(5.0, 2.0), gates=(GateWish(name="G", place=(2.0, -2.8)),)),
}


def moved(site, angle: float, east: float, north: float, *, mirror: bool = False):
    """The same site seen from other axes; mirrored ones run the other way round, so chains are turned back."""
    cosine, sine, side = math.cos(angle), math.sin(angle), -1.0 if mirror else 1.0

    def point(place):
        x, y = place[0] * side, place[1]
        return (x * cosine - y * sine + east, x * sine + y * cosine + north)

    def chain(old):
        new = Chain(tuple(point(vertex) for vertex in old.vertices), tuple(side * bulge for bulge in old.bulges), old.closed)
        return new.reversed() if mirror and new.closed else new

    def lines(old):
        return tuple(msgspec.structs.replace(line, chain=chain(line.chain)) for line in old)

    return msgspec.structs.replace(
        site,
        waters=lines(site.waters),
        decks=lines(site.decks),
        gates=tuple(GateWish(name=gate.name, place=point(gate.place)) for gate in site.gates),
        marks=tuple(Mark(name=mark.name, kind=mark.kind, place=point(mark.place), elev=mark.elev, sigma=mark.sigma) for mark in site.marks),
    )


@pytest.mark.parametrize("name", sorted(SITES))
@pytest.mark.parametrize(("angle", "east", "north", "mirror"), [(0.7, 1000.0, -500.0, False), (-2.3, 0.0, 80.0, True)])
def test_turned_shifted_or_mirrored_it_is_the_same_fence(name, angle, east, north, mirror):
    site = SITES[name]
    first, other = lay_out(JOB, site), lay_out(JOB, moved(site, angle, east, north, mirror=mirror))
    assert first.certificate.objective[:2] == other.certificate.objective[:2]
    assert len(first.holes) == len(other.holes)
    assert first.line.length == pytest.approx(other.line.length, abs=1e-3)
    assert sorted(panel.posts for panel in first.panels) == sorted(panel.posts for panel in other.panels)


@pytest.mark.parametrize("steps", [1, 3])
def test_begun_at_another_corner_it_is_the_same_fence(steps):
    site = SITES["rectangle"]
    water = site.waters[0].chain
    turned = Chain((*water.vertices[steps:], *water.vertices[:steps]), (*water.bulges[steps:], *water.bulges[:steps]), True)
    other = msgspec.structs.replace(site, waters=(FittedLine(code="WATER", chain=turned),))
    assert lay_out(JOB, site).certificate.objective[:2] == lay_out(JOB, other).certificate.objective[:2]


def test_twice_the_same_input_twice_the_same_layout():
    assert lay_out(JOB, SITES["rectangle"]) == lay_out(JOB, SITES["rectangle"])


@pytest.mark.parametrize("name", sorted(SITES))
def test_no_hole_moved_by_a_millimetre_makes_it_better(name):
    """Along the line, either way, one hole at a time: what comes out breaks a rule, or uses no less of the give."""
    site = SITES[name]
    layout = lay_out(JOB, site)
    used = give_of(layout, JOB)
    assert broken_rules(layout, JOB, site) == []
    for index in range(0, len(line_of(layout)), 3):
        for step in (-0.001, 0.001):
            changed = with_hole_moved(layout, index, step)
            assert broken_rules(changed, JOB, site) or give_of(changed, JOB) >= used - 1e-9, (index, step)


def with_hole_moved(layout, index: int, step: float):
    holes = list(layout.holes)
    place = layout.line.point_at(holes[index].station + step)
    holes[index] = msgspec.structs.replace(holes[index], east=place[0], north=place[1])
    line = [hole for hole in holes if hole.role != "pocket"]
    for one, after in ((index - 1) % len(line), index), (index, (index + 1) % len(line)):
        holes[one] = msgspec.structs.replace(holes[one], to_next=math.dist(line[one].place, line[after].place))
    return msgspec.structs.replace(layout, holes=tuple(holes))


@pytest.mark.parametrize("block", range(3))
def test_random_pools(block):
    """Freeform pools with outward and inward bends: every promise kept, proven best."""
    for water in random_outlines(9)[block * 3 : block * 3 + 3]:
        site = site_of(water)
        layout = lay_out(JOB, site)
        assert broken_rules(layout, JOB, site) == []
        assert layout.certificate.gap == 0.0
        assert nearest_fabric(layout, site) >= layout.setback - 0.001
        apart = np.array([math.dist(one.place, other.place) for one, other in spans(layout)])
        assert apart.max() <= 0.9144 + 0.00635 + 1e-6 or apart.max() == pytest.approx(layout.gates[0].leaf)
