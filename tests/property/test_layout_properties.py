"""A fence does not care where the survey's axes lie, nor from which hole it is looked at; and no hole can be moved to make it better."""

from __future__ import annotations

import functools
import math

import msgspec
import numpy as np
import pytest

from pipeline.geometry.chain import Chain, polyline
from pipeline.geometry.offset import with_bays_rounded
from pipeline.intake.resolve import default_job
from pipeline.layout.barrier import course_of
from pipeline.layout.gates import pocket_place
from pipeline.layout.lay_out import lay_out
from pipeline.layout.line import hole_line
from pipeline.layout.measures import drawn_setback, measures_of
from pipeline.layout.waters import outline_round
from pipeline.model.site import FittedLine, GateWish, Mark, Riser
from tests.made_sites import rectangle, round_ended, site_of
from tests.truth.outlines import random_outlines
from tests.unit.layout.readings import broken_rules, gates_off, give_of, line_of, nearest_fabric, spans

JOB = default_job()
SITES = {
    "rectangle": site_of(rectangle(8.6, 4.3), gates=(GateWish(name="G", place=(3.0, -0.8)),)),
    "round ends": site_of(round_ended(5.0, 2.0), gates=(GateWish(name="G", place=(2.0, -2.8)),)),
}
MOVED = {
    **SITES,
    "gate moved": site_of(random_outlines(4)[3], gates=(GateWish(name="G", place=random_outlines(4)[3].point_at(2.0)),)),
    "wall to wall": site_of(
        rectangle(9.0, 4.5),
        decks=(),
        walls=(FittedLine(code="WALL", chain=polyline([(-6.0, 5.1), (15.0, 5.1)])),),
        gates=(GateWish(name="G", place=(4.0, -0.8)),),
    ),
    "risers": site_of(
        rectangle(9.0, 4.5),
        gates=(GateWish(name="G", place=(4.0, -0.8)),),
        joints=tuple(FittedLine(code="JOINT", line=str(x), chain=polyline([(x, -5.0), (x + 0.1, -0.3)])) for x in (1.0, 6.6)),
        risers=tuple(Riser(line=str(x), nosing=polyline([(x, 4.4), (x, 7.5)]), height=0.15, sigma_height=0.002) for x in (3.0, 3.9)),
    ),
    "two gates": site_of(rectangle(11.0, 5.0), gates=(GateWish(name="G", place=(3.1, -0.8)), GateWish(name="H", place=(7.3, 5.8)))),
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
        walls=lines(site.walls),
        joints=lines(site.joints),
        risers=tuple(msgspec.structs.replace(riser, nosing=chain(riser.nosing)) for riser in site.risers),
        objects=tuple(msgspec.structs.replace(each, outline=chain(each.outline)) for each in site.objects),
        gates=tuple(GateWish(name=gate.name, place=point(gate.place)) for gate in site.gates),
        marks=tuple(Mark(name=mark.name, kind=mark.kind, place=point(mark.place), elev=mark.elev, sigma=mark.sigma) for mark in site.marks),
    )


@pytest.mark.parametrize(
    ("name", "angle", "east", "north", "mirror"),
    [
        *((name, -2.3, 0.0, 80.0, True) for name in sorted(MOVED)),
        *((name, 0.7, 1000.0, -500.0, False) for name in sorted(SITES)),
    ],
)
def test_turned_shifted_or_mirrored_it_is_the_same_fence(name, angle, east, north, mirror):
    same_fence(MOVED[name], angle, east, north, mirror)


@pytest.mark.parametrize(("index", "angle", "mirror"), [(1, 0.4, True), (4, -0.8, True)])
def test_so_is_a_fence_round_a_random_pool(index, angle, mirror):
    same_fence(site_of(random_outlines(9)[index]), angle, 30.0, -60.0, mirror)


@pytest.mark.long
@pytest.mark.parametrize("index", range(38))
def test_so_is_a_fence_round_every_random_pool(index):
    site = site_of(random_outlines(38)[index])
    same_fence(site, 2.6, -11.0, 7.0, False)
    same_fence(site, -1.2, 400.0, 7.0, True)


@functools.cache
def laid_out(site):
    return lay_out(JOB, site)


@pytest.mark.parametrize("name", sorted(MOVED))
def test_the_line_of_a_site_seen_otherwise_is_the_same_to_a_thousandth_of_a_millimetre(name):
    """What decides on which side of half a reading a spacing falls: a line that differs by some 10 µm would now and then read one more or one less."""
    first, other = line_before_holes(MOVED[name]), line_before_holes(moved(MOVED[name], -2.3, 0.0, 80.0, mirror=True))
    assert other.length == pytest.approx(first.length, abs=1e-9)
    off = [other.nearest(placed(first.point_at(float(station)), -2.3, 0.0, 80.0, True))[1] for station in np.linspace(0.0, first.length, 700)]
    assert max(off) < 1e-9


def line_before_holes(site) -> Chain:
    sizes = measures_of(JOB)
    parallel = with_bays_rounded(outline_round(site, drawn_setback(JOB)), sizes.spacing / 2)
    course = course_of(parallel, site, "auto", float(JOB.shop.panel.end_clearance))
    return hole_line(course.chain, drawn_setback(JOB), sizes.spacing, "rounded", JOB, site).chain


def same_fence(site, angle: float, east: float, north: float, mirror: bool) -> None:
    """The same objective, and every hole of the line at its place within 1 mm; of a mirrored gate only hinge and latch change places."""
    first, other = laid_out(site), lay_out(JOB, moved(site, angle, east, north, mirror=mirror))
    assert first.certificate.objective == other.certificate.objective
    assert sorted((panel.kind, panel.posts) for panel in first.panels) == sorted((panel.kind, panel.posts) for panel in other.panels)
    found = np.array([hole.place for hole in line_of(other)])
    there = np.array([placed(hole.place, angle, east, north, mirror) for hole in line_of(first)])
    assert len(found) == len(there)
    apart = np.hypot(there[:, None, 0] - found[None, :, 0], there[:, None, 1] - found[None, :, 1])
    assert apart.min(axis=1).max() < 0.001
    assert len(set(apart.argmin(axis=1))) == len(there)


def placed(place, angle: float, east: float, north: float, mirror: bool):
    x, y = (-place[0] if mirror else place[0]), place[1]
    return (x * math.cos(angle) - y * math.sin(angle) + east, x * math.sin(angle) + y * math.cos(angle) + north)


@pytest.mark.parametrize("steps", [1, 3])
def test_begun_at_another_corner_it_is_the_same_fence(steps):
    site = SITES["rectangle"]
    water = site.waters[0].chain
    turned = Chain((*water.vertices[steps:], *water.vertices[:steps]), (*water.bulges[steps:], *water.bulges[:steps]), True)
    other = msgspec.structs.replace(site, waters=(FittedLine(code="WATER", chain=turned),))
    one, two = laid_out(site), lay_out(JOB, other)
    assert one.certificate.objective == two.certificate.objective
    assert [hole.place for hole in one.holes] == [pytest.approx(hole.place, abs=1e-4) for hole in two.holes]


def test_twice_the_same_input_twice_the_same_layout():
    assert lay_out(JOB, SITES["rectangle"]) == lay_out(JOB, SITES["rectangle"])


@pytest.mark.parametrize("name", sorted(MOVED))
def test_no_hole_moved_by_a_millimetre_makes_it_better(name):
    """Along the line, either way, every hole by itself, gates' holes among them: what comes out breaks a rule, or is no better in give and then in gates' moves."""
    site = MOVED[name]
    layout = laid_out(site)
    reached = (give_of(layout, JOB), gates_off(layout))
    assert broken_rules(layout, JOB, site) == []
    for index in range(len(line_of(layout))):
        for step in (-0.001, 0.001):
            changed = with_holes_moved(layout, (index,), step)
            assert broken_rules(changed, JOB, site) or no_better(changed, reached), (index, step)


@pytest.mark.parametrize("name", sorted(MOVED))
def test_no_gate_moved_by_a_millimetre_makes_it_better(name):
    """Hinge, latch and pocket together, by 1 mm, by one station and by half an inch, either way."""
    site = MOVED[name]
    layout = laid_out(site)
    reached = (give_of(layout, JOB), gates_off(layout))
    rows = {hole.name: index for index, hole in enumerate(line_of(layout))}
    for gate in layout.gates:
        for step in (-0.0127, -0.0254 / 16, -0.001, 0.001, 0.0254 / 16, 0.0127):
            changed = with_holes_moved(layout, (rows[gate.hinge_hole], rows[gate.latch_hole]), step)
            assert broken_rules(changed, JOB, site) or no_better(changed, reached), (gate.name, step)


def no_better(layout, reached) -> bool:
    give, off = give_of(layout, JOB), gates_off(layout)
    return give > reached[0] + 1e-9 or (give > reached[0] - 1e-9 and off >= reached[1] - 1e-9)


def with_holes_moved(layout, indices: tuple[int, ...], step: float):
    holes = list(layout.holes)
    line = line_of(layout)
    for index in indices:
        place = layout.line.point_at(holes[index].station + step)
        holes[index] = msgspec.structs.replace(holes[index], east=place[0], north=place[1])
    for number, one in enumerate(line):
        after = holes[(number + 1) % len(line)]
        if one.to_next is not None:
            holes[number] = msgspec.structs.replace(holes[number], to_next=math.dist(holes[number].place, after.place))
    return with_pockets(msgspec.structs.replace(layout, holes=tuple(holes)))


def with_pockets(layout):
    """The same layout with every gate's pocket hole where its moved latch hole wants it."""
    holes = {hole.name: hole for hole in layout.holes}
    for gate in layout.gates:
        hinge, latch, pocket = holes[gate.hinge_hole], holes[gate.latch_hole], holes[gate.pocket_hole]
        place = pocket_place(hinge.place, latch.place, float(JOB.shop.gate.pocket))
        holes[pocket.name] = msgspec.structs.replace(pocket, east=place[0], north=place[1])
    return msgspec.structs.replace(layout, holes=tuple(holes.values()))


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
