"""A site turned and shifted with its fence brings the same findings: nothing hangs on how the plan lies."""

from __future__ import annotations

import math

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.compliance.judge import judge
from pipeline.compliance.stage import work_packs
from pipeline.geometry.chain import Chain
from pipeline.intake.resolve import shipped_packs
from pipeline.model.site import LevelSurface, SiteObject
from tests.made_sites import rectangle
from tests.unit.compliance.made_fences import fence_along, job_with, line_of, plane, site_with

PACKS = (shipped_packs()["us-ispsc-2018"], shipped_packs()["au-as1926"])
BENCH = SiteObject(name="501", outline=rectangle(0.6, 0.4, 1.0, -2.4), height=0.45, sigma=0.004)


def turned_point(place, turn, shift):
    x, y = place
    return (x * math.cos(turn) - y * math.sin(turn) + shift[0], x * math.sin(turn) + y * math.cos(turn) + shift[1])


def turned_chain(chain, turn, shift):
    return Chain(tuple(turned_point(vertex, turn, shift) for vertex in chain.vertices), chain.bulges, chain.closed)


def turned_plane(patch, turn, shift):
    level, east, north = patch.coefficients
    slope = (east * math.cos(turn) - north * math.sin(turn), east * math.sin(turn) + north * math.cos(turn))
    region = tuple(turned_point(corner, turn, shift) for corner in patch.region)
    return msgspec.structs.replace(patch, coefficients=(level, *slope), origin=turned_point(patch.origin, turn, shift), region=region)


def findings(turn=0.0, shift=(0.0, 0.0)):
    half = ((-60.0, -60.0), (2.0, -60.0), (2.0, 60.0), (-60.0, 60.0))
    patches = (plane(0.0, (0.004, 0.006), half), plane(0.01, (-0.003, 0.005)))
    plain = site_with()
    site = msgspec.structs.replace(
        plain,
        waters=tuple(line_of("WATER", turned_chain(line.chain, turn, shift)) for line in plain.waters),
        decks=tuple(line_of("DECK", turned_chain(line.chain, turn, shift)) for line in plain.decks),
        objects=(msgspec.structs.replace(BENCH, outline=turned_chain(BENCH.outline, turn, shift)),),
        levels=LevelSurface(patches=tuple(turned_plane(patch, turn, shift) for patch in patches)),
    )
    layout = fence_along(gate_after=0, panels=(4, 4, 4))
    holes = []
    for hole in layout.holes:
        east, north = turned_point(hole.place, turn, shift)
        holes.append(msgspec.structs.replace(hole, east=east, north=north))
    gates = tuple(msgspec.structs.replace(gate, swing=tuple(turned_point(place, turn, shift) for place in gate.swing)) for gate in layout.gates)
    layout = msgspec.structs.replace(layout, holes=tuple(holes), gates=gates)
    return judge(job_with(*PACKS), site, layout, None, work_packs())


PLAIN = findings()


@settings(max_examples=15, deadline=None)
@given(st.floats(-math.pi, math.pi), st.floats(-500, 500), st.floats(-500, 500))
def test_turned_and_shifted(turn, east, north):
    found = findings(turn, (east, north))
    assert [(one.limit, one.verdict, one.where) for one in PLAIN.checks] == [(one.limit, one.verdict, one.where) for one in found.checks]
    for one, other in zip(PLAIN.checks, found.checks, strict=True):
        if one.measured is not None:
            assert other.measured == pytest.approx(one.measured, abs=1e-7)
            assert other.u95 == pytest.approx(one.u95, rel=1e-5, abs=1e-9)
    assert PLAIN.cautions == found.cautions
